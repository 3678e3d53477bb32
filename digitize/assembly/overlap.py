"""Pieces that lie in each other where they are placed: no order can help those.

A line of sight along each axis is a row of stretches inside the one piece and inside the
other.  Lines are taken through every place where a facet of the one is seen over a facet of
the other, and where both are inside for longer than a touch, the pieces share metal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.assembly.body import Body
from digitize.assembly.sweep import CLEARANCE_MM, Shadow, across

FloatArray = NDArray[np.float64]

_MOST_SPOTS = 300
_LEAST_MM2 = 0.01  # of what two facets have in common, seen along the line


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two pieces that share metal: about how deep, and where."""

    one: str
    other: str
    depth_mm: float
    at_mm: tuple[float, float, float]


def overlaps(bodies: Sequence[Body]) -> tuple[Overlap, ...]:
    """Every two pieces, not both fixed, that lie in each other by more than a touch."""
    found = (_overlap(a, b) for a, b in combinations(bodies, 2) if not (a.fixed and b.fixed))
    return tuple(o for o in found if o is not None)


def _overlap(one: Body, other: Body) -> Overlap | None:
    """Where the two lie deepest in each other, and how deep in the shallowest way out."""
    views = [_View(one, other, axis) for axis in np.eye(3)]
    spots = [spot for view in views for spot in view.spots()]
    spots = spots[:: max(1, len(spots) // _MOST_SPOTS)]
    depths = [min(view.depth_mm(spot) for view in views) for spot in spots]
    if not depths or max(depths) <= CLEARANCE_MM:
        return None
    deepest = int(np.argmax(depths))
    x, y, z = (float(v) for v in spots[deepest])
    return Overlap(one.name, other.name, depths[deepest], (x, y, z))


class _View:
    """Two pieces seen along an axis."""

    def __init__(self, one: Body, other: Body, axis: FloatArray) -> None:
        self.axis, self.plane = axis, across(axis)
        self.shadows = Shadow(one, axis), Shadow(other, axis)

    def spots(self) -> list[FloatArray]:
        """The middle of every stretch that is inside both."""
        own, others = self.shadows
        if not len(own.shapes) or not len(others.shapes):
            return []
        i, j = own.tree.query(others.shapes)[::-1]
        common = shapely.intersection(own.shapes[i], others.shapes[j])
        common = common[shapely.area(common) > _LEAST_MM2]
        flat = shapely.get_coordinates(shapely.point_on_surface(common))
        return [
            (x, y) @ self.plane + (low + high) / 2 * self.axis
            for x, y in flat
            for low, high in self._shared(x, y)
        ]

    def depth_mm(self, spot: FloatArray) -> float:
        """How long the stretch inside both is that a spot lies in."""
        height = float(self.axis @ spot)
        x, y = self.plane @ spot
        return max((b - a for a, b in self._shared(x, y) if a <= height <= b), default=0.0)

    def _shared(self, x: float, y: float) -> list[tuple[float, float]]:
        own, others = (_inside(s, x, y) for s in self.shadows)
        both = [(max(a, c), min(b, d)) for a, b in own for c, d in others]
        return [(float(a), float(b)) for a, b in both if b - a > CLEARANCE_MM]


def _inside(shadow: Shadow, x: float, y: float) -> FloatArray:
    """Stretches (N, 2) of a line of sight inside a closed piece."""
    hit = shadow.tree.query(shapely.Point(x, y), predicate="intersects")
    heights = np.sort(shadow.plane[hit] @ (x, y, 1.0))
    if len(heights) % 2:  # along an edge: nothing certain is seen there
        return np.zeros((0, 2))
    return np.asarray(heights.reshape(-1, 2))
