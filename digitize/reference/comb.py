"""Numbering the marks along one line: which peak is which graduation.

Perspective makes the spacing change slowly, the lens bends it a little more, and some marks
are worn off or lie under glare.  So numbers are given by growing: a stretch of evenly
spaced peaks is taken as a start, the next mark is foretold from the last ones, and peaks
that lie where a mark is due are taken.  Gaps are crossed with a one-dimensional
perspective fit,  s = (a + b k) / (1 + c k),  whose cross ratio all marks share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

_SEED = 7  # peaks
_SEED_SPREAD = 0.13  # of the spacing
_MOST_SEEDS = 16
_DUE = 0.27  # of the spacing, round the place foretold
_REMEMBERED = 14  # marks that foretell the next
_MOST_MISSING = 6  # in a row, before a gap counts as an end
_CROSSED = 0.5  # longest gap crossed, of the length numbered so far
_STRETCH = 8  # marks beyond a gap that must agree
FEWEST = 9


@dataclass(frozen=True, slots=True, eq=False)
class Comb:
    """Numbered marks along a line."""

    index: IndexArray  # (N,) increasing
    at: FloatArray  # (N,) place along the line
    residual: float  # rms distance from a smooth spacing, in spacings

    @property
    def share(self) -> float:
        """Marks found, of those between the first and the last."""
        return len(self.index) / float(self.index[-1] - self.index[0] + 1)

    @property
    def worth(self) -> float:
        """How much of a rule this is."""
        return len(self.index) * self.share**2 * max(0.0, 1 - 5 * self.residual)

    def place(self, index: FloatArray) -> FloatArray:
        """Smooth place (M,) of marks, by perspective fit and local correction."""
        a, b, c = projective(self.index.astype(float), self.at)
        smooth = (a + b * self.index) / (1 + c * self.index)
        return np.asarray(
            (a + b * index) / (1 + c * index)
            + np.interp(index, self.index, _running_mean(self.at - smooth))
        )

    def spacing(self, index: FloatArray) -> FloatArray:
        """Distance (M,) between neighbouring marks."""
        return np.asarray(self.place(index + 0.5) - self.place(index - 0.5))


def _running_mean(values: FloatArray, half: int = 4) -> FloatArray:
    padded = np.pad(values, half, mode="edge")
    return np.convolve(padded, np.full(2 * half + 1, 1 / (2 * half + 1)), mode="valid")


def projective(index: FloatArray, at: FloatArray) -> tuple[float, float, float]:
    """a, b, c of  at = (a + b k) / (1 + c k)  by least squares, far peaks weighing less."""
    middle, reach = float(index.mean()), max(float(np.ptp(index)), 1.0)
    k = (index - middle) / reach
    weight = np.ones(len(k))
    a, b, c = float(at.mean()), 1.0, 0.0
    for _ in range(5):
        rows = np.column_stack([np.ones_like(k), k, -k * at]) * weight[:, None]
        (a, b, c), *_ = np.linalg.lstsq(rows, at * weight, rcond=None)
        if 1 - abs(c) / 2 <= 0.2:  # the horizon would lie among the marks
            c = 0.0
            a, b = np.linalg.lstsq(rows[:, :2], at * weight, rcond=None)[0]
        off = at - (a + b * k) / (1 + c * k)
        spread = max(1.4826 * float(np.median(np.abs(off))), 1e-6)
        weight = 1 / ((1 + c * k) * np.sqrt(1 + (off / (2.5 * spread)) ** 2))
    # Back to whole-mark numbers: k = (i - middle) / reach.
    scale = 1 - c * middle / reach
    return (a - b * middle / reach) / scale, b / reach / scale, c / reach / scale


def number(peaks: FloatArray) -> Comb | None:
    """The longest row of regularly spaced marks among peaks (P,), or None."""
    peaks = np.sort(peaks)
    if len(peaks) < FEWEST:
        return None
    best: Comb | None = None
    covered = np.zeros(len(peaks), dtype=bool)
    for start in _seeds(peaks):
        if covered[start : start + _SEED].all():
            continue
        comb = _grown(peaks, start)
        if comb is None:
            continue
        covered |= np.isin(peaks, comb.at)
        if best is None or comb.worth > best.worth:
            best = comb
        if best.worth > 0.6 * len(peaks):
            break
    return best


def _seeds(peaks: FloatArray) -> list[int]:
    gaps = np.diff(peaks)
    if len(gaps) < _SEED - 1:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(gaps, _SEED - 1)
    x = np.arange(_SEED - 1) - (_SEED - 2) / 2
    slope = windows @ x / (x @ x)
    flat = windows - windows.mean(axis=1, keepdims=True) - slope[:, None] * x
    spread = flat.std(axis=1) / windows.mean(axis=1)
    order = np.argsort(spread)
    return [int(i) for i in order if spread[i] < _SEED_SPREAD][:_MOST_SEEDS]


def _grown(peaks: FloatArray, start: int) -> Comb | None:
    places = dict(enumerate(peaks[start : start + _SEED].tolist()))
    for direction in (1, -1):
        _extend(places, peaks, direction)
    for _ in range(3):
        before = len(places)
        _cross(places, peaks)
        if len(places) == before:
            break
        for direction in (1, -1):
            _extend(places, peaks, direction)
    return _tidied(places)


def _extend(places: dict[int, float], peaks: FloatArray, direction: int) -> None:
    """Take peaks beyond one end for as long as they lie where marks are due."""
    missing = 0
    ends = sorted(places, key=lambda i: -direction * i)[:_REMEMBERED][::-1]
    known = np.array(ends, dtype=float)
    at = np.array([places[i] for i in ends])
    taken = set(places.values())
    k = ends[-1]
    while missing <= _MOST_MISSING:
        k += direction
        due, spacing = _foretold(known - k, at)
        if not peaks[0] - spacing < due < peaks[-1] + spacing:
            return
        j = int(np.searchsorted(peaks, due))
        nearest = min(peaks[max(j - 1, 0) : j + 1].tolist(), key=lambda p: abs(p - due))
        if abs(nearest - due) < _DUE * spacing and nearest not in taken:
            places[k] = nearest
            taken.add(nearest)
            known = np.append(known[-_REMEMBERED + 1 :], float(k))
            at = np.append(at[-_REMEMBERED + 1 :], nearest)
            missing = 0
        else:
            missing += 1


def _foretold(away: FloatArray, at: FloatArray) -> tuple[float, float]:
    """Place and spacing at 0 of marks at ``away`` (N,): a parabola, or a line through few."""
    powers = np.vander(away, 3 if len(away) >= 10 else 2, increasing=True)
    fit = np.linalg.solve(powers.T @ powers, powers.T @ at)
    return float(fit[0]), abs(float(fit[1]))


def _cross(places: dict[int, float], peaks: FloatArray) -> None:
    """Look beyond a gap: marks farther on must agree with the perspective of the known ones."""
    index = np.array(sorted(places))
    at = np.array([places[i] for i in index])
    if len(index) < FEWEST:
        return
    a, b, c = projective(index.astype(float), at)
    reach = int(_CROSSED * (index[-1] - index[0])) + 1
    outward = (
        np.arange(index[-1] + 1, index[-1] + reach),
        np.arange(index[0] - reach + 1, index[0])[::-1],
    )
    for every in outward:
        side = every[1 + c * every > 0.1]
        if len(side) < _STRETCH:
            continue
        due = (a + b * side) / (1 + c * side)
        spacing = np.abs(b - a * c) / (1 + c * side) ** 2
        nearest = np.abs(peaks[:, None] - due[None, :]).argmin(axis=0)
        near = np.abs(peaks[nearest] - due) < _DUE * spacing
        # By chance half of the places find a peak; only a stretch that nearly all do counts.
        starts = np.flatnonzero(np.convolve(near, np.ones(_STRETCH), mode="valid") >= _STRETCH - 1)
        for i in range(starts[0], starts[0] + _STRETCH) if len(starts) else ():
            if near[i]:
                places.setdefault(int(side[i]), float(peaks[nearest[i]]))


def _tidied(places: dict[int, float]) -> Comb | None:
    index = np.array(sorted(places), dtype=np.intp)
    at = np.array([places[i] for i in index])
    if len(index) < FEWEST or (np.diff(at) <= 0).any():
        return None
    a, b, c = projective(index.astype(float), at)
    spacing = np.abs(b - a * c) / (1 + c * index) ** 2
    off = at - (a + b * index) / (1 + c * index)
    off = off - _running_mean(off)  # the lens's share
    residual = float(np.sqrt(np.mean((off / spacing) ** 2)))
    return Comb(index, at, residual)
