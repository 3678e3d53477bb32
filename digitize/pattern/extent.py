"""The box a closed edge or a whole pattern fills, exact for arcs."""

from __future__ import annotations

import math
from collections.abc import Iterable

from digitize.pattern.contour import Circle, Closed
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Point, Segment

Box = tuple[float, float, float, float]
"""x0, y0, x1, y1 in millimetres, lower left then upper right."""


def closed_extent_mm(closed: Closed) -> Box:
    """Box of a closed edge."""
    if isinstance(closed, Circle):
        (x, y), r = closed.centre_mm, closed.radius_mm
        return x - r, y - r, x + r, y + r
    return _box(p for edge in closed.as_contour().edges for p in _extremes(edge.segment))


def extent_mm(pattern: Pattern) -> Box:
    """Box of everything in a pattern, marks and bend lines included."""
    corners = [closed_extent_mm(c) for c in (pattern.outline, *pattern.openings)]
    points = [(x, y) for x0, y0, x1, y1 in corners for x, y in ((x0, y0), (x1, y1))]
    points += [p for bend in pattern.bends for p in (bend.start_mm, bend.end_mm)]
    points += [p for scribe in pattern.scribes for p in (scribe.start_mm, scribe.end_mm)]
    points += [mark.at_mm for mark in pattern.marks]
    return _box(points)


def _extremes(segment: Segment) -> list[Point]:
    """End points, and where an arc runs level or upright."""
    points = [segment.start_mm, segment.end_mm]
    if isinstance(segment, Arc):
        (cx, cy), r = segment.centre_mm, segment.radius_mm
        start = math.atan2(segment.start_mm[1] - cy, segment.start_mm[0] - cx)
        low, high = sorted((start, start + segment.included_rad))
        quarter = math.pi / 2
        points += [
            (cx + r * math.cos(k * quarter), cy + r * math.sin(k * quarter))
            for k in range(math.ceil(low / quarter), math.floor(high / quarter) + 1)
        ]
    return points


def _box(points: Iterable[Point]) -> Box:
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)
