"""Distances square to an edge, where the closest place on the other one is a corner.

A box 2 mm too large all round is 2 mm too large at its corners as well, though they lie 2.8 mm
apart.  So where an edge runs along one of the two that meet at the closest corner, the distance
counts square to that one; where it runs along neither it counts straight to the corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary, IntArray, Nearest

FloatArray = NDArray[np.float64]

_ALONG = 0.985  # cosine of 10 degrees: edges no farther askew run along each other
_AT_CORNER_MM = 0.05  # a closest place so near to a corner is the corner


@dataclass(frozen=True, eq=False)
class Square:
    """Distances of N points off an edge, square to it."""

    signed_mm: FloatArray  # (N,) positive off the metal
    away: FloatArray  # (N, 2) unit direction in which the distance grows
    segment: IntArray  # (N,) of the edge that each is square to


def square(nearest: Nearest, points_mm: FloatArray, normal: FloatArray, edge: Boundary) -> Square:
    """Distances of points (N, 2) off an edge, to which ``nearest`` are the closest places.

    ``normal`` (N, 2) are the unit normals of the edge that the points lie on, off its own metal.
    """
    signed, away = nearest.signed_mm.copy(), nearest.away.copy()
    segment = nearest.segment.copy()
    length = edge.length_mm[segment]
    starts = nearest.share * length <= _AT_CORNER_MM
    corner = np.flatnonzero(starts | ((1.0 - nearest.share) * length <= _AT_CORNER_MM))
    if not len(corner):
        return Square(signed, away, segment)
    ending = np.where(starts[corner], edge.before[segment[corner]], segment[corner])
    meeting = np.stack((ending, edge.after[ending]))
    whole, none = np.ones(len(corner)), np.zeros(len(corner))
    ways = np.stack((edge.at(meeting[0], whole)[1], edge.at(meeting[1], none)[1]))
    alike = np.einsum("kij,ij->ki", ways, normal[corner])
    chosen = alike.argmax(axis=0), np.arange(len(corner))
    way = ways[chosen]
    off = np.einsum("ij,ij->i", way, points_mm[corner] - edge.start_mm[meeting[1]])
    # Whether there is metal at a point is not changed by the way it is measured.
    off = np.where(signed[corner] < 0.0, np.minimum(off, 0.0), np.maximum(off, 0.0))
    along = alike[chosen] > _ALONG
    here = corner[along]
    signed[here], away[here], segment[here] = off[along], way[along], meeting[chosen][along]
    return Square(signed, away, segment)
