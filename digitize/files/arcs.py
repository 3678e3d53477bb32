"""Arcs cut to lengths that every reader draws alike."""

from __future__ import annotations

import math

from digitize.pattern.segments import Arc


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
