"""What a person folding a blank must see of its bends on paper.

A drawing file keeps every line where it belongs.  On paper two narrow lines side by side
flow into one that looks like an edge to cut: a tool line that paper cannot show apart from
its bend line is therefore drawn as one line with it.  Where two bends meet in a corner,
their lines stop where they meet.
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

Kind = Literal["bend", "tool", "bend and tool", "tangent"]


@dataclass(frozen=True, slots=True)
class FoldMark:
    """A line to mark on the sheet and never to cut."""

    start_mm: Point
    end_mm: Point
    kind: Kind


def fold_marks(pattern: Pattern) -> tuple[FoldMark, ...]:
    """Bend lines in their own order, then tangent and tool lines that can be told apart."""
    tools = [s for s in pattern.scribes if s.kind == "tool"]
    merged = [[tool for tool in tools if _one_on_paper(bend, tool)] for bend in pattern.bends]
    bends = [
        FoldMark(bend.start_mm, bend.end_mm, "bend and tool" if own else "bend")
        for bend, own in zip(pattern.bends, merged, strict=True)
    ]
    gone = [tool for own in merged for tool in own]
    scribes = [
        FoldMark(s.start_mm, s.end_mm, s.kind)
        for s in dict.fromkeys(pattern.scribes)
        if s not in gone
    ]
    alike = [bends, *([s for s in scribes if s.kind == kind] for kind in ("tangent", "tool"))]
    return tuple(mark for marks in alike for mark in _stopped(marks))


def _one_on_paper(bend: BendLine, tool: ScribeLine) -> bool:
    """Whether a tool line lies so close along a bend line that paper shows one line."""
    (x0, y0), (x1, y1) = bend.start_mm, bend.end_mm
    span = math.dist(bend.start_mm, bend.end_mm)
    if span == 0.0:
        return False
    ux, uy = (x1 - x0) / span, (y1 - y0) / span
    ends = (tool.start_mm, tool.end_mm)
    along = [(x - x0) * ux + (y - y0) * uy for x, y in ends]
    off = [abs((y - y0) * ux - (x - x0) * uy) for x, y in ends]
    beside = min(max(along), span) - max(min(along), 0.0) > 0.5 * (max(along) - min(along))
    return max(off) < APART_MM and beside


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
