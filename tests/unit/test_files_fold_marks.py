import pytest

from digitize.files.paper.fold_marks import APART_MM, fold_marks
from digitize.pattern.contour import Contour
from digitize.pattern.model import BendLine, Pattern, ScribeLine
from digitize.pattern.segments import Line


def plate(bends, scribes=()):
    corners = [(0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0)]
    sides = [Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    return Pattern("plate", Contour.of(sides), bends=tuple(bends), scribes=tuple(scribes))


@pytest.mark.parametrize(
    ("off", "kinds"),
    [
        (0.15, ["bend and tool"]),
        (APART_MM - 0.01, ["bend and tool"]),
        (APART_MM + 0.01, ["bend", "tool"]),
        (-0.3, ["bend and tool"]),
    ],
)
def test_a_tool_line_that_paper_cannot_show_apart_is_one_line_with_its_bend(off, kinds):
    bend = BendLine((0.0, 20.0), (100.0, 20.0))
    tool = ScribeLine((99.0, 20.0 + off), (1.0, 20.0 + off), "tool")
    assert [m.kind for m in fold_marks(plate([bend], [tool]))] == kinds


def test_a_tool_line_on_the_line_of_another_bend_is_not_taken_for_its_own():
    bends = [BendLine((0.0, 20.0), (40.0, 20.0)), BendLine((60.0, 20.0), (100.0, 20.0))]
    tool = ScribeLine((60.0, 20.1), (100.0, 20.1), "tool")
    assert [m.kind for m in fold_marks(plate(bends, [tool]))] == ["bend", "bend and tool"]


def test_bends_stop_where_they_meet_in_a_corner_and_cross_elsewhere():
    along, across = BendLine((0.0, 20.0), (88.0, 20.0)), BendLine((80.0, 60.0), (80.0, 12.0))
    first, second = fold_marks(plate([along, across]))
    assert (first.start_mm, first.end_mm) == ((0.0, 20.0), pytest.approx((80.0, 20.0)))
    assert (second.start_mm, second.end_mm) == ((80.0, 60.0), pytest.approx((80.0, 20.0)))
    middle = BendLine((50.0, 0.0), (50.0, 60.0))
    first, second = fold_marks(plate([BendLine((0.0, 30.0), (100.0, 30.0)), middle]))
    assert (first.end_mm, second.end_mm) == ((100.0, 30.0), (50.0, 60.0))


def test_a_tool_line_on_the_start_of_a_bend_is_one_line_with_that():
    bend = BendLine((0.0, 20.0), (100.0, 20.0))
    starts = [ScribeLine((0.0, 20.0 + y), (100.0, 20.0 + y), "tangent") for y in (-2.0, 2.0)]
    tool = ScribeLine((0.0, 21.95), (100.0, 21.95), "tool")
    marks = fold_marks(plate([bend], [*starts, tool]))
    assert [m.kind for m in marks] == ["bend", "tangent", "tangent and tool"]
    assert marks[2].start_mm[1] == 22.0


def test_a_tool_line_close_to_two_lines_is_one_with_the_nearer():
    bend = BendLine((0.0, 20.0), (100.0, 20.0))
    start = ScribeLine((0.0, 20.6), (100.0, 20.6), "tangent")
    tool = ScribeLine((0.0, 20.5), (100.0, 20.5), "tool")
    kinds = [m.kind for m in fold_marks(plate([bend], [start, tool]))]
    assert kinds == ["bend", "tangent and tool"]
