"""A closed run of measured points made ready for fitting: clean, evenly thinned, weighed.

Neighbouring points are averaged, about two to the millimetre where the edge runs straight
or in a wide bend and as fine as they come where it turns fast, so that corners and small
fillets keep every point while a metre of edge stays a few thousand numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.curves.primitives import CurveError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MEASURED, BRIDGED, RESTORED = 0, 1, 2

COARSE_MM = 0.5
FINE_MM = 0.1
_LOOK_MM = 1.2  # half length over which the turning of the edge is judged
_LEAST_POINTS = 8


@dataclass(frozen=True, eq=False)
class Samples:
    """Clean raw points of a closed edge, counter-clockwise."""

    points_mm: FloatArray  # (N, 2)
    weight: FloatArray  # (N,) relative, mean about 1 over what was measured
    u_mm: FloatArray  # (N,) as given
    evidence: NDArray[np.uint8]  # (N,)
    along_mm: FloatArray  # (N,) distance along a smoothed chain, from 0
    length_mm: float
    noise_mm: float  # scatter across the edge, from the points themselves

    def __len__(self) -> int:
        """Number of points."""
        return len(self.points_mm)


@dataclass(frozen=True, eq=False)
class Chain:
    """Thinned points of a closed edge."""

    points_mm: FloatArray  # (M, 2)
    weight: FloatArray  # (M,) raw points each stands for, times their weight
    counted: NDArray[np.bool_]  # (M,) whether it may veto a curve; bridges may not
    along_mm: FloatArray  # (M,)
    first_raw: IntArray  # (M,) index of the first raw point it averages
    noise_mm: FloatArray  # (M,) scatter left in it
    u_mm: FloatArray  # (M,) as given; averaging neighbours does not lessen it
    length_mm: float

    def __len__(self) -> int:
        """Number of points."""
        return len(self.points_mm)

    def allowed_mm(self, tolerance_mm: float) -> FloatArray:
        """How far each point (M,) may lie off an edge that keeps within a tolerance."""
        return np.asarray(
            np.sqrt(tolerance_mm**2 + (4.0 * self.noise_mm) ** 2 + (2.0 * self.u_mm) ** 2)
        )

    def as_samples(self, raw: Samples) -> Samples:
        """The thinned points in place of the raw ones."""
        kinds = np.where(self.counted, MEASURED, BRIDGED).astype(np.uint8)
        return Samples(
            self.points_mm, self.weight, self.u_mm, kinds, self.along_mm, self.length_mm,
            raw.noise_mm,
        )  # fmt: skip


def clean(
    points_mm: FloatArray, u_mm: FloatArray | None, evidence: NDArray[np.uint8] | None
) -> Samples:
    """Check, orient counter-clockwise, drop doubled points, and weigh.

    Raises ``CurveError`` for too few points or numbers that are not finite.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < _LEAST_POINTS:
        raise CurveError(
            f"a closed edge needs at least {_LEAST_POINTS} points, not {len(points)}",
            do="take the photo from nearer",
        )
    n = len(points)
    u = np.full(n, np.nan) if u_mm is None else np.asarray(u_mm, dtype=np.float64)
    kinds = np.zeros(n, np.uint8) if evidence is None else np.asarray(evidence).astype(np.uint8)
    if not np.isfinite(points).all() or (u_mm is not None and not np.isfinite(u).all()):
        raise CurveError("an edge holds points that are not finite", do="trace it again")
    if len(u) != n or len(kinds) != n:
        raise CurveError("points, uncertainties and evidence differ in number", do="trace it again")
    new = np.any(points != np.roll(points, 1, axis=0), axis=1)
    if new.sum() < _LEAST_POINTS:
        raise CurveError("an edge has shrunk to a few places", do="take the photo from nearer")
    points, u, kinds = points[new], u[new], kinds[new]
    x, y = points.T
    if float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) < 0.0:
        points, u, kinds = points[::-1].copy(), u[::-1].copy(), kinds[::-1].copy()
    smooth = _smoothed(points, 2)
    steps = np.hypot(*(np.roll(smooth, -1, axis=0) - smooth).T)
    along = np.concatenate(([0.0], np.cumsum(steps)[:-1]))
    noise = _noise(points, kinds)
    if u_mm is None:
        u = np.full(len(points), max(noise, 1e-4))
    u = np.maximum(u, 1e-4)
    sound = kinds == MEASURED
    usual = float(np.median(u[sound])) if sound.any() else float(np.median(u))
    weight = np.clip((usual / u) ** 2, 1e-4, 4.0)
    weight[kinds == BRIDGED] *= 0.01  # a bridge is a guess between two measurements
    return Samples(points, weight, u, kinds, along, float(steps.sum()), noise)


def thinned(samples: Samples) -> Chain:
    """Average neighbouring points, finely where the edge turns fast."""
    n = len(samples)
    points, along, total = samples.points_mm, samples.along_mm, samples.length_mm
    step = total / n
    turning = _turning(samples)
    # A fine stretch reaches a little beyond where the turning shows.
    reach = max(1, round(_LOOK_MM / step))
    threshold = max(0.04, 4.0 * samples.noise_mm / np.sqrt(max(1.0, 0.5 * _LOOK_MM / step)))
    fast = _dilated(turning > threshold, reach)
    coarse = COARSE_MM * max(1.0, total / 4000.0)
    steps = np.diff(np.append(along, total))
    # A new bin starts wherever the running count of bin widths passes a whole number.
    widths = np.where(fast, steps / FINE_MM if step < FINE_MM / 2 else 1.0, steps / coarse)
    count = np.concatenate(([0.0], np.cumsum(widths)[:-1]))
    bins = np.floor(count + 1e-9).astype(np.int64)
    first = np.flatnonzero(np.diff(bins, prepend=-1))
    m = len(first)
    number = np.diff(np.append(first, n))
    weight = np.add.reduceat(samples.weight, first)
    mean = np.column_stack(
        [np.add.reduceat(samples.weight * points[:, k], first) / weight for k in (0, 1)]
    )
    mean_along = np.add.reduceat(samples.weight * along, first) / weight
    loose = np.add.reduceat((samples.evidence == BRIDGED).astype(np.int64), first)
    noise = samples.noise_mm / np.sqrt(number)
    u = np.add.reduceat(samples.weight * samples.u_mm, first) / weight
    if m < _LEAST_POINTS:
        return Chain(
            points, samples.weight, samples.evidence != BRIDGED, along,
            np.arange(n), np.full(n, samples.noise_mm), samples.u_mm, total,
        )  # fmt: skip
    return Chain(
        mean, weight, loose * 2 < number, mean_along, first.astype(np.int64), noise, u, total
    )


def _smoothed(points: FloatArray, half: int) -> FloatArray:
    """Running mean over 2 half + 1 points of a closed chain."""
    if len(points) < 4 * half + 4:
        return points
    total = points.copy()
    for k in range(1, half + 1):
        total = total + np.roll(points, k, axis=0) + np.roll(points, -k, axis=0)
    return total / (2 * half + 1)


def _noise(points: FloatArray, kinds: NDArray[np.uint8]) -> float:
    """Scatter across the edge, from third differences, which no smooth curve shows.

    Correlated noise hides from it; it is a floor, not the last word.
    """
    smooth = _smoothed(points, 3)
    tangent = np.roll(smooth, -2, axis=0) - np.roll(smooth, 2, axis=0)
    size = np.hypot(*tangent.T)
    normal = np.column_stack((-tangent[:, 1], tangent[:, 0])) / np.maximum(size, 1e-12)[:, None]
    third = (
        np.roll(points, -2, axis=0) - 3 * np.roll(points, -1, axis=0)
        + 3 * points - np.roll(points, 1, axis=0)
    )  # fmt: skip
    across = (third * normal).sum(axis=1)[kinds != BRIDGED]
    if len(across) < 8:
        return 1e-3
    return float(max(1.4826 * np.median(np.abs(across)) / np.sqrt(20.0), 1e-4))


def _turning(samples: Samples) -> FloatArray:
    """Depth (mm) of the chain at each point under the chord between its two surroundings."""
    n = len(samples)
    half = max(2, round(_LOOK_MM / (samples.length_mm / n)))
    if n < 4 * half:
        return np.full(n, np.inf)
    smooth = _smoothed(samples.points_mm, max(1, half // 4))
    before, after = np.roll(smooth, half, axis=0), np.roll(smooth, -half, axis=0)
    return np.asarray(np.hypot(*((before + after) / 2 - smooth).T), dtype=np.float64)


def _dilated(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """True wherever a True lies within ``reach`` places round the closed chain."""
    counts = np.concatenate(([0], np.cumsum(np.tile(mask, 3))))
    n = len(mask)
    if 2 * reach + 1 >= n:
        return np.full(n, bool(mask.any()))
    i = np.arange(n) + n
    return np.asarray(counts[i + reach + 1] - counts[i - reach] > 0)
