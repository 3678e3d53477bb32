"""What was not seen, and where: the doubts, the pictures and the table say the same."""

import math

import pytest

from digitize.errors import Notice, place_words
from digitize.job import _of_thickness
from digitize.pattern.contour import Circle, Contour, Edge, Evidence
from digitize.pattern.datum import datum_of, told_from
from digitize.pattern.dimensions import dimensions
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.segments import Line, Point
from digitize.tracing.unseen import unseen


def plate(*evidence: Evidence) -> Contour:
    """200 by 100, its lower edge in four parts."""
    corners: list[Point] = [(0, 0), (60, 0), (68, 0), (76, 0), (200, 0), (200, 100), (0, 100)]
    lines = [Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    known = (*evidence, *["measured"] * 7)
    return Contour(tuple(Edge(s, e) for s, e in zip(lines, known, strict=False)))  # type: ignore[arg-type]


def test_a_place_is_counted_from_the_datum_corner_as_the_picture_counts() -> None:
    turned = placed(Pattern("hatch", plate()), math.radians(12.0), (72.6, 120.5))
    datum = datum_of(turned)
    at = datum.back((40.0, 3.0)), datum.back((140.0, 97.0))
    text = f"5 mm near {place_words(at[0])}; 3 mm near {place_words(at[1])} are soft"
    (told,) = told_from(datum, [Notice("shadow", text, "doubt", at)])
    assert told.text.startswith("5 mm near x 40, y 3; 3 mm near x 140, y 97 are soft (")
    assert "datum" in told.text
    assert told.at_mm == ()
    # A word about the whole piece stays as it is.
    assert told_from(datum, [Notice("curled", "not flat")]) == (Notice("curled", "not flat"),)


def test_of_places_that_begin_alike_each_is_moved() -> None:
    notice = Notice("n", "x 1, y 2 and x 1, y 20", at_mm=((1.0, 2.0), (1.0, 20.0)))
    assert notice.moved(lambda at: (at[0] + 1, at[1] + 1)).text == "x 2, y 3 and x 2, y 21"


def test_the_doubt_is_about_the_edges_that_the_pattern_calls_bridged() -> None:
    outline = plate("measured", "bridged", "bridged")
    (doubt,) = unseen((outline,), "edge-unclear")
    assert doubt.code == "edge-unclear"
    assert doubt.text.startswith("16 mm of edge could not be measured (no clear edge; 16 mm near")
    assert doubt.at_mm[0] == pytest.approx((68.0, 0.0), abs=4.1)
    tagged = {
        d.name for d in dimensions(Pattern("p", outline)).dimensions if d.evidence != "measured"
    }
    assert {name for name in tagged if name[0] == "E"} == {"E1"}


def test_a_hole_seen_for_the_most_part_is_measured_and_one_hardly_seen_is_told() -> None:
    assert unseen((plate(), Circle((50, 50), 5)), "glare") == ()
    (doubt,) = unseen((plate(), Circle((50, 50), 5, "bridged")), "glare")
    assert doubt.text.startswith("31 mm of edge could not be measured (glare")
    assert doubt.at_mm[0] == pytest.approx((50.0, 50.0), abs=0.1)


def test_a_ragged_rim_of_an_opening_asks_whether_the_thickness_is_right() -> None:
    ragged = [Notice("edge-as-found", "536 mm of edge", "doubt")]
    (doubt,) = _of_thickness(ragged, 3.0, "opening")
    assert "3 mm was said" in doubt.text
    assert "--thickness" in doubt.text
    assert _of_thickness(ragged, 3.0, "silhouette") == ()
    assert _of_thickness([], 3.0, "opening") == ()
