"""The folded solid, measured by the trimesh library, which knows nothing of sheet metal."""

import math

import folded_pieces as pieces
import numpy as np
import pytest
import trimesh

from digitize.bending.facts import Said
from digitize.bending.laws import NeutralLine
from digitize.folding.regions import regions
from digitize.folding.sizes import folded_sizes
from digitize.folding.solid import fold_up
from digitize.pattern.model import Pattern
from digitize.pattern.region import metal

T, R, K = 1.2, 1.2, 0.4


def mesh(solid):
    return trimesh.Trimesh(solid.vertices_mm, solid.triangles, process=False)


def test_a_flat_blank_is_its_area_times_its_thickness():
    blank = pieces.developed(pieces.tray())
    flat = mesh(fold_up(blank, [0.0] * 4))
    assert flat.is_watertight
    assert flat.volume == pytest.approx(metal(blank.pattern, 0.02).area * T, rel=1e-9)
    assert flat.extents[2] == pytest.approx(T)


def test_a_folded_channel_has_the_outside_sizes_that_were_traced():
    blank = pieces.developed(pieces.channel(60.0, 25.0, 30.0, 120.0))
    solid = mesh(fold_up(blank))
    assert solid.is_watertight
    assert sorted(solid.extents) == pytest.approx([30.0, 60.0, 120.0], abs=1e-6)


def test_a_bend_holds_the_metal_of_a_ring_sector():
    """By Pappus a sector of angle a holds a (R + T/2) T of sheet for each mm of its length."""
    blank = pieces.developed(pieces.channel())
    flat, bent = (mesh(fold_up(blank, s)).volume for s in ([0, 0], [1, 1]))
    gained = 2 * 120.0 * math.pi / 2 * T * ((R + T / 2) - (R + K * T))
    chords = 1.0 - math.sin(math.radians(5.0)) / math.radians(5.0)  # of the sector's area
    ring = 2 * 120.0 * math.pi / 2 * T * (R + T / 2)
    assert bent - flat == pytest.approx(gained - chords * ring, abs=1e-6 * bent)


@pytest.mark.parametrize("shares", [(0.3, 1.0, 0.0, 0.7), (1.02, 0.5, 1.0, 1.0), (0, 0, 0, 1)])
def test_any_bend_may_be_folded_any_way(shares):
    blank = pieces.developed(pieces.tray())
    order = [fold.facts.name for fold in blank.tree.folds]
    solid = fold_up(blank, shares)
    assert mesh(solid).is_watertight
    for part, share in enumerate(shares):
        face = blank.tree.folds[part].child
        corners = solid.corners_mm(face, 1)
        normal = np.linalg.svd(corners - corners.mean(axis=0))[2][2]
        assert math.degrees(math.acos(min(1.0, abs(normal[2])))) == pytest.approx(
            min(90.0 * share, 180.0 - 90.0 * share), abs=1e-4
        ), order[part]


def test_away_folds_downward_and_toward_upward():
    said = {"B1": Said(90.0, True, R), "B2": Said(90.0, False, R)}
    z = mesh(fold_up(pieces.developed(pieces.channel(), said))).bounds[:, 2]
    assert z == pytest.approx([-30.0, 25.0 - T], abs=1e-6)


def test_a_tab_in_the_middle_of_an_edge_tears_at_its_ends_and_leaves_the_edge():
    pattern = pieces.tab()
    blank = pieces.developed(pattern)
    solid = fold_up(blank)
    assert mesh(solid).is_watertight
    parts = regions(blank.tree, blank.pattern)
    x0, _, x1, _ = parts.strips[0].bounds
    assert (x0, x1) == pytest.approx((60.0, 100.0))
    base = solid.corners_mm(blank.tree.base, 1)
    assert base[:, 1].min() == pytest.approx(0.0, abs=1e-6)  # beside the tab the edge stays


def test_no_metal_is_counted_twice_or_lost():
    blank = pieces.developed(pieces.tray())
    parts = regions(blank.tree, blank.pattern)
    areas = [a.area for a in (*parts.faces, *parts.strips)]
    assert sum(areas) == pytest.approx(parts.metal.area, rel=1e-9)
    assert len(parts.strips) == 4
    assert min(areas) > 10.0


@pytest.mark.parametrize(("angle", "thickness"), [(8.0, 0.5), (90.0, 1.0)])
def test_a_sharp_flange_is_torn_off_the_edge_it_lies_against(angle, thickness):
    """With no radius the flange moves in so far that the blank leaves it joined to the edge."""
    blank = pieces.developed(pieces.tab(), {"all": Said(angle, True, 0.0)}, thickness)
    parts = regions(blank.tree, blank.pattern)
    assert sorted(f.area for f in parts.faces)[0] == pytest.approx(40.0 * 20.0, rel=0.06)
    assert mesh(fold_up(blank)).is_watertight
    (size,) = [s for s in folded_sizes(blank, fold_up(blank)) if s.face == "F2"]
    assert size.off_mm == pytest.approx(0.0, abs=0.01)


WIDE = 150.3137741543894
TAPERED_FLANGE = Pattern(
    "tapered flange",
    pieces.outline(
        [
            *[(0, 0), (WIDE, 0), (WIDE, 150), (WIDE - 15, 150)],
            *[(133.33645675449276, 175), (15, 175), (15, 150), (0, 150)],
        ]
    ),
    bends=(pieces.bend(WIDE - 15, 150, 15, 150),),
)
TAPERED_LOW = [(150, 15), (188.5, 15), (213.5, 15.638120346452261), (238.5, 15.638120346452261)]
TAPERED_HIGH = [(150, 127.66627877394717), (188.5, 126.36843085172194)]
TAPERED_HIGH += [(213.5, 126.36843085172194), (238.5, 126.36843085172194)]
TAPERED_CHAIN = Pattern(
    "tapered chain",
    pieces.outline([(0, 0), (150, 0), *TAPERED_LOW, *TAPERED_HIGH[::-1], (150, 150), (0, 150)]),
    bends=tuple(
        pieces.bend(*a, *b) for a, b in zip(TAPERED_LOW[:3], TAPERED_HIGH[:3], strict=True)
    ),
)


@pytest.mark.parametrize("share", [0.0, 1e-5, 0.5, 1.0])
@pytest.mark.parametrize(
    ("pattern", "said", "thickness"),
    [
        (TAPERED_FLANGE, Said(90.0, False, 2.4783036843638846), 0.6560047897191585),
        (TAPERED_CHAIN, Said(90.0, True, 1.0), 1.0),
    ],
)
def test_slanted_ends_leave_no_slivers_that_hang_by_a_point(pattern, said, thickness, share):
    """The ends of rows across a bend lie beside the slanted edge by the rounding of corners."""
    blank = pieces.developed(pattern, {"all": said}, thickness, NeutralLine(0.5))
    solid = mesh(fold_up(blank, [share] * len(pattern.bends)))
    assert solid.is_watertight
    assert solid.body_count == 1
    assert solid.euler_number == 2  # like a ball: no hole, and no slit within the sheet


def test_a_tear_that_has_hardly_opened_is_closed_too():
    """Where two bends crush a corner, a tear still closed at its ends may be open between."""
    blank = pieces.developed(pieces.tray(), {"all": Said(135.0, True, 1.2)}, 1.0)
    for share in np.geomspace(1.5e-5, 2e-5, 9):  # within reach of the 0.00001 mm that join
        assert mesh(fold_up(blank, [share] * 4)).is_watertight


def test_a_notch_that_ends_within_the_bend_leaves_two_tabs_bent_up_alike():
    """Between the notch and the bend line 1 mm of sheet is left, less than the bend takes up."""
    notch = [(100, 60), (60, 60), (60, 41), (40, 41), (40, 60), (0, 60)]
    pattern = Pattern(
        "tabs", pieces.outline([(0, 0), (100, 0), *notch]), bends=(pieces.bend(0, 40, 100, 40),)
    )
    blank = pieces.developed(pattern)
    solid = fold_up(blank)
    assert mesh(solid).is_watertight
    assert mesh(solid).body_count == 1
    (fold,) = blank.tree.folds
    upright = solid.corners_mm(fold.child, 1)
    assert np.ptp(upright[:, 0]) == pytest.approx(100.0)  # from tab to tab
    assert np.ptp(upright[:, 1]) == pytest.approx(0.0, abs=1e-6)
    assert upright[:, 2].max() == pytest.approx(20.0 - T)
    flat = solid.corners_mm(fold.parent, 1)
    assert np.ptp(flat[:, 2]) == pytest.approx(0.0, abs=1e-6)
