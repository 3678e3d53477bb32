"""A bend that takes only a part of a side: the side cut where somebody says that it begins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from digitize.blank.cutting import Axis, piece
from digitize.joining.faces import NotJoined, Side
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Line

_SAME_MM = 1e-6


def stretch_mm(long: Side, short: Side, at_mm: float, within_mm: float) -> tuple[float, float]:
    """From where to where the longer side is the bend; near its ends, to the corner itself.

    Raises NotJoined where the shorter side reaches beyond the longer.
    """
    if at_mm < 0.0:
        raise NotJoined(f"no bend begins at {at_mm:g} mm", do="say how far along the side it does")
    length = long.line.length_mm
    start, end = at_mm, at_mm + short.line.length_mm
    if end > length + within_mm:
        raise NotJoined(
            f"{short.full_name} at {at_mm:g} mm reaches {end - length:.1f} mm beyond the end of "
            f"{long.full_name}",
            do="measure from where that side begins, going round counter-clockwise",
        )
    return (0.0 if start <= within_mm else start), (length if end >= length - within_mm else end)


def cut(pattern: Pattern, side: Side, stations_mm: Sequence[float]) -> Pattern:
    """The face with corners at so many mm along a side."""
    axis = Axis.between(side.line.start_mm, side.line.end_mm)
    edges = pattern.outline.as_contour().edges
    n = len(edges)
    run = {(side.first + k) % n for k in range((side.last - side.first) % n + 1)}
    made: list[Edge] = []
    for i, edge in enumerate(edges):
        s = edge.segment
        s0, s1 = axis.station(s.start_mm)[0], axis.station(s.end_mm)[0]
        inside = sorted(t for t in stations_mm if s0 + _SAME_MM < t < s1 - _SAME_MM)
        places = [0.0, *((t - s0) / (s1 - s0) for t in inside), 1.0] if i in run else [0.0, 1.0]
        made += [replace(edge, segment=piece(s, a, b)) for a, b in pairwise(places)]
    return replace(pattern, outline=Contour(tuple(made)))


def part_of(pattern: Pattern, side: Side, stretch: tuple[float, float]) -> Side:
    """The stretch of a side of a face that was cut at its ends; ``side`` is the cut face's own."""
    axis = Axis.between(side.line.start_mm, side.line.end_mm)
    edges = pattern.outline.as_contour().edges
    start, end = axis.point(stretch[0]), axis.point(stretch[1])
    first = min(range(len(edges)), key=lambda i: math.dist(edges[i].segment.start_mm, start))
    last = min(range(len(edges)), key=lambda i: math.dist(edges[i].segment.end_mm, end))
    return replace(
        side,
        line=Line(edges[first].segment.start_mm, edges[last].segment.end_mm),
        first=first,
        last=last,
        before_deg=side.before_deg if first == side.first else 180.0,
        after_deg=side.after_deg if last == side.last else 180.0,
    )
