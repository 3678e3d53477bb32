"""How far noise, as the residuals show it, moves a fitted X-corner.

What a symmetric fault leaves in the residual (sharpening, ink spread, a tone curve) is
even about the corner and does not move it, so noise is read from the odd part alone.
Demosaicking, denoising and JPEG make neighbouring pixels err together; how much is taken
from all corners of the photo at once, and the least-squares covariance is carried
through with it instead of as if pixels were independent.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.sighting.corners import FloatArray

FARTHEST_LAG = 2  # pixels over which errors are taken to go together
ENOUGH_CORNERS = 12  # fewer cannot show how errors go together
GROWTH = (0.8, 3.0)  # of sigma through correlation: beyond, the estimate is not noise


def corner_sigma(
    residual: FloatArray, jacobian: FloatArray, weight: FloatArray, good: NDArray[np.bool_]
) -> FloatArray:
    """Standard deviation (N,), per axis, of the first two unknowns of each fit.

    ``residual`` (N, P) over square windows, ``jacobian`` (N, P, K) with the centre's x and y
    first, ``weight`` (N, P) of ones and zeros; ``good`` (N,) are the fits to learn from.
    """
    n, pixels, unknowns = jacobian.shape
    side = round(np.sqrt(pixels))
    weighted = jacobian * weight[:, :, None]
    hessian = np.matmul(np.swapaxes(weighted, 1, 2), weighted)
    scale = np.sqrt(np.einsum("nkk->nk", hessian)) + 1e-12
    outer = scale[:, :, None] * scale[:, None, :]
    inverse = np.linalg.inv(hessian / outer + 1e-10 * np.eye(unknowns)) / outer
    # Influence of every pixel on the centre.
    influence = np.matmul(weighted, inverse[:, :, :2])

    odd = (residual - residual[:, ::-1]) / 2
    # What the fit has taken out of the odd residual: the odd part of the hat matrix's root.
    root = np.matmul(weighted, _half_power(inverse))
    root = (root - root[:, ::-1]) / 2
    freedom = np.maximum((weight.sum(1) - 1) / 2 - (root**2).sum((1, 2)), 1.0)
    variance = (odd**2).sum(1) / freedom
    white = (influence**2).sum((1, 2)) / 2

    growth = np.ones(n)  # of the variance
    if good.sum() >= ENOUGH_CORNERS:
        unit = np.where(good[:, None], odd, 0.0) / np.sqrt(np.maximum(variance, 1e-12))[:, None]
        # Pixels on the edges, which matter most, may be noisier than the flat ones.
        power = (influence**2).sum(2) * good[:, None]
        expected = power * (0.5 * weight - (root**2).sum(2))
        on_edges = float((power * unit**2).sum() / max(float(expected.sum()), 1e-30))
        shared, counted = np.zeros(n), good.astype(float)
        for dy in range(FARTHEST_LAG + 1):
            for dx in range(-FARTHEST_LAG, FARTHEST_LAG + 1):
                if (dy, dx) <= (0, 0):
                    continue
                a, b = _shifted(side, dx, dy)
                pairs = float(np.einsum("np,np,n->", weight[:, a], weight[:, b], counted)) / 2
                # White noise, too, leaves residuals that go together: by the fit, and
                # because a pixel and its mirror image are the same in an odd picture.
                plain = -float(np.einsum("npk,npk,n->", root[:, a], root[:, b], counted))
                plain -= 0.5 * counted.sum() if dx % 2 == 0 and dy % 2 == 0 else 0.0
                seen = float(np.einsum("np,np->", unit[:, a], unit[:, b]))
                together = (seen - plain) / max(pairs, 1.0)
                shared += 2 * together * np.einsum("npk,npk->n", influence[:, a], influence[:, b])
        growth = on_edges * (1.0 + shared / np.maximum(white, 1e-30) / 2)
    return np.asarray(np.sqrt(variance * white * np.clip(growth, *np.square(GROWTH))))


def _half_power(matrices: FloatArray) -> FloatArray:
    """Roots (N, K, K) whose products with their own transposes are ``matrices``."""
    values, vectors = np.linalg.eigh(matrices)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :])


def _shifted(side: int, dx: int, dy: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pixel numbers of all pairs (first, first moved by dx, dy) within a square window."""
    index = np.arange(side * side).reshape(side, side)
    first = index[: side - dy, max(0, -dx) : side - max(0, dx)]
    return first.ravel(), (first + dy * side + dx).ravel()
