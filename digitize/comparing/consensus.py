"""Which part of the edge is the sound one, where two parts agree each with itself.

A piece that is 3 mm long on one side fits by its other sides, or by that one side and what
lies beside it.  Closing in from far may end in either; so each stretch that was left out is
given its turn: laid on the old edge, what agrees with it then is counted.  The pose that
more of the edge agrees with is kept.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary
from digitize.comparing.least_squares import Settled, settle

FloatArray = NDArray[np.float64]

_WORTH = 0.04  # of the edge: a stretch no longer than this proves nothing
_AGREED = 0.85  # of the edge: no other part can outvote this much
_ROUNDS = 3


def agreed(
    old: Boundary, points_mm: FloatArray, weight: FloatArray, first: Settled, least_mm: float
) -> Settled:
    """The pose that most of the edge agrees with, from one that a part of it does."""
    best, cost = first, agreement_mm(weight, first, least_mm)
    for _ in range(_ROUNDS):
        if np.dot(weight, best.counted) > _AGREED * weight.sum():
            break
        before = cost
        for tried in in_turn(old, points_mm, weight, best, least_mm):
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
    for run in _left_out(first, weight):
        alone = settle(
            old,
            points_mm[run],
            weight[run],
            first.pose,
            sound_only=False,
            thorough=False,
            enough_mm=1e-4 * old.size_mm,
        )
        yield settle(
            old,
            points_mm,
            weight,
            alone.pose,
            sound_only=True,
            least_mm=least_mm,
            limit_mm=max(first.limit_mm, 4.0 * least_mm),
            thorough=False,
            enough_mm=1e-5 * old.size_mm,
        )


def agreement_mm(weight: FloatArray, settled: Settled, least_mm: float) -> float:
    """RMS distance of all points, those that do not agree as far as the cap."""
    cap = 4.0 * least_mm
    squared = np.minimum(settled.nearest.signed_mm**2, cap * cap)
    return float(np.sqrt(np.dot(weight, squared) / weight.sum()))


def _left_out(settled: Settled, weight: FloatArray) -> Iterator[NDArray[np.intp]]:
    """Each long stretch that was left out."""
    left_out = ~settled.counted
    if not left_out.any() or left_out.all():
        return
    begins = np.flatnonzero(left_out & ~np.roll(left_out, 1))
    for begin in begins.tolist():
        long = int(np.argmin(np.roll(left_out, -begin)))
        run = (begin + np.arange(long)) % len(left_out)
        if float(weight[run].sum()) > _WORTH * float(weight.sum()):
            yield run
