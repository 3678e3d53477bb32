"""Where the new piece is laid over the old one: turned and moved, turned over only when asked.

``Pose`` maps places of the new pattern to places of the old one (``old_from_new``); there is
no scale in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import assert_never

import numpy as np
from numpy.typing import NDArray

from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.segments import Arc, Line, Point, Segment

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pose:
    """Turned over first where ``mirrored`` (x becomes -x), then turned about (0, 0), then moved."""

    turn_rad: float = 0.0
    move_mm: Point = (0.0, 0.0)
    mirrored: bool = False

    @property
    def matrix(self) -> FloatArray:
        """The linear part (2, 2)."""
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        turn = np.array([[c, -s], [s, c]])
        return turn @ np.diag([-1.0, 1.0]) if self.mirrored else turn

    def of(self, points_mm: FloatArray) -> FloatArray:
        """Places (N, 2) of the new pattern, on the old one."""
        return np.asarray(np.asarray(points_mm, float) @ self.matrix.T + np.asarray(self.move_mm))

    def back(self, points_mm: FloatArray) -> FloatArray:
        """Places (N, 2) on the old pattern, in the new one's own coordinates."""
        return np.asarray((np.asarray(points_mm, float) - np.asarray(self.move_mm)) @ self.matrix)

    def of_pattern(self, pattern: Pattern) -> Pattern:
        """The new pattern laid over the old one."""
        turned = flipped(pattern) if self.mirrored else pattern
        return placed(turned, self.turn_rad, self.move_mm)

    def pattern_back(self, pattern: Pattern) -> Pattern:
        """A pattern on the old one, in the new one's own coordinates."""
        x, y = self.move_mm
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        unturned = placed(pattern, -self.turn_rad, (-c * x - s * y, s * x - c * y))
        return flipped(unturned) if self.mirrored else unturned

    def stepped(self, step: FloatArray, about_mm: FloatArray) -> Pose:
        """Moved further by (x, y, turn), the turn about a place on the old pattern."""
        x, y, turn = (float(v) for v in step)
        c, s = math.cos(turn), math.sin(turn)
        dx, dy = np.asarray(self.move_mm) - about_mm
        moved = (c * dx - s * dy + about_mm[0] + x, s * dx + c * dy + about_mm[1] + y)
        turned = math.remainder(self.turn_rad + turn, math.tau)
        return Pose(turned, (float(moved[0]), float(moved[1])), self.mirrored)


def flipped(pattern: Pattern) -> Pattern:
    """The pattern seen from the other face: x becomes -x, edges run the same way round again."""

    def point(p: Point) -> Point:
        return -p[0], p[1]

    def segment(old: Segment) -> Segment:
        match old:
            case Line():
                return Line(point(old.end_mm), point(old.start_mm))
            case Arc():
                # Mirrored the arc turns the other way; travelled backwards it turns as before.
                return Arc(point(old.end_mm), point(old.start_mm), old.bulge)
            case _:
                assert_never(old)

    def closed(old: Closed) -> Closed:
        match old:
            case Contour():
                edges = (Edge(segment(e.segment), e.evidence, e.u_mm) for e in reversed(old.edges))
                return Contour(tuple(edges))
            case Circle():
                return replace(old, centre_mm=point(old.centre_mm))
            case Slot():
                return replace(old, start_mm=point(old.start_mm), end_mm=point(old.end_mm))
            case _:
                assert_never(old)

    precision = pattern.precision
    if precision is not None and precision.budget is not None:
        # The budget's fields have no mirror; its two short numbers hold either way up.
        precision = replace(precision, budget=None)
    return replace(
        pattern,
        precision=precision,
        outline=closed(pattern.outline),
        openings=tuple(closed(o) for o in pattern.openings),
        bends=tuple(
            replace(
                b,
                start_mm=point(b.start_mm),
                end_mm=point(b.end_mm),
                toward_face=None if b.toward_face is None else not b.toward_face,
            )
            for b in pattern.bends
        ),
        marks=tuple(replace(m, at_mm=point(m.at_mm)) for m in pattern.marks),
        scribes=tuple(
            replace(s, start_mm=point(s.start_mm), end_mm=point(s.end_mm)) for s in pattern.scribes
        ),
    )
