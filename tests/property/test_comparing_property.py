"""What must hold for any two pieces and any way of laying them down."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.comparing.comparison import compare
from digitize.comparing.pose import Pose
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.segments import Arc, Line

poses = st.builds(
    Pose,
    st.floats(-math.pi, math.pi),
    st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
)


@st.composite
def ragged_bracket(draw: st.DrawFn) -> Pattern:
    """A bracket with no two sides alike, a hole, and one side that is round."""
    w, h = draw(st.floats(120, 300)), draw(st.floats(60, 110))
    cut, slope = draw(st.floats(15, 40)), draw(st.floats(5, 20))
    outline = Contour.of(
        (
            Line((0.0, 0.0), (w, 0.0)),
            Arc((w, 0.0), (w - slope, h), draw(st.floats(0.05, 0.3))),
            Line((w - slope, h), (cut, h)),
            Line((cut, h), (0.0, h - cut / 2)),
            Line((0.0, h - cut / 2), (0.0, 0.0)),
        )
    )
    hole = Circle((w / 3, h / 3), draw(st.floats(2, 8)))
    return Pattern("bracket", outline, (hole,), precision=Precision(0.04, 1e-4))


def stretched(pattern: Pattern, by_mm: float) -> Pattern:
    """The left edge moved out, a fifth of the piece's edge at most."""
    first, *rest, slant, last = [e.segment for e in pattern.outline.as_contour().edges]
    a, b = ((x - by_mm, y) for x, y in (last.start_mm, last.end_mm))
    parts = [Line(b, first.end_mm), *rest, slant, Line(slant.end_mm, a), Line(a, b)]
    return replace(pattern, outline=Contour.of(parts))


@settings(max_examples=8, deadline=None)
@given(ragged_bracket(), poses, poses, st.floats(1.0, 4.0))
def test_answer_does_not_depend_on_where_the_pieces_lie(
    old: Pattern, first: Pose, second: Pose, by_mm: float
) -> None:
    new = stretched(old, by_mm)
    here = compare(old, new)
    there = compare(first.of_pattern(old), second.of_pattern(new))
    assert there.deviation.profile_mm == pytest.approx(here.deviation.profile_mm, abs=2e-3)
    assert here.deviation.profile_mm == pytest.approx(2 * by_mm, abs=2e-3)
    assert [s.kind for s in there.stretches] == [s.kind for s in here.stretches]


@settings(max_examples=8, deadline=None)
@given(ragged_bracket(), poses, st.floats(1.0, 4.0))
def test_old_and_new_change_places_and_signs(old: Pattern, pose: Pose, by_mm: float) -> None:
    new = pose.of_pattern(stretched(old, by_mm))
    forth, back = compare(old, new), compare(new, old)
    assert {s.kind for s in forth.stretches} == {"more"}
    assert {s.kind for s in back.stretches} == {"less"}
    assert back.largest_mm == pytest.approx(forth.largest_mm, abs=2e-3)
    there_and_back = back.registration.pose.of(forth.registration.pose.of(np.eye(2)))
    assert there_and_back == pytest.approx(np.eye(2), abs=2e-2)


@settings(max_examples=8, deadline=None)
@given(ragged_bracket(), poses)
def test_a_pose_and_its_inverse(pattern: Pattern, pose: Pose) -> None:
    for way in (pose, replace(pose, mirrored=True)):
        again = way.pattern_back(way.of_pattern(pattern))
        points, expected = (p.outline.points_mm(0.1) for p in (again, pattern))
        assert points == pytest.approx(expected, abs=1e-9)
        assert again.outline.signed_area_mm2 > 0
