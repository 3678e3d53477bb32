"""Flat faces of two pieces that look at each other: where one stops the other, or guides it.

Faces that touch decide which way a piece can start to move at all, and faces that nearly
touch along which lines it can slide.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.assembly.body import Body
from digitize.assembly.sweep import CLEARANCE_MM, across

FloatArray = NDArray[np.float64]

_SAME = 1e-3  # chord between unit normals that count as one
_SAME_PLANE_MM = 0.01
_NEAR_MM = 5.0  # farther apart, faces guide nothing; our choice
_NARROWEST_MM = 0.5  # of what two faces have in common; less than the edge of any sheet


@dataclass(frozen=True, eq=False)
class Flat:
    """The facets of a body in one plane: ``normal . p = offset_mm``, outside ahead."""

    normal: FloatArray  # (3,)
    offset_mm: float
    corners_mm: FloatArray  # (M, 3, 3)


@dataclass(frozen=True, eq=False)
class Facing:
    """Two flat faces opposite each other; ``normal`` (3,) points from the one to the other."""

    normal: FloatArray
    gap_mm: float
    area_mm2: float  # in common

    @property
    def touches(self) -> bool:
        """Whether the one cannot move along the normal at all."""
        return self.gap_mm <= CLEARANCE_MM


def flats_of(body: Body) -> list[Flat]:
    """The facets of a body by plane."""
    corners = body.vertices_mm[body.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normals, axis=1)
    real = length > 1e-9
    corners, normals = corners[real], normals[real] / length[real, None]
    offsets = np.einsum("ij,ij->i", normals, corners[:, 0])
    flats: list[Flat] = []
    left = np.ones(len(corners), bool)
    while left.any():
        k = int(np.argmax(left))
        alike = np.linalg.norm(normals - normals[k], axis=1) < _SAME
        same = left & alike & (np.abs(offsets - offsets[k]) < _SAME_PLANE_MM)
        left &= ~same
        flats.append(Flat(normals[k], float(offsets[k]), corners[same]))
    return flats


def between(own: Sequence[Flat], others: Sequence[Flat]) -> Iterator[Facing]:
    """Every two flat faces of one piece and another that look at each other close by."""
    normals = np.array([f.normal for f in own]), np.array([f.normal for f in others])
    offsets = np.array([f.offset_mm for f in own]), np.array([f.offset_mm for f in others])
    opposite = np.linalg.norm(normals[0][:, None] + normals[1], axis=2) < _SAME
    gaps = -offsets[1] - offsets[0][:, None]
    near = (gaps >= -CLEARANCE_MM) & (gaps <= _NEAR_MM)
    for i, j in np.argwhere(opposite & near):
        plane = across(own[i].normal)
        first, second = (
            shapely.union_all(shapely.polygons(f.corners_mm @ plane.T)) for f in (own[i], others[j])
        )
        common = shapely.intersection(first, second)
        if not shapely.buffer(common, -_NARROWEST_MM / 2).is_empty:
            yield Facing(own[i].normal, float(gaps[i, j]), float(common.area))
