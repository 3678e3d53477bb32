"""Names of a pattern's features, shared by drawings, tables and commands.

E1... are the outline's edges counter-clockwise from the datum, H1... round holes, S1... slots,
C1... other openings.  Edges that continue one another (split only because part of them is
restored) are one edge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, assert_never

from digitize.pattern.contour import Circle, Closed, Contour, Edge, Evidence, Slot
from digitize.pattern.segments import Arc, Line, Point, Segment

SAME_DIRECTION_RAD = 1e-6
SAME_RADIUS = 1e-6


@dataclass(frozen=True, slots=True)
class NamedEdge:
    """A whole outline edge; several pieces when its evidence changes on the way."""

    name: str
    segment: Segment
    evidence: Evidence
    u_mm: float | None


def named_edges(outline: Closed, datum_mm: Point | None = None) -> tuple[NamedEdge, ...]:
    """The outline's edges E1, E2... counter-clockwise from the one that starts nearest the datum.

    A circle or slot has none: its size says all.  Without ``datum_mm`` the first edge is
    E1.
    """
    if not isinstance(outline, Contour):
        return ()
    whole = joined(outline.edges)
    if datum_mm is not None:
        first = min(
            range(len(whole)), key=lambda i: (math.dist(whole[i].segment.start_mm, datum_mm), i)
        )
        whole = whole[first:] + whole[:first]
    return tuple(
        NamedEdge(f"E{i}", e.segment, e.evidence, e.u_mm) for i, e in enumerate(whole, start=1)
    )


def opening_letter(opening: Closed) -> Literal["H", "S", "C"]:
    """The first letter of an opening's name."""
    match opening:
        case Circle():
            return "H"
        case Slot():
            return "S"
        case Contour():
            return "C"
        case _:
            assert_never(opening)


def joined(edges: Sequence[Edge]) -> list[Edge]:
    """Edges with those that merely continue their predecessor joined to it."""
    n = len(edges)
    starts = [i for i in range(n) if not _continues(edges[i - 1].segment, edges[i].segment)]
    if not starts or n == 1:
        return list(edges)
    whole = []
    for k, i in enumerate(starts):
        j = starts[(k + 1) % len(starts)]
        run = [edges[(i + m) % n] for m in range((j - i) % n or n)]
        segment = run[0].segment
        if len(run) > 1:
            if isinstance(segment, Line):
                segment = Line(segment.start_mm, run[-1].segment.end_mm)
            else:
                swept = math.fsum(e.segment.included_rad for e in run if isinstance(e.segment, Arc))
                segment = Arc(segment.start_mm, run[-1].segment.end_mm, math.tan(swept / 4))
        u = [e.u_mm for e in run if e.u_mm is not None]
        whole.append(Edge(segment, weakest([e.evidence for e in run]), max(u) if u else None))
    return whole


def _continues(before: Segment, after: Segment) -> bool:
    turn = math.remainder(after.start_direction_rad - before.end_direction_rad, math.tau)
    if abs(turn) > SAME_DIRECTION_RAD:
        return False
    if isinstance(before, Line) and isinstance(after, Line):
        return True
    if isinstance(before, Arc) and isinstance(after, Arc):
        same = abs(before.radius_mm - after.radius_mm) <= SAME_RADIUS * before.radius_mm
        return same and (before.bulge > 0) == (after.bulge > 0)
    return False


def weakest(evidences: Iterable[Evidence]) -> Evidence:
    """The evidence of a whole whose parts have these."""
    order: tuple[Evidence, ...] = ("measured", "restored", "bridged")
    return max(evidences, key=order.index)
