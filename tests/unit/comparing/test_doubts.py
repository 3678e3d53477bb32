"""What a comparison says of how far it can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
import shapely

from digitize.comparing.comparison import compare
from digitize.comparing.opening import FitInOptions, fit_in
from digitize.comparing.pose import Pose
from digitize.errors import Notice
from digitize.files.comparison.opening_words import name_words
from digitize.files.comparison.words import area, in_unit, notice_words
from digitize.pattern.contour import Circle, Contour, Edge, Evidence
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.segments import Line, Point

SURE = Precision(0.03, 0.0)
LAID = Pose(2.0, (30.0, -70.0))


def plate(name: str, right_mm: float, *holes: Point, left_mm: float = 0.0) -> Pattern:
    corners: list[Point] = [(left_mm, 0.0), (right_mm, 0.0), (right_mm, 90.0), (left_mm, 90.0)]
    ends = (*corners[1:], corners[0])
    outline = Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])
    return Pattern(
        name, outline, tuple(Circle(at, 4.0) for at in holes), thickness_mm=1.0, precision=SURE
    )


def doubts(found: object) -> dict[str, str]:
    return {n.code: n.text for n in found.notices if n.level == "doubt"}  # type: ignore[attr-defined]


def evidenced(pattern: Pattern, evidence: Evidence, number: int) -> Pattern:
    edges = list(pattern.outline.as_contour().edges)
    edges[number] = Edge(edges[number].segment, evidence)
    return replace(pattern, outline=Contour(tuple(edges)))


def test_either_end_of_a_plate_may_be_the_long_one() -> None:
    """Without holes nothing tells which end is 2 mm out; the other way is as good."""
    found = compare(plate("old", 160.0), LAID.pattern_back(plate("new", 162.0)))
    said = doubts(found)["compare-rival"]
    assert "2.0 mm" in said
    assert said.count("%") == 2
    assert said.endswith("lock a feature to choose")


def test_holes_that_agree_on_another_pose_are_named() -> None:
    """Both ends moved 1.5 mm to the right over holes that stayed: the edges follow the ends."""
    holes = (20.0, 20.0), (140.0, 25.0), (60.0, 70.0)
    moved = plate("new", 161.5, *holes, left_mm=1.5)
    found = compare(plate("old", 160.0, *holes), LAID.pattern_back(moved))
    said = doubts(found)["compare-rival"]
    assert "1.5 mm to the right" in said
    assert "0 against 3 of 3" in said
    _, _, lock = said.partition("; lock ")
    locked = compare(plate("old", 160.0, *holes), moved, locked=tuple(lock.split()[0].split(",")))
    assert all(c.same for c in locked.changes.both)
    assert "compare-rival" not in doubts(locked)


def test_one_long_edge_among_many_is_no_rival(footplate: Pattern) -> None:
    assert "compare-rival" not in doubts(compare(footplate, LAID.pattern_back(footplate)))
    holes = (20.0, 20.0), (140.0, 25.0), (60.0, 70.0)
    long = compare(plate("old", 160.0, *holes), LAID.pattern_back(plate("new", 162.0, *holes)))
    assert long.stretches[0].largest_mm == pytest.approx(2.0, abs=0.01)
    assert all(c.same for c in long.changes.both)
    assert "compare-rival" not in doubts(long)  # the holes have told which end it is


def strip(name: str, *left: Point, right_mm: float = 300.0) -> Pattern:
    """A strip 40 mm wide with any left end, given from its upper to its lower corner."""
    corners: list[Point] = [(0.0, 0.0), (right_mm, 0.0), (right_mm, 40.0), (0.0, 40.0), *left]
    ends = (*corners[1:], corners[0])
    lines = [Line(a, b) for a, b in zip(corners, ends, strict=True)]
    return Pattern(name, Contour.of(lines), thickness_mm=1.0, precision=SURE)


def test_a_strip_whose_ends_say_nothing_may_slide() -> None:
    """Both ends broken off: one in a slant one way, one the other; the sides alone agree."""
    old = strip("old")
    broken: list[Point] = [(12.0, 0.0), (288.0, 0.0), (270.0, 40.0), (30.0, 40.0)]
    ends = (*broken[1:], broken[0])
    lines = [Line(a, b) for a, b in zip(broken, ends, strict=True)]
    new = LAID.pattern_back(replace(old, name="new", outline=Contour.of(lines)))
    said = doubts(compare(old, new))["compare-loose"]
    assert "sliding left and right" in said
    assert "compare-loose" not in doubts(compare(old, LAID.pattern_back(strip("new"))))
    long = LAID.pattern_back(strip("new", right_mm=303.0))
    assert "compare-loose" not in doubts(compare(old, long))


def test_the_ends_of_a_slender_strip_hold_it() -> None:
    """4 % of the edge is enough where all of it is there."""
    slender = replace(strip("old"), outline=outlined([(0, 0), (300, 0), (300, 12), (0, 12)]))
    found = compare(slender, LAID.pattern_back(replace(slender, name="new")))
    assert "compare-loose" not in doubts(found)


UNMEASURED = Notice(
    "print-unmeasured",
    "nobody has measured the bars on this sheet, so every size is uncertain by about 0.6 % (and "
    "wrong by more if the printer fitted it to the page): measure both bars and tell the tool",
    "doubt",
)


def test_doubts_of_both_patterns_are_said_again_shortened() -> None:
    gaps = [Notice("gap-bridged", f"a gap of {i} mm was closed", "doubt") for i in (1, 2, 3)]
    note = Notice("mode-chosen", "traced as ink", "note")
    old = replace(plate("old", 160.0), notices=(UNMEASURED, note))
    new = replace(plate("new", 160.0), notices=(*gaps, UNMEASURED))
    for found in (compare(old, new), fit_in(new, old, FitInOptions(1.0)).comparison):
        said = doubts(found)
        assert said["gap-bridged"] == "new: a gap of 1 mm was closed (and 2 more like it)"
        assert said["print-unmeasured"] == (
            "both pieces: nobody has measured the bars on this sheet, so every size is "
            "uncertain by about 0.6 %"
        )
        assert "mode-chosen" not in said
    provenance = replace(old.provenance, photo_sha256="one")
    pair = (replace(p, provenance=provenance) for p in (old, replace(new, notices=(UNMEASURED,))))
    assert "their difference holds" in doubts(compare(*pair))["print-unmeasured"]
    only = replace(old, name="same"), plate("same", 160.0)
    assert doubts(compare(*only))["print-unmeasured"].startswith("same (old): nobody")


@pytest.mark.parametrize(
    ("evidence", "words", "short"),
    [("restored", "rebuilt, not seen", "rebuilt"), ("bridged", "carried across", "not seen")],
)
def test_edges_that_nobody_saw_are_marked(evidence: Evidence, words: str, short: str) -> None:
    restored = Notice("edge-restored", "an eaten stretch of edge was restored", "doubt")
    old = evidenced(plate("old", 160.0), evidence, 1)
    if evidence == "restored":
        old = replace(old, notices=(restored, restored))
    new = LAID.pattern_back(plate("new", 162.0))
    for first, second in ((old, new), (new, old)):  # on whichever piece it is
        found = compare(first, second, locked=("E1", "E4"))
        (stretch,) = (s for s in found.stretches if s.length_mm > 80.0)
        assert words in stretch.sentence
    if evidence == "restored":
        assert doubts(found)["edge-restored"] == "old: 90 mm of eaten edge are rebuilt, not seen"
    rows = [name_words(e) for e in fit_in(new, old, FitInOptions(1.0)).edges]
    assert [short in row for row in rows].count(True) == 1
    plain = compare(plate("old", 160.0), new, locked=("E1", "E4")).stretches[0]
    assert ";" not in plain.sentence


def test_words_follow_the_unit() -> None:
    text = "16.7 mm of edge from 90.3, 188.6 to 86.0, 174.9 mm, near x 184, y 148: was +2.0 mm"
    assert in_unit(text, "in") == (
        "0.657 in of edge from 3.555, 7.425 to 3.386, 6.886 in, near x 184, y 148: was +0.079 in"
    )
    assert in_unit(text, "mm") == text
    assert notice_words(Notice("x", "12 mm more", "doubt"), "in") == "Doubt: 0.47 in more"
    assert area(645.16, "in") == "+1.00 in²"
    assert area(-645.16, "mm") == "-6.5 cm²"


def five_sided(name: str, right_mm: float, below_mm: float) -> Pattern:
    """A plate with a slanting edge, its right and lower side so much too far out."""
    corners: list[Point] = [(0.0, -below_mm), (160.0 + right_mm, -below_mm)]
    corners += [(160.0 + right_mm, 90.0 - 0.2 * right_mm), (110.0, 100.0), (0.0, 100.0)]
    ends = (*corners[1:], corners[0])
    outline = Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])
    return Pattern(name, outline, thickness_mm=1.0, precision=SURE)


@pytest.mark.parametrize(("right", "below"), [(5.0, 5.0), (2.1, 2.1), (3.0, 2.0), (-3.0, -2.0)])
def test_two_sides_that_are_off_are_not_shared_out(right: float, below: float) -> None:
    """The other three sides are exact, so only those two are to be trimmed."""
    new = LAID.pattern_back(five_sided("new", right, below))
    found = compare(five_sided("old", 0.0, 0.0), new)
    assert {s.edges: s.largest_mm for s in found.stretches}.keys() == {("E1",), ("E2",)}
    assert found.registration.sound_share == pytest.approx(0.5, abs=0.03)
    assert found.deviation.same_share == pytest.approx(0.5, abs=0.03)
    (lower,) = (s for s in found.stretches if s.edges == ("E1",))
    assert lower.largest_mm == pytest.approx(abs(below), abs=0.02)


def test_where_nothing_agrees_a_doubt_says_so() -> None:
    """A rectangle 5 mm long both ways: any two sides that meet may be the right ones."""
    old, new = plate("old", 160.0), LAID.pattern_back(plate("new", 165.0))
    high = replace(new, outline=box(165.0, 95.0))
    found = compare(old, LAID.pattern_back(high))
    assert "shared out all round" in doubts(found)["compare-shared-out"]
    assert "compare-shared-out" not in doubts(compare(old, new))
    locked = compare(old, LAID.pattern_back(high), locked=("E1", "E4"))
    assert "compare-shared-out" not in doubts(locked)
    assert {s.edges for s in locked.stretches} == {("E2",), ("E3",)}


@pytest.mark.parametrize("by", [1.0, -2.0])
def test_a_piece_off_all_round_is_not_laid_to_one_side(by: float) -> None:
    """Steps face as the outer edges do, and bevels nearly so: they are no evidence of a side."""
    corners = [(0.0, 0.0), (160.0, 0.0), (160.0, 60.0), (120.0, 60.0), (110.0, 70.0)]
    corners += [(110.0, 100.0), (60.0, 100.0), (50.0, 90.0), (50.0, 70.0), (0.0, 70.0)]
    grown = shapely.Polygon(corners).buffer(by, join_style="mitre")
    unsure = Precision(0.1, 0.0)
    old, new = (
        replace(plate(name, 1.0), outline=outlined(where), precision=unsure)
        for name, where in (("old", corners), ("new", [*grown.exterior.coords[:-1]][::-1]))
    )
    found = compare(old, LAID.pattern_back(new))
    assert {s.kind for s in found.stretches} == {"more" if by > 0 else "less"}
    assert max(s.largest_mm for s in found.stretches) < abs(by) + 0.15
    assert "compare-shared-out" in doubts(found)


def outlined(corners: Sequence[Point]) -> Contour:
    ends = (*corners[1:], corners[0])
    return Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])


def box(right_mm: float, high_mm: float) -> Contour:
    return outlined([(0.0, 0.0), (right_mm, 0.0), (right_mm, high_mm), (0.0, high_mm)])
