"""The same pattern laid another way: turned and moved as a rigid body.

Bulges are unchanged by turning, so arcs stay exact.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import assert_never

from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Point, Segment


def placed(pattern: Pattern, turn_rad: float = 0.0, move_mm: Point = (0.0, 0.0)) -> Pattern:
    """The pattern turned counter-clockwise about (0, 0), then moved."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    dx, dy = move_mm

    def point(p: Point) -> Point:
        return c * p[0] - s * p[1] + dx, s * p[0] + c * p[1] + dy

    def segment(old: Segment) -> Segment:
        match old:
            case Line():
                return Line(point(old.start_mm), point(old.end_mm))
            case Arc():
                return Arc(point(old.start_mm), point(old.end_mm), old.bulge)
            case _:
                assert_never(old)

    def closed(old: Closed) -> Closed:
        match old:
            case Contour():
                return Contour(
                    tuple(Edge(segment(e.segment), e.evidence, e.u_mm) for e in old.edges)
                )
            case Circle():
                return replace(old, centre_mm=point(old.centre_mm))
            case Slot():
                return replace(old, start_mm=point(old.start_mm), end_mm=point(old.end_mm))
            case _:
                assert_never(old)

    precision = pattern.precision
    if precision is not None and precision.budget is not None:
        precision = replace(precision, budget=precision.budget.moved(turn_rad, move_mm))
    return replace(
        pattern,
        precision=precision,
        outline=closed(pattern.outline),
        openings=tuple(closed(o) for o in pattern.openings),
        bends=tuple(
            replace(b, start_mm=point(b.start_mm), end_mm=point(b.end_mm)) for b in pattern.bends
        ),
        marks=tuple(replace(m, at_mm=point(m.at_mm)) for m in pattern.marks),
        scribes=tuple(
            replace(s, start_mm=point(s.start_mm), end_mm=point(s.end_mm)) for s in pattern.scribes
        ),
    )
