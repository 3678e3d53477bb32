"""A pattern split along its bend lines: which edge belongs to which flat face.

Bends cross the sheet along chords, straight from edge to edge.  Chords do not cross, so walking
round the outline they open and close like brackets, and the faces between them form a tree.  A
lug bent out of the sheet is found the same way round the opening that was cut about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from digitize.blank.crossings import (
    SAME_MM,
    Crossing,
    Place,
    around,
    bend_names,
    crossings,
)
from digitize.blank.cutting import Axis, piece
from digitize.blank.errors import NotDeveloped
from digitize.blank.numbering import Layout
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.model import Drawn, Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import FloatArray, Point

_ALIKE = 1e-3  # areas that differ by no more may change places between a piece and its blank


@dataclass(frozen=True, slots=True)
class Chord:
    """A stretch of a bend across the sheet, and the faces at either side.

    ``first`` and ``last`` are corners of one loop, in its order; ``inner`` is the face between
    them, ``outer`` the one beyond.  ``bends`` are the pattern's bend lines that the bend
    consists of.
    """

    bends: tuple[int, ...]
    axis: Axis
    first: int
    last: int
    outer: int
    inner: int


@dataclass(frozen=True, slots=True)
class Loop:
    """A closed run of edges with the metal to its left: the outline, or a lug's opening.

    Its edges are those from ``start`` on.  ``ground`` is the face of the outline's first edge, or
    the one that the opening is cut in.
    """

    start: int
    stop: int
    ground: int
    opening: int | None

    @property
    def edges(self) -> range:
        """The numbers of its edges, and of the corners at which they start."""
        return range(self.start, self.stop)


@dataclass(frozen=True, slots=True)
class Faces:
    """Edges cut at the ends of bends, the face of each edge, and the chords.

    Edge ``i`` runs from corner ``i`` to the next one of its loop; faces are numbered from 0.
    The first loop is the outline; openings without a lug are none.
    """

    edges: tuple[Edge, ...]
    face_of_edge: tuple[int, ...]
    chords: tuple[Chord, ...]
    loops: tuple[Loop, ...]

    @property
    def count(self) -> int:
        """How many faces there are."""
        return len(self.chords) + 1

    def corner(self, index: int) -> Point:
        """Where an edge starts."""
        return self.edges[index].segment.start_mm

    def loop_of(self, corner: int) -> Loop:
        """The loop on which a corner lies."""
        return next(loop for loop in self.loops if corner in loop.edges)

    def step(self, corner: int, by: int) -> int:
        """The corner so many further round its loop."""
        loop = self.loop_of(corner)
        return loop.start + (corner - loop.start + by) % len(loop.edges)

    def to_inner(self, chord: Chord) -> Point:
        """Unit normal of a chord's bend line, pointing into its inner face."""
        (x0, y0), (x1, y1) = self.corner(chord.first), self.corner(chord.last)
        # The metal is left of the edges, so the inner face lies right of first to last.
        nx, ny = chord.axis.normal
        side = 1.0 if nx * (y1 - y0) - ny * (x1 - x0) > 0 else -1.0
        return side * nx, side * ny

    def polygon(self, face: int, chord_error_mm: float = 0.01) -> shapely.Polygon:
        """The area of a face, for tests of inside and overlap.

        Openings count as metal, but for those that a lug is bent out of.
        """
        home = self._home(face)
        parts: list[tuple[int, FloatArray]] = [
            (i, self.edges[i].segment.points_mm(chord_error_mm))
            for i in home.edges
            if self.face_of_edge[i] == face
        ]
        inner = [c for c in self.chords if c.outer == face]
        parts += [
            (c.first, np.array([self.corner(c.first), self.corner(c.last)]))
            for c in inner
            if c.first in home.edges
        ]
        ordered = sorted(parts, key=lambda part: part[0])
        corners = np.vstack([points for _, points in ordered])
        area = _largest(shapely.Polygon(corners if len(corners) > 3 else None))
        for loop in self.loops[1:]:
            if loop.ground == face:
                away = [self._run(loop.start, loop.start, chord_error_mm)]
                away += [
                    self._run(c.first, c.last, chord_error_mm)
                    for c in inner
                    if c.first in loop.edges
                ]
                area = _largest(area.difference(shapely.union_all(away)))
        return area

    def largest(self) -> int:
        """The face with the largest area, of faces alike the last one."""
        areas = [self.polygon(f).area for f in range(self.count)]
        return max(f for f, area in enumerate(areas) if area >= (1 - _ALIKE) * max(areas))

    def _home(self, face: int) -> Loop:
        """The loop that bounds a face from outside."""
        chord = next((c for c in self.chords if c.inner == face), None)
        return self.loops[0] if chord is None else self.loop_of(chord.first)

    def _run(self, first: int, last: int, chord_error_mm: float) -> shapely.Polygon:
        """What a run of edges encloses: a whole opening, or all the sheet beyond a chord."""
        points = [self.edges[first].segment.points_mm(chord_error_mm)]
        i = self.step(first, 1)
        while i != last:
            points.append(self.edges[i].segment.points_mm(chord_error_mm))
            i = self.step(i, 1)
        return shapely.Polygon(np.vstack(points))


def _largest(area: shapely.Polygon) -> shapely.Polygon:
    """The largest polygon of an area: a corner may be drawn with a twist of a hair's breadth."""
    if not area.is_valid:
        area = shapely.make_valid(area)
    area = max(getattr(area, "geoms", [area]), key=lambda g: float(g.area), default=area)
    return area if area.geom_type == "Polygon" else shapely.Polygon()


def split(pattern: Pattern) -> Faces:
    """The faces of a pattern.

    Raises NotDeveloped where a bend does not run from edge to edge, two of them cross, or one
    leaves no face beside it.
    """
    found = crossings(pattern)
    on_outline = [c for c in found if c.opening is None]
    faces = _nested(Faces((), (), (), ()), around(pattern, None), on_outline, 0)
    openings = {c.opening for c in found if c.opening is not None}
    for opening in sorted(openings, key=lambda o: -abs(pattern.openings[o].signed_area_mm2)):
        own = [c for c in found if c.opening == opening]
        ground = _ground(pattern, faces, opening, own)
        faces = _nested(faces, around(pattern, opening), own, ground)
    for chord in faces.chords:
        for face in (chord.outer, chord.inner):
            if faces.polygon(face).area < 1e-3:
                raise NotDeveloped(
                    f"{bend_names(chord.bends)} has no face at one side",
                    do="remove it, or a bend line that lies on it",
                )
    return _numbered(faces, pattern.drawn)


def _numbered(faces: Faces, drawn: Drawn) -> Faces:
    """The same faces under the numbers that people know them by."""
    back = -1.0 if drawn.behind != drawn.opposite_hand else 1.0  # undoes a mirror's
    inside = [faces.polygon(f).representative_point() for f in range(faces.count)]
    ends = [(faces.corner(c.first), faces.corner(c.last)) for c in faces.chords]
    layout = Layout(
        links=faces.chords,
        ends_mm=[((back * x0, y0), (back * x1, y1)) for (x0, y0), (x1, y1) in ends],
        areas_mm2=[faces.polygon(f).area for f in range(faces.count)],
        inside_mm=[(back * p.x, p.y) for p in inside],
    )
    number = {face: k for k, face in enumerate(layout.order())}
    return replace(
        faces,
        face_of_edge=tuple(number[f] for f in faces.face_of_edge),
        chords=tuple(
            replace(c, outer=number[c.outer], inner=number[c.inner]) for c in faces.chords
        ),
        loops=tuple(replace(loop, ground=number[loop.ground]) for loop in faces.loops),
    )


def _ground(pattern: Pattern, faces: Faces, opening: int, own: Sequence[Crossing]) -> int:
    """The face in which an opening with a lug lies."""
    area = polygon(pattern.openings[opening])
    face = max(range(faces.count), key=lambda f: faces.polygon(f).intersection(area).area)
    if area.difference(faces.polygon(face)).area > 1e-3 * area.area:
        x, y = area.centroid.x, area.centroid.y
        raise NotDeveloped(
            f"the opening of {bend_names(own[0].bends)} reaches over another bend",
            where=f"near {x:.1f}, {y:.1f} mm",
            do="bend a lug out of one face only",
        )
    return face


def _cut(contour: Contour, places: list[Place]) -> tuple[list[Edge], dict[Place, int]]:
    """A contour's edges cut at places; the corner each place became."""
    edges: list[Edge] = []
    corner_at: dict[Place, int] = {}
    at_end: list[Place] = []  # places at the end of their edge: the next edge's first corner
    for i, edge in enumerate(contour.edges):
        own = sorted({p for p in places if p[0] == i}, key=lambda p: p[1])
        segment, length = edge.segment, edge.segment.length_mm
        start = 0.0
        for place in at_end:
            corner_at[place] = len(edges)
        at_end = []
        for place in own:
            t = place[1]
            if t > 0.0 and (1.0 - t) * length <= SAME_MM:
                at_end.append(place)
                continue
            if (t - start) * length > SAME_MM:
                edges.append(Edge(piece(segment, start, t), edge.evidence, edge.u_mm))
                start = t
            corner_at[place] = len(edges)
        edges.append(Edge(piece(segment, start, 1.0), edge.evidence, edge.u_mm))
    for place in at_end:
        corner_at[place] = 0
    return edges, corner_at


def _nested(before: Faces, contour: Contour, own: Sequence[Crossing], ground: int) -> Faces:
    """The faces with one more loop, by opening and closing its chords like brackets."""
    edges, corner_at = _cut(contour, [p for c in own for p in c.ends])
    spans = [(corner_at[a], corner_at[b]) for a, b in (c.ends for c in own)]
    for crossing, (a, b) in zip(own, spans, strict=True):
        if a == b:
            raise NotDeveloped(
                f"{bend_names(crossing.bends)} cuts no face off", do="remove it from the pattern"
            )
    n = len(edges)
    if before.edges:
        edges, spans = _from_ground(edges, spans)
    else:  # edge 0 lies in the ground face: chords at corner 0 count as at the end
        spans = [(min(a or n, b or n), max(a or n, b or n)) for a, b in spans]
    start = len(before.edges)
    face_of_edge = [ground] * n
    chords: dict[int, Chord] = {}
    open_: list[int] = []
    current, made = ground, before.count - 1
    for corner in range(n + 1):
        closing = [c for c, (_, last) in enumerate(spans) if last == corner]
        while closing:
            top = open_[-1]
            if top not in closing:
                one, two = sorted((own[top].bends, own[closing[0]].bends))
                raise NotDeveloped(
                    f"{bend_names(one)} and {bend_names(two)} cross",
                    do="end one of them at the other's flange",
                )
            closing.remove(top)
            open_.pop()
            current = chords[top].outer
        opening = [c for c, (first, _) in enumerate(spans) if first == corner]
        for c in sorted(opening, key=lambda c: -spans[c][1]):
            made += 1
            first, last = (start + corner % n for corner in spans[c])
            chords[c] = Chord(own[c].bends, own[c].axis, first, last, current, made)
            open_.append(c)
            current = made
        if corner < n:
            face_of_edge[corner] = current
    loop = Loop(start, start + n, ground, own[0].opening if own else None)
    return Faces(
        (*before.edges, *edges),
        (*before.face_of_edge, *face_of_edge),
        (*before.chords, *(chords[c] for c in sorted(chords))),
        (*before.loops, loop),
    )


def _from_ground(
    edges: list[Edge], spans: list[tuple[int, int]]
) -> tuple[list[Edge], list[tuple[int, int]]]:
    """The edges round an opening, begun where no lug is under way, and each lug's first and last.

    That is at an edge which borders the ground, or where flanges all round leave none, at the
    beginning of one of them.
    """
    n = len(edges)
    lugs = [(a, b) if _encloses(edges, a, b) else (b, a) for a, b in spans]
    bordered = {(a + k) % n for a, b in lugs for k in range((b - a) % n)}
    free = [i for i in range(n) if i not in bordered]
    begin = free[0] if free else max(lugs, key=lambda lug: (lug[1] - lug[0]) % n)[0]
    turned = [((a - begin) % n, (b - begin) % n or n) for a, b in lugs]
    return edges[begin:] + edges[:begin], turned


def _encloses(edges: list[Edge], first: int, last: int) -> bool:
    """Whether the metal left of a run lies between it and the line that closes it."""
    n = len(edges)
    run = [edges[(first + k) % n] for k in range((last - first) % n)]
    x, y = np.vstack([edge.segment.points_mm(0.01) for edge in run]).T
    return bool(x @ np.roll(y, -1) > y @ np.roll(x, -1))
