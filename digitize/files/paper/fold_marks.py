"""What a person folding a blank must see of its bends on paper.

A drawing file keeps every line where it belongs.  On paper two narrow lines side by side
flow into one that looks like an edge to cut: a tool line that paper cannot show apart from
a bend line, or from where a bend begins or ends, is therefore drawn as one line with the
nearer.  Where two bends meet in a corner, their lines stop where they meet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from digitize.pattern.model import BendLine, Pattern, ScribeLine
from digitize.pattern.segments import Point

APART_MM = 0.7  # twice the wide line of ISO 128-2: the least gap between two lines (from memory)
TAIL_SHARE = 0.25  # of a line, that may be cut off where another crosses it

Kind = Literal["bend", "tool", "bend and tool", "tangent and tool", "tangent"]


@dataclass(frozen=True, slots=True)
class FoldMark:
    """A line to mark on the sheet and never to cut."""

    start_mm: Point
    end_mm: Point
    kind: Kind


def fold_marks(pattern: Pattern) -> tuple[FoldMark, ...]:
    """Bend lines in their own order, then tangent and tool lines that can be told apart."""
    scribes = tuple(dict.fromkeys(pattern.scribes))
    tangents = [s for s in scribes if s.kind == "tangent"]
    tools = [s for s in scribes if s.kind == "tool"]
    owners = [_one_on_paper(tool, (*pattern.bends, *tangents)) for tool in tools]

    def mark(line: BendLine | ScribeLine, alone: Kind, with_tool: Kind) -> FoldMark:
        owns = any(owner is line for owner in owners)
        return FoldMark(line.start_mm, line.end_mm, with_tool if owns else alone)

    alike = [
        [mark(bend, "bend", "bend and tool") for bend in pattern.bends],
        [mark(tangent, "tangent", "tangent and tool") for tangent in tangents],
        [
            FoldMark(tool.start_mm, tool.end_mm, "tool")
            for tool, owner in zip(tools, owners, strict=True)
            if owner is None
        ],
    ]
    return tuple(mark for marks in alike for mark in _stopped(marks))


def _one_on_paper(
    tool: ScribeLine, lines: Sequence[BendLine | ScribeLine]
) -> BendLine | ScribeLine | None:
    """The nearest line that a tool line lies so close along that paper shows one line."""
    apart_mm = [_apart_mm(line, tool) for line in lines]
    nearest = min(apart_mm, default=math.inf)
    return lines[apart_mm.index(nearest)] if nearest < APART_MM else None


def _apart_mm(line: BendLine | ScribeLine, tool: ScribeLine) -> float:
    """How far off a line a tool line lies that runs along it; infinite where it does not."""
    (x0, y0), (x1, y1) = line.start_mm, line.end_mm
    span = math.dist(line.start_mm, line.end_mm)
    if span == 0.0:
        return math.inf
    ux, uy = (x1 - x0) / span, (y1 - y0) / span
    ends = (tool.start_mm, tool.end_mm)
    along = [(x - x0) * ux + (y - y0) * uy for x, y in ends]
    off = [abs((y - y0) * ux - (x - x0) * uy) for x, y in ends]
    beside = min(max(along), span) - max(min(along), 0.0) > 0.5 * (max(along) - min(along))
    return max(off) if beside else math.inf


def _stopped(marks: Sequence[FoldMark]) -> list[FoldMark]:
    """The marks without the short tails by which they run past one another."""
    shares = [[0.0, 1.0] for _ in marks]
    for i, a in enumerate(marks):
        for j in range(i):
            crossing = _crossing(a, marks[j])
            for k, t in zip((i, j), crossing or (), strict=False):
                if t < TAIL_SHARE:
                    shares[k][0] = max(shares[k][0], t)
                elif t > 1.0 - TAIL_SHARE:
                    shares[k][1] = min(shares[k][1], t)
    return [
        replace(m, start_mm=_at(m, low), end_mm=_at(m, high))
        for m, (low, high) in zip(marks, shares, strict=True)
    ]


def _crossing(a: FoldMark, b: FoldMark) -> tuple[float, float] | None:
    """Where two marks cross, as shares of their lengths."""
    (ax, ay), (bx, by) = a.start_mm, b.start_mm
    ux, uy = a.end_mm[0] - ax, a.end_mm[1] - ay
    vx, vy = b.end_mm[0] - bx, b.end_mm[1] - by
    turned = ux * vy - uy * vx
    if abs(turned) <= 1e-6 * math.hypot(ux, uy) * math.hypot(vx, vy):
        return None
    s = ((bx - ax) * vy - (by - ay) * vx) / turned
    t = ((bx - ax) * uy - (by - ay) * ux) / turned
    return (s, t) if 0.0 <= s <= 1.0 and 0.0 <= t <= 1.0 else None


def _at(mark: FoldMark, share: float) -> Point:
    (x0, y0), (x1, y1) = mark.start_mm, mark.end_mm
    return x0 + share * (x1 - x0), y0 + share * (y1 - y0)
