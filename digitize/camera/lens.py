"""Radial distortion and its exact inverse.

Along a ray at radius r (distance from the axis over depth) the lens shows the point at
r (1 + k1 r^2 + k2 r^4)  (Brown 1971, radial terms).  The curve is only used up to the
radius where it stops rising: beyond, it folds the picture over itself, two rays would
share a pixel, and no inverse exists.  Points out there are NaN.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_MOST_STEPS = 100
_SETTLED = 1e-15  # relative step
_BEYOND_ANY_PICTURE = 1e6  # radius; 89.9999 degrees off the axis


def fold_radius(k1: float, k2: float) -> float:
    """Radius where the distorted radius stops rising; infinite for a lens that never folds.

    The smallest positive root r^2 of 1 + 3 k1 r^2 + 5 k2 r^4.
    """
    # Citardauq form: no cancellation when k2 is small, no division when it is zero.
    inside = 9 * k1**2 - 20 * k2
    if inside < 0:
        return math.inf
    roots = [2 / q for q in (-3 * k1 + math.sqrt(inside), -3 * k1 - math.sqrt(inside)) if q > 0]
    fold = math.sqrt(min(roots)) if roots else math.inf
    return fold if fold < _BEYOND_ANY_PICTURE else math.inf


def distort(rays: FloatArray, k1: float, k2: float) -> FloatArray:
    """Distorted (N, 2) of undistorted (x/z, y/z) (N, 2); NaN at and beyond the fold."""
    r2 = np.einsum("ij,ij->i", rays, rays)
    factor = 1 + r2 * (k1 + r2 * k2)
    factor[r2 >= fold_radius(k1, k2) ** 2] = np.nan
    return np.asarray(rays * factor[:, None])


def undistort(rays: FloatArray, k1: float, k2: float) -> FloatArray:
    """Undistorted (N, 2) of distorted (N, 2): Newton's method, kept inside the fold.

    Good to rounding.  NaN where no light that passes the lens arrives.
    """
    seen = np.hypot(rays[:, 0], rays[:, 1])
    fold = fold_radius(k1, k2)
    edge = fold * (1 + fold**2 * (k1 + fold**2 * k2)) if math.isfinite(fold) else math.inf
    reachable = seen < edge
    low, high = np.zeros_like(seen), np.full_like(seen, fold)
    r, last = np.minimum(seen, 0.999 * fold), np.full_like(seen, np.inf)
    for _ in range(_MOST_STEPS):
        r2 = r * r
        error = r * (1 + r2 * (k1 + r2 * k2)) - seen
        low, high = np.where(error < 0, r, low), np.where(error > 0, r, high)
        newton = r - error / (1 + r2 * (3 * k1 + r2 * 5 * k2))
        # Halve the bracket where Newton leaves it or circles round in it.
        good = (newton >= low) & (newton <= high) & (np.abs(newton - r) <= last / 2)
        good |= np.abs(newton - r) <= _SETTLED * r
        halved = np.where(np.isfinite(high), (low + high) / 2, 2 * r)
        following = np.where(good, newton, halved)
        last = np.abs(following - r)
        r = following
        if np.all((last <= _SETTLED * r) | ~reachable):
            break
    scale = np.divide(r, seen, out=np.ones_like(r), where=seen > 0)
    scale[~reachable] = np.nan
    return np.asarray(rays * scale[:, None])
