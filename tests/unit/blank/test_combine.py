import math

import pytest
import shapely
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from digitize.blank.combine import largest_without, without
from digitize.blank.errors import NotDeveloped
from digitize.pattern.contour import Circle, Contour, Slot
from digitize.pattern.segments import Arc, Line


def square(x, y, size):
    corners = [(x, y), (x + size, y), (x + size, y + size), (x, y + size)]
    return Contour.of([Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)])


ROUNDED = Contour.of(
    [
        Line((0, 0), (40, 0)),
        Line((40, 0), (40, 25)),
        Arc((40, 25), (25, 40), math.tan(math.pi / 8)),
        Line((25, 40), (0, 40)),
        Line((0, 40), (0, 0)),
    ]
)
places = st.integers(-15000, 55000)


def area(contours):
    return sum(c.signed_area_mm2 for c in contours)


def test_a_round_bite_out_of_a_corner_has_a_true_arc():
    (left,) = without(square(0, 0, 40), Circle((40, 40), 10).as_contour())
    assert left.signed_area_mm2 == pytest.approx(1600 - math.pi * 100 / 4)
    arcs = [e.segment for e in left.edges if isinstance(e.segment, Arc)]
    assert all(a.radius_mm == pytest.approx(10) and a.bulge < 0 for a in arcs)


def test_a_notch_that_shares_an_edge_with_the_outline():
    (left,) = without(square(0, 0, 40), square(30, 30, 10))
    assert left.signed_area_mm2 == pytest.approx(1500)
    assert len(left.edges) == 6
    (same,) = without(square(0, 0, 40), square(40, 0, 40))  # touches from outside
    assert same.signed_area_mm2 == pytest.approx(1600)


def test_a_hole_comes_back_clockwise_and_a_cut_in_two_as_two():
    outer, hole = without(square(0, 0, 40), square(10, 10, 5))
    assert (outer.signed_area_mm2, hole.signed_area_mm2) == pytest.approx((1600, -25))
    slit = Slot((-20, 20), (60, 20), 1).as_contour()
    assert len(without(square(0, 0, 40), slit)) == 2
    with pytest.raises(NotDeveloped, match="in two"):
        largest_without(square(0, 0, 40), [slit], "a slit")


def test_arcs_cut_arcs():
    (lens,) = without(Circle((0, 0), 10).as_contour(), Circle((12, 0), 8).as_contour())
    expected = shapely.Point(0, 0).buffer(10, 512) - shapely.Point(12, 0).buffer(8, 512)
    assert lens.signed_area_mm2 == pytest.approx(expected.area, rel=1e-5)


@settings(deadline=None, max_examples=60)
@given(places, places, st.integers(2000, 25000), st.booleans(), st.integers(0, 3))
def test_areas_agree_with_shapely(x, y, size, round_, snapped):
    x, y, size = (
        x / 1000,
        y / 1000,
        size / 1000,
    )  # in steps of a micrometre, so that they touch but do not all but touch
    if snapped:
        x, y = round(x / 5) * 5, round(y / 5) * 5
        size = max(round(size / 5) * 5, 5)
    cutter = Circle((x, y), size).as_contour() if round_ else square(x, y, size)
    polygons = [shapely.Polygon(c.points_mm(1e-4)) for c in (ROUNDED, cutter)]
    expected = polygons[0].difference(polygons[1]).area
    try:
        left = without(ROUNDED, cutter)
    except NotDeveloped:
        reject()  # edges that all but touch are refused: see the test below
    assert area(left) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(("centre", "radius"), [((16.999, 40.181), 17), ((34, 25.035), 6)])
def test_edges_that_all_but_touch_are_refused_not_guessed(centre, radius):
    with pytest.raises(NotDeveloped):
        without(ROUNDED, Circle(centre, radius).as_contour())
