"""Whether a pattern could be cut: its edges closed, free of crossings, openings inside.

``fault`` names the first fault it finds, by the field it lies in and the place in
millimetres.  Touching is no fault; overlap counts from a few chord errors
upwards.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import shapely
from shapely.validation import explain_validity

from digitize.pattern.contour import Closed
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon

_CHORD_MM = 0.01


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong, where in the pattern, and what to do."""

    what: str
    where: str = ""
    do: str = ""


def fault(pattern: Pattern) -> Fault | None:
    """The first fault of a pattern whose numbers are finite, or None."""
    found = _crossing(pattern.outline, "outline")
    if found is not None:
        return found
    if pattern.outline.signed_area_mm2 < 0.0:
        return Fault("outline runs clockwise", do="list its edges the other way round")
    outline = polygon(pattern.outline, _CHORD_MM)
    shapes: list[shapely.Polygon] = []
    for i, opening in enumerate(pattern.openings):
        name = f"openings[{i}]"
        found = _crossing(opening, name)
        if found is not None:
            return found
        shape = polygon(opening, _CHORD_MM)
        outside = shape.difference(outline)
        if _thick(outside):
            return Fault(f"{name} reaches outside the outline", where=_near(outside))
        shapes.append(shape)
    if len(shapes) > 1:
        tree = shapely.STRtree(shapes)
        for i, j in sorted(map(tuple, tree.query(shapes, predicate="intersects").T.tolist())):
            if i < j:
                common = shapes[i].intersection(shapes[j])
                if _thick(common):
                    return Fault(f"openings[{j}] overlaps openings[{i}]", where=_near(common))
    return None


def _crossing(closed: Closed, name: str) -> Fault | None:
    if len(closed.points_mm(_CHORD_MM)) < 3:
        return Fault(f"{name} encloses no area")
    shape = polygon(closed, _CHORD_MM)
    if not shape.is_valid:
        place = re.search(r"\[(\S+) (\S+)\]", explain_validity(shape))
        where = f"near {float(place[1]):.2f}, {float(place[2]):.2f} mm" if place else ""
        return Fault(f"{name} crosses itself", where=where)
    return None


def _thick(shape: shapely.Geometry) -> bool:
    """Thicker than what chords for arcs can pretend."""
    return not shape.buffer(-2.0 * _CHORD_MM).is_empty


def _near(shape: shapely.Geometry) -> str:
    point = shape.representative_point()
    return f"near {point.x:.2f}, {point.y:.2f} mm"
