"""A contour with its edges moved out or in, each by its own amount.

Neighbours are carried on, or cut off, to where their moved lines and circles meet, so that
corners stay corners and arcs stay arcs.  Where two moved edges go on in the same direction
but apart, a short straight step joins them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import assert_never

from digitize.blank.cutting import Axis
from digitize.blank.faces import NotDeveloped
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.segments import Arc, Line, Point, Segment

_SAME_MM = 1e-7
_PARALLEL = 1e-6


def moved(contour: Contour, out_mm: Sequence[float]) -> Contour:
    """The contour with edge ``i`` moved ``out_mm[i]`` outward; negative is inward.

    Raises NotDeveloped where an edge vanishes or neighbours no longer meet.
    """
    to_right = 1.0 if contour.signed_area_mm2 > 0 else -1.0
    curves = [_moved(e.segment, to_right * d) for e, d in zip(contour.edges, out_mm, strict=True)]
    n = len(curves)
    # The corner at the start of every edge: one point, or two where a step is needed.
    corners = [
        _corner(curves[i - 1], curves[i], contour.edges[i].segment.start_mm) for i in range(n)
    ]
    edges: list[Edge] = []
    for i, edge in enumerate(contour.edges):
        before, start = corners[i]
        end = corners[(i + 1) % n][0]
        if math.dist(before, start) > _SAME_MM:
            edges.append(Edge(Line(before, start)))
        else:
            start = before
        edges.append(Edge(_between(curves[i], start, end), edge.evidence, edge.u_mm))
    return Contour(tuple(edges))


def widened(closed: Closed, out_mm: float) -> Closed:
    """A closed edge moved outward all round; raises NotDeveloped where nothing would be left."""
    match closed:
        case Contour():
            return moved(closed, [out_mm] * len(closed.edges))
        case Circle():
            return Circle(
                closed.centre_mm, _radius(closed.radius_mm, out_mm), closed.evidence, closed.u_mm
            )
        case Slot():
            return Slot(
                closed.start_mm,
                closed.end_mm,
                _radius(closed.radius_mm, out_mm),
                closed.evidence,
                closed.u_mm,
            )
        case _:
            assert_never(closed)


def _radius(radius_mm: float, out_mm: float) -> float:
    if radius_mm + out_mm <= 1e-3:
        raise NotDeveloped(
            f"a radius of {radius_mm:.2f} mm is too small to be moved by {abs(out_mm):.2f} mm"
        )
    return radius_mm + out_mm


def _moved(segment: Segment, right_mm: float) -> Segment:
    """A segment moved to the right of its travel, its ends not yet where they meet."""
    match segment:
        case Line():
            axis = Axis.between(segment.start_mm, segment.end_mm).moved(-right_mm)
            return Line(axis.point(0.0), axis.point(segment.length_mm))
        case Arc():
            sign = 1.0 if segment.bulge > 0 else -1.0
            k = _radius(segment.radius_mm, sign * right_mm) / segment.radius_mm
            (cx, cy), (x0, y0), (x1, y1) = segment.centre_mm, segment.start_mm, segment.end_mm
            start = (cx + k * (x0 - cx), cy + k * (y0 - cy))
            return Arc(start, (cx + k * (x1 - cx), cy + k * (y1 - cy)), segment.bulge)
        case _:
            assert_never(segment)


def _corner(a: Segment, b: Segment, was: Point) -> tuple[Point, Point]:
    """Where one moved edge ends and the next begins."""
    if math.dist(a.end_mm, b.start_mm) < _SAME_MM:
        return a.end_mm, a.end_mm
    turn = math.remainder(b.start_direction_rad - a.end_direction_rad, math.tau)
    if abs(math.sin(turn)) < _PARALLEL:
        return a.end_mm, b.start_mm
    points = _meeting(a, b)
    if not points:
        x, y = was
        raise NotDeveloped("two edges no longer meet when moved", where=f"near {x:.1f}, {y:.1f} mm")
    middle = ((a.end_mm[0] + b.start_mm[0]) / 2, (a.end_mm[1] + b.start_mm[1]) / 2)
    found = min(points, key=lambda p: math.dist(p, middle))
    return found, found


def _meeting(a: Segment, b: Segment) -> list[Point]:
    """Where the endless lines and whole circles of two segments meet."""
    match a, b:
        case Line(), Line():
            one, two = (Axis.between(s.start_mm, s.end_mm) for s in (a, b))
            (ux, uy), (nx, ny) = one.along, two.normal
            return [one.point(-two.station(one.through_mm)[1] / (ux * nx + uy * ny))]
        case Line(), Arc():
            return _on_circle(Axis.between(a.start_mm, a.end_mm), b)
        case Arc(), Line():
            return _on_circle(Axis.between(b.start_mm, b.end_mm), a)
        case Arc(), Arc():
            d = math.dist(a.centre_mm, b.centre_mm)
            r, s = a.radius_mm, b.radius_mm
            if d < _SAME_MM or d > r + s or d < abs(r - s):
                return []
            along = (d * d + r * r - s * s) / (2 * d)
            half = math.sqrt(max(r * r - along * along, 0.0))
            axis = Axis.between(a.centre_mm, b.centre_mm)
            return [axis.point(along, half), axis.point(along, -half)]
    return []


def _on_circle(axis: Axis, arc: Arc) -> list[Point]:
    along, left = axis.station(arc.centre_mm)
    if abs(left) > arc.radius_mm:
        return []
    half = math.sqrt(arc.radius_mm**2 - left * left)
    return [axis.point(along - half), axis.point(along + half)]


def _between(curve: Segment, start: Point, end: Point) -> Segment:
    """The moved edge between its new ends, in its old direction."""
    if math.dist(start, end) <= _SAME_MM:
        raise NotDeveloped(
            "an edge is too short to be moved", where=f"near {start[0]:.1f}, {start[1]:.1f} mm"
        )
    match curve:
        case Line():
            ahead = (end[0] - start[0]) * (curve.end_mm[0] - curve.start_mm[0])
            ahead += (end[1] - start[1]) * (curve.end_mm[1] - curve.start_mm[1])
            if ahead <= 0:
                raise NotDeveloped(
                    "an edge is too short to be moved",
                    where=f"near {start[0]:.1f}, {start[1]:.1f} mm",
                )
            return Line(start, end)
        case Arc():
            cx, cy = curve.centre_mm
            sign = 1.0 if curve.bulge > 0 else -1.0
            a, b = (math.atan2(y - cy, x - cx) for x, y in (start, end))
            sweep = (sign * (b - a)) % math.tau
            was = abs(curve.included_rad)
            if abs(sweep - was) > math.pi:
                raise NotDeveloped(
                    "an arc is too short to be moved",
                    where=f"near {start[0]:.1f}, {start[1]:.1f} mm",
                )
            return Arc(start, end, sign * math.tan(sweep / 4))
        case _:
            assert_never(curve)
