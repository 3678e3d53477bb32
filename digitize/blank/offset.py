"""A contour with its edges moved out or in, each by its own amount.

Neighbours are carried on, or cut off, to where their moved lines and circles meet, so that
corners stay corners and arcs stay arcs.  Where two moved edges go on in the same direction
but apart, a short straight step joins them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import assert_never

from digitize.blank.cutting import Axis
from digitize.blank.errors import NotDeveloped
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.segments import Arc, Line, Point, Segment

_SAME_MM = 1e-7
_PARALLEL = 1e-6
_SMOOTH_RAD = 0.35  # a joint that a fit left not quite tangent
_HAIR_MM = 0.2
_LEAST_CORNER = 0.2  # sine of the angle between two edges that an arc rounds the corner of
_SWALLOWED = 4.0  # times the largest move: edges up to that long may vanish


def moved(contour: Contour, out_mm: Sequence[float]) -> Contour:
    """The contour with edge ``i`` moved ``out_mm[i]`` outward; negative is inward.

    The rounding of a corner that is not moved itself goes with the corner, as large as it was.
    A short edge that is swallowed by its neighbours is left out.  Raises NotDeveloped where a
    longer one vanishes or neighbours no longer meet.
    """
    to_right = 1.0 if contour.signed_area_mm2 > 0 else -1.0
    curves = [
        (e, _moved(e.segment, to_right * d)) for e, d in zip(contour.edges, out_mm, strict=True)
    ]
    for i, out in enumerate(out_mm):
        if out == 0.0:
            _go_with_corner(curves, i)
    short = _SWALLOWED * max(map(abs, out_mm))
    while True:
        edges, lost = _led(curves)
        if lost is None:
            return Contour(tuple(edges))
        was = curves[lost][0].segment
        if was.length_mm > short or len(curves) <= 3:
            x, y = was.start_mm
            raise NotDeveloped(
                "an edge is too short to be moved",
                where=f"near {x:.1f}, {y:.1f} mm",
                do="move its neighbours less, or draw it into one of them",
            )
        del curves[lost]


def _go_with_corner(curves: list[tuple[Edge, Segment]], i: int) -> None:
    """Take an edge that rounds the corner of two straight ones along with that corner.

    Moved in parallel, the lines beside it meet as they did before, so it fits between them.
    """
    n = len(curves)
    (one, before), (rounding, arc), (two, after) = (curves[k % n] for k in (i - 1, i, i + 1))
    old = _rounded_corner(one.segment, arc, two.segment)
    if old is None or not (isinstance(before, Line) and isinstance(after, Line)):
        return
    new = _axis(before).crossing(_axis(after))
    dx, dy = new[0] - old[0], new[1] - old[1]
    start, end = ((x + dx, y + dy) for x, y in (arc.start_mm, arc.end_mm))
    reaching = _axis(before).station(start)[0] > 0.0
    if reaching and _axis(after).station(end)[0] < after.length_mm:
        curves[i - 1] = one, Line(before.start_mm, start)
        curves[i] = rounding, replace(arc, start_mm=start, end_mm=end)
        curves[(i + 1) % n] = two, Line(end, after.end_mm)


def _rounded_corner(before: Segment, arc: Segment, after: Segment) -> Point | None:
    """Where the lines beside a rounding would meet; None where it is no rounding of a corner."""
    if not (isinstance(before, Line) and isinstance(arc, Arc) and isinstance(after, Line)):
        return None
    turns = (
        arc.start_direction_rad - before.end_direction_rad,
        after.start_direction_rad - arc.end_direction_rad,
    )
    smooth = all(abs(math.remainder(turn, math.tau)) < _SMOOTH_RAD for turn in turns)
    one, other = _axis(before), _axis(after)
    if not smooth or abs(one.sine(other)) < _LEAST_CORNER:
        return None
    return one.crossing(other)


def _axis(line: Line) -> Axis:
    return Axis.between(line.start_mm, line.end_mm)


def _led(curves: Sequence[tuple[Edge, Segment]]) -> tuple[list[Edge], int | None]:
    """Moved edges led to where they meet, or the first that vanishes between its neighbours."""
    n = len(curves)
    # The corner at the start of every edge: one point, or two where a step is needed.
    corners = [_corner(curves[i - 1][1], curves[i][1]) for i in range(n)]
    edges: list[Edge] = []
    for i, (edge, curve) in enumerate(curves):
        before, start = corners[i]
        end = corners[(i + 1) % n][0]
        if math.dist(before, start) > _SAME_MM:
            edges.append(Edge(Line(before, start)))
        else:
            start = before
        between = _between(curve, start, end)
        if between is None:
            return [], i
        edges.append(Edge(between, edge.evidence, edge.u_mm))
    return edges, None


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
            f"a radius of {radius_mm:.2f} mm is too small to be moved by {abs(out_mm):.2f} mm",
            do="move it less",
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


def _corner(a: Segment, b: Segment) -> tuple[Point, Point]:
    """Where one moved edge ends and the next begins."""
    if math.dist(a.end_mm, b.start_mm) < _SAME_MM:
        return a.end_mm, a.end_mm
    turn = math.remainder(b.start_direction_rad - a.end_direction_rad, math.tau)
    middle = ((a.end_mm[0] + b.start_mm[0]) / 2, (a.end_mm[1] + b.start_mm[1]) / 2)
    if abs(turn) < _SMOOTH_RAD and math.dist(a.end_mm, b.start_mm) < _HAIR_MM:
        return middle, middle
    if abs(math.sin(turn)) < _PARALLEL:
        return a.end_mm, b.start_mm
    points = _meeting(a, b)
    if not points and abs(turn) < _SMOOTH_RAD:
        return a.end_mm, b.start_mm
    if not points:
        x, y = middle
        raise NotDeveloped(
            "two edges no longer meet when moved",
            where=f"near {x:.1f}, {y:.1f} mm",
            do="move them less, or draw the spike there out of the outline",
        )
    found = min(points, key=lambda p: math.dist(p, middle))
    return found, found


def _meeting(a: Segment, b: Segment) -> list[Point]:
    """Where the endless lines and whole circles of two segments meet."""
    match a, b:
        case Line(), Line():
            one, two = (Axis.between(s.start_mm, s.end_mm) for s in (a, b))
            return [one.crossing(two)]
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


def _between(curve: Segment, start: Point, end: Point) -> Segment | None:
    """The moved edge between its new ends, or None where they would turn it round."""
    if math.dist(start, end) <= _SAME_MM:
        return None
    match curve:
        case Line():
            ahead = (end[0] - start[0]) * (curve.end_mm[0] - curve.start_mm[0])
            ahead += (end[1] - start[1]) * (curve.end_mm[1] - curve.start_mm[1])
            return Line(start, end) if ahead > 0 else None
        case Arc():
            cx, cy = curve.centre_mm
            sign = 1.0 if curve.bulge > 0 else -1.0
            a, b = (math.atan2(y - cy, x - cx) for x, y in (start, end))
            sweep = (sign * (b - a)) % math.tau
            if abs(sweep - abs(curve.included_rad)) > math.pi:
                return None
            return Arc(start, end, sign * math.tan(sweep / 4))
        case _:
            assert_never(curve)
