"""The directions worth trying: those in which some pair of flat faces just slides or parts.

Between two directions that no contact tells apart nothing changes (Wilson and Latombe's
cells); the cells are bounded by the planes of faces that touch.  So the normals of the
faces and the lines in which two of their planes cross are tried, and what lies halfway
between two normals, each both ways.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from digitize.assembly.body import Body

FloatArray = NDArray[np.float64]

_SAME = 1e-3  # chord between unit vectors that count as one
_MOST_NORMALS = 8  # by area: the rest are rounded bends and edges


def candidates(bodies: Sequence[Body]) -> FloatArray:
    """Unit directions (N, 3), the plainest first."""
    normals = _main_normals(bodies)
    axes = np.eye(3)[::-1]  # up first: most work is done from above
    crossings = [np.cross(a, b) for k, a in enumerate(normals) for b in normals[:k]]
    plain = _unique([*axes, *normals, *(c for c in crossings if np.linalg.norm(c) > 0.05)])
    both = np.vstack((plain, -plain))
    faces = _unique([*axes, *normals])
    faces = np.vstack((faces, -faces))
    between = [a + b for k, a in enumerate(faces) for b in faces[:k] if np.linalg.norm(a + b) > 0.2]
    return _unique([*both, *between], either_way=False)


def _main_normals(bodies: Sequence[Body]) -> list[FloatArray]:
    normals = np.vstack([b.normals for b in bodies])
    areas = np.concatenate([b.areas_mm2 for b in bodies])
    kept: list[FloatArray] = []
    totals: list[float] = []
    for normal, area in zip(normals, areas, strict=True):
        for k, known in enumerate(kept):
            if min(np.linalg.norm(normal - known), np.linalg.norm(normal + known)) < _SAME:
                totals[k] += float(area)
                break
        else:
            kept.append(normal)
            totals.append(float(area))
    order = np.argsort(totals)[::-1][:_MOST_NORMALS]
    return [kept[k] for k in order]


def _unique(vectors: Sequence[FloatArray], *, either_way: bool = True) -> FloatArray:
    kept: list[FloatArray] = []
    for vector in vectors:
        unit = vector / np.linalg.norm(vector)
        near = [np.linalg.norm(unit - k) for k in kept]
        if either_way:
            near += [np.linalg.norm(unit + k) for k in kept]
        if not near or min(near) > _SAME:
            kept.append(unit)
    return np.array(kept)


def words(direction: FloatArray) -> str:
    """A direction in words: x right, y away, z up."""
    named = (
        ("from the left", "from the right"),
        ("from the front", "from behind"),
        ("from below", "from above"),
    )
    parts = [named[k][int(direction[k] > 0)] for k in range(3) if abs(direction[k]) > 0.2]
    return " and ".join(parts)
