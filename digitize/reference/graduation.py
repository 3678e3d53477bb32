"""What the marks of a rule mean, read from which of them are longer.

On a metric rule every fifth mark is longer and every tenth longer still; half-millimetre
edges add one rank below.  On an inch rule lengths halve: the inch longest, then the half,
the quarter, down to the finest, so every second mark is of the lowest rank, every second
of the rest of the next (common practice, no source).  The two cannot be mistaken for each
other once two ranks show.  Each reading is fitted as one mean length per rank, and the
readings are compared by the Bayesian information criterion (Schwarz 1978).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

INCH_MM = 25.4
_SURE = 10.0  # difference of the criterion that is called very strong (Kass and Raftery 1995)
_LEAST_STEP = 0.12  # between ranks, of the shortest marks' length
_FEWEST_MARKS = 10


@dataclass(frozen=True, slots=True)
class Division:
    """The distance between neighbouring marks, and how lengths repeat."""

    name: str  # as people say it: "1 mm", "1/16 inch"
    pitch_mm: float
    period: int  # marks after which the lengths repeat
    inch: bool

    def ranks(self, index: IndexArray) -> IndexArray:
        """Rank (N,) of marks (N,) counted from a longest one, 0 for the shortest."""
        if self.inch:
            ranks = np.zeros(len(index), dtype=np.intp)
            step = 2
            while step <= self.period:
                ranks += index % step == 0
                step *= 2
            return ranks
        ranks = np.zeros(len(index), dtype=np.intp)
        per_mm = round(1 / self.pitch_mm)
        for step in (per_mm, 5 * per_mm, 10 * per_mm):
            if 1 < step <= self.period:
                ranks += index % step == 0
        return ranks


METRIC = (
    Division("1 mm", 1.0, 10, False),
    Division("1 mm", 1.0, 5, False),  # fives and tens alike
    Division("0.5 mm", 0.5, 20, False),
    Division("0.5 mm", 0.5, 10, False),
)
IMPERIAL = tuple(Division(f"1/{n} inch", INCH_MM / n, n, True) for n in (8, 16, 32, 64))


@dataclass(frozen=True, slots=True)
class Reading:
    """The best reading of a row of marks."""

    division: Division
    phase: int  # index, modulo the period, of the longest marks
    sure: bool
    rival: Division | None  # what else it could be
    badness: float  # the criterion, less what equal lengths would give: the lower the surer


def read_lengths(
    index: IndexArray, length: FloatArray, allowed: tuple[Division, ...] = METRIC + IMPERIAL
) -> Reading | None:
    """What marks (N,) at whole ``index`` with visible ``length`` are; None if nothing fits.

    A length of NaN is not known.  A reading that is not ``allowed`` is no reading: marks
    that look like inches are not taken for millimetres because somebody said so.
    """
    known = np.isfinite(length)
    index, length = index[known], length[known]
    if len(index) < _FEWEST_MARKS:
        return None
    found: list[tuple[float, Division, int]] = []
    flat = _badness(length, np.zeros(len(length), dtype=np.intp))
    for division in METRIC + IMPERIAL:
        if np.ptp(index) < division.period:
            continue
        for phase in range(division.period):
            ranks = division.ranks(index - phase)
            if len(np.unique(ranks)) < 2 or not _rising(length, ranks):
                continue
            found.append((_badness(length, ranks), division, phase))
    if not found:
        return None
    found.sort(key=lambda f: f[0])
    best, division, phase = found[0]
    if best > flat - _SURE or division not in allowed:
        return None
    rivals = [f for f in found if f[1].pitch_mm != division.pitch_mm]
    rival = rivals[0] if rivals and rivals[0][0] < best + _SURE else None
    return Reading(division, phase, rival is None, rival[1] if rival else None, best - flat)


def _rising(length: FloatArray, ranks: IndexArray) -> bool:
    """Whether each rank is clearly longer than the one below it."""
    levels = np.unique(ranks)
    middle = [float(np.median(length[ranks == r])) for r in levels]
    return bool((np.diff(middle) > _LEAST_STEP * max(middle[0], 1e-9)).all())


def _badness(length: FloatArray, ranks: IndexArray) -> float:
    """Bayesian information criterion of one mean per rank; far-off marks count once."""
    residual = np.empty_like(length)
    levels = np.unique(ranks)
    for r in levels:
        own = length[ranks == r]
        residual[ranks == r] = own - np.median(own)
    least = 0.02 * abs(float(np.median(length))) + 1e-6
    spread = max(1.4826 * float(np.median(np.abs(residual))), least)
    clipped = np.clip(residual / spread, -3, 3) * spread
    variance = float((clipped**2).mean()) + least**2
    return float(len(length) * np.log(variance) + (len(levels) + 1) * np.log(len(length)))
