"""Where holes, slots, cut-outs and marks go in the blank: with the face they lie on.

What reaches into a bend's strip cannot stay what it was; it is moved as well as can be and
reported, for a hole drilled there comes out oval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import assert_never

import shapely

from digitize.blank.cutting import at, meetings, piece
from digitize.blank.folds import Fold, FoldTree
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.region import polygon
from digitize.pattern.segments import Arc, Line, Point, Segment

_SAME_MM = 1e-9


@dataclass(frozen=True, slots=True)
class Moved:
    """A closed edge in the blank, and the bends into whose strip it reaches."""

    closed: Closed
    bends: tuple[str, ...]


class Carrier:
    """Moves what lies inside the outline, point by point or as a whole."""

    def __init__(self, tree: FoldTree) -> None:
        """Prepare the areas of the faces."""
        self.tree = tree
        self.areas = [tree.faces.polygon(f) for f in range(tree.faces.count)]
        for area in self.areas:
            shapely.prepare(area)

    def face_of(self, p: Point) -> int:
        """The face a point lies on, or lies nearest to."""
        point = shapely.Point(p)
        return min(range(len(self.areas)), key=lambda f: (self.areas[f].distance(point), f))

    def image(self, p: Point) -> Point:
        """Where a point of the sheet goes."""
        face = self.face_of(p)
        x, y = self.tree.moves_mm[face]
        x, y = p[0] + x, p[1] + y
        for fold in self.tree.of_face(face):
            if self._beside(fold, p):
                share = fold.share(fold.beyond_mm(p)) - (1.0 if face == fold.child else 0.0)
                dx, dy = fold.pulled(share)
                x, y = x + dx, y + dy
        return x, y

    def moved(self, closed: Closed) -> Moved:
        """A closed edge in the blank."""
        bends = self._reached(closed)
        match closed:
            case Circle():
                return Moved(replace(closed, centre_mm=self.image(closed.centre_mm)), bends)
            case Slot():
                start, end = self.image(closed.start_mm), self.image(closed.end_mm)
                return Moved(replace(closed, start_mm=start, end_mm=end), bends)
            case Contour():
                edges = [e for edge in closed.edges for e in self._edges(edge)]
                closed_up = [
                    Edge(_from(edges[i - 1].segment.end_mm, e.segment), e.evidence, e.u_mm)
                    for i, e in enumerate(edges)
                ]
                return Moved(Contour(tuple(closed_up)), bends)
            case _:
                assert_never(closed)

    def _beside(self, fold: Fold, p: Point) -> bool:
        """Whether a point lies in the strip between the ends of the fold's own stretch."""
        faces, axis = self.tree.faces, fold.chord.axis
        a, b = (axis.station(faces.corner(c))[0] for c in (fold.chord.first, fold.chord.last))
        inside = min(a, b) <= axis.station(p)[0] <= max(a, b)
        return inside and abs(fold.beyond_mm(p)) < fold.strip_mm

    def _reached(self, closed: Closed) -> tuple[str, ...]:
        area = polygon(closed)
        names = []
        for fold in self.tree.folds:
            faces, reach = self.tree.faces, fold.strip_mm
            line = shapely.LineString(
                [faces.corner(fold.chord.first), faces.corner(fold.chord.last)]
            )
            if line.distance(area) < max(reach, 1e-6) and fold.facts.name not in names:
                names.append(fold.facts.name)
        return tuple(names)

    def _edges(self, edge: Edge) -> list[Edge]:
        segment = edge.segment
        places = {0.0, 1.0}
        for fold in self.tree.folds:
            reach = fold.strip_mm
            for left in (-reach, 0.0, reach):
                for t in meetings(segment, fold.chord.axis.moved(left)):
                    if self._beside(fold, at(segment, t)) or left:
                        places.add(t)
        done = []
        for t0, t1 in pairwise(sorted(places)):
            if (t1 - t0) * segment.length_mm < 1e-6:
                continue
            part = piece(segment, t0, t1)
            done += [Edge(s, edge.evidence, edge.u_mm) for s in self._segments(part)]
        return done

    def _segments(self, segment: Segment) -> list[Segment]:
        start, end = self.image(segment.start_mm), self.image(segment.end_mm)
        if math.dist(start, end) < _SAME_MM:
            return []
        if isinstance(segment, Line):
            return [Line(start, end)]
        return [Arc(start, end, segment.bulge)]


def _from(start: Point, segment: Segment) -> Segment:
    match segment:
        case Line():
            return Line(start, segment.end_mm)
        case Arc():
            return Arc(start, segment.end_mm, segment.bulge)
        case _:
            assert_never(segment)
