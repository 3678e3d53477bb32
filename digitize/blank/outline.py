"""The blank's outline: the pattern's, each face moved and each bend's strip squeezed.

Walking round the outline, a run of edges belongs to one face and lies between the ends of
two bend lines.  Edges that cross a bend's strip next to such an end are cut at the tangent
line and squeezed; the rest of a run moves as a whole, so lines and arcs stay what they are.

Where the sheet runs on beside a bend's end (a tab in the middle of a straight edge), that
edge is not bent and stays where it is; the bend then ends in a tear unless it is relieved,
and the end is reported as ``unrelieved``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from digitize.blank.chain import closed_up, joined, without_loops
from digitize.blank.cutting import at, meetings, piece
from digitize.blank.faces import Chord, Faces, Loop
from digitize.blank.folds import Fold, FoldTree
from digitize.blank.warped import warped
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.segments import Point

_SAME_MM = 1e-7
_CLEAR_MM = 0.25  # by which an edge must leave a strip to be out of it
_CROSSING = 0.1  # sine of the angle from which two bends meet rather than run side by side

Squeeze = Callable[[float], float]
"""The share of the deduction at a distance beyond the bend line."""


@dataclass(frozen=True, slots=True)
class OpenEnd:
    """A place where the sheet would tear: a bend ends beside sheet that runs on, or two meet.

    ``runs_on`` are the faces beside a single bend; ``at_mm`` is on the blank.
    """

    at_mm: Point
    corner: int
    folds: tuple[Fold, ...]
    runs_on: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class BlankOutline:
    """The outline, openings that lugs are bent out of, places that would tear, ends of bends."""

    contour: Contour
    openings: dict[int, Contour]  # by their number in the pattern
    open_ends: tuple[OpenEnd, ...]
    ends: dict[int, Point]  # by corner


@dataclass(frozen=True, slots=True)
class _BendEnd:
    """How a fold ends at a corner of the outline."""

    fold: Fold
    corner: int
    share: float  # of the deduction, at the corner itself
    runs_on: tuple[int, ...]  # the faces that run on beside the end

    def squeeze(self, face: int, corner_beyond: float) -> Squeeze | None:
        """What the run of a face does next to the end; None where it is not bent."""
        if face in self.runs_on:
            return None
        if not self.runs_on:
            return self.fold.share
        # From where the corner is held to where the strip ends, but never folding back.
        far = max(self.fold.strip_mm, self.fold.facts.deduction_mm)
        far = far if face == self.fold.child else -far
        span = far - corner_beyond

        def share(beyond: float) -> float:
            t = min(max((beyond - corner_beyond) / span, 0.0), 1.0)
            return self.share + t * (1.0 - 2.0 * self.share)

        return share

    def limit_mm(self, face: int) -> float:
        """Distance beyond the bend line where the squeezed part of a run ends."""
        reach = self.fold.strip_mm
        if self.runs_on:
            reach = max(reach, self.fold.facts.deduction_mm)
        return reach if face == self.fold.child else -reach


@dataclass(frozen=True, slots=True)
class _Part:
    """A piece of edge in one face with the squeezes that act on it."""

    edge: Edge
    face: int
    acting: tuple[tuple[Fold, Squeeze], ...]


def blank_outline(tree: FoldTree) -> BlankOutline:
    """The blank's outline, and openings with lugs, in the base face's coordinates."""
    faces = tree.faces
    ends = [
        _bend_end(tree, fold, corner)
        for fold in tree.folds
        for corner in (fold.chord.first, fold.chord.last)
    ]
    at_corner: dict[int, list[_BendEnd]] = {}
    for end in ends:
        at_corner.setdefault(end.corner, []).append(end)
    images = {
        faces.corner(corner): _corner_image(tree, faces.corner(corner), here)
        for corner, here in at_corner.items()
    }
    outline, *openings = (_loop_image(tree, loop, at_corner, images) for loop in faces.loops)
    ends_mm = {corner: images[faces.corner(corner)] for corner in at_corner}
    return BlankOutline(
        contour=outline,
        openings={
            loop.opening: contour.reversed()
            for loop, contour in zip(faces.loops[1:], openings, strict=True)
            if loop.opening is not None
        },
        open_ends=_open_ends(ends, ends_mm),
        ends=ends_mm,
    )


def _loop_image(
    tree: FoldTree,
    loop: Loop,
    at_corner: dict[int, list[_BendEnd]],
    corner_images: dict[Point, Point],
) -> Contour:
    """A loop of edges in the blank."""
    faces = tree.faces
    runs = _runs(faces, loop, at_corner)
    parts = [part for run in runs for part in _run_parts(tree, run, at_corner)]
    first = faces.corner(loop.start)
    begin = next(i for i, part in enumerate(parts) if part.edge.segment.start_mm == first)
    parts = parts[begin:] + parts[:begin]

    def image(p: Point, part: _Part) -> Point:
        return corner_images.get(p) or _image(tree, p, part)

    edges: list[Edge] = []
    for part in parts:
        for segment in warped(part.edge.segment, lambda p, part=part: image(p, part)):  # type: ignore[misc]
            edges.append(Edge(segment, part.edge.evidence, part.edge.u_mm))
    widest = max((2 * f.strip_mm + abs(f.facts.deduction_mm) for f in tree.folds), default=0.0)
    return Contour(joined(without_loops(closed_up(edges), 4 * widest)))


def _open_ends(ends: list[_BendEnd], at_mm: dict[int, Point]) -> tuple[OpenEnd, ...]:
    """Ends beside which a face runs on, and pairs of ends of one face that lie together."""
    bent = [e for e in ends if e.fold.facts.angle_deg > 0.0]
    found = [OpenEnd(at_mm[e.corner], e.corner, (e.fold,), e.runs_on) for e in bent if e.runs_on]
    for k, e in enumerate(bent):
        for f in bent[k + 1 :]:
            faces = {e.fold.parent, e.fold.child} & {f.fold.parent, f.fold.child}
            apart = math.dist(at_mm[e.corner], at_mm[f.corner])
            near = apart < e.fold.strip_mm + f.fold.strip_mm
            (ux, uy), (vx, vy) = e.fold.normal, f.fold.normal
            near = near and abs(ux * vy - uy * vx) > _CROSSING
            if faces and near and e.fold is not f.fold and not (e.runs_on or f.runs_on):
                found.append(OpenEnd(at_mm[e.corner], e.corner, (e.fold, f.fold), ()))
    return tuple(found)


def _bend_end(tree: FoldTree, fold: Fold, corner: int) -> _BendEnd:
    on = tuple(f for f in (fold.parent, fold.child) if runs_on(tree, fold, corner, f))
    match on:
        case ():
            share = fold.share(fold.beyond_mm(tree.faces.corner(corner)))
        case (face,):
            share = 0.0 if face == fold.parent else 1.0
        case _:
            share = 0.5
    return _BendEnd(fold, corner, share, on)


def runs_on(tree: FoldTree, fold: Fold, corner: int, face: int) -> bool:
    """Whether a face's edge runs on beside a bend's end instead of crossing the strip.

    It does where, without having crossed the strip, it gets farther past the end than the strip
    is wide, or turns back and comes out of it on the other side, as round the end of a slit.
    """
    faces, axis, reach = tree.faces, fold.chord.axis, fold.strip_mm
    other = fold.chord.first if fold.chord.last == corner else fold.chord.last
    station, towards = axis.station(faces.corner(corner))[0], axis.station(faces.corner(other))[0]
    outward = 1.0 if station > towards else -1.0
    side = 1.0 if face == fold.child else -1.0
    for step in (1, -1):
        for p in _along_edge(faces, corner, face, step):
            into_face = side * fold.beyond_mm(p)
            if into_face >= reach + _CLEAR_MM:
                break
            past_end = outward * (axis.station(p)[0] - station)
            if past_end > 2 * reach + 1.0 or into_face <= -reach - _CLEAR_MM:
                return True
    return False


def _along_edge(faces: Faces, corner: int, face: int, step: int) -> Iterator[Point]:
    """Points along the edge of a face from a corner on, one way (1) or the other (-1)."""
    i = corner if step == 1 else faces.step(corner, -1)
    while faces.face_of_edge[i] == face:
        for x, y in faces.edges[i].segment.points_mm(0.05)[::step]:
            yield float(x), float(y)
        i = faces.step(i, step)
        if (i if step == 1 else faces.step(i, 1)) == corner:
            return


def _runs(faces: Faces, loop: Loop, at_corner: dict[int, list[_BendEnd]]) -> list[list[int]]:
    """Edges of a loop in runs between corners where bends end."""
    first = next((i for i in loop.edges if i in at_corner), None)
    if first is None:
        return [list(loop.edges)]
    runs: list[list[int]] = []
    for k in range(len(loop.edges)):
        i = faces.step(first, k)
        if i in at_corner:
            runs.append([])
        runs[-1].append(i)
    return runs


def _run_parts(tree: FoldTree, run: list[int], at_corner: dict[int, list[_BendEnd]]) -> list[_Part]:
    """A run cut where the squeezed stretches at its two ends stop."""
    faces = tree.faces
    face = faces.face_of_edge[run[0]]
    parts = [_Part(faces.edges[i], face, ()) for i in run]
    for corner, backward in ((run[0], False), (faces.step(run[-1], 1), True)):
        for end in at_corner.get(corner, []):
            if face not in (end.fold.parent, end.fold.child):
                continue
            squeeze = end.squeeze(face, end.fold.beyond_mm(faces.corner(corner)))
            if squeeze is not None:
                ordered = _reversed(parts) if backward else parts
                done = _squeezed(ordered, end, face, squeeze)
                parts = _reversed(done) if backward else done
    return parts


def _reversed(parts: list[_Part]) -> list[_Part]:
    return [
        _Part(Edge(p.edge.segment.reversed(), p.edge.evidence, p.edge.u_mm), p.face, p.acting)
        for p in reversed(parts)
    ]


def _squeezed(parts: list[_Part], end: _BendEnd, face: int, squeeze: Squeeze) -> list[_Part]:
    """The parts with a squeeze acting until the run leaves the strip for the first time."""
    fold = end.fold
    side = 1.0 if face == fold.child else -1.0
    limit = end.limit_mm(face)
    left = 1.0 if _same_way(fold.chord, fold) else -1.0
    tangent = fold.chord.axis.moved(left * limit)
    line = fold.chord.axis
    done: list[_Part] = []
    for k, part in enumerate(parts):
        segment = part.edge.segment
        leaves = next(
            (
                t
                for t in meetings(segment, tangent)
                if side * fold.beyond_mm(at(segment, min(t + 1e-3, 1.0))) > side * limit
                or t > 1.0 - 1e-9
            ),
            None,
        )
        stop = 1.0 if leaves is None else leaves
        bends_at = [t for t in meetings(segment, line) if 0.0 < t < stop]
        places = [0.0, *bends_at, stop, 1.0]
        for t0, t1 in pairwise(places):
            if (t1 - t0) * segment.length_mm <= _SAME_MM:
                continue
            edge = Edge(piece(segment, t0, t1), part.edge.evidence, part.edge.u_mm)
            acting = (*part.acting, (fold, squeeze)) if t1 <= stop else part.acting
            done.append(_Part(edge, face, acting))
        if leaves is not None:
            return done + parts[k + 1 :]
    return done


def _same_way(chord: Chord, fold: Fold) -> bool:
    nx, ny = chord.axis.normal
    return nx * fold.normal[0] + ny * fold.normal[1] > 0


def _image(tree: FoldTree, p: Point, part: _Part) -> Point:
    x, y = tree.moves_mm[part.face]
    x, y = p[0] + x, p[1] + y
    for fold, squeeze in dict(part.acting).items():
        share = squeeze(fold.beyond_mm(p))
        dx, dy = fold.pulled(share - (1.0 if part.face == fold.child else 0.0))
        x, y = x + dx, y + dy
    return x, y


def _corner_image(tree: FoldTree, p: Point, here: list[_BendEnd]) -> Point:
    """Where a corner goes at which bends end: pulled by each of them from the topmost face."""
    children = {end.fold.child for end in here}
    top = next(end.fold.parent for end in here if end.fold.parent not in children)
    x, y = tree.moves_mm[top]
    x, y = p[0] + x, p[1] + y
    for end in here:
        dx, dy = end.fold.pulled(end.share)
        x, y = x + dx, y + dy
    return x, y
