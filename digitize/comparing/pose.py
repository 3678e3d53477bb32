"""Where the new piece is laid over the old one: turned and moved, turned over only when asked.

``Pose`` maps places of the new pattern to places of the old one (``old_from_new``); there is
no scale in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.blank.hand import from_behind
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.segments import Point

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
    x0, _, x1, _ = closed_extent_mm(pattern.outline)
    seen = placed(from_behind(pattern), move_mm=(-(x0 + x1), 0.0))
    return replace(seen, name=pattern.name, notices=pattern.notices)
