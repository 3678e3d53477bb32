"""Lines and arcs cut by straight lines: where they meet, and the piece between two places.

A place on a segment is a fraction of its length, 0 at its start and 1 at its end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import assert_never

from digitize.pattern.segments import Arc, Line, Point, Segment

SAME_MM = 1e-7
TOUCH_MM = 1e-6  # a line this near to tangent meets an arc in one point


@dataclass(frozen=True, slots=True)
class Axis:
    """An endless straight line through a point, with a unit direction."""

    through_mm: Point
    along: Point

    @classmethod
    def between(cls, start_mm: Point, end_mm: Point) -> Axis:
        """The line from one point to another."""
        d = math.dist(start_mm, end_mm)
        return cls(start_mm, ((end_mm[0] - start_mm[0]) / d, (end_mm[1] - start_mm[1]) / d))

    @property
    def normal(self) -> Point:
        """Unit direction to the left of travel."""
        return -self.along[1], self.along[0]

    def moved(self, left_mm: float) -> Axis:
        """The parallel line so far to the left."""
        (x, y), (nx, ny) = self.through_mm, self.normal
        return Axis((x + left_mm * nx, y + left_mm * ny), self.along)

    def station(self, p: Point) -> tuple[float, float]:
        """How far a point lies along the line and to the left of it."""
        dx, dy = p[0] - self.through_mm[0], p[1] - self.through_mm[1]
        ux, uy = self.along
        return dx * ux + dy * uy, dy * ux - dx * uy

    def sine(self, other: Axis) -> float:
        """Sine of the turn from this direction to another line's."""
        (ux, uy), (vx, vy) = self.along, other.along
        return ux * vy - uy * vx

    def crossing(self, other: Axis) -> Point:
        """Where it crosses a line that is not parallel to it."""
        return self.point(other.station(self.through_mm)[1] / self.sine(other))

    def point(self, along_mm: float, left_mm: float = 0.0) -> Point:
        """The point so far along the line and to the left of it."""
        (x, y), (ux, uy) = self.through_mm, self.along
        return x + along_mm * ux - left_mm * uy, y + along_mm * uy + left_mm * ux


def at(segment: Segment, t: float) -> Point:
    """The point at a place on a segment."""
    if t <= 0.0:
        return segment.start_mm
    if t >= 1.0:
        return segment.end_mm
    (x0, y0), (x1, y1) = segment.start_mm, segment.end_mm
    match segment:
        case Line():
            return x0 + t * (x1 - x0), y0 + t * (y1 - y0)
        case Arc():
            (cx, cy), turn = segment.centre_mm, t * segment.included_rad
            c, s = math.cos(turn), math.sin(turn)
            dx, dy = x0 - cx, y0 - cy
            return cx + c * dx - s * dy, cy + s * dx + c * dy
        case _:
            assert_never(segment)


def piece(segment: Segment, t0: float, t1: float) -> Segment:
    """The part of a segment between two places, in its own direction."""
    if t0 <= 0.0 and t1 >= 1.0:
        return segment
    start, end = at(segment, t0), at(segment, t1)
    match segment:
        case Line():
            return Line(start, end)
        case Arc():
            return Arc(start, end, math.tan((t1 - t0) * segment.included_rad / 4))
        case _:
            assert_never(segment)


def meetings(segment: Segment, axis: Axis) -> list[float]:
    """Places where a segment meets an endless line, in order; none if it runs along it."""
    match segment:
        case Line():
            d0, d1 = axis.station(segment.start_mm)[1], axis.station(segment.end_mm)[1]
            if abs(d0) <= SAME_MM and abs(d1) <= SAME_MM:
                return []
            if abs(d0) <= SAME_MM:
                return [0.0]
            if abs(d1) <= SAME_MM:
                return [1.0]
            return [d0 / (d0 - d1)] if (d0 > 0) != (d1 > 0) else []
        case Arc():
            along, left = axis.station(segment.centre_mm)
            r = segment.radius_mm
            if abs(left) > r + TOUCH_MM:
                return []
            touches = abs(r - abs(left)) < TOUCH_MM
            half = 0.0 if touches else math.sqrt(max(r * r - left * left, 0.0))
            offsets = (0.0,) if touches else (-half, half)
            found = [place_of(segment, axis.point(along + d)) for d in offsets]
            return sorted(t for t in found if t is not None)
        case _:
            assert_never(segment)


def place_of(segment: Segment, p: Point) -> float | None:
    """Where a point that lies on the segment's line or circle is on the segment, if it is."""
    if math.dist(p, segment.start_mm) <= SAME_MM:
        return 0.0
    if math.dist(p, segment.end_mm) <= SAME_MM:
        return 1.0
    match segment:
        case Line():
            t = Axis.between(segment.start_mm, segment.end_mm).station(p)[0] / segment.length_mm
        case Arc():
            cx, cy = segment.centre_mm
            turn = math.atan2(p[1] - cy, p[0] - cx) - math.atan2(
                segment.start_mm[1] - cy, segment.start_mm[0] - cx
            )
            t = (math.copysign(1.0, segment.bulge) * turn) % math.tau / abs(segment.included_rad)
        case _:
            assert_never(segment)
    return t if 0.0 < t < 1.0 else None


def nearest(segment: Segment, p: Point) -> tuple[float, float]:
    """The place on a segment nearest to a point, and the distance."""
    candidates = [(math.dist(p, segment.start_mm), 0.0), (math.dist(p, segment.end_mm), 1.0)]
    foot: Point | None = None
    match segment:
        case Line() if segment.length_mm < SAME_MM:
            pass
        case Line():
            axis = Axis.between(segment.start_mm, segment.end_mm)
            foot = axis.point(axis.station(p)[0])
        case Arc():
            (cx, cy), d = segment.centre_mm, math.dist(p, segment.centre_mm)
            k = segment.radius_mm / d if d > 0 else 0.0
            foot = (cx + k * (p[0] - cx), cy + k * (p[1] - cy)) if d > 0 else None
        case _:
            assert_never(segment)
    place = place_of(segment, foot) if foot is not None else None
    if foot is not None and place is not None:
        candidates.append((math.dist(p, foot), place))
    distance, place = min(candidates)
    return place, distance
