"""Where holes, slots, cut-outs and marks go in the blank: with the face they lie on.

What lies on one face stays what it is and goes with it.  What reaches into a bend's strip
becomes a contour whose every point moves as the strip does, just as an outline that crosses
it; it is reported, for the sheet does not stretch as evenly as that around a hole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import assert_never

import shapely

from digitize.blank.chain import closed_up, joined
from digitize.blank.cutting import meetings, piece
from digitize.blank.folds import Fold, FoldTree
from digitize.blank.warped import warped
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.region import polygon
from digitize.pattern.segments import Point

_SAME_MM = 1e-9
_SHORTEST_MM = 1e-6


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
        reached = self._reached(closed)
        names = tuple(dict.fromkeys(f.facts.name for f in reached))
        if all(abs(f.facts.deduction_mm) < _SAME_MM for f in reached):
            match closed:
                case Circle():
                    return Moved(replace(closed, centre_mm=self.image(closed.centre_mm)), names)
                case Slot():
                    start, end = self.image(closed.start_mm), self.image(closed.end_mm)
                    return Moved(replace(closed, start_mm=start, end_mm=end), names)
                case Contour():
                    pass
                case _:
                    assert_never(closed)
        edges = [e for edge in closed.as_contour().edges for e in self._edges(edge, reached)]
        return Moved(Contour(joined(closed_up(edges))), names)

    def _beside(self, fold: Fold, p: Point) -> bool:
        """Whether a point lies in the strip between the ends of the fold's own stretch."""
        faces, axis = self.tree.faces, fold.chord.axis
        a, b = (axis.station(faces.corner(c))[0] for c in (fold.chord.first, fold.chord.last))
        inside = min(a, b) <= axis.station(p)[0] <= max(a, b)
        return inside and abs(fold.beyond_mm(p)) < fold.strip_mm

    def _reached(self, closed: Closed) -> list[Fold]:
        """The folds into whose strip a closed edge reaches."""
        area = polygon(closed)
        faces = self.tree.faces
        found = []
        for fold in self.tree.folds:
            ends = [faces.corner(fold.chord.first), faces.corner(fold.chord.last)]
            if shapely.LineString(ends).distance(area) < fold.strip_mm:
                found.append(fold)
        return found

    def _edges(self, edge: Edge, reached: Sequence[Fold]) -> list[Edge]:
        """An edge in the blank, cut where it enters or leaves a strip."""
        places = {0.0, 1.0}
        for fold in reached:
            for left in (-fold.strip_mm, fold.strip_mm):
                places.update(meetings(edge.segment, fold.chord.axis.moved(left)))
        done = []
        for t0, t1 in pairwise(sorted(places)):
            if (t1 - t0) * edge.segment.length_mm > _SHORTEST_MM:
                part = piece(edge.segment, t0, t1)
                done += [Edge(s, edge.evidence, edge.u_mm) for s in warped(part, self.image)]
        return done
