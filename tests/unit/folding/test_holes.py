"""Holes of the folded solid, found and measured by the trimesh library."""

import math
from dataclasses import replace

import folded_pieces as pieces
import numpy as np
import pytest
import trimesh

from digitize.bending.facts import Said
from digitize.bending.laws import NeutralLine
from digitize.folding.solid import fold_up
from digitize.pattern.contour import Circle, Contour, Slot
from digitize.pattern.region import metal

T, R, K = 1.2, 1.2, 0.4
WITHIN_MM = 0.02  # chords of a rim
ON_FLANGE = Circle((12.0, 90.0), 5.0)  # 13 mm from the mould line at 25, 8 mm clear of its bend
ACROSS = Circle((25.0, 30.0), 6.0)
LONG = Slot((80.0, 80.0), (95.0, 80.0), 4.0)


def channel(*openings):
    """Legs of 25 and 30 on a web of 60, bent up at x = 25 and 85; the web keeps its hole."""
    plain = pieces.channel(60.0, 25.0, 30.0, 120.0)
    return pieces.developed(replace(plain, openings=(*plain.openings, *openings)))


def mesh(solid):
    return trimesh.Trimesh(solid.vertices_mm, solid.triangles, process=False)


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_every_hole_goes_through_and_the_mesh_stays_closed(share):
    blank = channel(ON_FLANGE, ACROSS, LONG)
    solid = mesh(fold_up(blank, [share, share]))
    assert solid.is_watertight
    assert solid.body_count == 1
    assert solid.euler_number == 2 - 2 * 4  # a ball with four handles
    if share == 0.0:
        assert solid.volume == pytest.approx(metal(blank.pattern, 0.02).area * T, rel=1e-9)


def test_a_hole_takes_its_area_times_the_thickness_out_of_a_flange():
    without, with_hole = (mesh(fold_up(channel(*o))).volume for o in ((), (ON_FLANGE,)))
    assert without - with_hole == pytest.approx(math.pi * 25.0 * T, rel=7e-3)  # chords


def test_a_hole_of_a_flange_stands_where_it_was_traced():
    """A plane through the middle of the upright flange cuts the hole's own circle."""
    solid = mesh(fold_up(channel(ON_FLANGE)))
    cut = solid.section(plane_origin=(25.0 + T / 2, 0, 0), plane_normal=(1, 0, 0))
    loops = [np.asarray(loop) for loop in cut.discrete]
    (rim,) = [loop for loop in loops if np.ptp(loop[:, 1]) < 11.0]
    centre = (rim.min(axis=0) + rim.max(axis=0)) / 2
    assert centre[1:] == pytest.approx((90.0, 13.0 - T), abs=WITHIN_MM)
    assert np.ptp(rim[:, 1:], axis=0) == pytest.approx((10.0, 10.0), abs=2 * WITHIN_MM)


def test_a_hole_across_a_bend_is_round_on_both_faces_again():
    """Traced round about the mould line, it is round about it on the web and on the flange."""
    blank = channel(ACROSS)
    solid = fold_up(blank)
    web = blank.tree.base
    (flange,) = [f.child for f in blank.tree.folds if f.facts.name == "B1"]
    for part, across in ((web, 0), (flange, 2)):
        corners = solid.corners_mm(part, -1)  # outside
        edge = 25.0 if across == 0 else -T
        off = np.hypot(corners[:, across] - edge, corners[:, 1] - 30.0)
        rim = off[off < 7.0]
        assert len(rim) > 10
        assert rim == pytest.approx(6.0, abs=WITHIN_MM)


def test_a_hole_across_a_bend_is_squeezed_only_where_the_sheet_is():
    blank = channel(ACROSS)
    _, hole = blank.pattern.openings
    assert isinstance(hole, Contour)
    points = hole.points_mm(0.01)
    deduction = 2 * (R + T) - math.pi / 2 * (R + K * T)
    assert np.ptp(points, axis=0) == pytest.approx((12.0 - deduction, 12.0), abs=1e-2)
    again = pieces.developed(blank.pattern, {"all": Said(90.0, True, R)}, T, NeutralLine(K))
    assert again.pattern.openings[1].points_mm(0.01) == pytest.approx(points, abs=1e-9)
