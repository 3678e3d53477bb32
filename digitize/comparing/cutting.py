"""Part of a contour between two places along it, as the lines and arcs it is made of."""

from __future__ import annotations

import math
from dataclasses import replace

from digitize.pattern.contour import Contour, Edge
from digitize.pattern.segments import Arc, Line, Point, Segment

_CRUMB_MM = 1e-7


def between(contour: Contour, start_mm: float, end_mm: float) -> list[Edge]:
    """Edges from one place to another, in the way of travel; a whole round if they agree."""
    if contour.signed_area_mm2 < 0:
        contour = contour.reversed()
    total = contour.length_mm
    start_mm %= total
    span = (end_mm - start_mm) % total
    if span <= _CRUMB_MM:
        span = total
    found: list[Edge] = []
    at = 0.0
    # Twice round, so that a way over the first point is met in order.
    for edge in (*contour.edges, *contour.edges):
        length = edge.segment.length_mm
        low, high = max(start_mm, at), min(start_mm + span, at + length)
        if high - low > _CRUMB_MM:
            piece = _piece(edge.segment, (low - at) / length, (high - at) / length)
            found.append(replace(edge, segment=piece))
        at += length
    return found


def _piece(segment: Segment, low: float, high: float) -> Segment:
    start, end = place_on(segment, low), place_on(segment, high)
    if isinstance(segment, Line):
        return Line(start, end)
    return Arc(start, end, math.tan((high - low) * segment.included_rad / 4.0))


def place_on(segment: Segment, share: float) -> Point:
    """The place at a share of a segment's length; its very ends are exact."""
    if share <= 1e-12:
        return segment.start_mm
    if share >= 1.0 - 1e-12:
        return segment.end_mm
    if isinstance(segment, Line):
        (x0, y0), (x1, y1) = segment.start_mm, segment.end_mm
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0)
    (cx, cy), turn = segment.centre_mm, share * segment.included_rad
    dx, dy = segment.start_mm[0] - cx, segment.start_mm[1] - cy
    c, s = math.cos(turn), math.sin(turn)
    return cx + c * dx - s * dy, cy + s * dx + c * dy
