import math

import pytest

from digitize.files.beside import OFFSET_MM, SHORTER_MM, beside_restored
from digitize.pattern.contour import Circle, Contour, Edge, Slot
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Segment


def half_moon(evidence_of_arc: str, *, turned_round: bool = False) -> Contour:
    """A half disc of radius 20 over the x axis."""
    contour = Contour(
        (
            Edge(Line((-20.0, 0.0), (20.0, 0.0))),
            Edge(Arc((20.0, 0.0), (-20.0, 0.0), 1.0), evidence_of_arc),  # type: ignore[arg-type]
        )
    )
    return contour.reversed() if turned_round else contour


@pytest.mark.parametrize("turned_round", [False, True])
def test_beside_an_outline_is_outside_and_beside_an_opening_within(turned_round: bool) -> None:
    moon = half_moon("restored", turned_round=turned_round)
    outline = Circle((0, 0), 100)
    for pattern, radius in (
        (Pattern("", moon), 20 + OFFSET_MM),
        (Pattern("", outline, (moon,)), 20 - OFFSET_MM),
    ):
        (arc,) = beside_restored(pattern)
        assert isinstance(arc, Arc)
        assert arc.radius_mm == pytest.approx(radius)
        assert arc.centre_mm == pytest.approx((0.0, 0.0), abs=1e-9)
        assert arc.length_mm == pytest.approx(math.pi * radius - 2 * SHORTER_MM)


def test_a_line_keeps_its_distance_and_stops_short_of_the_corners() -> None:
    corners = [(0.0, 0.0), (30.0, 0.0), (30.0, 10.0), (0.0, 10.0)]
    segments: list[Segment] = [
        Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)
    ]
    edges = tuple(Edge(s, "bridged" if i == 0 else "measured") for i, s in enumerate(segments))
    (line,) = beside_restored(Pattern("", Contour(edges)))
    assert line == Line((SHORTER_MM, -OFFSET_MM), (30.0 - SHORTER_MM, -OFFSET_MM))


def test_small_round_holes_keep_a_ring_inside() -> None:
    pattern = Pattern(
        "", Circle((0, 0), 50, "restored"), (Circle((5, 5), 0.8, "restored"), Circle((9, 9), 2))
    )
    outer, inner = beside_restored(pattern)
    assert isinstance(outer, Circle)
    assert isinstance(inner, Circle)
    assert (outer.radius_mm, inner.radius_mm) == (51.0, 0.4)


def test_what_was_measured_gets_no_line() -> None:
    pattern = Pattern("", half_moon("measured"), (Slot((0, 5), (5, 5), 2),))
    assert beside_restored(pattern) == []
    assert len(beside_restored(Pattern("", Slot((0, 0), (30, 0), 5, "restored")))) == 4
