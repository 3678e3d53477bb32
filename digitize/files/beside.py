"""Lines that run beside restored and bridged edges, to show them without touching the cut.

They lie on the waste side, a little off the edge: a machine that is fed every layer by
mistake scores scrap, and no two entities of a file coincide.
"""

from __future__ import annotations

import math
from typing import assert_never

from digitize.pattern.contour import Circle, Closed
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Point, Segment

OFFSET_MM = 1.0
SHORTER_MM = 1.5  # at either end, so that the line clears the next edge in an inside corner


def beside_restored(pattern: Pattern, offset_mm: float = OFFSET_MM) -> list[Segment | Circle]:
    """A line, arc or circle beside every edge of the pattern that was not measured."""
    found = _beside(pattern.outline, outward=True, offset_mm=offset_mm)
    for opening in pattern.openings:
        found += _beside(opening, outward=False, offset_mm=offset_mm)
    return found


def _beside(closed: Closed, *, outward: bool, offset_mm: float) -> list[Segment | Circle]:
    if isinstance(closed, Circle):
        if closed.evidence == "measured":
            return []
        offset = offset_mm if outward else -offset_mm
        return [Circle(closed.centre_mm, _radius(closed.radius_mm, offset), closed.evidence)]
    contour = closed.as_contour()
    to_right = (contour.signed_area_mm2 > 0) == outward
    offset = offset_mm if to_right else -offset_mm
    return [
        _shortened(_shifted(e.segment, offset))
        for e in contour.edges
        if e.evidence != "measured" and e.segment.start_mm != e.segment.end_mm
    ]


def _shifted(segment: Segment, right_mm: float) -> Segment:
    """The segment moved to the right of its travel."""
    match segment:
        case Line((x0, y0), (x1, y1)):
            d = math.dist(segment.start_mm, segment.end_mm)
            nx, ny = (y1 - y0) / d * right_mm, -(x1 - x0) / d * right_mm
            return Line((x0 + nx, y0 + ny), (x1 + nx, y1 + ny))
        case Arc():
            (cx, cy), r = segment.centre_mm, segment.radius_mm
            k = _radius(r, right_mm if segment.bulge > 0 else -right_mm) / r

            def scaled(p: Point) -> Point:
                return cx + k * (p[0] - cx), cy + k * (p[1] - cy)

            return Arc(scaled(segment.start_mm), scaled(segment.end_mm), segment.bulge)
        case _:
            assert_never(segment)


def _shortened(segment: Segment) -> Segment:
    """The segment less a little at both ends; of a short one a fifth is kept."""
    t = min(SHORTER_MM / segment.length_mm, 0.4)
    match segment:
        case Line((x0, y0), (x1, y1)):
            dx, dy = t * (x1 - x0), t * (y1 - y0)
            return Line((x0 + dx, y0 + dy), (x1 - dx, y1 - dy))
        case Arc():
            (cx, cy), turn = segment.centre_mm, t * segment.included_rad

            def turned(p: Point, by: float) -> Point:
                dx, dy, c, s = p[0] - cx, p[1] - cy, math.cos(by), math.sin(by)
                return cx + c * dx - s * dy, cy + s * dx + c * dy

            return Arc(
                turned(segment.start_mm, turn),
                turned(segment.end_mm, -turn),
                math.tan((1 - 2 * t) * segment.included_rad / 4),
            )
        case _:
            assert_never(segment)


def _radius(radius_mm: float, offset_mm: float) -> float:
    """A radius changed by the offset, but never past the centre."""
    return max(radius_mm + offset_mm, radius_mm / 2)
