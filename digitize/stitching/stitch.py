"""Several photos' traces, in one frame, joined into one drawing of every piece.

Pieces are put together from their views (``rings``), every edge is averaged from the
photos that show it, the surest heard most (``curve``), and bend lines and marks that
several photos show become one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit, Notice, place_words
from digitize.stitching.curve import Joined, joined
from digitize.stitching.rings import Part, grouped, part_of, rings_of
from digitize.stitching.stretches import Stretches, stretches_of
from digitize.tracing.traces import (
    BRIDGED,
    CUT,
    LeftOut,
    Traced,
    TracedBend,
    TracedLoop,
    TracedMark,
    TracedPiece,
)

FloatArray = NDArray[np.float64]

_SPACING_MM = 0.4
_MOST_POINTS = 3500  # of a loop; a long one is told by points farther apart
_SAME_MARK_MM = 2.0
_SAME_BEND_MM, _SAME_BEND_RAD = 2.0, 0.05
_LISTED_MM = 3.0  # shortest stretch of disagreement worth a word
_HIDDEN_MM = 5.0  # longest stretch that no photo shows and that is joined straight
_HIDDEN_U = 0.1  # of its length: how far the edge may lie off the straight line
_UNSAID_MM = 1.0  # such a stretch that is not worth a word


class NotAllSeen(DigitizeError):
    """Part of an outline is in none of the photos."""

    exit_code = Exit.TRACE


@dataclass(frozen=True, slots=True, eq=False)
class PhotoTrace:
    """What one photo shows, with everything in the common frame."""

    name: str
    camera: Camera
    traced: Traced
    height_mm: float  # of the traced face over the plane


@dataclass(frozen=True, slots=True, eq=False)
class StitchedLoop:
    """A loop, which photo each point was seen best in, and the cameras' part of its u."""

    loop: TracedLoop
    photo: NDArray[np.intp]  # (N,)
    placing_u_mm: FloatArray  # (N,)


@dataclass(frozen=True, slots=True, eq=False)
class StitchedPiece:
    """One piece as all photos together show it."""

    piece: TracedPiece
    outline: StitchedLoop
    openings: tuple[StitchedLoop, ...]
    photos: tuple[int, ...]  # that show it


@dataclass(frozen=True, slots=True, eq=False)
class Stitched:
    """All pieces, largest first."""

    pieces: tuple[StitchedPiece, ...]
    traced: Traced  # the same in the form that one photo gives


def stitch(photos: Sequence[PhotoTrace]) -> Stitched:
    """One drawing from several photos of it.

    Raises
    ------
    NotAllSeen
        A stretch of an edge lies outside every photo.
    """
    parts = [part_of(k, piece) for k, one in enumerate(photos) for piece in one.traced.pieces]
    pieces = tuple(_piece(group, photos) for group in grouped(parts))
    return Stitched(
        pieces,
        Traced(
            mode=photos[0].traced.mode,
            pieces=tuple(p.piece for p in pieces),
            left_out=_left_out(photos, parts),
            notices=tuple(dict.fromkeys(n for one in photos for n in one.traced.notices)),
        ),
    )


def _piece(parts: list[Part], photos: Sequence[PhotoTrace]) -> StitchedPiece:
    rings = rings_of(parts)
    numbers = sorted({part.photo for part in parts})
    stretches = [
        [s for part in parts if part.photo == k for s in _stretches(part, photos[k])]
        for k in numbers
    ]
    outline, *openings = (
        joined(ring, stretches, max(_SPACING_MM, shapely.LinearRing(ring).length / _MOST_POINTS))
        for ring in (rings.outline_mm, *rings.openings_mm)
    )
    blur_mm = float(np.median([s.blur_mm for photo in stretches for s in photo]))
    width = [p.piece.outline.line_width_mm for p in parts if p.piece.outline.line_width_mm]
    width_mm = float(np.median(width)) if width else None
    loops = [
        _stitched(edge, numbers, blur_mm, width_mm, opening=k > 0)
        for k, edge in enumerate((outline, *openings))
    ]
    # What one photo could not measure another one may have; what none could is said below.
    notices = list(
        dict.fromkeys(n for part in parts for n in part.piece.notices if n.code != "edge-unclear")
    )
    notices += _unclear([outline, *openings])
    for edge in (outline, *openings):
        notices += [*_disagreement(edge, numbers, photos), *_hidden(edge)]
    if rings.outvoted:
        notices.append(
            Notice(
                "opening-outvoted",
                f"{rings.outvoted} opening(s) seen in some photos only, and not in most that show "
                "the place, were taken as metal",
                "doubt",
            )
        )
    piece = TracedPiece(
        outline=loops[0].loop,
        openings=tuple(loop.loop for loop in loops[1:]),
        bends=tuple(_bends([b for part in parts for b in part.piece.bends])),
        marks=tuple(_marks([m for part in parts for m in part.piece.marks])),
        notices=tuple(notices),
    )
    return StitchedPiece(piece, loops[0], tuple(loops[1:]), tuple(numbers))


def _stretches(part: Part, photo: PhotoTrace) -> list[Stretches]:
    loops = [(part.piece.outline, False), *((o, True) for o in part.piece.openings)]
    return [
        stretches_of(loop, photo.camera, part.photo, photo.height_mm, opening=opening)
        for loop, opening in loops
    ]


def _stitched(
    edge: Joined, numbers: list[int], blur_mm: float, width_mm: float | None, *, opening: bool
) -> StitchedLoop:
    evidence, u_mm = edge.evidence.copy(), edge.u_mm.copy()
    for rows, length in _unseen(edge):
        if length > _HIDDEN_MM:
            x, y = edge.points_mm[rows[len(rows) // 2]]
            raise NotAllSeen(
                f"{length:.0f} mm of {'an opening' if opening else 'the outline'} lie outside "
                "every photo",
                where=f"near x {x:.0f}, y {y:.0f} mm",
                do="take one more photo that shows that part, with two of the sheets in view",
            )
        evidence[rows], u_mm[rows] = BRIDGED, _HIDDEN_U * length
    order = slice(None, None, -1) if opening else slice(None)
    photo = np.array([*numbers, -1])[edge.photo]
    loop = TracedLoop(
        points_mm=edge.points_mm[order],
        points_px=edge.points_px[order],
        u_mm=u_mm[order],
        evidence=evidence[order],
        blur_mm=blur_mm,
        line_width_mm=width_mm,
    )
    return StitchedLoop(loop, photo[order].astype(np.intp), edge.placing_u_mm[order])


def _unseen(edge: Joined) -> list[tuple[NDArray[np.intp], float]]:
    """Points and length in mm of the stretches that no photo shows."""
    found = []
    for start, stop in _runs(edge.evidence == CUT):
        rows = np.arange(start, stop) % len(edge.evidence)
        along = np.hypot(*np.diff(edge.points_mm[rows], axis=0).T)
        found.append((rows, float(along.sum()) + _step_mm(edge)))
    return found


def _step_mm(edge: Joined) -> float:
    """Distance of its points."""
    return float(np.median(np.hypot(*np.diff(edge.points_mm, axis=0).T)))


def _hidden(edge: Joined) -> list[Notice]:
    """What to say of short stretches that no photo shows."""
    found = [(rows, length) for rows, length in _unseen(edge) if length > _UNSAID_MM]
    if not found:
        return []
    spots = "; ".join(
        f"{length:.0f} mm near {place_words(edge.points_mm[rows[0]])}" for rows, length in found[:3]
    )
    return [
        Notice(
            "edge-hidden",
            f"no photo shows {spots} of the edge, or a sheet lies too near: carried across",
            "doubt",
            tuple(_at(edge, rows[0]) for rows, _ in found[:3]),
        )
    ]


def _unclear(edges: Sequence[Joined]) -> list[Notice]:
    """How much of the edges was measured in no photo."""
    gaps = []
    for edge in edges:
        for start, stop in _runs(edge.evidence == BRIDGED):
            rows = np.arange(start, stop) % len(edge.evidence)
            gaps.append(((stop - start) * _step_mm(edge), _at(edge, rows[len(rows) // 2])))
    total = sum(length for length, _ in gaps)
    if total < _UNSAID_MM:
        return []
    length, at = max(gaps, key=lambda gap: gap[0])
    return [
        Notice(
            "edge-unclear",
            f"{total:.0f} mm of edge could be measured in no photo (the longest stretch, "
            f"{length:.0f} mm, near {place_words(at)}) and are carried across from both sides",
            "doubt",
            (at,),
        )
    ]


def _at(edge: Joined, row: int) -> tuple[float, float]:
    x, y = edge.points_mm[row]
    return float(x), float(y)


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and past-last index of each run of True on a ring; may pass its end."""
    if not mask.any():
        return []
    if mask.all():
        return [(0, len(mask))]
    start = int(np.flatnonzero(~mask)[0])
    turned = np.roll(mask, -start).astype(np.int8)
    change = np.diff(turned, append=0, prepend=0)
    return [
        (int(a) + start, int(b) + start)
        for a, b in zip(np.flatnonzero(change == 1), np.flatnonzero(change == -1), strict=True)
    ]


def _disagreement(edge: Joined, numbers: list[int], photos: Sequence[PhotoTrace]) -> list[Notice]:
    """Where two photos show an edge in different places."""
    found = []
    for start, stop in _runs(edge.apart_mm > 0):
        if (stop - start) * _step_mm(edge) < _LISTED_MM:
            continue
        rows = np.arange(start, stop) % len(edge.apart_mm)
        at = _at(edge, rows[len(rows) // 2])
        names = ", ".join(photos[k].name for k in numbers)
        found.append(
            Notice(
                "photos-disagree",
                f"the photos ({names}) show the edge near {place_words(at)} up to "
                f"{float(edge.apart_mm[rows].max()):.1f} mm apart: a shadow, glare, or a wrong "
                "thickness; the ± there is widened",
                "doubt",
                (at,),
            )
        )
    return found


def _bends(bends: list[TracedBend]) -> list[TracedBend]:
    """Bend lines of several photos, each once: the surest, as long as any photo shows it."""
    left = sorted(bends, key=lambda b: b.u_mm)
    found = []
    while left:
        best = left.pop(0)
        same = [b for b in left if _one_line(best, b)]
        left = [b for b in left if b not in same]
        a, b = np.array(best.start_mm), np.array(best.end_mm)
        along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
        ends = np.array([p for one in (best, *same) for p in (one.start_mm, one.end_mm)])
        reach = (ends - a) @ along
        start, end = a + reach.min() * along, a + reach.max() * along
        found.append(
            TracedBend(
                (float(start[0]), float(start[1])),
                (float(end[0]), float(end[1])),
                best.u_mm,
                best.u_deg,
                max(one.dashes for one in (best, *same)),
            )
        )
    return found


def _one_line(one: TracedBend, other: TracedBend) -> bool:
    """Whether two bend lines lie on one straight line and overlap."""
    a, b = np.array(one.start_mm), np.array(one.end_mm)
    length = float(np.hypot(*(b - a)))
    along = (b - a) / max(length, 1e-9)
    across = np.array([-along[1], along[0]])
    ends = np.array([other.start_mm, other.end_mm]) - a
    chord = ends[1] - ends[0]
    turn = abs(float(chord @ across)) / max(float(np.hypot(*chord)), 1e-9)
    reach = np.sort(ends @ along)
    overlaps = reach[0] < length + _SAME_BEND_MM and reach[1] > -_SAME_BEND_MM
    near = float(np.abs(ends @ across).min()) < _SAME_BEND_MM
    return bool(turn < _SAME_BEND_RAD and overlaps and near)


def _marks(marks: list[TracedMark]) -> list[TracedMark]:
    """Marks of several photos, each once, averaged."""
    left = sorted(marks, key=lambda m: m.u_mm)
    found = []
    while left:
        best = left.pop(0)
        same = [m for m in left if np.hypot(*np.subtract(m.at_mm, best.at_mm)) < _SAME_MARK_MM]
        left = [m for m in left if m not in same]
        places = np.array([m.at_mm for m in (best, *same)])
        weights = np.array([m.u_mm for m in (best, *same)]) ** -2.0
        x, y = weights @ places / weights.sum()
        found.append(TracedMark((float(x), float(y)), best.u_mm))
    return found


def _left_out(photos: Sequence[PhotoTrace], parts: list[Part]) -> tuple[LeftOut, ...]:
    """What photos left out, each once, without what another photo shows to be a piece."""
    bodies = shapely.union_all([part.body for part in parts])
    found: list[LeftOut] = []
    for one in photos:
        for item in one.traced.left_out:
            near = any(
                np.hypot(*np.subtract(item.at_mm, other.at_mm)) < max(item.size_mm, 2.0)
                for other in found
            )
            outside = not shapely.contains(bodies, shapely.Point(item.at_mm))
            if not near and (outside or item.reason not in {"too small"}):
                found.append(item)
    return tuple(found)
