"""Edges put together again to a closed chain: corners shared, straight runs joined, loops cut.

A sharp bend pulls the flanges at both sides of a corner toward the base, and their edges
may then cross close to it.  The outline makes a small loop there, which no sheet can have.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import assert_never

from digitize.pattern.contour import Edge
from digitize.pattern.segments import Arc, Line, Point

_SAME_MM = 1e-7
_MOST_EDGES = 12  # between the two that cross


def closed_up(edges: list[Edge]) -> list[Edge]:
    """Neighbours given the very same corner, where rounding left them apart."""
    closed: list[Edge] = []
    for i, edge in enumerate(edges):
        start = edges[i - 1].segment.end_mm
        s = edge.segment
        match s:
            case Line():
                closed.append(Edge(Line(start, s.end_mm), edge.evidence, edge.u_mm))
            case Arc():
                closed.append(Edge(Arc(start, s.end_mm, s.bulge), edge.evidence, edge.u_mm))
            case _:
                assert_never(s)
    return closed


def joined(edges: list[Edge]) -> tuple[Edge, ...]:
    """Lines that continue one another made one again."""
    joined: list[Edge] = []
    for edge in edges:
        if joined and _continues(joined[-1], edge):
            segment = Line(joined[-1].segment.start_mm, edge.segment.end_mm)
            joined[-1] = Edge(segment, edge.evidence, edge.u_mm)
        else:
            joined.append(edge)
    if len(joined) > 2 and _continues(joined[-1], joined[0]):
        segment = Line(joined[-1].segment.start_mm, joined[0].segment.end_mm)
        joined[0] = Edge(segment, joined[0].evidence, joined[0].u_mm)
        joined.pop()
    return tuple(joined)


def _continues(a: Edge, b: Edge) -> bool:
    if not (isinstance(a.segment, Line) and isinstance(b.segment, Line)):
        return False
    if (a.evidence, a.u_mm) != (b.evidence, b.u_mm):
        return False
    (x0, y0), (x1, y1), (x2, y2) = a.segment.start_mm, a.segment.end_mm, b.segment.end_mm
    d = math.dist((x0, y0), (x2, y2))
    if d < _SAME_MM:
        return False
    off = ((x2 - x0) * (y1 - y0) - (y2 - y0) * (x1 - x0)) / d
    ahead = (x1 - x0) * (x2 - x1) + (y1 - y0) * (y2 - y1)
    return abs(off) < 1e-7 and ahead > 0


def without_loops(edges: Sequence[Edge], longest_mm: float) -> list[Edge]:
    """The closed chain with every loop of straight edges no longer than that cut away."""
    chain = list(edges)
    i = 0
    while i < len(chain):
        cut = _loop(chain, i, longest_mm)
        if cut is None:
            i += 1
            continue
        chain, i = cut, 0  # what is left begins at the cut
    return chain


def _loop(chain: list[Edge], i: int, longest_mm: float) -> list[Edge] | None:
    """The chain without the loop that begins on edge ``i``, if there is one."""
    n = len(chain)
    for steps in range(2, min(_MOST_EDGES, n - 2) + 1):
        j = (i + steps) % n
        a, b = chain[i].segment, chain[j].segment
        if not isinstance(a, Line) or not isinstance(b, Line):
            continue
        at = _crossing(a, b)
        if at is None:
            continue
        between = [chain[(i + k) % n].segment for k in range(1, steps)]
        around = math.fsum(s.length_mm for s in between)
        around += math.dist(at, a.end_mm) + math.dist(b.start_mm, at)
        if around > longest_mm or not all(isinstance(s, Line) for s in between):
            continue
        before = Edge(Line(a.start_mm, at), chain[i].evidence, chain[i].u_mm)
        after = Edge(Line(at, b.end_mm), chain[j].evidence, chain[j].u_mm)
        rest = [chain[(j + k) % n] for k in range(1, n - steps)]
        return [before, after, *rest]
    return None


def _crossing(a: Line, b: Line) -> Point | None:
    """Where two segments cross, ends left out."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = a.start_mm, a.end_mm, b.start_mm, b.end_mm
    ux, uy, vx, vy = x1 - x0, y1 - y0, x3 - x2, y3 - y2
    cross = ux * vy - uy * vx
    if abs(cross) < 1e-12 * math.hypot(ux, uy) * math.hypot(vx, vy):
        return None
    t = ((x2 - x0) * vy - (y2 - y0) * vx) / cross
    s = ((x2 - x0) * uy - (y2 - y0) * ux) / cross
    if not (1e-9 < t < 1 - 1e-9 and 1e-9 < s < 1 - 1e-9):
        return None
    return x0 + t * ux, y0 + t * uy
