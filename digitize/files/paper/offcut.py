"""Metal that is to come off an edge: where to trim, and where the edge runs now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from digitize.pattern.segments import FloatArray, Segment

_CHORD_MM = 0.01
_APART_MM = 0.05  # of two edges that a drawing shows as one


@dataclass(frozen=True, slots=True)
class Offcut:
    """What lies between the line to trim to and the present edge, in the pattern's coordinates.

    Both run the same way, and from and to about the same places.
    """

    line: tuple[Segment, ...]
    present: tuple[Segment, ...]

    @property
    def depth_mm(self) -> float:
        """The most that comes off, square to whichever edge shows it deeper."""
        line, present = (shapely.LineString(along(way)) for way in (self.line, self.present))
        deep = [
            shapely.distance(other, shapely.points(shapely.segmentize(own, 0.5).coords)).max()
            for own, other in ((line, present), (present, line))
        ]
        return float(max(deep))

    @property
    def apart_mm(self) -> tuple[FloatArray, ...]:
        """The present edge (K, 2) in pieces, without what runs on the line to trim to."""
        line = shapely.LineString(along(self.line)).buffer(_APART_MM)
        left = shapely.difference(shapely.LineString(along(self.present)), line)
        pieces = [shapely.get_coordinates(part) for part in shapely.get_parts(left)]
        return tuple(p for p in pieces if len(p) > 1)


def along(way: Sequence[Segment]) -> FloatArray:
    """Points (K, 2) along a way of lines and arcs."""
    points = [segment.points_mm(_CHORD_MM) for segment in way]
    return np.vstack(points)
