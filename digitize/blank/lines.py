"""Bend and scribe lines kept to the metal after something was cut away."""

from __future__ import annotations

from dataclasses import replace

import shapely

from digitize.blank.cutting import Axis
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.region import metal
from digitize.pattern.segments import Point

SHORTEST_MM = 0.5

Area = shapely.Polygon | shapely.MultiPolygon


def within(pattern: Pattern) -> Pattern:
    """The pattern with every bend line and scribe line ending where its metal does."""
    sheet = metal(pattern)
    bends = [_kept(bend, sheet) for bend in pattern.bends]
    scribes = [
        replace(scribe, start_mm=start, end_mm=end)
        for scribe in pattern.scribes
        for start, end in stretches((scribe.start_mm, scribe.end_mm), sheet)
    ]
    return replace(pattern, bends=tuple(bends), scribes=tuple(scribes))


def _kept(bend: BendLine, sheet: Area) -> BendLine:
    """A bend line from the first metal it lies in to the last: however cut, it is one bend."""
    found = stretches((bend.start_mm, bend.end_mm), sheet)
    return replace(bend, start_mm=found[0][0], end_mm=found[-1][1]) if found else bend


def stretches(ends: tuple[Point, Point], sheet: Area) -> list[tuple[Point, Point]]:
    """The stretches of a line that lie in the metal, in its own direction."""
    axis = Axis.between(*ends)
    inside = sheet.intersection(shapely.LineString(ends))
    found = []
    for line in getattr(inside, "geoms", [inside]):
        if line.geom_type == "LineString" and line.length > SHORTEST_MM:
            stations = sorted(axis.station(p)[0] for p in line.coords)
            found.append((axis.point(stations[0]), axis.point(stations[-1])))
    return sorted(found, key=lambda pair: axis.station(pair[0])[0])
