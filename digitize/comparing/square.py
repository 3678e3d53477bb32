"""Distances square to an edge, where the closest place on the other one is a corner.

A box 2 mm too large all round is 2 mm too large at its corners as well, though they lie 2.8 mm
apart.  So where an edge runs along one of the two that meet at the closest corner, the distance
counts square to that one; where it runs along neither it counts straight to the corner.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary, Nearest

FloatArray = NDArray[np.float64]

_ALONG = 0.985  # cosine of 10 degrees: edges no farther askew run along each other
_AT_END = 1e-9  # share of a segment


def square(
    nearest: Nearest, points_mm: FloatArray, normal: FloatArray, edge: Boundary
) -> tuple[FloatArray, FloatArray]:
    """Signed distances (N,) of points (N, 2) off an edge, and the unit way (N, 2) each grows.

    ``nearest`` are the closest places to the points, ``normal`` (N, 2) the unit normals of the
    edge that the points lie on, off its own metal.
    """
    signed, away = nearest.signed_mm.copy(), nearest.away.copy()
    starts = nearest.share <= _AT_END
    corner = np.flatnonzero(starts | (nearest.share >= 1.0 - _AT_END))
    if not len(corner):
        return signed, away
    here = nearest.segment[corner]
    ending = np.where(starts[corner], edge.before[here], here)
    whole, none = np.ones(len(corner)), np.zeros(len(corner))
    ways = np.stack((edge.at(ending, whole)[1], edge.at(edge.after[ending], none)[1]))
    alike = np.einsum("kij,ij->ki", ways, normal[corner])
    chosen = ways[alike.argmax(axis=0), np.arange(len(corner))]
    off = np.einsum("ij,ij->i", chosen, points_mm[corner] - nearest.foot_mm[corner])
    # Whether there is metal at a point is not changed by the way it is measured.
    off = np.where(signed[corner] < 0.0, np.minimum(off, 0.0), np.maximum(off, 0.0))
    along = alike.max(axis=0) > _ALONG
    signed[corner[along]], away[corner[along]] = off[along], chosen[along]
    return signed, away
