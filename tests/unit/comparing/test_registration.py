from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from digitize.comparing.boundary import Boundary
from digitize.comparing.locking import NotLockable, register_locked
from digitize.comparing.pose import Pose, flipped
from digitize.comparing.registration import FitOptions, register
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import Pattern
from digitize.pattern.region import metal
from digitize.pattern.segments import Line
from digitize.pattern.soundness import fault


def same_place(found: Pose, true: Pose, tolerance_mm: float) -> bool:
    corners = np.array([(0.0, 0.0), (180.0, 0.0), (180.0, 130.0)])
    return bool(np.hypot(*(found.of(corners) - true.of(corners)).T).max() < tolerance_mm)


def test_distances_are_those_of_a_geometry_library(footplate: Pattern) -> None:
    rng = np.random.default_rng(3)
    points = rng.uniform((-40.0, -40.0), (220.0, 170.0), (3000, 2))
    area = metal(footplate, 1e-7)
    expected = shapely.distance(area.boundary, shapely.points(points))
    expected *= np.where(shapely.contains_xy(area, points), -1.0, 1.0)
    found = Boundary.of_pattern(footplate).nearest(points)
    assert found.signed_mm == pytest.approx(expected, abs=2e-7)
    assert np.hypot(*found.away.T) == pytest.approx(1.0)
    ahead = Boundary.of_pattern(footplate).nearest(points + 1e-4 * found.away)
    flat = np.abs(found.signed_mm) < 20.0  # farther out the nearest stretch may change
    grown = (ahead.signed_mm - found.signed_mm)[flat] / 1e-4
    assert np.median(grown) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("turn_deg", [0.0, 37.0, 90.0, 180.0, -110.0])
@pytest.mark.parametrize("fit", ["sound", "all", "zone"])
def test_finds_the_pose_from_any_turn(footplate: Pattern, turn_deg: float, fit: str) -> None:
    true = Pose(math.radians(turn_deg), (-300.0, 212.0))
    new = true.pattern_back(footplate)
    found = register(new, footplate, FitOptions(fit))  # type: ignore[arg-type]
    assert same_place(found.pose, true, 1e-6)
    assert found.largest_mm < 1e-6
    assert found.others == ()
    assert found.notices == ()


def test_turned_over_only_when_asked(footplate: Pattern) -> None:
    true = Pose(0.8, (12.0, -30.0), mirrored=True)
    new = true.pattern_back(footplate)
    assert fault(new) is None
    asked = register(new, footplate, FitOptions(mirrored=True))
    assert asked.largest_mm < 1e-6
    unasked = register(new, footplate)
    assert not unasked.pose.mirrored
    assert [n.code for n in unasked.notices] == ["compare-mirror"]


def test_turning_over_twice_gives_the_piece_back(footplate: Pattern) -> None:
    twice = flipped(flipped(footplate))
    assert twice.bends == footplate.bends
    assert twice.outline.points_mm(0.1) == pytest.approx(footplate.outline.points_mm(0.1))
    assert flipped(footplate).outline.signed_area_mm2 == pytest.approx(
        footplate.outline.signed_area_mm2
    )


def test_square_says_that_it_fits_four_ways(cover: Pattern) -> None:
    found = register(Pose(0.3, (5.0, 9.0)).pattern_back(cover), cover)
    turns = sorted(
        round(math.degrees((p.turn_rad - found.pose.turn_rad) % math.tau)) for p in found.others
    )
    assert turns == [90, 180, 270]
    assert [n.code for n in found.notices] == ["compare-ambiguous"]


def test_one_hole_tells_the_four_ways_apart(cover: Pattern) -> None:
    old = replace(cover, openings=(Circle((20.0, 30.0), 5.0),))
    for turn_deg in (10.0, 100.0, 190.0, 280.0):
        true = Pose(math.radians(turn_deg), (5.0, 9.0))
        found = register(true.pattern_back(old), old)
        assert found.others == ()
        assert same_place(found.pose, true, 1e-3)


def test_nearly_square_is_not_taken_for_square() -> None:
    corners = ((0.0, 0.0), (90.0, 0.0), (90.0, 90.6), (0.0, 90.6))
    ends = (*corners[1:], corners[0])
    box = Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])
    old = Pattern("box", box)
    found = register(Pose(1.0).pattern_back(old), old)
    assert len(found.others) == 1  # half a turn still fits; a quarter does not


def test_round_says_that_it_fits_any_way(without_features: Pattern) -> None:
    found = register(Pose(0.7, (3.0, 4.0)).pattern_back(without_features), without_features)
    assert found.any_turn
    assert [n.code for n in found.notices] == ["compare-any-turn"]
    assert found.pose.of(np.array([[50.0, 50.0]])).shape == (1, 2)


def test_holes_turn_a_round_piece(porthole: Pattern) -> None:
    true = Pose(2.0, (3.0, 4.0))
    found = register(true.pattern_back(porthole), porthole)
    assert not found.any_turn
    assert found.others == ()
    assert same_place(found.pose, true, 1e-3)


def one_longer(footplate: Pattern) -> Pattern:
    """The lower edge 2 mm farther out, and one hole 0.4 mm off."""
    edges = [e.segment for e in footplate.outline.as_contour().edges]
    edges[0] = Line((0.0, -2.0), (180.0, -2.0))
    edges[1] = Line((180.0, -2.0), (180.0, 40.0))
    edges[-1] = Line((0.0, 70.0), (0.0, -2.0))
    openings = (Circle((30.4, 40.0), 5.0), *footplate.openings[1:])
    return replace(footplate, outline=Contour.of(edges), openings=openings)


def test_sound_edges_decide_and_the_odd_one_out_does_not(footplate: Pattern) -> None:
    true = Pose(2.5, (40.0, 7.0))
    new = true.pattern_back(one_longer(footplate))
    assert same_place(register(new, footplate).pose, true, 1e-6)
    everything = register(new, footplate, FitOptions("all"))
    zone = register(new, footplate, FitOptions("zone"))
    assert not same_place(everything.pose, true, 0.1)
    assert zone.largest_mm < everything.largest_mm - 0.05


def test_locked_to_two_holes(footplate: Pattern) -> None:
    true = Pose(2.5, (40.0, 7.0))
    new = true.pattern_back(one_longer(footplate))
    found = register_locked(new, footplate, ("H1", "H2"))
    laid = found.pose.of_pattern(new)
    (a, b), (c, d) = [
        [o.centre_mm for o in p.openings if isinstance(o, Circle)] for p in (laid, footplate)
    ]
    assert math.dist(a, b) != pytest.approx(math.dist(c, d), abs=1e-3)  # never scaled
    assert np.mean([a, b], axis=0) == pytest.approx(np.mean([c, d], axis=0))
    direction = math.atan2(b[1] - a[1], b[0] - a[0]) - math.atan2(d[1] - c[1], d[0] - c[0])
    assert math.remainder(direction, math.tau) == pytest.approx(0.0, abs=1e-12)
    assert found.locked == ("H1", "H2")


def test_locked_to_an_edge_and_a_point(footplate: Pattern) -> None:
    true = Pose(-0.5, (40.0, 7.0))
    new = true.pattern_back(one_longer(footplate))
    found = register_locked(new, footplate, ("E1", "H2"))
    laid = found.pose.of_pattern(new)
    first = laid.outline.as_contour().edges[0].segment
    assert first.start_mm[1] == pytest.approx(0.0, abs=1e-9)
    assert first.end_mm[1] == pytest.approx(0.0, abs=1e-9)
    hole = laid.openings[1]
    assert isinstance(hole, Circle)
    assert hole.centre_mm[0] == pytest.approx(110.0)
    assert hole.centre_mm[1] == pytest.approx(82.0)


def test_locked_to_a_bend_line_slides_to_the_best_place(footplate: Pattern) -> None:
    true = Pose(-2.0, (40.0, 7.0))
    found = register_locked(true.pattern_back(footplate), footplate, ("B1",))
    assert same_place(found.pose, true, 1e-6)


def test_locks_that_cannot_hold_say_why(footplate: Pattern) -> None:
    for names, words in (
        (("H9",), "no H9"),
        (("H1",), "does not fix the turn"),
        (("H1", "H2", "H3"), "one or two"),
        (("E1", "B1"), "parallel"),
        (("H1=H7",), "no H7"),
    ):
        with pytest.raises(NotLockable, match=words):
            register_locked(footplate, footplate, names)
