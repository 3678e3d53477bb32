"""Stretches of edge that differ: where, how long, how much, in words for the bench.

A stretch is a run of the edge that is off by more than the measurement can be wrong, all
to one side.  It is cut where the old piece's edge goes round a corner, so that each part
belongs to one edge, unless it is no more than a corner itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d  # type: ignore[attr-defined]

from digitize.comparing.boundary import IntArray
from digitize.comparing.deviation import Deviation, Side
from digitize.comparing.evidence import mostly
from digitize.comparing.sides import Sides
from digitize.pattern.contour import Evidence
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Point

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

Kind = Literal["more", "less"]
"""More metal than the old piece (to trim) or less (short)."""

_BRIDGED_MM = 3.0  # of edge between two stretches that are really one
_NEARLY = 0.75  # of U: what is off by so much between two stretches joins them
_SHORTEST_MM = 2.0  # of edge; what is shorter counts only if it is deep
_SMOOTHED_MM = 8.0
# An edge that goes up and down so much (RMS; of U, and in mm) and so often was never cut so: a step
# between two straight parts turns twice.
_ROUGH_SHARE, _ROUGH_MM, _TURNS = 0.4, 0.1, 6
_PART_MM = 6.0  # of a stretch round a corner that is worth a line of its own
_TIP = 0.1  # of an edge: no more of it in a stretch is its tip, round a corner
_CORNER_MM = 30.0  # a stretch no longer than this that goes round a corner is a corner


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of edge that differs.

    ``start_mm`` and ``end_mm`` are places along the edge it was seen on, counter-clockwise;
    ``end_mm`` is smaller where it runs over the outline's first point.  With ``on_new``
    False the old edge shows it and the new one passes it by: a notch or a tab.
    """

    kind: Kind
    length_mm: float
    largest_mm: float  # always positive
    mean_mm: float
    expanded_mm: float  # U at the worst place
    at_mm: Point  # the worst place, in the old piece's coordinates
    from_mm: Point  # its ends, likewise
    to_mm: Point
    edges: tuple[str, ...]  # names of the old piece's edges
    at_edge: str  # the one of the worst place; empty on a round one
    where: str  # in words
    start_mm: float
    end_mm: float
    other_start_mm: float  # the places on the other edge that its ends lie over
    other_end_mm: float
    on_new: bool = True
    ragged: bool = False  # as a rust-eaten edge is; nobody would trim to it
    evidence: Evidence = "measured"  # of most of it, on either edge

    @property
    def sentence(self) -> str:
        """What to do at the bench."""
        place = f"{'at' if self.where.endswith('corner') else 'on'} the {self.where}"
        named = f" ({', '.join(self.edges)})" if self.edges else ""
        verb = "trim" if self.kind == "more" else "short"
        if self.ragged:
            verb = "ragged old edge, do not trim to it:"
        made_up = _MADE_UP[self.evidence]
        much = f"{self.largest_mm:.1f} mm over {self.length_mm:.0f} mm"
        return f"{verb} {much} {place}{named}{made_up}"


_MADE_UP: dict[Evidence, str] = {
    "measured": "",
    "restored": "; that edge is rebuilt, not seen",
    "bridged": "; that edge is carried across, not seen",
}


def stretches(found: Deviation, old: Pattern, laid: Pattern) -> tuple[Stretch, ...]:
    """All stretches, the worst first; ``laid`` is the new pattern over the old one."""
    sides = Sides.of(old)
    listed = list(_along(found.new, found.old, sides, (laid, old), on_new=True))
    missed = _missed(found, listed)
    if missed.any():
        listed += _along(found.old, found.new, sides, (old, laid), on_new=False, only=missed)
    # To the tenth that people read; of those alike the longest.
    return tuple(sorted(listed, key=lambda s: (-round(s.largest_mm, 1), -s.length_mm)))


def _along(
    side: Side,
    other: Side,
    sides: Sides,
    patterns: tuple[Pattern, Pattern],
    *,
    on_new: bool,
    only: BoolArray | None = None,
) -> Iterator[Stretch]:
    off = np.abs(side.signed_mm) > side.expanded_mm
    if only is not None:
        off &= only
    for sign in (1.0, -1.0):
        flagged = _bridged(off & (side.signed_mm * sign > 0), side)
        for run in _runs(flagged):
            for part in _parts(run, side, sides, on_new):
                if not off[part].any():  # bridged from end to end
                    continue
                stretch = _stretch(part, side, other, sides, on_new)
                # There and back again: a step at the end of another stretch goes one way only.
                there_and_back = float(side.weight_mm[part].sum()) > 1.8 * stretch.largest_mm
                deep = stretch.largest_mm > 2.0 * stretch.expanded_mm and there_and_back
                if stretch.length_mm >= _SHORTEST_MM or deep:
                    yield replace(stretch, evidence=mostly(side, part, *patterns))


def _runs(flagged: BoolArray) -> Iterator[IntArray]:
    """Indices of each run of flagged samples round the loop, in order."""
    n = len(flagged)
    if flagged.all():
        yield np.arange(n)
        return
    for start in np.flatnonzero(flagged & ~np.roll(flagged, 1)).tolist():
        ahead = np.roll(flagged, -start)
        yield (start + np.arange(int(np.argmin(ahead)))) % n


def _bridged(flagged: BoolArray, side: Side) -> BoolArray:
    """The flags with short gaps closed where the edge is off to the same side in them."""
    if not flagged.any() or flagged.all():
        return flagged
    closed = flagged.copy()
    sign = np.sign(side.signed_mm[flagged][0])
    for gap in _runs(~flagged):
        there = side.signed_mm[gap] * sign
        short = float(side.weight_mm[gap].sum()) < _BRIDGED_MM and bool((there > 0).all())
        if short or bool((there > _NEARLY * side.expanded_mm[gap]).all()):
            closed[gap] = True
    return closed


def _old_segments(side: Side, on_new: bool) -> IntArray:
    return side.other_segment if on_new else side.segment


def _parts(run: IntArray, side: Side, sides: Sides, on_new: bool) -> Iterator[IntArray]:
    """The run cut where the old edge's name changes; crumbs stay with their neighbours."""
    if float(side.weight_mm[run].sum()) <= _CORNER_MM:
        yield run
        return
    names = np.array(sides.names)[_old_segments(side, on_new)[run]]
    cuts = [0, *(np.flatnonzero(names[1:] != names[:-1]) + 1).tolist(), len(run)]
    parts = [run[a:b] for a, b in pairwise(cuts)]
    merged: list[IntArray] = []
    for part in parts:
        crumb = float(side.weight_mm[part].sum()) < _PART_MM
        before_crumb = bool(merged) and float(side.weight_mm[merged[-1]].sum()) < _PART_MM
        if merged and (crumb or before_crumb):
            merged[-1] = np.concatenate((merged[-1], part))
        else:
            merged.append(part)
    yield from merged


def _stretch(run: IntArray, side: Side, other: Side, sides: Sides, on_new: bool) -> Stretch:
    weight = side.weight_mm[run]
    # The other edge may stand out farther between the same ends.
    sign = np.sign(side.signed_mm[run[int(np.abs(side.signed_mm[run]).argmax())]])
    over = _between(other.along_mm, side.other_along_mm[run])
    over &= np.sign(other.signed_mm) == sign
    over &= np.abs(other.signed_mm) > other.expanded_mm
    if on_new and over.any():
        owned, shares = np.array(sides.names)[other.segment[over]], other.weight_mm[over]
    else:
        owned, shares = np.array(sides.names)[_old_segments(side, on_new)[run]], weight
    names = tuple(n for n in dict.fromkeys(owned.tolist()) if n and _much(owned == n, shares))
    # Steps at its ends are no part of the length to trim.
    passed = float(side.other_along_mm[run[-1]] - side.other_along_mm[run[0]])
    passed %= other.boundary.perimeter_mm
    length = min(float(weight.sum()), passed) if passed > 0 else float(weight.sum())
    corner = len(names) == 2 and length <= _CORNER_MM
    # At a corner it counts from corner to corner, along an edge square to the edge.
    off, its = (np.abs(s.signed_mm if corner else s.square_mm) for s in (side, other))
    # What is bridged, within its own U, says nothing of how far off the stretch is.
    sure = np.where(np.abs(side.signed_mm[run]) > side.expanded_mm[run], off[run], 0.0)
    if not corner:
        sure *= _own(run, side)
    # The middle of what is about as far off as the worst place stands for all of it.
    high = np.flatnonzero(sure >= 0.97 * sure.max())
    worst = int(run[high[len(high) // 2]])
    largest, expanded = float(sure.max()), float(side.expanded_mm[worst])
    at, at_segment = side.places_mm[worst], _old_segments(side, on_new)[worst]
    beside = np.array(sides.names)[_old_segments(other, not on_new)]
    over &= np.isin(beside, names) | (not names)  # round a corner it belongs to the next stretch
    if over.any():
        i = int(np.argmax(np.where(over, its, 0.0)))
        if its[i] > 1.05 * largest:
            largest, expanded, at = float(its[i]), float(other.expanded_mm[i]), other.places_mm[i]
            at_segment = _old_segments(other, not on_new)[i]
    place = _point(at)
    middle = _middle(run, np.array(sides.names)[_old_segments(side, on_new)[run]])
    seen_place, normal = _point(side.places_mm[middle]), side.normal[middle]
    where = sides.corner(place) if corner else sides.edge(seen_place, _point(normal))
    if length > 0.95 * min(side.boundary.perimeter_mm, other.boundary.perimeter_mm):
        where, names = "whole edge", ()
    return Stretch(
        "more" if sign > 0 else "less",
        length,
        largest,
        float(np.dot(off[run], weight) / weight.sum()),
        expanded,
        place,
        _point(side.places_mm[run[0]]),
        _point(side.places_mm[run[-1]]),
        names,
        sides.names[at_segment],
        where,
        float(side.along_mm[run[0]]),
        float(side.along_mm[run[-1]]),
        float(side.other_along_mm[run[0]]),
        float(side.other_along_mm[run[-1]]),
        on_new,
        _ragged(run, side, other, expanded, on_new),
    )


def _own(run: IntArray, side: Side) -> BoolArray:
    """Which samples of a run are not the tip of an edge that belongs to the next stretch."""
    segment, weight = side.segment[run], side.weight_mm[run]
    there = np.bincount(segment, weights=weight, minlength=len(side.boundary.length_mm))
    own = np.asarray((there / side.boundary.length_mm)[segment] > _TIP)
    most = float(np.dot(own, weight)) > 0.5 * float(weight.sum())
    return own if most else np.ones_like(own)


def _ragged(run: IntArray, side: Side, other: Side, expanded_mm: float, on_new: bool) -> bool:
    """Whether the old edge runs up and down there as no cut edge does, more than the new one."""
    first = float(side.other_along_mm[run[0]])
    across = np.flatnonzero(_between(other.along_mm, side.other_along_mm[run]))
    across = across[np.argsort((other.along_mm[across] - first) % other.boundary.perimeter_mm)]
    if on_new:
        side, other, run, across = other, side, across, run
    signed_mm = side.signed_mm[run]
    if len(run) < 3:
        return False
    count = max(3, round(_SMOOTHED_MM / float(side.weight_mm[run].mean())))
    if len(signed_mm) <= 2 * count:
        return False
    rough = signed_mm - _smooth(signed_mm, count)
    within = float(np.std(rough[count:-count]))  # the ends of the run are steps
    far = rough[np.abs(rough) > 0.25 * within]
    turns = int((np.diff(np.sign(far)) != 0).sum())
    if within <= max(_ROUGH_SHARE * expanded_mm, _ROUGH_MM) or turns < _TURNS:
        return False
    return _winding_mm(side, run, count) > _winding_mm(other, across, count)


def _winding_mm(side: Side, run: IntArray, count: int) -> float:
    """How far (RMS) an edge runs off its own smoothed way."""
    if len(run) <= 2 * count:
        return 0.0
    off = side.places_mm[run] - _smooth(side.places_mm[run], count)
    return float(np.sqrt((off[count:-count] ** 2).sum(axis=1).mean()))


def _smooth(values: FloatArray, count: int) -> FloatArray:
    return np.asarray(uniform_filter1d(values, count, axis=0, mode="nearest"))


def _middle(run: IntArray, owned: NDArray[np.str_]) -> int:
    """The sample in the middle of what belongs to the edge that has most of the run."""
    names, counts = np.unique(owned, return_counts=True)
    most = np.flatnonzero(owned == names[int(counts.argmax())])
    return int(run[most[len(most) // 2]])


def _much(owned: BoolArray, weight: FloatArray) -> bool:
    return float(np.dot(owned, weight)) > 0.15 * float(weight.sum())


def _between(along_mm: FloatArray, over_mm: FloatArray) -> BoolArray:
    """Which places along an edge lie between the ends of a run that goes with the edge."""
    first, last = float(over_mm[0]), float(over_mm[-1])
    if first <= last:
        return np.asarray((along_mm >= first) & (along_mm <= last))
    return np.asarray((along_mm >= first) | (along_mm <= last))


def _missed(found: Deviation, listed: Sequence[Stretch]) -> BoolArray:
    """Samples of the old edge that are off and that no stretch of the new edge covers."""
    side = found.old
    missed = np.abs(side.signed_mm) > side.expanded_mm
    for stretch in listed:
        ends = stretch.other_start_mm - _BRIDGED_MM, stretch.other_end_mm + _BRIDGED_MM
        whole = side.boundary.perimeter_mm
        if (ends[1] - ends[0]) % whole < 2.0 * _BRIDGED_MM:
            return np.zeros_like(missed)  # it goes all round
        missed &= ~_between(side.along_mm, np.mod(ends, whole))
    return missed


def _point(place: FloatArray) -> Point:
    return float(place[0]), float(place[1])
