"""The new piece put right: what is left of it after trimming, and what to cut next time.

Where the two differ the old edge takes the place of the new one, as the lines and arcs it
has; elsewhere the new piece keeps its own.  A stretch is followed outwards to where both
edges meet, so that no step is left where they run together gently.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.comparing.boundary import IntArray
from digitize.comparing.comparison import Comparison
from digitize.comparing.cutting import between
from digitize.comparing.deviation import Side
from digitize.comparing.pose import Pose
from digitize.comparing.stretches import Kind
from digitize.pattern.contour import Closed, Contour, Edge
from digitize.pattern.edge_names import opening_letter
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import Line, Segment

FloatArray = NDArray[np.float64]
Way = tuple[Segment, ...]
T = TypeVar("T")

_MET_MM = 0.01
_FOLLOWED_MM = 25.0  # at most, to either side
_SNAP_MM = 0.02  # far below what anybody cuts to


@dataclass(frozen=True, slots=True)
class Corrected:
    """A corrected pattern and the lines that are new in it, in the new piece's coordinates.

    ``instead_of`` are the ways along the piece's present edge that they take the place of.
    """

    pattern: Pattern
    lines: tuple[tuple[Segment, ...], ...]
    instead_of: tuple[tuple[Segment, ...], ...]


@dataclass(frozen=True, slots=True)
class _Swap:
    """A way along the new edge that gives place to a way along the old one."""

    new_start: float
    new_end: float
    old_start: float
    old_end: float


def trimmed(found: Comparison) -> Corrected:
    """The new piece after all that is to be trimmed is off; ragged old edges are no guide."""
    outline, ways = _put_right(found, ("more",))
    return _back(found, replace(found.laid, outline=outline), ways, "trimmed")


def trim_lines_on_old(found: Comparison) -> tuple[tuple[Segment, ...], ...]:
    """Where to trim the new piece, as it lies over the old one."""
    return tuple(line for line, _ in _put_right(found, ("more",))[1])


def next_time(found: Comparison) -> Corrected:
    """What to cut next time: different stretches and features as the old piece has them."""
    outline, ways = _put_right(found, ("more", "less"))
    new, old, changes = found.laid, found.old, found.changes
    changed = {c.new_name: c.old_name for c in changes.both if not c.same}
    kept = replace(
        new,
        outline=outline,
        openings=_put(_openings(new), _openings(old), changed, changes.only_old),
        bends=_put(_numbered("B", new.bends), _numbered("B", old.bends), changed, changes.only_old),
        marks=_put(_numbered("M", new.marks), _numbered("M", old.marks), changed, changes.only_old),
    )
    return _back(found, kept, ways, "next")


def _put(
    new: dict[str, T], old: dict[str, T], changed: dict[str, str], missing: Sequence[str]
) -> tuple[T, ...]:
    """The new features, those changed as the old piece has them, and those it lacks."""
    kept = [old[changed[name]] if name in changed else item for name, item in new.items()]
    return (*kept, *(old[name] for name in missing if name in old))


def _openings(pattern: Pattern) -> dict[str, Closed]:
    counts = Counter[str]()
    named: dict[str, Closed] = {}
    for opening in pattern.openings:
        letter = opening_letter(opening)
        counts[letter] += 1
        named[f"{letter}{counts[letter]}"] = opening
    return named


def _numbered(letter: str, items: Sequence[T]) -> dict[str, T]:
    return {f"{letter}{i}": item for i, item in enumerate(items, 1)}


def _back(
    found: Comparison, laid: Pattern, ways: Sequence[tuple[Way, Way]], word: str
) -> Corrected:
    """In the new piece's own coordinates."""
    pose = found.registration.pose
    pattern = replace(pose.pattern_back(laid), name=f"{found.new.name}-{word}", notices=())
    lines = tuple(tuple(_segments_back(pose, line)) for line, _ in ways)
    before = tuple(tuple(_segments_back(pose, edge)) for _, edge in ways)
    return Corrected(pattern, lines, before)


def _segments_back(pose: Pose, line: Sequence[Segment]) -> list[Segment]:
    moved: list[Segment] = []
    for s in line:
        start, end = pose.back(np.array([s.start_mm, s.end_mm]))
        ends = (float(start[0]), float(start[1])), (float(end[0]), float(end[1]))
        if isinstance(s, Line):
            moved.append(Line(*ends))
        else:
            moved.append(replace(s, start_mm=ends[0], end_mm=ends[1], bulge=_bulge(pose, s.bulge)))
    return moved


def _bulge(pose: Pose, bulge: float) -> float:
    return -bulge if pose.mirrored else bulge


def _put_right(found: Comparison, kinds: Sequence[Kind]) -> tuple[Closed, list[tuple[Way, Way]]]:
    """The laid outline with the old edge in place of its stretches of these kinds.

    Also the ways along the old edge, each with that along the new one which it replaces.
    """
    laid, old = found.laid.outline.as_contour(), found.old.outline.as_contour()
    swaps = _swaps(found, kinds)
    if not swaps:
        return found.laid.outline, []
    if any(s.new_start == s.new_end for s in swaps):
        return found.old.outline, [(_way(old.edges), _way(laid.edges))]
    edges: list[Edge] = []
    ways: list[tuple[Way, Way]] = []
    for swap, following in zip(swaps, (*swaps[1:], swaps[0]), strict=True):
        inserted = between(old, swap.old_start, swap.old_end)
        ways.append((_way(inserted), _way(between(laid, swap.new_start, swap.new_end))))
        edges += inserted
        # Where the next way begins at this one's end there is nothing between; asked for it,
        # ``between`` would go the whole way round.
        if swap is following or not _inside(following.new_start, swap, laid.length_mm):
            edges += between(laid, swap.new_end, following.new_start)
    return _closed_up(edges), ways


def _way(edges: Sequence[Edge]) -> Way:
    return tuple(e.segment for e in edges)


def _swaps(found: Comparison, kinds: Sequence[Kind]) -> list[_Swap]:
    """In the order of the new edge; stretches that touch are one."""
    side = found.deviation.new
    new_length = side.boundary.perimeter_mm
    off = np.zeros(len(side.along_mm), dtype=bool)
    passed: list[_Swap] = []
    for s in found.stretches:
        if s.kind not in kinds or s.ragged:  # a ragged edge is no guide
            continue
        if s.on_new:
            off |= _within(side.along_mm, s.start_mm, s.end_mm)
        else:
            passed.append(_Swap(s.other_start_mm, s.other_end_mm, s.start_mm, s.end_mm))
    if off.all():
        return [_Swap(0.0, 0.0, 0.0, 0.0)]
    swaps = [_followed(run, side) for run in _ordered_runs(off)]
    swaps += [p for p in passed if not any(_inside(p.new_start, s, new_length) for s in swaps)]
    return sorted(swaps, key=lambda s: s.new_start)


def _within(along_mm: FloatArray, start: float, end: float) -> NDArray[np.bool_]:
    if start <= end:
        return np.asarray((along_mm >= start) & (along_mm <= end))
    return np.asarray((along_mm >= start) | (along_mm <= end))


def _inside(at: float, swap: _Swap, length: float) -> bool:
    return (at - swap.new_start) % length <= (swap.new_end - swap.new_start) % length


def _ordered_runs(off: NDArray[np.bool_]) -> list[IntArray]:
    n = len(off)
    runs = []
    for start in np.flatnonzero(off & ~np.roll(off, 1)).tolist():
        long = int(np.argmin(np.roll(off, -start)))
        runs.append((start + np.arange(long)) % n)
    return runs


def _followed(run: IntArray, side: Side) -> _Swap:
    """A run, followed outwards to where the edges meet."""
    n = len(side.along_mm)
    first, last = int(run[0]), int(run[-1])
    for way in (-1, 1):
        at, far = (first if way < 0 else last), 0.0
        while far < _FOLLOWED_MM:
            beyond = (at + way) % n
            off, ahead = abs(side.signed_mm[at]), abs(side.signed_mm[beyond])
            same = side.signed_mm[beyond] * side.signed_mm[at] > 0 or ahead < _MET_MM
            if off < _MET_MM or not same or ahead >= off:
                break
            at, far = beyond, far + float(side.weight_mm[beyond])
        if way < 0:
            first = at
        else:
            last = at
    return _Swap(
        float(side.along_mm[first]),
        float(side.along_mm[last]),
        float(side.other_along_mm[first]),
        float(side.other_along_mm[last]),
    )


def _closed_up(edges: Sequence[Edge]) -> Contour:
    """A contour of edges that nearly meet: short lines bridge what is left between them."""
    kept: list[Edge] = []
    edges = [e for e in edges if e.segment.length_mm > _SNAP_MM]
    for edge, following in zip(edges, (*edges[1:], edges[0]), strict=True):
        end, start = edge.segment.end_mm, following.segment.start_mm
        gap = float(np.hypot(end[0] - start[0], end[1] - start[1]))
        if gap > _SNAP_MM:
            kept += [edge, Edge(Line(end, start))]
        else:
            kept.append(replace(edge, segment=replace(edge.segment, end_mm=start)))
    contour = Contour(tuple(kept))
    shape = polygon(contour)
    if shape.is_valid:
        return contour
    # Two edges that run into each other at a slant leave a hair there: cut it off.
    whole = max(shapely.get_parts(shape.buffer(0)), key=shapely.area)
    points = [(float(x), float(y)) for x, y in shapely.get_coordinates(whole.exterior)[:-1]]
    lines = [Line(a, b) for a, b in zip(points, (*points[1:], points[0]), strict=True) if a != b]
    made = Contour.of(lines)
    return made if made.signed_area_mm2 > 0 else made.reversed()
