"""How far out of flat the sheet lies, judged by the pattern the residuals leave.

A corner raised by z is seen displaced along the image of the sheet's normal.  A smooth
height field over the sheet, fitted together with everything the camera could still
change, is accepted only when it explains far more than chance would let it.  Its size is
a hint, not a measurement: what bends the picture like a tilt or a lens cannot be told
from these, and is left to them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_POWERS = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
_HEIGHT_SIGMA_MM = 3.0  # of each term at the rim: keeps unseen terms small
_LEAST_RATIO = 12.0  # Fisher's F; with 7 and 12 or more degrees of freedom chance gives 1e-4
_LEAST_FREEDOM = 12
_LEAST_GAIN = 0.10  # of the residual rms


def out_of_flat_mm(
    places_mm: FloatArray, rows: FloatArray, by_state: FloatArray, by_height: FloatArray
) -> float:
    """Peak-to-valley height (mm) of the field that explains the residuals; 0 if none does.

    ``places_mm`` (N, 2) are the corners; ``rows`` (M,), ``by_state`` (M, P) and
    ``by_height`` (2N,) are those of ``adjustment.Linearised``.
    """
    middle = places_mm.mean(axis=0)
    u, v = ((places_mm - middle) / np.abs(places_mm - middle).max()).T
    field = np.stack([u**i * v**j for i, j in _POWERS], axis=1)
    terms, states = len(_POWERS), by_state.shape[1]
    freedom = len(by_height) - states - terms
    if freedom < _LEAST_FREEDOM:
        return 0.0
    flat = _fit(rows, by_state)[1]
    by_field = np.zeros((len(rows) + terms, terms))
    by_field[: len(by_height)] = np.repeat(field, 2, axis=0) * by_height[:, None]
    by_field[len(rows) :] = np.eye(terms) / _HEIGHT_SIGMA_MM
    step, curved = _fit(
        np.append(rows, np.zeros(terms)),
        np.hstack([np.vstack([by_state, np.zeros((terms, states))]), by_field]),
    )
    ratio = (flat - curved) / terms / (curved / freedom)
    if ratio < _LEAST_RATIO or curved > flat * (1 - _LEAST_GAIN) ** 2:
        return 0.0
    heights = field @ step[states:]
    plane = np.column_stack([u, v, np.ones_like(u)])
    heights = heights - plane @ np.linalg.lstsq(plane, heights, rcond=None)[0]
    return float(np.ptp(heights))


def _fit(rows: FloatArray, by_unknown: FloatArray) -> tuple[FloatArray, float]:
    """Least-squares step and the chi square it leaves."""
    normal = by_unknown.T @ by_unknown
    scale = 1 / np.sqrt(np.diag(normal))
    scaled = normal * np.outer(scale, scale)
    step = scale * np.linalg.solve(scaled, scale * (by_unknown.T @ rows))
    left = rows - by_unknown @ step
    return step, float(left @ left)
