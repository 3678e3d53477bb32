"""The same pattern laid another way: turned and moved as a rigid body, or mirrored.

Bulges are unchanged by turning, so arcs stay exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable
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

    precision = pattern.precision
    if precision is not None and precision.budget is not None:
        precision = replace(precision, budget=precision.budget.moved(turn_rad, move_mm))
    return replace(_carried(pattern, point, backward=False), precision=precision)


def mirrored(pattern: Pattern, sum_x_mm: float) -> Pattern:
    """The pattern with x and ``sum_x_mm`` - x changed for each other, running the same way round.

    Which way its bends go is not touched.
    """
    precision = pattern.precision
    return replace(
        _carried(pattern, lambda p: (sum_x_mm - p[0], p[1]), backward=True),
        precision=None if precision is None else precision.mirrored(sum_x_mm),
    )


def _carried(pattern: Pattern, point: Callable[[Point], Point], *, backward: bool) -> Pattern:
    """Every place of a pattern elsewhere; ``backward`` where that turns its outline round."""

    def segment(old: Segment) -> Segment:
        start, end = point(old.start_mm), point(old.end_mm)
        if backward:
            start, end = end, start
        match old:
            case Line():
                return Line(start, end)
            case Arc():
                # Mirrored the bulge changes sign, and travelled backward it changes again.
                return Arc(start, end, old.bulge)
            case _:
                assert_never(old)

    def closed(old: Closed) -> Closed:
        match old:
            case Contour():
                edges = reversed(old.edges) if backward else old.edges
                return Contour(tuple(Edge(segment(e.segment), e.evidence, e.u_mm) for e in edges))
            case Circle():
                return replace(old, centre_mm=point(old.centre_mm))
            case Slot():
                return replace(old, start_mm=point(old.start_mm), end_mm=point(old.end_mm))
            case _:
                assert_never(old)

    return replace(
        pattern,
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
