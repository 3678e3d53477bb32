"""Where on the piece, in words: the lower edge, the upper right corner, edges inside a notch.

Left, right, up and down are those of the old piece squared up on its datum, as the
dimension list and the pictures show it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from digitize.pattern.datum import Datum, datum_of
from digitize.pattern.edge_names import named_edges
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.segments import Point

_NEAR = 0.12  # of the piece's extent: an edge so near the rim is the edge of that side
_WORDS = (
    "right",
    "upper right",
    "upper",
    "upper left",
    "left",
    "lower left",
    "lower",
    "lower right",
)
_FACING = (
    "to the right",
    "up to the right",
    "up",
    "up to the left",
    "to the left",
    "down to the left",
    "down",
    "down to the right",
)


@dataclass(frozen=True, slots=True)
class Sides:
    """Words for the places of one piece."""

    datum: Datum
    wide_mm: float
    high_mm: float
    names: tuple[str, ...]  # of the outline's segments, in the order it has

    @classmethod
    def of(cls, pattern: Pattern) -> Sides:
        """The words for a pattern."""
        datum = datum_of(pattern)
        squared = placed(Pattern("", pattern.outline), -datum.direction_rad)
        x0, y0, x1, y1 = closed_extent_mm(squared.outline)
        return cls(datum, x1 - x0, y1 - y0, _names(pattern, datum))

    def edge(self, at_mm: Point, normal: Point) -> str:
        """The edge at a place where that is the way off the metal."""
        sector = self._sector(math.atan2(normal[1], normal[0]) - self.datum.direction_rad)
        x, y = self.datum.of(at_mm)
        rim = {0: 1 - x / self.wide_mm, 2: 1 - y / self.high_mm}
        rim |= {4: x / self.wide_mm, 6: y / self.high_mm}
        needed = (sector,) if sector % 2 == 0 else ((sector - 1) % 8, (sector + 1) % 8)
        far = min(rim[s] for s in needed)
        if far <= _NEAR or (sector % 2 and far <= 0.4):
            return f"{_WORDS[sector]} edge"
        return f"edge facing {_FACING[sector]}"

    def corner(self, at_mm: Point) -> str:
        """The corner at a place."""
        x, y = self.datum.of(at_mm)
        u, v = x / self.wide_mm, y / self.high_mm
        if min(u, 1 - u) < 0.25 and min(v, 1 - v) < 0.25:
            return f"{'upper' if v > 0.5 else 'lower'} {'right' if u > 0.5 else 'left'} corner"
        return "corner"

    @staticmethod
    def _sector(angle_rad: float) -> int:
        return round(angle_rad / (math.pi / 4)) % 8


def _names(pattern: Pattern, datum: Datum) -> tuple[str, ...]:
    """Name of the edge that every segment of the outline belongs to; empty for round ones."""
    contour = pattern.outline.as_contour()
    edges = contour.edges if contour.signed_area_mm2 > 0 else contour.reversed().edges
    begins = {e.segment.start_mm: e.name for e in named_edges(pattern.outline, datum.origin_mm)}
    first = next((i for i, e in enumerate(edges) if e.segment.start_mm in begins), None)
    if first is None:
        return ("",) * len(edges)
    names, name = [""] * len(edges), ""
    for k in range(len(edges)):
        i = (first + k) % len(edges)
        name = begins.get(edges[i].segment.start_mm, name)
        names[i] = name
    return tuple(names)
