"""How the printed sheet may bulge: a smooth height field beside the camera's unknowns.

Paper is never quite flat, and a bulge of a tenth of a millimetre, seen at a tilt, pulls
focal length and principal point farther than the corners' noise ever could.  So the
adjustment carries a low-order height field with a prior of its own: what could be either
is shared between them by what each is likely to be, and the covariance says so.  The
field has no mean and no slope over the corners, so height zero stays the plane that lies
closest to the sheet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_POWERS = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
TERMS = len(_POWERS)


def height_terms(places_mm: FloatArray) -> FloatArray:
    """Heights (N, TERMS) that each unit coefficient gives corners (N, 2).

    Each term is scaled to a root mean square of one.
    """
    middle = places_mm.mean(axis=0)
    u, v = ((places_mm - middle) / np.abs(places_mm - middle).max()).T
    plane = np.column_stack([np.ones_like(u), u, v])
    terms = np.stack([u**i * v**j for i, j in _POWERS], axis=1)
    terms -= plane @ np.linalg.lstsq(plane, terms, rcond=None)[0]
    size = np.sqrt((terms**2).mean(axis=0))
    return np.asarray(np.divide(terms, size, out=np.zeros_like(terms), where=size > 1e-6))


def out_of_flat_mm(terms: FloatArray, coefficients_mm: FloatArray, covariance: FloatArray) -> float:
    """Peak-to-valley height (mm) of the field, 0 where it could as well be flat.

    ``covariance`` (TERMS, TERMS) in mm^2.
    """
    heights = terms @ coefficients_mm
    spread = np.sqrt(np.einsum("ni,ij,nj->n", terms, covariance, terms))
    extremes = [int(heights.argmax()), int(heights.argmin())]
    if np.abs(heights[extremes]).max() < _CERTAIN * spread[extremes].max():
        return 0.0
    return float(np.ptp(heights))


_CERTAIN = 4.0  # standard deviations
