"""Closed edges: contours of lines and arcs, full circles and slots.

``Closed`` is the closed union of what an outline or an opening may be.  Every member
gives its area, length, a polygon within a chord error, and the contour of segments it
stands for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from digitize.pattern.segments import Arc, FloatArray, Line, Point, Segment

Evidence = Literal["measured", "restored", "bridged"]
"""How a stretch of edge is known: seen in the photo; rebuilt through damage from its sound
parts; or closed over a gap in a drawn line."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One segment of a contour, how it is known, and its standard uncertainty across it."""

    segment: Segment
    evidence: Evidence = "measured"
    u_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Contour:
    """A closed chain of edges; each starts exactly where the one before it ends."""

    edges: tuple[Edge, ...]

    def __post_init__(self) -> None:
        """Refuse an empty or open chain."""
        if not self.edges:
            raise ValueError("a contour needs at least one edge")
        for before, after in zip(self.edges, (*self.edges[1:], self.edges[0]), strict=True):
            if before.segment.end_mm != after.segment.start_mm:
                raise ValueError(
                    f"the contour is open at {before.segment.end_mm[0]:.3f}, "
                    f"{before.segment.end_mm[1]:.3f} mm"
                )

    @classmethod
    def of(cls, segments: Sequence[Segment]) -> Contour:
        """A contour of measured segments."""
        return cls(tuple(Edge(s) for s in segments))

    @property
    def length_mm(self) -> float:
        """Length all round."""
        return math.fsum(e.segment.length_mm for e in self.edges)

    @property
    def signed_area_mm2(self) -> float:
        """Area, positive when the contour runs counter-clockwise."""
        total = []
        for edge in self.edges:
            s = edge.segment
            total.append((s.start_mm[0] * s.end_mm[1] - s.end_mm[0] * s.start_mm[1]) / 2)
            if isinstance(s, Arc):
                a, r = s.included_rad, s.radius_mm
                total.append(r * r * (a - math.sin(a)) / 2)
        return math.fsum(total)

    def reversed(self) -> Contour:
        """The same contour travelled the other way."""
        return Contour(
            tuple(Edge(e.segment.reversed(), e.evidence, e.u_mm) for e in reversed(self.edges))
        )

    def points_mm(self, chord_error_mm: float) -> FloatArray:
        """Points (N, 2) round the contour, the first not repeated at the end."""
        return np.vstack([e.segment.points_mm(chord_error_mm)[:-1] for e in self.edges])

    def as_contour(self) -> Contour:
        """Itself."""
        return self


@dataclass(frozen=True, slots=True)
class Circle:
    """A full circle."""

    centre_mm: Point
    radius_mm: float
    evidence: Evidence = "measured"
    u_mm: float | None = None

    def __post_init__(self) -> None:
        """Refuse a radius that is not positive."""
        if not self.radius_mm > 0:
            raise ValueError(f"a circle needs a positive radius, not {self.radius_mm}")

    @property
    def length_mm(self) -> float:
        """Circumference."""
        return math.tau * self.radius_mm

    @property
    def signed_area_mm2(self) -> float:
        """Area; a circle counts as counter-clockwise."""
        return math.pi * self.radius_mm**2

    def as_contour(self) -> Contour:
        """Two half circles, counter-clockwise from the rightmost point."""
        (x, y), r = self.centre_mm, self.radius_mm
        right, left = (x + r, y), (x - r, y)
        return Contour(
            (
                Edge(Arc(right, left, 1.0), self.evidence, self.u_mm),
                Edge(Arc(left, right, 1.0), self.evidence, self.u_mm),
            )
        )

    def points_mm(self, chord_error_mm: float) -> FloatArray:
        """Points (N, 2) round the circle, the first not repeated at the end."""
        return self.as_contour().points_mm(chord_error_mm)


@dataclass(frozen=True, slots=True)
class Slot:
    """An obround: two half circles about ``start_mm`` and ``end_mm`` and their tangents."""

    start_mm: Point
    end_mm: Point
    radius_mm: float
    evidence: Evidence = "measured"
    u_mm: float | None = None

    def __post_init__(self) -> None:
        """Refuse a radius that is not positive, and centres that coincide."""
        if not self.radius_mm > 0:
            raise ValueError(f"a slot needs a positive radius, not {self.radius_mm}")
        if self.start_mm == self.end_mm:
            raise ValueError("a slot needs two different centres; one centre makes a Circle")

    @property
    def width_mm(self) -> float:
        """Width across the slot."""
        return 2 * self.radius_mm

    @property
    def overall_mm(self) -> float:
        """Length over both round ends."""
        return math.dist(self.start_mm, self.end_mm) + 2 * self.radius_mm

    @property
    def length_mm(self) -> float:
        """Length all round."""
        return 2 * math.dist(self.start_mm, self.end_mm) + math.tau * self.radius_mm

    @property
    def signed_area_mm2(self) -> float:
        """Area; a slot counts as counter-clockwise."""
        straight = 2 * self.radius_mm * math.dist(self.start_mm, self.end_mm)
        return straight + math.pi * self.radius_mm**2

    def as_contour(self) -> Contour:
        """Two lines and two half circles, counter-clockwise."""
        (x0, y0), (x1, y1), r = self.start_mm, self.end_mm, self.radius_mm
        d = math.dist(self.start_mm, self.end_mm)
        nx, ny = (y1 - y0) / d * r, -(x1 - x0) / d * r
        a, b = (x0 + nx, y0 + ny), (x1 + nx, y1 + ny)
        c, e = (x1 - nx, y1 - ny), (x0 - nx, y0 - ny)
        segments: tuple[Segment, ...] = (Line(a, b), Arc(b, c, 1.0), Line(c, e), Arc(e, a, 1.0))
        return Contour(tuple(Edge(s, self.evidence, self.u_mm) for s in segments))

    def points_mm(self, chord_error_mm: float) -> FloatArray:
        """Points (N, 2) round the slot, the first not repeated at the end."""
        return self.as_contour().points_mm(chord_error_mm)


Closed = Contour | Circle | Slot
