"""Lines and arcs carried by a map of the plane that is not rigid, such as a bend's strip.

A line stays a line; an arc that is squeezed becomes arcs close to its image.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import assert_never

from digitize.blank.cutting import at, piece
from digitize.pattern.segments import Arc, Line, Point, Segment

ARC_ERROR_MM = 0.002
_SAME_MM = 1e-7
_FINE_MM = 0.02


def warped(segment: Segment, image: Callable[[Point], Point]) -> Iterable[Segment]:
    """The segments that a segment becomes; none where it shrinks to a point.

    ``image`` takes a point to its place and must be affine along a line.
    """
    start, end = image(segment.start_mm), image(segment.end_mm)
    if math.dist(start, end) <= _SAME_MM:
        return
    match segment:
        case Line():
            yield Line(start, end)
        case Arc():
            moved = Arc(start, end, segment.bulge)
            worst = max(math.dist(image(at(segment, t)), at(moved, t)) for t in (0.25, 0.5, 0.75))
            if worst <= 1e-9:
                yield moved
                return
            through = _arc_through(start, image(at(segment, 0.5)), end)
            off = max(
                abs(math.dist(image(at(segment, t)), through.centre_mm) - through.radius_mm)
                if isinstance(through, Arc)
                else 0.0
                for t in (0.25, 0.75)
            )
            if off <= ARC_ERROR_MM or segment.length_mm < _FINE_MM:
                yield through
                return
            yield from warped(piece(segment, 0.0, 0.5), image)
            yield from warped(piece(segment, 0.5, 1.0), image)
        case _:
            assert_never(segment)


def _arc_through(start: Point, middle: Point, end: Point) -> Segment:
    """The arc through three points, or the line where they lie straight."""
    chord = math.dist(start, end)
    ux, uy = (end[0] - start[0]) / chord, (end[1] - start[1]) / chord
    mx, my = middle[0] - start[0], middle[1] - start[1]
    along, left = mx * ux + my * uy - chord / 2, my * ux - mx * uy
    if abs(left) < 1e-9:
        return Line(start, end)
    # Sagitta of the circle through the ends whose distance to the middle point is the radius.
    k = (along * along + left * left - chord * chord / 4) / (2 * left)  # centre, left of chord
    radius = math.hypot(chord / 2, k)
    sagitta = k + math.copysign(radius, left)
    return Arc(start, end, -2 * sagitta / chord)
