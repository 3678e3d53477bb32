"""Where the positions of a pattern are measured from.

The way a sheet is marked out: a rule along the longest straight edge, starting from the corner
where the squared-up piece begins.  The datum's x axis is therefore the direction of the longest
straight edge (or square to it, whichever needs the smaller turn from the pattern's own x axis),
and its origin the lower left of the box that the outline fills in those axes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from digitize.errors import Notice
from digitize.pattern.contour import Contour, Slot
from digitize.pattern.edge_names import joined, named_edges
from digitize.pattern.extent import Box, closed_extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.segments import Line, Point


@dataclass(frozen=True, slots=True)
class Datum:
    """Where positions are measured from."""

    origin_mm: Point  # in pattern coordinates
    direction_rad: float  # of the datum's x axis, counter-clockwise from the pattern's
    edge: str | None  # the edge that gives the direction

    def of(self, point_mm: Point) -> Point:
        """A pattern point in datum coordinates."""
        c, s = math.cos(self.direction_rad), math.sin(self.direction_rad)
        dx, dy = point_mm[0] - self.origin_mm[0], point_mm[1] - self.origin_mm[1]
        return dx * c + dy * s, dy * c - dx * s

    def back(self, point_mm: Point) -> Point:
        """A point given in datum coordinates, in pattern coordinates."""
        c, s = math.cos(self.direction_rad), math.sin(self.direction_rad)
        x, y = point_mm
        return self.origin_mm[0] + x * c - y * s, self.origin_mm[1] + x * s + y * c


def datum_of(pattern: Pattern) -> Datum:
    """The datum of a pattern; upright where the outline has no straight edge."""
    direction, longest = 0.0, 0.0
    if isinstance(pattern.outline, Contour):
        for edge in joined(pattern.outline.edges):
            if isinstance(edge.segment, Line) and edge.segment.length_mm > longest * (1 + 1e-9):
                longest = edge.segment.length_mm
                direction = edge.segment.start_direction_rad
    elif isinstance(pattern.outline, Slot):
        longest = 1.0
        direction = Line(pattern.outline.start_mm, pattern.outline.end_mm).start_direction_rad
    direction = math.remainder(direction, math.pi / 2)
    if abs(math.degrees(direction)) < 1e-9:
        direction = 0.0
    left, bottom, _, _ = turned_box(pattern, direction)
    c, s = math.cos(direction), math.sin(direction)
    origin = (left * c - bottom * s, left * s + bottom * c)
    name = None
    for named in named_edges(pattern.outline, origin):
        if (
            isinstance(named.segment, Line)
            and abs(named.segment.length_mm - longest) <= 1e-9 * longest
        ):
            name = named.name
            break
    return Datum(origin, direction, name)


def told_from(datum: Datum, notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Notices with the places they name counted from the datum corner, as the pictures count."""
    return tuple(_told_from(datum, n) if n.at_mm else n for n in notices)


def _told_from(datum: Datum, notice: Notice) -> Notice:
    text = f"{notice.moved(datum.of).text} (places in mm from the datum corner)"
    return replace(notice, text=text, at_mm=())


def turned_box(pattern: Pattern, direction_rad: float) -> Box:
    """The box of a pattern's outline in axes turned by a direction."""
    return closed_extent_mm(placed(Pattern("", pattern.outline), -direction_rad).outline)
