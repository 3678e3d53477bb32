"""Which part of the edge is the sound one, where two parts agree each with itself.

A piece that is 3 mm long on one side fits by its other sides, or by that one side and what
lies beside it.  Closing in from far may end in either; so each stretch that was left out is
given its turn: laid on the old edge, what agrees with it then is counted.  The pose that
more of the edge agrees with is kept.

A piece that is long on two sides that meet is drawn between both, and nothing agrees.  There
every two sides that meet are given their turn, and must bring an edge into place that faces another
way than both and all between: any two can be made to agree, and with them, or nearly, what faces
as they do, though the piece be too large all round.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain, pairwise

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary, IntArray
from digitize.comparing.least_squares import Settled, settle

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_WORTH = 0.04  # of the edge: a stretch no longer than this proves nothing
_AGREED = 0.85  # of the edge: no other part can outvote this much
_ROUNDS = 3
_AGREES = 4.0  # standard uncertainties: edges so near agree
_SAME = 2.0  # standard uncertainties, which is U
_NOTHING = 0.25  # of the edge: what agrees by chance where edges cross
_FEWEST_SIDES = 3
_ELSEWHERE_RAD = math.radians(20.0)
_TURNS = 0.9945  # cosine of 6 degrees: where an edge turns more another side begins


def agreed(
    old: Boundary, points_mm: FloatArray, weight: FloatArray, first: Settled, least_mm: float
) -> Settled:
    """The pose that most of the edge agrees with, from one that a part of it does."""
    best, cost = first, agreement_mm(weight, first, least_mm)
    for _ in range(_ROUNDS):
        share = _share(weight, _agrees(best, least_mm))
        if share > _AGREED:
            break
        before = cost
        tries = in_turn(old, points_mm, weight, best, least_mm)
        if share <= _NOTHING:
            tries = chain(tries, _two_in_turn(old, points_mm, weight, best, least_mm))
        for tried in tries:
            its_cost = agreement_mm(weight, tried, least_mm)
            if its_cost < cost:
                best, cost = tried, its_cost
        if cost >= before:
            break
    return best


def in_turn(
    old: Boundary, points_mm: FloatArray, weight: FloatArray, first: Settled, least_mm: float
) -> Iterator[Settled]:
    """The pose for each long stretch that was left out, with that one as the sound one."""
    left_out = ~_agrees(first, least_mm)
    for run in _runs(~first.counted if left_out.all() else left_out, weight):
        limit_mm = max(first.limit_mm, _AGREES * least_mm)
        yield _by(
            run,
            first,
            old,
            points_mm,
            weight,
            least_mm=least_mm,
            limit_mm=limit_mm,
            sound_only=False,
        )


def _two_in_turn(
    old: Boundary, points_mm: FloatArray, weight: FloatArray, first: Settled, least_mm: float
) -> Iterator[Settled]:
    """The pose for every two sides that meet, where it brings more into place than those two."""
    sides = list(_sides(first, weight))
    if len(sides) < _FEWEST_SIDES:
        return
    for one, other in pairwise((*sides, sides[0])):
        both = np.concatenate((one, other))
        tried = _by(
            both,
            first,
            old,
            points_mm,
            weight,
            least_mm=least_mm,
            limit_mm=_AGREES * least_mm,
            sound_only=True,
        )
        near = np.abs(tried.nearest.signed_mm) <= _SAME * least_mm
        if _share(weight, near & _facing_elsewhere(tried, one, other)) > _WORTH:
            yield tried


def _by(
    run: IntArray,
    first: Settled,
    old: Boundary,
    points_mm: FloatArray,
    weight: FloatArray,
    *,
    least_mm: float,
    limit_mm: float,
    sound_only: bool,
) -> Settled:
    """The pose that what agrees with a part of the edge gives, from that part laid on the old."""
    alone = settle(
        old,
        points_mm[run],
        weight[run],
        first.pose,
        sound_only=sound_only,
        least_mm=least_mm,
        thorough=False,
        enough_mm=1e-4 * old.size_mm,
    )
    return settle(
        old,
        points_mm,
        weight,
        alone.pose,
        sound_only=True,
        least_mm=least_mm,
        limit_mm=limit_mm,
        thorough=False,
        enough_mm=1e-5 * old.size_mm,
    )


def agreement_mm(weight: FloatArray, settled: Settled, least_mm: float) -> float:
    """RMS distance of all points, those that do not agree as far as the cap."""
    cap = _AGREES * least_mm
    squared = np.minimum(settled.nearest.signed_mm**2, cap * cap)
    return float(np.sqrt(np.dot(weight, squared) / weight.sum()))


def _agrees(settled: Settled, least_mm: float) -> BoolArray:
    return np.asarray(np.abs(settled.nearest.signed_mm) <= _AGREES * least_mm)


def _facing_elsewhere(settled: Settled, one: IntArray, other: IntArray) -> BoolArray:
    """Which points lie over an edge that faces neither as two sides do nor between them."""
    away = settled.nearest.away
    ways = np.stack([away[run].mean(axis=0) for run in (one, other)])
    ways /= np.hypot(*ways.T)[:, None]
    axis = ways.sum(axis=0)
    size = float(np.hypot(*axis))  # twice the cosine of half the angle between both
    apart = np.arccos(np.clip(away @ axis / max(size, 1e-9), -1.0, 1.0))
    return np.asarray(apart > math.acos(min(size / 2.0, 1.0)) + _ELSEWHERE_RAD)


def _share(weight: FloatArray, of: BoolArray) -> float:
    return float(np.dot(weight, of) / weight.sum())


def _sides(settled: Settled, weight: FloatArray) -> Iterator[IntArray]:
    """Each long stretch over an edge that does not turn."""
    away = settled.nearest.away
    straight = np.einsum("ij,ij->i", away, np.roll(away, 1, axis=0)) > _TURNS
    yield from _runs(straight, weight)


def _runs(of: BoolArray, weight: FloatArray) -> Iterator[IntArray]:
    """Each long stretch of some points of the edge; none where they are all of them."""
    if not of.any() or of.all():
        return
    for begin in np.flatnonzero(of & ~np.roll(of, 1)).tolist():
        long = int(np.argmin(np.roll(of, -begin)))
        run = (begin + np.arange(long)) % len(of)
        if float(weight[run].sum()) > _WORTH * float(weight.sum()):
            yield run
