"""Straight and circular pieces of an edge, with the algebra that every step shares.

A segment is a closed union, ``Line | Arc``; match it with ``assert_never`` so that the
type checker names whoever forgot a case.  Arcs are held as end points and bulge, so that
neighbouring segments share their end points exactly and a closed contour is closed to
the last bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight segment from ``start_mm`` to ``end_mm``."""

    start_mm: Point
    end_mm: Point

    @property
    def length_mm(self) -> float:
        """Length of the segment."""
        return math.dist(self.start_mm, self.end_mm)

    @property
    def start_direction_rad(self) -> float:
        """Direction of travel at the start, counter-clockwise from +x."""
        return math.atan2(self.end_mm[1] - self.start_mm[1], self.end_mm[0] - self.start_mm[0])

    @property
    def end_direction_rad(self) -> float:
        """Direction of travel at the end, counter-clockwise from +x."""
        return self.start_direction_rad

    def reversed(self) -> Line:
        """The same segment travelled the other way."""
        return Line(self.end_mm, self.start_mm)

    def points_mm(self, chord_error_mm: float) -> FloatArray:
        """Points (2, 2) along the segment, both ends included."""
        return np.array([self.start_mm, self.end_mm], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Arc:
    """A circular segment from ``start_mm`` to ``end_mm``.

    ``bulge`` is tan(included angle / 4), positive counter-clockwise (the DXF convention);
    never zero, and finite, so a full circle is not an arc.
    """

    start_mm: Point
    end_mm: Point
    bulge: float

    def __post_init__(self) -> None:
        """Refuse what is a line or a full circle."""
        if not math.isfinite(self.bulge) or self.bulge == 0.0:
            raise ValueError(f"an arc needs a finite bulge other than zero, not {self.bulge}")
        if self.start_mm == self.end_mm:
            raise ValueError("an arc needs two different end points; a full circle is a Circle")

    @property
    def included_rad(self) -> float:
        """Signed angle turned through, positive counter-clockwise."""
        return 4.0 * math.atan(self.bulge)

    @property
    def radius_mm(self) -> float:
        """Radius, always positive."""
        chord = math.dist(self.start_mm, self.end_mm)
        return chord * (1.0 + self.bulge**2) / (4.0 * abs(self.bulge))

    @property
    def centre_mm(self) -> Point:
        """Centre of the circle the arc lies on."""
        (x0, y0), (x1, y1) = self.start_mm, self.end_mm
        # The centre lies on the chord's bisector at (1 - b^2) / (4 b) chord lengths to the left.
        k = (1.0 - self.bulge**2) / (4.0 * self.bulge)
        return ((x0 + x1) / 2 - k * (y1 - y0), (y0 + y1) / 2 + k * (x1 - x0))

    @property
    def length_mm(self) -> float:
        """Length along the arc."""
        return self.radius_mm * abs(self.included_rad)

    @property
    def start_direction_rad(self) -> float:
        """Direction of travel at the start, counter-clockwise from +x."""
        return Line(self.start_mm, self.end_mm).start_direction_rad - self.included_rad / 2

    @property
    def end_direction_rad(self) -> float:
        """Direction of travel at the end, counter-clockwise from +x."""
        return Line(self.start_mm, self.end_mm).start_direction_rad + self.included_rad / 2

    def reversed(self) -> Arc:
        """The same segment travelled the other way."""
        return Arc(self.end_mm, self.start_mm, -self.bulge)

    def points_mm(self, chord_error_mm: float) -> FloatArray:
        """Points (N, 2) along the arc, both ends included, chords within ``chord_error_mm``."""
        r, sweep = self.radius_mm, self.included_rad
        step = 2.0 * math.acos(max(1.0 - chord_error_mm / r, 0.0)) if chord_error_mm < r else 1.0
        n = max(2, math.ceil(abs(sweep) / max(step, 1e-4)) + 1)
        cx, cy = self.centre_mm
        a0 = math.atan2(self.start_mm[1] - cy, self.start_mm[0] - cx)
        a = a0 + sweep * np.linspace(0.0, 1.0, n)
        points = np.column_stack((cx + r * np.cos(a), cy + r * np.sin(a)))
        points[0], points[-1] = self.start_mm, self.end_mm
        return points


Segment = Line | Arc
