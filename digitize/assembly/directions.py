"""The directions worth trying: those that faces lead in, and others spread between them.

Where pieces touch, a piece can start to move within a cone that the planes of the touching
faces bound (Wilson and Latombe's cells); the edges of such cones are the lines in which two
of those planes cross.  So the normals of faces that look at each other and all their crossings
are tried, each both ways: of what touching faces alone leave open none is missed, however
narrow.  An opening that nothing touches, as between two flanges, is found by directions
spread evenly over the sphere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.assembly.body import Body
from digitize.assembly.facing import Facing

FloatArray = NDArray[np.float64]

_SAME = 1e-3  # chord between unit vectors that count as one
_MOST_NORMALS = 12  # by area: the rest are rounded bends and edges
_BROAD = 0.02  # of a body's area; a strip of a bend has less
_HALVINGS = 3  # of an icosahedron's edges: 642 corners

SPREAD_DEG = 5.5
"""No direction lies farther than this from one of those spread evenly."""


@dataclass(frozen=True, eq=False)
class Directions:
    """Unit directions (N, 3); the first ``led`` of them are those that faces lead in."""

    unit: FloatArray
    led: int


def directions(bodies: Sequence[Body], facings: Iterable[Facing]) -> Directions:
    """Those that the faces of some pieces lead in, the plainest first, then the spread ones."""
    axes = np.eye(3)[::-1]  # up first: most work is done from above
    guides = [n for n, _ in _by_area([(f.normal, f.area_mm2) for f in facings])]
    faces = [n for b in bodies for n in _broad(b)]
    normals = _unique([*guides, *faces])[:_MOST_NORMALS]
    crossings = [np.cross(a, b) for k, a in enumerate(normals) for b in normals[:k]]
    lines = _unique([*axes, *normals, *(c for c in crossings if np.linalg.norm(c) > 0.02)])
    led = np.vstack((lines, -lines))
    return Directions(np.vstack((led, spread())), len(led))


def _broad(body: Body) -> list[FloatArray]:
    """The normals of a body's flat faces; the strips that a bend is drawn with are left out."""
    areas = body.areas_mm2
    faces = _by_area(zip(body.normals, areas.tolist(), strict=True))
    return [n for n, area in faces if area > _BROAD * float(areas.sum())]


def _by_area(faces: Iterable[tuple[FloatArray, float]]) -> list[tuple[FloatArray, float]]:
    """Normals, either way round the same, and the area of each; the largest first."""
    kept: list[FloatArray] = []
    totals: list[float] = []
    for normal, area in faces:
        for k, known in enumerate(kept):
            if min(np.linalg.norm(normal - known), np.linalg.norm(normal + known)) < _SAME:
                totals[k] += area
                break
        else:
            kept.append(normal)
            totals.append(area)
    return [(kept[k], totals[k]) for k in np.argsort(totals)[::-1]]


def _unique(vectors: Iterable[FloatArray]) -> FloatArray:
    """Unit vectors, those that are the same either way round once."""
    kept: list[FloatArray] = []
    for vector in vectors:
        unit = vector / np.linalg.norm(vector)
        if all(min(np.linalg.norm(unit - k), np.linalg.norm(unit + k)) > _SAME for k in kept):
            kept.append(unit)
    return np.array(kept)


def spread() -> FloatArray:
    """Unit vectors (642, 3): an icosahedron whose faces are split in four again and again."""
    golden = (1.0 + math.sqrt(5.0)) / 2.0
    corners = [
        np.roll((0.0, a, b * golden), k) for k in range(3) for a in (-1.0, 1.0) for b in (-1.0, 1.0)
    ]
    points = np.array(corners) / math.hypot(1.0, golden)
    for _ in range(_HALVINGS):
        apart = np.linalg.norm(points[:, None] - points, axis=2)
        side = 1.2 * np.min(apart + 9.0 * np.eye(len(points)), axis=1).max()
        ends = np.argwhere(np.triu(apart < side, 1))
        middle = points[ends[:, 0]] + points[ends[:, 1]]
        points = np.vstack((points, middle / np.linalg.norm(middle, axis=1)[:, None]))
    return points


def words(direction: FloatArray) -> str:
    """A direction in words: x right, y away, z up; a slanted one with its angles."""
    x, y, z = (float(v) for v in direction)
    rise = math.degrees(math.asin(max(-1.0, min(1.0, z))))
    if abs(rise) > 89.0:
        return "from above" if rise > 0.0 else "from below"
    sides = ("the right" if x > 0.0 else "the left", "behind" if y > 0.0 else "the front")
    main, other = sides if abs(x) >= abs(y) else sides[::-1]
    off = math.degrees(math.atan2(min(abs(x), abs(y)), max(abs(x), abs(y))))
    said = [f"from {main}"]
    if off >= 1.0:
        said.append(f"{off:.0f}° round to {other}")
    if abs(rise) >= 1.0:
        said.append(f"{abs(rise):.0f}° {'above' if rise > 0.0 else 'below'} level")
    return ", ".join(said)
