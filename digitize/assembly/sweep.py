"""Whether a piece moved straight out along a direction runs into another.

Looked at along the direction, the moving piece meets the other wherever both are seen and
the other lies farther that way.  Heights over a triangle are linear, so over each overlap
of two triangles the largest difference lies at one of its corners: the answer is exact for
flat facets, down to a clearance that allows for sheets that touch or are drawn a hair into
each other.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.assembly.body import Body

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_AT_FIRST, _AT_ONCE = 8, 64  # pairs of facets

CLEARANCE_MM = 0.1
"""Nearer than this counts as touching, and thinner overlaps as none: sheets that lie against
each other are drawn that exactly; common practice, no source."""


class Shadow:
    """A piece seen along one direction: its facets in the plane square to it, with heights."""

    def __init__(self, body: Body, direction: FloatArray) -> None:
        """Look at a piece along a unit direction."""
        plane = across(direction)
        corners = body.vertices_mm[body.triangles]
        flat = corners @ plane.T
        u, v = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
        turned = (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2
        longest = np.maximum(np.hypot(*u.T), np.hypot(*v.T))
        seen = np.abs(turned) > 0.5 * CLEARANCE_MM * np.maximum(longest, 1e-12) * 0.1
        self.flat = flat[seen]
        self.area = np.abs(turned[seen])
        self.ahead = turned[seen] > 0.0  # facets on the far side; the others are on the near one
        self.height = (corners @ direction)[seen]
        self.shapes = shapely.polygons(self.flat)
        self.tree = shapely.STRtree(self.shapes)
        self.plane = _planes(self.flat, self.height)


def blocks(mover: Shadow, other: Shadow, clearance_mm: float = CLEARANCE_MM) -> bool:
    """Whether the other piece stands in the mover's way.

    A closed piece is nearest on its near side and farthest on its far side, so only the
    mover's near facets and the other's far ones can tell.
    """
    far = np.flatnonzero(other.ahead)
    if not len(far) or mover.ahead.all():
        return False
    j, i = mover.tree.query(other.shapes[far])
    j = far[j]
    may = ~mover.ahead[i] & (
        other.height[j].max(axis=1) > mover.height[i].min(axis=1) + clearance_mm
    )
    i, j = i[may], j[may]
    overlap = _overlap(mover.flat[i], other.flat[j])
    i, j = i[overlap], j[overlap]
    # The largest facets first: where something is in the way they nearly always show it.
    order = np.argsort(-np.minimum(mover.area[i], other.area[j]))
    i, j = i[order], j[order]
    starts = (0, *range(_AT_FIRST, len(i), _AT_ONCE))
    return any(
        _meet(mover, other, i[k:end], j[k:end], clearance_mm)
        for k, end in pairwise((*starts, len(i)))
    )


def _overlap(own: FloatArray, others: FloatArray) -> BoolArray:
    """Whether triangles (N, 3, 2) have something in common with others, pair by pair.

    Two triangles are apart where one of their six sides has the other wholly beyond it.
    """
    apart = np.zeros(len(own), bool)
    for a, b in ((own, others), (others, own)):
        for k in range(3):
            start, side = a[:, k], a[:, (k + 1) % 3] - a[:, k]
            square = np.column_stack((-side[:, 1], side[:, 0]))
            beyond = np.einsum("nij,nj->ni", b - start[:, None], square)
            inside = np.einsum("nj,nj->n", a[:, (k + 2) % 3] - start, square)
            apart |= (beyond * np.sign(inside)[:, None]).max(axis=1) <= 0.0
    return ~apart


def _meet(mover: Shadow, other: Shadow, i: IntArray, j: IntArray, clearance_mm: float) -> bool:
    """Whether any of these pairs of facets meet."""
    common = shapely.intersection(mover.shapes[i], other.shapes[j])
    length = shapely.length(common)
    thick = 2.0 * shapely.area(common) > clearance_mm * np.maximum(length / 2.0, 1e-12)
    i, j, common = i[thick], j[thick], common[thick]
    if not len(i):
        return False
    points, owner = shapely.get_coordinates(common, return_index=True)
    one = np.column_stack((points, np.ones(len(points))))
    gap = np.einsum("ij,ij->i", one, other.plane[j[owner]] - mover.plane[i[owner]])
    return bool((gap > clearance_mm).any())


def _planes(flat: FloatArray, height: FloatArray) -> FloatArray:
    """Height over each facet as a x + b y + c, rows (a, b, c)."""
    if not len(flat):
        return np.zeros((0, 3))
    square = np.concatenate((flat, np.ones((*flat.shape[:2], 1))), axis=2)
    return np.asarray(np.linalg.solve(square, height[..., None])[..., 0])


def across(direction: FloatArray) -> FloatArray:
    """Two unit vectors (2, 3) square to a direction."""
    least = np.eye(3)[int(np.argmin(np.abs(direction)))]
    first = np.cross(direction, least)
    first /= np.linalg.norm(first)
    return np.vstack((first, np.cross(direction, first)))
