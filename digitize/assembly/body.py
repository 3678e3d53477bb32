"""A piece at its place in the job, as a closed mesh."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Body:
    """A closed mesh, counter-clockwise seen from outside; ``fixed`` ones are there already."""

    name: str
    vertices_mm: FloatArray  # (N, 3)
    triangles: IntArray  # (M, 3)
    fixed: bool = False

    def moved(self, turn_deg: Sequence[float], at_mm: Sequence[float]) -> Body:
        """Turned about x, then y, then z through its own origin, then moved."""
        return self.carried(turned(turn_deg), np.asarray(at_mm, float))

    def carried(self, turn: FloatArray, at_mm: FloatArray) -> Body:
        """Turned by a rotation (3, 3), then moved."""
        vertices = self.vertices_mm @ turn.T + at_mm
        return Body(self.name, vertices, self.triangles, self.fixed)

    @property
    def normals(self) -> FloatArray:
        """Unit normals (M, 3) of its triangles; those without area are left out."""
        a, b, c = (self.vertices_mm[self.triangles[:, k]] for k in range(3))
        normal = np.cross(b - a, c - a)
        length = np.linalg.norm(normal, axis=1)
        kept = length > 1e-9
        return np.asarray(normal[kept] / length[kept, None])

    @property
    def areas_mm2(self) -> FloatArray:
        """Areas of the same triangles."""
        a, b, c = (self.vertices_mm[self.triangles[:, k]] for k in range(3))
        length = np.linalg.norm(np.cross(b - a, c - a), axis=1)
        return np.asarray(length[length > 1e-9] / 2)


def turned(turn_deg: Sequence[float]) -> FloatArray:
    """The rotation (3, 3) about x, then y, then z."""
    matrix = np.eye(3)
    for axis, angle in enumerate(turn_deg):
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        i, j = (axis + 1) % 3, (axis + 2) % 3
        about = np.eye(3)
        about[i, i], about[i, j], about[j, i], about[j, j] = c, -s, s, c
        matrix = about @ matrix
    return matrix


def box(name: str, low_mm: Sequence[float], high_mm: Sequence[float]) -> Body:
    """An upright block between two corners."""
    low, high = np.asarray(low_mm, float), np.asarray(high_mm, float)
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [(a, b, c) for a, b, c, _ in quads] + [(a, c, d) for a, _, c, d in quads]
    return Body(name, low + corners * (high - low), np.array(triangles, dtype=np.int64))


def joined(name: str, parts: Sequence[Body], *, fixed: bool = False) -> Body:
    """Several meshes as one piece."""
    offset, vertices, triangles = 0, [], []
    for part in parts:
        vertices.append(part.vertices_mm)
        triangles.append(part.triangles + offset)
        offset += len(part.vertices_mm)
    return Body(name, np.vstack(vertices), np.vstack(triangles), fixed)
