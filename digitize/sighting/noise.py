"""How far noise, as the residuals show it, moves a fitted X-corner.

What a symmetric fault leaves in the residual (sharpening, ink spread, a tone curve) is
even about the corner and does not move it, so noise is read from the odd part alone.
Demosaicking, denoising and JPEG make neighbouring pixels err together, and noise may be
stronger on edges than beside them.  Both are learned from all corners of the photo at
once, with what the fit has taken out of the residuals put back, and the least-squares
covariance is carried through with them instead of as if pixels were independent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from digitize.sighting.corners import FloatArray

FARTHEST_LAG = 3  # pixels over which errors are taken to go together
ENOUGH_CORNERS = 12  # fewer cannot show how errors go together
EXAMPLES = 4  # corners whose fits stand for what all fits take out
GROWTH = (0.7, 9.0)  # of the variance: beyond, the estimate is not noise

_LAGS = [(0, 0)] + [
    (dx, dy)
    for dy in range(FARTHEST_LAG + 1)
    for dx in range(-FARTHEST_LAG, FARTHEST_LAG + 1)
    if (dy, dx) > (0, 0)
]


def corner_sigma(
    residual: FloatArray, jacobian: FloatArray, weight: FloatArray, good: NDArray[np.bool_]
) -> FloatArray:
    """Standard deviation (N,), per axis, of the first two unknowns of each fit.

    ``residual`` (N, P) over square windows, ``jacobian`` (N, P, K) with the centre's x and y
    first, ``weight`` (N, P) of ones and zeros; ``good`` (N,) are the fits to learn from.
    """
    fits = _linear(residual, jacobian, weight)
    white = (fits.influence**2).sum((1, 2)) / 2
    growth = np.ones(len(residual))
    if good.sum() >= ENOUGH_CORNERS:
        noise = _covariance(fits, good)
        spread = _autocorrelation(np.moveaxis(fits.influence, 2, 1)).sum(1) / 2
        spread[:, 1:] *= 2  # a lag stands for its opposite as well
        growth = np.clip(spread @ noise / np.maximum(white, 1e-30), *GROWTH)
    return np.asarray(np.sqrt(fits.variance * white * growth))


@dataclass(frozen=True, eq=False)
class _Linear:
    """The fits as linear maps from noise to residual and to the centre."""

    odd: FloatArray  # (N, P) odd part of the residual
    root: FloatArray  # (N, P, K): times its transpose, what the fit takes out of odd noise
    influence: FloatArray  # (N, P, 2) of each pixel on the centre
    weight: FloatArray  # (N, P)
    variance: FloatArray  # (N,) of white noise that would leave such an odd part


def _linear(residual: FloatArray, jacobian: FloatArray, weight: FloatArray) -> _Linear:
    weighted = jacobian * weight[:, :, None]
    hessian = np.matmul(np.swapaxes(weighted, 1, 2), weighted)
    scale = np.sqrt(np.einsum("nkk->nk", hessian)) + 1e-12
    outer = scale[:, :, None] * scale[:, None, :]
    inverse = np.linalg.inv(hessian / outer + 1e-10 * np.eye(jacobian.shape[2])) / outer
    values, vectors = np.linalg.eigh(inverse)
    half = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    root = np.matmul(weighted, half)
    root = (root - root[:, ::-1]) / 2
    odd = (residual - residual[:, ::-1]) / 2
    freedom = np.maximum((weight.sum(1) - 1) / 2 - (root**2).sum((1, 2)), 1.0)
    variance = (odd**2).sum(1) / freedom
    return _Linear(odd, root, np.matmul(weighted, inverse[:, :, :2]), weight, variance)


def _covariance(fits: _Linear, good: NDArray[np.bool_]) -> FloatArray:
    """Covariance (lags,) of the noise that moves centres, over each fit's own variance."""
    unit = fits.odd[good] / np.sqrt(np.maximum(fits.variance[good], 1e-12))[:, None]
    seen = _autocorrelation(unit).mean(0)
    examples = np.flatnonzero(good)
    examples = examples[np.linspace(0, len(examples) - 1, EXAMPLES).astype(int)]
    mixing, on_diagonal, plain = np.zeros((len(_LAGS), len(_LAGS))), np.zeros(len(_LAGS)), 0.0
    side = round(np.sqrt(unit.shape[1]))
    for k in examples:
        inside = fits.weight[k]
        kept = (np.diag(inside) - np.diag(inside)[::-1]) / 2 - fits.root[k] @ fits.root[k].T
        shifted = np.stack([_shifted(kept, side, dx, dy) for dx, dy in _LAGS])
        flat = shifted.reshape(len(_LAGS), -1)
        turned = np.swapaxes(shifted, 1, 2).reshape(len(_LAGS), -1)
        mixing += turned @ flat.T / EXAMPLES
        power = (fits.influence[k] ** 2).sum(1)
        on_diagonal += np.einsum("lpq,pq,p->l", shifted, kept, power)
        plain += float(power @ np.diag(kept))
    seen[1:] *= 2
    # Windows of five pixels do not show the farthest lags: what is not shown counts as none.
    noise = np.linalg.lstsq(mixing, seen, rcond=1e-6)[0]

    # Pixels on the edges, which matter most, may be noisier than the flat ones.
    power = (fits.influence[good] ** 2).sum(2)
    expected = (power * (0.5 * fits.weight[good] - (fits.root[good] ** 2).sum(2))).sum()
    on_edges = float((power * unit**2).sum() / max(float(expected), 1e-30))
    if plain > 0:
        on_edges /= max(float(on_diagonal @ noise) / plain, 1e-3)
    return np.asarray(noise * on_edges)


def _autocorrelation(pictures: FloatArray) -> FloatArray:
    """Sums (..., lags) of products of square pictures (..., P) with themselves shifted."""
    side = round(np.sqrt(pictures.shape[-1]))
    square = pictures.reshape(*pictures.shape[:-1], side, side)
    size = fft.next_fast_len(side + FARTHEST_LAG, real=True)
    spectrum = fft.rfft2(square, (size, size))
    whole = fft.irfft2((spectrum * np.conj(spectrum)).real, (size, size))
    return np.stack([whole[..., dy, dx % size] for dx, dy in _LAGS], axis=-1)


def _shifted(matrix: FloatArray, side: int, dx: int, dy: int) -> FloatArray:
    """Rows of ``matrix`` (P, P) moved by a lag, and by its opposite, added up."""
    if (dx, dy) == (0, 0):
        return matrix
    rows = matrix.reshape(side, side, -1)
    moved = np.zeros_like(rows)
    here = np.s_[: side - dy, max(0, -dx) : side - max(0, dx)]
    there = np.s_[dy:, max(0, dx) : side + min(0, dx)]
    moved[here] += rows[there]
    moved[there] += rows[here]
    return moved.reshape(matrix.shape)
