"""A pattern split along its bend lines: which edge belongs to which flat face.

A bend line divides the sheet along chords, straight from outline to outline.  Chords do
not cross, so walking round the outline they open and close like brackets, and the faces
between them form a tree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from digitize.blank.cutting import Axis, at, meetings, nearest, piece
from digitize.errors import DigitizeError, Exit
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import FloatArray, Point

REACH_MM = 5.0  # how far from the outline a bend line may end and still mean to reach it
_SAME_MM = 1e-4  # two places on the outline that are one corner


Place = tuple[int, float]
"""An edge of the outline and a place on it."""


class NotDeveloped(DigitizeError):
    """The bend lines do not divide the piece into faces, or its blank cannot be cut."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, slots=True)
class Chord:
    """A stretch of a bend line across the sheet, and the faces at either side.

    ``first`` and ``last`` are corners of the outline, in its order, from 1 to the number of
    edges (which is the first corner again); ``inner`` is the face
    between them, ``outer`` the one beyond.
    """

    bend: int
    axis: Axis
    first: int
    last: int
    outer: int
    inner: int


@dataclass(frozen=True, slots=True)
class Faces:
    """The outline cut at the ends of bend lines, the face of each edge, and the chords.

    Edge ``i`` runs from corner ``i`` to the next; faces are numbered from 0.
    """

    edges: tuple[Edge, ...]
    face_of_edge: tuple[int, ...]
    chords: tuple[Chord, ...]

    @property
    def count(self) -> int:
        """How many faces there are."""
        return len(self.chords) + 1

    def corner(self, index: int) -> Point:
        """Where an edge starts; the corner after the last edge is the first one."""
        return self.edges[index % len(self.edges)].segment.start_mm

    def to_inner(self, chord: Chord) -> Point:
        """Unit normal of a chord's bend line, pointing into its inner face."""
        (x0, y0), (x1, y1) = self.corner(chord.first), self.corner(chord.last)
        # The outline runs counter-clockwise, so the inner face lies right of first to last.
        nx, ny = chord.axis.normal
        side = 1.0 if nx * (y1 - y0) - ny * (x1 - x0) > 0 else -1.0
        return side * nx, side * ny

    def polygon(self, face: int, chord_error_mm: float = 0.01) -> shapely.Polygon:
        """The area of a face, for tests of inside and overlap."""
        parts: list[tuple[int, FloatArray]] = [
            (i, e.segment.points_mm(chord_error_mm))
            for i, (e, f) in enumerate(zip(self.edges, self.face_of_edge, strict=True))
            if f == face
        ]
        parts += [
            (c.first, np.array([self.corner(c.first), self.corner(c.last)]))
            for c in self.chords
            if c.outer == face
        ]
        ordered = sorted(parts, key=lambda part: part[0])
        corners = np.vstack([points for _, points in ordered])
        area = shapely.Polygon(corners if len(corners) > 3 else None)
        if not area.is_valid:  # a corner drawn with a twist of a hair's breadth
            parts = shapely.make_valid(area)
            area = max(getattr(parts, "geoms", [parts]), key=lambda g: float(g.area))
        return area if area.geom_type == "Polygon" else shapely.Polygon()

    def largest(self) -> int:
        """The face with the largest area."""
        return max(range(self.count), key=lambda f: (self.polygon(f).area, -f))


def split(pattern: Pattern) -> Faces:
    """The faces of a pattern.

    Raises NotDeveloped where a bend line does not reach the outline at both ends, two of
    them cross, or one leaves no face beside it.
    """
    outline = pattern.outline.as_contour()
    crossings = [
        (index, axis, *ends)
        for index, bend in enumerate(pattern.bends)
        for axis, ends in chord_ends(outline, bend, f"B{index + 1}")
    ]
    edges, corner_at = _cut(outline, [p for *_, a, b in crossings for p in (a, b)])
    brackets = [(index, axis, corner_at[a], corner_at[b]) for index, axis, a, b in crossings]
    return _nested(edges, brackets)


def chord_ends(
    outline: Contour, bend: BendLine, name: str
) -> list[tuple[Axis, tuple[Place, Place]]]:
    """The stretches of a bend line that lie in the metal, by their ends on the outline.

    Raises NotDeveloped where the line does not reach the outline or has no length.
    """
    if math.dist(bend.start_mm, bend.end_mm) < 1e-6:
        raise NotDeveloped(f"{name} has no length", do="remove it from the pattern")
    axis = Axis.between(bend.start_mm, bend.end_mm)
    length = math.dist(bend.start_mm, bend.end_mm)
    found: list[tuple[float, Place]] = []
    for i, edge in enumerate(outline.edges):
        for t in meetings(edge.segment, axis):
            found.append((axis.station(at(edge.segment, t))[0], (i, t)))
    found.sort()
    region = polygon(outline)
    begin = _end(outline, region, found, bend.start_mm, 0.0, name)
    finish = _end(outline, region, found, bend.end_mm, length, name)
    inner = [f for f in found if begin[0] + _SAME_MM < f[0] < finish[0] - _SAME_MM]
    stations = [begin, *inner, finish]
    stretches: list[tuple[Axis, tuple[Place, Place]]] = []
    joined = False
    for (s0, a), (s1, b) in pairwise(stations):
        middle = shapely.Point(axis.point((s0 + s1) / 2))
        inside = s1 - s0 > _SAME_MM and region.contains(middle)
        if inside and joined:
            stretches[-1] = (axis, (stretches[-1][1][0], b))
        elif inside:
            stretches.append((axis, (a, b)))
        if s1 - s0 > _SAME_MM:
            joined = inside
    if not stretches:
        raise NotDeveloped(f"{name} does not lie in the metal", do="draw it across the piece")
    return stretches


def _end(  # noqa: PLR0917
    outline: Contour,
    region: shapely.Polygon,
    found: list[tuple[float, Place]],
    end_mm: Point,
    station: float,
    name: str,
) -> tuple[float, Place]:
    """Where a bend line's end meets the outline: on its own line, else at the nearest edge."""
    overshoots = not region.intersects(shapely.Point(end_mm))
    near = [f for f in found if overshoots or abs(f[0] - station) <= REACH_MM]
    if near:
        return min(near, key=lambda f: abs(f[0] - station))
    places = [(nearest(e.segment, end_mm), i) for i, e in enumerate(outline.edges)]
    (t, distance), i = min(places, key=lambda p: p[0][1])
    if distance > REACH_MM:
        raise NotDeveloped(
            f"{name} ends {distance:.1f} mm from the outline",
            where=f"near {end_mm[0]:.1f}, {end_mm[1]:.1f} mm",
            do="draw it right across the piece, from edge to edge",
        )
    return station, (i, t)


def _cut(outline: Contour, places: list[Place]) -> tuple[tuple[Edge, ...], dict[Place, int]]:
    """The outline's edges cut at places; the corner each place became."""
    edges: list[Edge] = []
    corner_at: dict[Place, int] = {}
    at_end: list[Place] = []  # places at the end of their edge: the next edge's first corner
    for i, edge in enumerate(outline.edges):
        own = sorted({p for p in places if p[0] == i}, key=lambda p: p[1])
        segment, length = edge.segment, edge.segment.length_mm
        start = 0.0
        for place in at_end:
            corner_at[place] = len(edges)
        at_end = []
        for place in own:
            t = place[1]
            if t > 0.0 and (1.0 - t) * length <= _SAME_MM:
                at_end.append(place)
                continue
            if (t - start) * length > _SAME_MM:
                edges.append(Edge(piece(segment, start, t), edge.evidence, edge.u_mm))
                start = t
            corner_at[place] = len(edges)
        edges.append(Edge(piece(segment, start, 1.0), edge.evidence, edge.u_mm))
    for place in at_end:
        corner_at[place] = 0
    return tuple(edges), corner_at


def _nested(edges: tuple[Edge, ...], brackets: list[tuple[int, Axis, int, int]]) -> Faces:
    """Faces by opening and closing the chords like brackets round the outline."""
    for bend, _, first, last in brackets:
        if first == last:
            raise NotDeveloped(f"B{bend + 1} cuts no face off", do="remove it from the pattern")
    face_of_edge = [0] * len(edges)
    chords: dict[int, Chord] = {}
    open_: list[tuple[int, int]] = []  # chord, its inner face
    current, made = 0, 0
    # Edge 0 lies in face 0 whatever happens at corner 0: its chords count as at the end.
    n = len(edges)
    spans = [(min(a or n, b or n), max(a or n, b or n)) for _, _, a, b in brackets]
    for corner in range(1, n + 1):
        closing = [c for c, (_, last) in enumerate(spans) if last == corner]
        while closing:
            top = open_[-1][0]
            if top not in closing:
                a, b = sorted((brackets[top][0], brackets[closing[0]][0]))
                raise NotDeveloped(
                    f"B{a + 1} and B{b + 1} cross", do="end one of them at the other's flange"
                )
            closing.remove(top)
            open_.pop()
            current = chords[top].outer
        opening = [c for c, (first, _) in enumerate(spans) if first == corner]
        for c in sorted(opening, key=lambda c: -spans[c][1]):
            made += 1
            bend, axis, *_ = brackets[c]
            first, last = spans[c]
            chords[c] = Chord(bend, axis, first, last, current, made)
            open_.append((c, made))
            current = made
        if corner < n:
            face_of_edge[corner] = current
    faces = Faces(edges, tuple(face_of_edge), tuple(chords[c] for c in sorted(chords)))
    for chord in faces.chords:
        for face in (chord.outer, chord.inner):
            if faces.polygon(face).area < 1e-3:
                raise NotDeveloped(
                    f"B{chord.bend + 1} has no face at one side",
                    do="remove it, or a bend line that lies on it",
                )
    return faces
