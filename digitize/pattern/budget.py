"""The uncertainty budget of a pattern: every cause of error, and how it moves the edges.

A cause acts in up to three ways.  It displaces the whole pattern smoothly, as a wrong camera
or a wrong print scale does: a few displacement fields, one standard deviation each,
independent of one another, so that what two ends of a length have in common cancels by
itself.  It moves every edge outward alike, as a tone curve does: twice in a width, not at
all in the distance of two hole centres.  Or it moves each edge on its own.

A dimension is told by how it answers to such movements (``Reading``); its standard
uncertainty follows by the law of propagation (JCGM 100:2008, 5.1.2 and 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.pattern.segments import Point

FloatArray = NDArray[np.float64]

POWERS = tuple((i, d - i) for d in range(4) for i in range(d, -1, -1))
"""Powers of (u, v) that a field's coefficients belong to, in their order: degree 3, ten."""

EDGES_ALONE = "curve fit"
"""The cause that the pattern's own edges state: how well each line or circle is fitted."""


@dataclass(frozen=True, slots=True)
class Field:
    """A smooth displacement in mm: a polynomial of the budget's local coordinates for x and y."""

    x_mm: tuple[float, ...]
    y_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """What one cause does, as one standard deviation (k = 1)."""

    cause: str
    fields: tuple[Field, ...] = ()
    outward_mm: float = 0.0  # every edge away from the metal alike
    each_mm: float = 0.0  # every edge on its own, across


@dataclass(frozen=True, slots=True)
class Reading:
    """How a dimension answers: its change for each mm that something moves.

    ``pulls`` are (place, change for each mm that the place moves in x and in y); ``outward``
    is the change for each mm that all edges move outward; ``edges`` are (change for each mm
    that one edge moves, that edge's own standard uncertainty), edges taken as independent.
    """

    pulls: tuple[tuple[Point, Point], ...] = ()
    outward: float = 0.0
    edges: tuple[tuple[float, float | None], ...] = ()


@dataclass(frozen=True, slots=True)
class Budget:
    """All causes, in coordinates that move with the pattern.

    A pattern place p has local coordinates (u, v) = R(-direction) (p - origin) / size, and
    fields displace along the same turned axes.
    """

    origin_mm: Point
    direction_rad: float
    size_mm: float
    parts: tuple[Part, ...]

    def moved(self, turn_rad: float, move_mm: Point) -> Budget:
        """The budget of the pattern turned about (0, 0) and then moved."""
        c, s = math.cos(turn_rad), math.sin(turn_rad)
        x, y = self.origin_mm
        origin = (c * x - s * y + move_mm[0], s * x + c * y + move_mm[1])
        return replace(self, origin_mm=origin, direction_rad=self.direction_rad + turn_rad)

    def mirrored(self, sum_x_mm: float) -> Budget:
        """The budget of the pattern whose every x has become ``sum_x_mm`` - x."""

        def flipped(field: Field) -> Field:
            signs = [(-1.0) ** i for i, _ in POWERS]
            x = tuple(-c * sign for c, sign in zip(field.x_mm, signs, strict=True))
            y = tuple(c * sign for c, sign in zip(field.y_mm, signs, strict=True))
            return Field(x, y)

        parts = tuple(replace(p, fields=tuple(flipped(f) for f in p.fields)) for p in self.parts)
        x, y = self.origin_mm
        return Budget((sum_x_mm - x, y), -self.direction_rad, self.size_mm, parts)

    def without(self, *causes: str) -> Budget:
        """The budget if some causes did not act."""
        return replace(self, parts=tuple(p for p in self.parts if p.cause not in causes))

    def variances(self, reading: Reading) -> dict[str, float]:
        """Variance of a dimension by each cause."""
        found = {
            part.cause: sum(self._by_field(field, reading.pulls) ** 2 for field in part.fields)
            + (part.outward_mm * reading.outward) ** 2
            + sum((part.each_mm * change) ** 2 for change, _ in reading.edges)
            for part in self.parts
        }
        alone = sum((change * (u or 0.0)) ** 2 for change, u in reading.edges)
        found[EDGES_ALONE] = found.get(EDGES_ALONE, 0.0) + alone
        return found

    def u(self, reading: Reading) -> float:
        """Standard uncertainty of a dimension, in its own unit."""
        return math.sqrt(math.fsum(self.variances(reading).values()))

    def displacement_mm(self, field: Field, places_mm: FloatArray) -> FloatArray:
        """Displacements (N, 2) in pattern coordinates of places (N, 2)."""
        turn = self._turn
        local = (np.asarray(places_mm, float) - np.asarray(self.origin_mm)) @ turn / self.size_mm
        terms = powers(local)
        along = np.column_stack([terms @ np.asarray(field.x_mm), terms @ np.asarray(field.y_mm)])
        return np.asarray(along @ turn.T)

    @property
    def _turn(self) -> FloatArray:
        c, s = math.cos(self.direction_rad), math.sin(self.direction_rad)
        return np.array([[c, -s], [s, c]])

    def _by_field(self, field: Field, pulls: Iterable[tuple[Point, Point]]) -> float:
        pulls = tuple(pulls)
        if not pulls:
            return 0.0
        moved = self.displacement_mm(field, np.array([place for place, _ in pulls]))
        return float(np.sum(moved * np.array([change for _, change in pulls])))


def powers(local: FloatArray) -> FloatArray:
    """The terms (N, 10) of ``POWERS`` at local coordinates (N, 2)."""
    u, v = local.T
    return np.stack([u**i * v**j for i, j in POWERS], axis=1)


def two_numbers(edge_u_mm: float, scale_u: float) -> Budget:
    """A budget that knows only a common scale and what every edge is off by on its own."""
    across = tuple(scale_u if power == (1, 0) else 0.0 for power in POWERS)
    up = tuple(scale_u if power == (0, 1) else 0.0 for power in POWERS)
    scale = Part("scale", (Field(across, up),))
    return Budget((0.0, 0.0), 0.0, 1.0, (scale, Part("edge detection", each_mm=edge_u_mm)))
