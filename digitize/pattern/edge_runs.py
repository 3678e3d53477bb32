"""Outline edges put together where they are not known well enough to be told apart.

Two rules, both of a value against its own U (k = 2).  A corner between straight edges is one
only where the turn is known to half of itself; without it, edges that lie on one straight line
within the ± of the outline are one edge.  And neighbouring edges each of whose lengths is known
to no better than a quarter of itself are an uneven stretch: of it only the whole means something.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from digitize.pattern.contour import Evidence
from digitize.pattern.edge_names import NamedEdge, weakest
from digitize.pattern.segments import Line, Point, Segment

KNOWN = 0.5
"""A size says something if its U is at most this part of it; with more it may as well be none."""
UNEVEN = 0.25
"""Neighbours whose lengths are all known worse than this part of them make an uneven stretch."""


@dataclass(frozen=True, slots=True)
class EdgeRun:
    """Neighbouring edges of an outline that are sized together; most often one alone."""

    edges: tuple[NamedEdge, ...]
    first: int  # the place of the first of them round the outline
    uneven: bool = False

    @property
    def name(self) -> str:
        """E4, or E4-E7 of several."""
        first, last = self.edges[0].name, self.edges[-1].name
        return first if first == last else f"{first}-{last}"

    @property
    def segment(self) -> Segment:
        """The edge itself, or the straight line from the first's start to the last's end."""
        if len(self.edges) == 1:
            return self.edges[0].segment
        return Line(self.edges[0].segment.start_mm, self.edges[-1].segment.end_mm)

    @property
    def evidence(self) -> Evidence:
        """That of its least known edge."""
        return weakest(edge.evidence for edge in self.edges)

    @property
    def u_mm(self) -> float | None:
        """That of its least known edge."""
        return max((e.u_mm for e in self.edges if e.u_mm is not None), default=None)


def known(value: float, expanded: float | None, part: float = KNOWN) -> bool:
    """Whether U is less than a part of a value; of an unknown U nobody can tell."""
    return expanded is None or expanded < part * abs(value)


def turn_rad(before: Segment, after: Segment) -> float:
    """How far the outline turns to the left from one edge to the next."""
    return math.remainder(after.start_direction_rad - before.end_direction_rad, math.tau)


def straight_runs(
    edges: Sequence[NamedEdge], corner_after: Callable[[int], bool], edge_u_mm: float
) -> list[EdgeRun]:
    """All edges round an outline, with those put together that are straight as far as is known.

    ``corner_after`` tells whether the turn after an edge is known; ``edge_u_mm`` is what every
    edge may be off by, beside its own u.
    """
    n = len(edges)
    corners = [corner_after(i) for i in range(n)]
    start = next((i for i in range(n) if corners[i - 1]), 0)
    runs: list[EdgeRun] = []
    for i in ((start + k) % n for k in range(n)):
        if runs and not corners[i - 1] and i != start:
            longer = EdgeRun((*runs[-1].edges, edges[i]), runs[-1].first)
            if _is_straight(longer, edge_u_mm):
                runs[-1] = longer
                continue
        runs.append(EdgeRun((edges[i],), i))
    return sorted(runs, key=lambda run: run.first)


def _is_straight(run: EdgeRun, edge_u_mm: float) -> bool:
    within = 2.0 * math.hypot(edge_u_mm, run.u_mm or 0.0)
    line = run.segment
    return all(_off_line(e.segment.end_mm, line) <= within for e in run.edges[:-1])


def _off_line(at_mm: Point, line: Segment) -> float:
    """Distance of a place from a line between its ends."""
    (x0, y0), (x1, y1) = line.start_mm, line.end_mm
    dx, dy = x1 - x0, y1 - y0
    long2 = dx * dx + dy * dy
    t = 0.0 if long2 == 0.0 else ((at_mm[0] - x0) * dx + (at_mm[1] - y0) * dy) / long2
    t = min(max(t, 0.0), 1.0)
    return math.dist(at_mm, (x0 + t * dx, y0 + t * dy))


def with_uneven(runs: Sequence[EdgeRun], loose: Sequence[bool]) -> list[EdgeRun]:
    """Runs with neighbours that are all ``loose`` put together into uneven stretches."""
    found = []
    for group in _groups(loose):
        members = [runs[i] for i in group]
        if len(members) == 1:
            found += members
        else:
            edges = tuple(e for run in members for e in run.edges)
            found.append(EdgeRun(edges, members[0].first, uneven=True))
    return sorted(found, key=lambda run: run.first)


def _groups(loose: Sequence[bool]) -> Iterator[list[int]]:
    """Places round a closed row: neighbours that are loose together, all others alone."""
    n = len(loose)
    start = next((i for i in range(n) if not loose[i - 1]), 0)
    group: list[int] = []
    for i in ((start + k) % n for k in range(n)):
        if group and not (loose[i] and loose[group[-1]]):
            yield group
            group = []
        group.append(i)
    if group:
        yield group
