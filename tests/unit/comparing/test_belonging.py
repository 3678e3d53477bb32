"""What is refused, what is doubted, and what must go through."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from digitize.comparing.belonging import Likeness, NothingAlike
from digitize.comparing.comparison import compare
from digitize.comparing.opening import FitInOptions, fit_in
from digitize.comparing.pose import Pose
from digitize.pattern.contour import Contour
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.region import polygon
from digitize.pattern.segments import Line, Point

LAID = Pose(0.7, (300.0, -40.0))


def shape(name: str, *corners: Point) -> Pattern:
    ends = (*corners[1:], corners[0])
    lines = [Line(a, b) for a, b in zip(corners, ends, strict=True)]
    return Pattern(name, Contour.of(lines), thickness_mm=1.2, precision=Precision(0.05, 0.0002))


def cross(name: str, wide: float, high: float, flange: float) -> Pattern:
    """A tray's blank: a floor with a flange on every side."""
    x = (0.0, flange, flange + wide, 2 * flange + wide)
    y = (0.0, flange, flange + high, 2 * flange + high)
    corners = [(x[1], y[0]), (x[2], y[0]), (x[2], y[1]), (x[3], y[1]), (x[3], y[2]), (x[2], y[2])]
    corners += [(x[2], y[3]), (x[1], y[3]), (x[1], y[2]), (x[0], y[2]), (x[0], y[1]), (x[1], y[1])]
    return shape(name, *corners)


def unlike(found: object) -> bool:
    return "compare-unlike" in {n.code for n in found.notices}  # type: ignore[attr-defined]


def test_strangers_of_the_same_size_are_refused(footplate: Pattern) -> None:
    """A gusset as wide and as high as the footplate, and a tray of about its area."""
    gusset = shape("gusset", (0.0, 0.0), (180.0, 0.0), (0.0, 130.0))
    tray = cross("tray", 80.0, 60.0, 40.0)
    for stranger in (gusset, tray):
        with pytest.raises(NothingAlike, match=r"too little in common.*% of the edge"):
            compare(footplate, LAID.pattern_back(stranger))
    with pytest.raises(NothingAlike, match="too little in common"):
        fit_in(LAID.pattern_back(gusset), footplate, FitInOptions(1.2))


def test_named_features_lay_even_strangers_but_with_a_doubt(footplate: Pattern) -> None:
    gusset = shape("gusset", (0.0, 0.0), (180.0, 0.0), (0.0, 130.0))
    assert unlike(compare(footplate, gusset, locked=("E1",)))


def test_the_other_hand_of_a_piece_is_told_from_a_stranger() -> None:
    """A Z lies on its mirror image by one leg only; turned over it fits."""
    z = [(0.0, 0.0), (100.0, 0.0), (100.0, 80.0), (220.0, 80.0)]
    z += [(220.0, 110.0), (70.0, 110.0), (70.0, 30.0), (0.0, 30.0)]
    step = shape("step", *z)
    other = replace(Pose(mirrored=True).pattern_back(step), name="other")
    with pytest.raises(NothingAlike, match="flipped"):
        compare(step, other)
    assert compare(step, other, mirrored=True).same
    with pytest.raises(NothingAlike, match="as it was traced, not flipped"):
        compare(step, LAID.pattern_back(step), mirrored=True)


@pytest.mark.parametrize("seed", range(3))
def test_a_third_of_the_edge_eaten_is_still_the_piece(footplate: Pattern, seed: int) -> None:
    """Bites up to 9 mm deep along 30 % of the edge: compared, and not refused."""
    rng = np.random.default_rng(seed)
    whole = polygon(footplate.outline)
    left, ring = whole, shapely.LinearRing(whole.exterior.coords)
    while ring.difference(left.boundary.buffer(0.05)).length < 0.3 * ring.length:
        at = ring.interpolate(rng.uniform(0.0, ring.length))
        left = max(
            shapely.get_parts(left.difference(at.buffer(rng.uniform(5.0, 9.0)))), key=shapely.area
        )
    corners = [(float(x), float(y)) for x, y in left.exterior.coords[:-1]]
    eaten = replace(LAID.pattern_back(shape("eaten", *corners[::-1])), name="eaten")
    found = compare(eaten, footplate)
    assert found.deviation.same_share > 0.5
    turn = math.degrees(math.remainder(found.registration.pose.turn_rad + LAID.turn_rad, math.tau))
    assert abs(turn) < 0.05


def test_a_blank_against_the_piece_that_grew_by_bends() -> None:
    """Each flange 3.4 mm longer than drawn, as two bends of 1.2 mm sheet may do."""
    blank, grown = cross("blank", 120.0, 80.0, 25.0), cross("grown", 120.0, 80.0, 28.4)
    found = compare(blank, LAID.pattern_back(grown))
    assert not unlike(found)
    assert found.stretches[0].largest_mm == pytest.approx(3.4, abs=0.3)


def test_a_lap_all_round_and_a_wide_even_gap_are_no_strangers(footplate: Pattern) -> None:
    opening = shape("opening", (0.0, 0.0), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0))
    patch = shape("patch", (-12.0, -12.0), (102.0, -12.0), (102.0, 72.0), (-12.0, 72.0))
    lapped = fit_in(LAID.pattern_back(patch), opening, FitInOptions(1.2, lap_mm=12.0))
    assert not unlike(lapped.comparison)
    with pytest.raises(NothingAlike):  # as a butt joint it is far too large
        fit_in(LAID.pattern_back(patch), opening, FitInOptions(1.2))
    small = shape("small", (2.0, 2.0), (88.0, 2.0), (88.0, 58.0), (2.0, 58.0))
    assert not unlike(fit_in(LAID.pattern_back(small), opening, FitInOptions(1.2)).comparison)


def test_a_piece_cut_much_too_short_is_doubted_and_listed() -> None:
    plate = shape("plate", (0.0, 0.0), (160.0, 0.0), (160.0, 100.0), (20.0, 100.0), (0.0, 80.0))
    short = shape("short", (0.0, 0.0), (120.0, 0.0), (120.0, 100.0), (20.0, 100.0), (0.0, 80.0))
    found = compare(plate, LAID.pattern_back(short))
    assert unlike(found)
    assert found.stretches[0].largest_mm == pytest.approx(40.0, abs=0.1)


def test_a_plain_plate_for_a_comb_is_doubted_whichever_is_new() -> None:
    """All of the plate's edge runs beside the comb's, half of the comb's beside nothing."""
    comb = [(0.0, 0.0)]
    for x in (20.0, 40.0, 60.0, 80.0, 100.0):
        comb += [(x, 0.0), (x, 40.0), (x + 3.0, 40.0), (x + 3.0, 0.0)]
    comb += [(120.0, 0.0), (120.0, 80.0), (0.0, 80.0)]
    plate = shape("plate", (0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (0.0, 80.0))
    for old, new in ((shape("comb", *comb), plate), (plate, shape("comb", *comb))):
        assert unlike(compare(old, new))


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_whatever_is_refused_would_be_doubted(edge: float, area: float) -> None:
    found = Likeness(edge, area)
    assert found.doubtful or not found.strange


def test_an_outline_that_crosses_itself_is_still_judged() -> None:
    """A spur of the upper edge, traced back over itself, as in a photo of a torn edge."""
    torn = shape("torn", (0.0, 0.0), (160.0, 0.0), (160.0, 100.0), (90.0, 100.0), (70.0, 110.0),
                 (90.0, 110.0), (70.0, 100.0), (0.0, 80.0))  # fmt: skip
    plate = shape("plate", (0.0, 0.0), (160.0, 0.0), (160.0, 100.0), (70.0, 100.0), (0.0, 80.0))
    for old, new in ((torn, plate), (plate, torn)):
        assert not unlike(compare(old, LAID.pattern_back(new)))
    assert fit_in(torn, plate, FitInOptions(1.2)).largest_overlap_mm > 5.0
