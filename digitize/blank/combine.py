"""A contour less another, or with another, exact for lines and arcs.

Both contours are cut where they meet; a piece is kept or left out by where its middle lies,
and the kept pieces are chained to closed contours again.  Stretches that the two share are
found by their middles lying on the other contour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal, assert_never

import shapely

from digitize.blank.cutting import TOUCH_MM, Axis, at, meetings, nearest, piece, place_of
from digitize.blank.errors import NotDeveloped
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.segments import Arc, Line, Point, Segment

_SAME_MM = 1e-6
_CHORD_MM = 1e-4
_SCRAP_MM2 = 1.0  # what falls off beside a cut

Where = Literal["in", "out", "along", "against"]


def without(contour: Contour, cutter: Contour) -> list[Contour]:
    """The counter-clockwise contours left of one when another is cut out of it.

    Edges that the cut makes count as measured, without uncertainty.  Holes that the cut would
    leave are returned too, running clockwise.
    """
    on_contour, on_cutter = _meetings(contour, cutter)
    kept = _kept(contour, on_contour, cutter, ("out", "against"))
    cut = _kept(cutter, on_cutter, contour, ("in",))
    return _chained(kept + [Edge(e.segment.reversed()) for e in cut])


def together(contour: Contour, other: Contour) -> list[Contour]:
    """The counter-clockwise contours of two areas as one, and clockwise ones of its holes."""
    on_contour, on_other = _meetings(contour, other)
    kept = _kept(contour, on_contour, other, ("out", "along"))
    more = _kept(other, on_other, contour, ("out",))
    return _chained(kept + [Edge(e.segment) for e in more])


def _kept(
    contour: Contour, cuts: dict[int, list[float]], other: Contour, keep: Sequence[Where]
) -> list[Edge]:
    """The pieces of a contour, cut at places, that lie as wanted to another one."""
    area = shapely.Polygon(other.points_mm(_CHORD_MM))
    shapely.prepare(area)
    return [
        Edge(part, edge.evidence, edge.u_mm)
        for i, edge in enumerate(contour.edges)
        for part in _parts(edge.segment, cuts.get(i, []))
        if _where(part, other, area) in keep
    ]


def largest_without(contour: Contour, cutters: Sequence[Contour], what: str) -> Contour:
    """The contour less every cutter.

    Raises NotDeveloped where the sheet would fall apart, or a cutter leaves a hole inside it.
    """
    for cutter in cutters:
        left = [c for c in without(contour, cutter) if abs(c.signed_area_mm2) > _SCRAP_MM2]
        x, y = cutter.edges[0].segment.start_mm
        if any(c.signed_area_mm2 < 0 for c in left):
            raise NotDeveloped(
                f"{what} would not open to the edge",
                where=f"near {x:.0f}, {y:.0f} mm",
                do="leave it out and cut it by hand",
            )
        if len(left) != 1:
            raise NotDeveloped(
                f"{what} would cut the blank in two",
                where=f"near {x:.0f}, {y:.0f} mm",
                do="leave it out and cut it by hand",
            )
        contour = left[0]
    return contour


def _meetings(a: Contour, b: Contour) -> tuple[dict[int, list[float]], dict[int, list[float]]]:
    on_a: dict[int, list[float]] = {}
    on_b: dict[int, list[float]] = {}
    for i, first in enumerate(a.edges):
        for j, second in enumerate(b.edges):
            for p in _common(first.segment, second.segment):
                for places, k, segment in ((on_a, i, first.segment), (on_b, j, second.segment)):
                    t, distance = nearest(segment, p)
                    if distance < 10 * _SAME_MM:
                        places.setdefault(k, []).append(t)
    return on_a, on_b


def _common(a: Segment, b: Segment) -> list[Point]:
    """Points that two segments share: crossings, and ends of either that lie on the other."""
    points = [p for p in (a.start_mm, a.end_mm) if nearest(b, p)[1] < _SAME_MM]
    points += [p for p in (b.start_mm, b.end_mm) if nearest(a, p)[1] < _SAME_MM]
    match a, b:
        case Line(), _:
            axis = Axis.between(a.start_mm, a.end_mm)
            points += [at(b, t) for t in meetings(b, axis)]
        case _, Line():
            axis = Axis.between(b.start_mm, b.end_mm)
            points += [at(a, t) for t in meetings(a, axis)]
        case Arc(), Arc():
            points += [p for p in _circles(a, b) if place_of(a, p) is not None]
    return [p for p in points if nearest(a, p)[1] < _SAME_MM and nearest(b, p)[1] < _SAME_MM]


def _circles(a: Arc, b: Arc) -> list[Point]:
    """Where the circles of two arcs cross."""
    d = math.dist(a.centre_mm, b.centre_mm)
    if d < _SAME_MM or d > a.radius_mm + b.radius_mm or d < abs(a.radius_mm - b.radius_mm):
        return []
    along = (d * d + a.radius_mm**2 - b.radius_mm**2) / (2 * d)
    half = math.sqrt(max(a.radius_mm**2 - along * along, 0.0))
    if abs(a.radius_mm - abs(along)) < TOUCH_MM:
        half = 0.0
    axis = Axis.between(a.centre_mm, b.centre_mm)
    return [axis.point(along, half), axis.point(along, -half)]


def _parts(segment: Segment, places: Sequence[float]) -> list[Segment]:
    ends = [0.0, 1.0]
    for t in sorted(places):
        if all(abs(t - e) * segment.length_mm > 2 * _SAME_MM for e in ends):
            ends.append(t)
    return [piece(segment, t0, t1) for t0, t1 in pairwise(sorted(ends))]


def _where(part: Segment, other: Contour, area: shapely.Polygon) -> Where:
    middle = at(part, 0.5)
    for edge in other.edges:
        t, distance = nearest(edge.segment, middle)
        if distance < 5 * _SAME_MM:
            along = _direction(part, 0.5)
            beside = _direction(edge.segment, t)
            return "along" if math.cos(along - beside) > 0 else "against"
    return "in" if area.contains(shapely.Point(middle)) else "out"


def _direction(segment: Segment, t: float) -> float:
    match segment:
        case Line():
            return segment.start_direction_rad
        case Arc():
            return segment.start_direction_rad + t * segment.included_rad
        case _:
            assert_never(segment)


def _chained(edges: list[Edge]) -> list[Contour]:
    """Closed contours of edges whose ends fall on one another."""
    left = list(edges)
    contours = []
    while left:
        chain = [left.pop(0)]
        while math.dist(chain[-1].segment.end_mm, chain[0].segment.start_mm) > 10 * _SAME_MM:
            end = chain[-1].segment.end_mm
            near = [(math.dist(end, e.segment.start_mm), k) for k, e in enumerate(left)]
            if not near or min(near)[0] > 10 * _SAME_MM:
                raise NotDeveloped(
                    "a cut touches an edge it should cross",
                    where=f"near {end[0]:.0f}, {end[1]:.0f} mm",
                    do="change its size",
                )
            chain.append(left.pop(min(near)[1]))
        if len(chain) > 1:
            contours.append(Contour(tuple(_closed(chain))))
    return contours


def _closed(chain: list[Edge]) -> list[Edge]:
    closed = []
    for i, edge in enumerate(chain):
        start, s = chain[i - 1].segment.end_mm, edge.segment
        segment: Segment = (
            Line(start, s.end_mm) if isinstance(s, Line) else Arc(start, s.end_mm, s.bulge)
        )
        closed.append(Edge(segment, edge.evidence, edge.u_mm))
    return closed
