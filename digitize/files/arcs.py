"""Arcs cut to lengths that every reader draws alike, and the curves of a PDF along them."""

from __future__ import annotations

import math

from digitize.pattern.segments import Arc, Point


def no_longer_than(arc: Arc, included_rad: float) -> list[Arc]:
    """The arc, cut in halves until no piece turns through more than the angle."""
    if abs(arc.included_rad) <= included_rad * (1 + 1e-9):
        return [arc]
    (x0, y0), (x1, y1), b = arc.start_mm, arc.end_mm, arc.bulge
    # The middle of an arc lies bulge * chord / 2 to the right of the chord.
    middle = ((x0 + x1) / 2 + b * (y1 - y0) / 2, (y0 + y1) / 2 - b * (x1 - x0) / 2)
    half = math.tan(math.atan(b) / 2)
    pieces = Arc(arc.start_mm, middle, half), Arc(middle, arc.end_mm, half)
    return [piece for h in pieces for piece in no_longer_than(h, included_rad)]


def beziers(arc: Arc) -> list[tuple[Point, Point, Point]]:
    """Cubic curves along an arc: two control points and the end of each.

    Pieces turn at most 30 degrees, which keeps the curve within 1e-6 radii of the circle.
    """
    n = math.ceil(abs(arc.included_rad) / math.radians(30) - 1e-9)
    (cx, cy), r, step = arc.centre_mm, arc.radius_mm, arc.included_rad / n
    start = math.atan2(arc.start_mm[1] - cy, arc.start_mm[0] - cx)
    k = 4 / 3 * math.tan(step / 4) * r
    pieces = []
    for i in range(n):
        a, b = start + i * step, start + (i + 1) * step
        ax, ay, bx, by = math.cos(a), math.sin(a), math.cos(b), math.sin(b)
        end = arc.end_mm if i == n - 1 else (cx + r * bx, cy + r * by)
        pieces.append(
            (
                (cx + r * ax - k * ay, cy + r * ay + k * ax),
                (end[0] + k * by, end[1] - k * bx),
                end,
            )
        )
    return pieces
