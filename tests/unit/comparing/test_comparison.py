from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from digitize.comparing.comparison import compare
from digitize.comparing.corrected import next_time, trimmed
from digitize.comparing.pose import Pose
from digitize.pattern.contour import Circle, Contour, Edge
from digitize.pattern.model import BendLine, Pattern, Precision
from digitize.pattern.segments import Line, Point, Segment
from digitize.pattern.soundness import fault


def segments(pattern: Pattern) -> list[Segment]:
    return [e.segment for e in pattern.outline.as_contour().edges]


def with_outline(pattern: Pattern, parts: Sequence[Segment]) -> Pattern:
    return replace(pattern, name="new plate", outline=Contour.of(parts))


def box(*corners: Point) -> Contour:
    ends = (*corners[1:], corners[0])
    return Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])


def moved(pattern: Pattern) -> Pattern:
    """Laid down anyhow, as a second photo finds it."""
    return Pose(2.2, (-71.0, 33.0)).pattern_back(pattern)


@pytest.fixture
def long_below(footplate: Pattern) -> Pattern:
    """The lower edge 2 mm too far out over its left 100 mm."""
    parts = segments(footplate)
    step = [
        Line((0.0, -2.0), (100.0, -2.0)),
        Line((100.0, -2.0), (100.0, 0.0)),
        Line((100.0, 0.0), (180.0, 0.0)),
    ]
    return with_outline(footplate, [*step, *parts[1:-1], Line((0.0, 70.0), (0.0, -2.0))])


def test_says_what_to_trim_where_and_over_how_much(footplate: Pattern, long_below: Pattern) -> None:
    found = compare(footplate, moved(long_below))
    (stretch,) = found.stretches
    assert stretch.sentence == "trim 2.0 mm over 100 mm on the lower edge (E1)"
    assert stretch.largest_mm == pytest.approx(2.0, abs=1e-3)
    assert stretch.length_mm == pytest.approx(100.0, abs=0.7)
    assert found.area_mm2[1] - found.area_mm2[0] == pytest.approx(200.0)
    assert found.deviation.profile_mm == pytest.approx(4.0, abs=2e-3)
    assert not found.same


def test_words_follow_the_piece_squared_up_and_not_the_sheet(
    footplate: Pattern, long_below: Pattern
) -> None:
    """The same answer when the old piece lies slantwise, up to where its datum turns over."""
    askew = Pose(math.radians(30.0), (9.0, 9.0))
    found = compare(askew.of_pattern(footplate), moved(long_below))
    assert found.stretches[0].sentence == "trim 2.0 mm over 100 mm on the lower edge (E1)"


def test_a_corner_cut_short(footplate: Pattern) -> None:
    parts = segments(footplate)
    parts[0] = Line((0.0, 0.0), (174.0, 0.0))
    parts[1:2] = [Line((174.0, 0.0), (180.0, 6.0)), Line((180.0, 6.0), (180.0, 40.0))]
    found = compare(footplate, moved(with_outline(footplate, parts)))
    (stretch,) = found.stretches
    assert stretch.kind == "less"
    # From the corner (180, 0) square to the cut, which runs at 45 degrees 6 mm off.
    assert stretch.largest_mm == pytest.approx(6.0 / math.sqrt(2.0), abs=0.02)
    assert stretch.sentence.startswith("short 4.2 mm over ")
    assert stretch.sentence.endswith(" at the lower right corner (E1, E2)")


def test_a_notch_left_uncut_is_as_deep_as_the_notch(footplate: Pattern) -> None:
    parts = segments(footplate)
    parts[1:5] = [Line((180.0, 0.0), (180.0, 55.0))]
    found = compare(footplate, moved(with_outline(footplate, parts)))
    (stretch,) = found.stretches
    assert stretch.sentence == "trim 30.0 mm over 15 mm on the right edge (E3, E4, E5)"
    trim = trimmed(found)
    assert fault(trim.pattern) is None
    assert compare(footplate, trim.pattern).deviation.profile_mm < 0.01


def test_a_tab_that_only_the_old_piece_has(footplate: Pattern) -> None:
    """0.12 mm wide, so that no sample of the new edge comes to lie away from it."""
    parts = segments(footplate)
    tab = [(90.0, 0.0), (90.0, -8.0), (90.12, -8.0), (90.12, 0.0)]
    way = [Line(a, b) for a, b in zip([(0.0, 0.0), *tab], [*tab, (180.0, 0.0)], strict=True)]
    old = with_outline(footplate, [*way, *parts[1:]])
    (stretch,) = compare(old, moved(footplate)).stretches
    assert not stretch.on_new
    assert stretch.kind == "less"
    assert stretch.largest_mm == pytest.approx(8.0, abs=1e-3)


def test_round_pieces_give_their_difference_all_round(without_features: Pattern) -> None:
    bigger = replace(without_features, outline=Circle((3.0, 1.0), 46.0))
    found = compare(without_features, bigger)
    assert found.deviation.new.signed_mm == pytest.approx(1.0, abs=1e-6)
    (stretch,) = found.stretches
    assert stretch.length_mm == pytest.approx(math.tau * 45.0, rel=2e-3)
    assert stretch.sentence.endswith("on the whole edge")
    assert trimmed(found).pattern.outline.as_contour().signed_area_mm2 == pytest.approx(
        math.pi * 45.0**2
    )


def test_below_the_uncertainty_it_is_the_same(footplate: Pattern) -> None:
    """Both edges to 0.05 mm: U of their difference is 2 sqrt(2) 0.05 = 0.14 mm and a little."""
    parts = segments(footplate)

    def lower_edge_out(by_mm: float) -> Pattern:
        way: list[Segment] = [
            Line((0.0, -by_mm), (180.0, -by_mm)),
            Line((180.0, -by_mm), (180.0, 40.0)),
        ]
        return with_outline(footplate, [*way, *parts[2:-1], Line((0.0, 70.0), (0.0, -by_mm))])

    assert compare(footplate, lower_edge_out(0.13)).same
    assert not compare(footplate, lower_edge_out(0.25)).same
    sure = replace(footplate, precision=Precision(0.01, 0.0))
    sharper = replace(lower_edge_out(0.13), precision=Precision(0.01, 0.0))
    assert compare(sure, sharper).stretches[0].largest_mm == pytest.approx(0.13, abs=1e-3)
    bare = replace(footplate, precision=None)
    unsaid = compare(bare, replace(lower_edge_out(0.08), precision=None))
    assert unsaid.same  # neither says how sure it is, so 0.1 mm is taken
    assert [n.code for n in unsaid.notices] == ["compare-unstated"]


def test_features_tell_by_how_much_they_are_off(footplate: Pattern) -> None:
    slope = math.radians(1.0)
    rise = 90.0 * math.tan(slope)
    new = replace(
        footplate,
        openings=(Circle((30.4, 39.7), 5.25), footplate.openings[2], Circle((150.0, 90.0), 3.0)),
        bends=(BendLine((180.0, 15.8 + rise), (0.0, 15.8 - rise)),),
    )
    found = compare(footplate, moved(new)).changes
    by_name = {c.old_name: c for c in found.both}
    assert set(by_name) == {"H1", "S1", "B1", "M1"}
    assert (found.only_old, found.only_new) == (("H2",), ("H2",))
    hole = by_name["H1"]
    assert (hole.x_mm, hole.y_mm) == pytest.approx((0.4, -0.3), abs=1e-6)
    assert hole.off_mm == pytest.approx(0.5)
    assert hole.size_mm == pytest.approx(0.5)
    assert not hole.same
    assert by_name["S1"].same
    bend = by_name["B1"]
    assert bend.off_mm == pytest.approx(0.8 * math.cos(slope), abs=1e-6)
    assert bend.turn_deg == pytest.approx(1.0, abs=1e-6)


def test_cut_next_time_makes_good_all_that_differs(footplate: Pattern, long_below: Pattern) -> None:
    new = replace(long_below, openings=(Circle((30.4, 40.0), 5.0), *footplate.openings[1:2]))
    found = compare(footplate, moved(new))
    better = next_time(found).pattern
    assert fault(better) is None
    again = compare(footplate, better)
    assert again.same
    assert again.deviation.profile_mm < 0.01
    # What was the same keeps the new piece's own place, so the patterns lie alike.
    assert np.hypot(*again.registration.pose.of(np.zeros((1, 2)))[0]) == pytest.approx(
        np.hypot(*found.registration.pose.of(np.zeros((1, 2)))[0]), abs=1e-3
    )


def eaten_below(footplate: Pattern) -> Pattern:
    """Its lower edge eaten away by up to 4 mm, as rust does."""
    rng = np.random.default_rng(5)
    x = np.arange(20.0, 140.0, 1.0)
    deep = 4.0 * np.sin((x - 20.0) / 120.0 * math.pi) ** 0.5 + rng.normal(0.0, 0.6, len(x))
    bay = [(float(a), float(max(d, 0.05))) for a, d in zip(x, deep, strict=True)]
    eaten = [(20.0, 0.0), *bay[1:]]
    ends = [*eaten, (140.0, 0.0), (180.0, 0.0)]
    way = [Line(a, b) for a, b in zip([(0.0, 0.0), *ends[:-1]], ends, strict=True)]
    return with_outline(footplate, [*way, *segments(footplate)[1:]])


def test_nobody_is_told_to_trim_to_rust(footplate: Pattern) -> None:
    found = compare(eaten_below(footplate), moved(footplate))
    assert found.stretches
    assert all(s.ragged for s in found.stretches if s.length_mm > 20.0)
    left = trimmed(found).pattern.outline.as_contour().signed_area_mm2
    assert left == pytest.approx(footplate.outline.as_contour().signed_area_mm2, rel=1e-3)


def test_a_clean_old_edge_is_not_called_ragged_for_a_ragged_new_one(footplate: Pattern) -> None:
    found = compare(footplate, moved(eaten_below(footplate)))
    (stretch,) = (s for s in found.stretches if s.length_mm > 20.0)
    assert not stretch.ragged
    assert stretch.sentence.startswith("short ")
    assert next_time(found).pattern.outline.as_contour().length_mm == pytest.approx(
        footplate.outline.as_contour().length_mm, abs=0.1
    )


def test_how_far_a_stretch_is_off_comes_from_where_that_is_known(footplate: Pattern) -> None:
    """2 mm in its middle stand out farther, but may be wrong by more: they are bridged."""
    corners = [(0.0, 0.0), (40.0, 0.0), (40.0, -0.5), (60.0, -0.5), (60.0, -0.54), (62.0, -0.54)]
    corners += [(62.0, -0.5), (90.0, -0.5), (90.0, 0.0), (180.0, 0.0)]
    lower = [Edge(Line(a, b)) for a, b in pairwise(corners)]
    lower[3:6] = [replace(e, u_mm=0.65) for e in lower[3:6]]
    rest = footplate.outline.as_contour().edges[1:]
    new = replace(footplate, name="new", outline=Contour((*lower, *rest)))
    (stretch,) = compare(footplate, moved(new)).stretches
    assert stretch.length_mm == pytest.approx(50.0, abs=1.0)
    assert stretch.largest_mm == pytest.approx(0.5, abs=0.04)
    assert stretch.expanded_mm < 0.25


def test_a_corner_names_the_edge_of_its_worst_place(footplate: Pattern) -> None:
    """Long round the lower right corner: 0.6 mm on the lower edge, 1.1 mm on the right one."""
    corners = [(0.0, 0.0), (168.0, 0.0), (168.0, -0.6), (181.1, -0.6), (181.1, 9.0), (180.0, 9.0)]
    way = [Line(a, b) for a, b in pairwise([*corners, (180.0, 40.0)])]
    found = compare(footplate, moved(with_outline(footplate, [*way, *segments(footplate)[2:]])))
    (stretch,) = found.stretches
    assert stretch.edges == ("E1", "E2")
    assert stretch.at_edge == "E2"


def test_turned_over_pieces_compare_and_trim_alike(footplate: Pattern, long_below: Pattern) -> None:
    over = Pose(0.4, (5.0, 5.0), mirrored=True).pattern_back(long_below)
    found = compare(footplate, over, mirrored=True)
    assert found.stretches[0].sentence == "trim 2.0 mm over 100 mm on the lower edge (E1)"
    trim = trimmed(found)
    assert fault(trim.pattern) is None
    assert compare(footplate, trim.pattern, mirrored=True).deviation.profile_mm < 0.01
    ends = np.array([trim.lines[0][0].start_mm, trim.lines[0][-1].end_mm])
    on_old = found.registration.pose.of(ends)
    assert on_old[:, 1] == pytest.approx(0.0, abs=0.5)  # within a sample of the corners
    assert sorted(on_old[:, 0]) == pytest.approx((0.0, 100.0), abs=0.5)


def test_stretches_that_meet_are_all_trimmed():
    """The right edge too far out above and below a dip: one way begins where the other ends."""
    old = Pattern("plate", box((0, 0), (120, 0), (120, 190), (90, 200), (0, 200)))
    slow = [(120.09, 30), (120.05, 35), (120.09, 40)]
    dip = [(121, 0), (121, 20), *slow, (121, 50), (121, 70), (120, 72)]
    new = replace(old, outline=box((0, 0), *dip, (120, 190), (90, 200), (0, 200)))
    found = compare(old, moved(new))
    before = new.outline.as_contour().signed_area_mm2
    left = trimmed(found).pattern.outline.as_contour().signed_area_mm2
    assert before - left == pytest.approx(before - old.outline.as_contour().signed_area_mm2, abs=1)


def test_a_step_beside_a_long_stretch_is_none_of_its_own(footplate: Pattern) -> None:
    """The right edge 0.9 mm short ends in a step on the notch's edge, which is as it was."""
    points = [(180.0, 40.0), (179.1, 40.0), (179.1, 0.0)]
    parts = [e.segment for e in footplate.outline.as_contour().edges]
    ways = [Line((0.0, 0.0), points[2]), Line(points[2], points[1]), Line(points[1], (150.0, 40.0))]
    new = replace(footplate, name="new", outline=Contour.of([*ways, *parts[3:]]))
    found = compare(footplate, new)
    assert [s.length_mm for s in found.stretches] == pytest.approx([40.0], abs=1.5)


def test_a_narrow_burr_is_a_stretch(footplate: Pattern) -> None:
    parts = [e.segment for e in footplate.outline.as_contour().edges]
    way = [(0.0, 0.0), (90.0, 0.0), (90.0, -3.0), (91.0, -3.0), (91.0, 0.0), (180.0, 0.0)]
    burr = [Line(a, b) for a, b in pairwise(way)]
    new = replace(footplate, name="new", outline=Contour.of([*burr, *parts[1:]]))
    (stretch,) = compare(footplate, new).stretches
    assert stretch.largest_mm == pytest.approx(3.0, abs=0.01)
