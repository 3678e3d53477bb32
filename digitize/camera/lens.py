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

_NEWTON_STEPS = 50


def fold_radius(k1: float, k2: float) -> float:
    """Radius where the distorted radius stops rising; infinite for a lens that never folds.

    The smallest positive root r^2 of 1 + 3 k1 r^2 + 5 k2 r^4.
    """
    # Citardauq form: no cancellation when k2 is small, no division when it is zero.
    inside = 9 * k1**2 - 20 * k2
    if inside < 0:
        return math.inf
    roots = [2 / q for q in (-3 * k1 + math.sqrt(inside), -3 * k1 - math.sqrt(inside)) if q > 0]
    return math.sqrt(min(roots)) if roots else math.inf


def distort(rays: FloatArray, k1: float, k2: float) -> FloatArray:
    """Distorted (N, 2) of undistorted (x/z, y/z) (N, 2); NaN at and beyond the fold."""
    r2 = np.einsum("ij,ij->i", rays, rays)
    factor = 1 + r2 * (k1 + r2 * k2)
    factor[r2 >= fold_radius(k1, k2) ** 2] = np.nan
    return np.asarray(rays * factor[:, None])


def undistort(rays: FloatArray, k1: float, k2: float) -> FloatArray:
    """Undistorted (N, 2) of distorted (N, 2): Newton's method, kept inside the fold.

    The result is good to rounding (the steps end below 1e-15 relative).  NaN where no
    light that passes the lens arrives.
    """
    seen = np.hypot(rays[:, 0], rays[:, 1])
    fold = fold_radius(k1, k2)
    edge = fold * (1 + fold**2 * (k1 + fold**2 * k2)) if math.isfinite(fold) else math.inf
    reachable = seen < edge
    low = np.zeros_like(seen)
    # A rising lens with k's positive shows points farther out; one with barrel distortion
    # nearer in, by no more than the fold allows.
    high = np.full_like(seen, fold)
    r = np.minimum(seen, 0.999 * fold)
    for _ in range(_NEWTON_STEPS):
        r2 = r * r
        error = r * (1 + r2 * (k1 + r2 * k2)) - seen
        low, high = np.where(error < 0, r, low), np.where(error > 0, r, high)
        step = r - error / (1 + r2 * (3 * k1 + r2 * 5 * k2))
        inside = (step > low) & (step < high)
        halved = np.where(np.isfinite(high), (low + high) / 2, 2 * r)
        following = np.where(error == 0, r, np.where(inside, step, halved))
        settled = np.abs(following - r) <= 1e-15 * r
        r = following
        if np.all(settled | ~reachable):
            break
    scale = np.divide(r, seen, out=np.ones_like(r), where=seen > 0)
    scale[~reachable] = np.nan
    return np.asarray(rays * scale[:, None])
