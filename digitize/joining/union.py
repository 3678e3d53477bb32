"""The outline of faces that lie beside each other, made of their own lines and arcs.

Walking round a face with the metal on the left, the walk goes over to the neighbour where a
side of a bend begins, and so on until it is back.  Sides of bends are dropped.  Corners
that meet at an end of a bend become their mean, so that neither gap nor overlap is left;
where a bend's width is missing between two faces, short lines close it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import assert_never

from digitize.joining.faces import NotJoined, Side
from digitize.joining.matching import Pair
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Point, Segment

_SAME_MM = 1e-6

Corner = tuple[int, int]
"""A face and the edge of it that starts there."""


@dataclass(frozen=True, slots=True)
class Union:
    """The outline, rings of it that lie inside, the ends of each bend, and the largest blend."""

    outline: Contour
    inside: tuple[Contour, ...]
    bends: tuple[tuple[Point, Point], ...]
    blended_mm: float


def united(faces: Sequence[Pattern], pairs: Sequence[Pair], gaps_mm: Mapping[Pair, float]) -> Union:
    """The union of placed faces; raises NotJoined where their edges close to no outline."""
    walk = _Walk(faces, pairs, gaps_mm)
    loops = walk.loops()
    around = [loop for loop in loops if loop.signed_area_mm2 > 0]
    if len(around) != 1:
        raise NotJoined("the faces do not close to one outline", do="check which sides meet")
    inside = tuple(loop.reversed() for loop in loops if loop.signed_area_mm2 <= 0)
    return Union(around[0], inside, tuple(walk.bend(p) for p in pairs), walk.blended_mm)


class _Walk:
    def __init__(
        self, faces: Sequence[Pattern], pairs: Sequence[Pair], gaps_mm: Mapping[Pair, float]
    ) -> None:
        self._edges = [f.outline.as_contour().edges for f in faces]
        self._over: dict[Corner, tuple[Side, Side]] = {}
        self._dropped: set[Corner] = set()
        groups: list[set[Corner]] = []
        for pair in pairs:
            for side, mate in ((pair.one, pair.other), (pair.other, pair.one)):
                self._over[side.face, side.first] = side, mate
                self._dropped |= {(side.face, i) for i in self._run(side)}
                if gaps_mm.get(pair, 0.0) == 0.0:
                    meet = {self._start(side), self._end(mate)}
                    touching = [g for g in groups if g & meet]
                    groups = [g for g in groups if not g & meet]
                    groups.append(meet.union(*touching))
        self._at: dict[Corner, Point] = {}
        self.blended_mm = 0.0
        for group in groups:
            traced = [self._edges[f][i].segment.start_mm for f, i in sorted(group)]
            mean = (
                math.fsum(x for x, _ in traced) / len(traced),
                math.fsum(y for _, y in traced) / len(traced),
            )
            self.blended_mm = max(self.blended_mm, *(math.dist(mean, p) for p in traced))
            self._at |= dict.fromkeys(group, mean)

    def loops(self) -> list[Contour]:
        left = {(f, i) for f, edges in enumerate(self._edges) for i in range(len(edges))}
        left -= self._dropped
        loops = []
        while left:
            loop, here = [], min(left)
            while here in left:
                left.remove(here)
                edge, end = self._edges[here[0]][here[1]], self._next(here)
                segment = _between(edge.segment, self._place(here), self._place(end))
                loop.append(None if segment is None else Edge(segment, edge.evidence, edge.u_mm))
                while end in self._over:
                    side, mate = self._over[end]
                    start, end = self._place(end), self._next((mate.face, mate.last))
                    if math.dist(start, self._place(end)) > _SAME_MM:
                        loop.append(Edge(Line(start, self._place(end)), "restored", side.u_mm))
                here = end
            kept = [edge for edge in loop if edge is not None]
            try:
                loops.append(Contour(tuple(kept)))
            except ValueError:
                raise NotJoined(
                    "the faces do not close to one outline", do="check which sides meet"
                ) from None
        return loops

    def bend(self, pair: Pair) -> tuple[Point, Point]:
        """Where a bend line begins and ends, along the first side."""
        one, other = pair.one, pair.other
        return (
            _middle(self._place(self._start(one)), self._place(self._end(other))),
            _middle(self._place(self._end(one)), self._place(self._start(other))),
        )

    def _run(self, side: Side) -> list[int]:
        n = len(self._edges[side.face])
        return [(side.first + k) % n for k in range((side.last - side.first) % n + 1)]

    def _next(self, corner: Corner) -> Corner:
        return corner[0], (corner[1] + 1) % len(self._edges[corner[0]])

    def _start(self, side: Side) -> Corner:
        return side.face, side.first

    def _end(self, side: Side) -> Corner:
        return self._next((side.face, side.last))

    def _place(self, corner: Corner) -> Point:
        return self._at.get(corner, self._edges[corner[0]][corner[1]].segment.start_mm)


def _between(segment: Segment, start: Point, end: Point) -> Segment | None:
    """The segment with its ends moved a little; none where nothing is left of it."""
    if math.dist(start, end) <= _SAME_MM:
        return None
    match segment:
        case Line():
            return Line(start, end)
        case Arc():
            return Arc(start, end, segment.bulge)
        case _:
            assert_never(segment)


def _middle(a: Point, b: Point) -> Point:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
