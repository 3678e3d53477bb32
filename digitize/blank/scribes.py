"""Lines to mark on the blank: the middle of each bend, its two tangent lines, the tool line.

The tool line is where the folding tool's edge goes on the part that is held: one inside
radius past that part's tangent line, into the bend.  On a folder it is seen right under the
nose of the clamp (FAA-H-8083-31, ch. 4, "sight line"; from memory); in a vice it is level
with the jaws, whose edge is rounded to the inside radius.
"""

from __future__ import annotations

from dataclasses import replace

from digitize.blank.folds import Fold, FoldTree
from digitize.blank.lines import SHORTEST_MM, stretches
from digitize.blank.outline import BlankOutline
from digitize.pattern.model import BendLine, ScribeLine
from digitize.pattern.region import polygon
from digitize.pattern.segments import Point


def bend_line(tree: FoldTree, fold: Fold, outline: BlankOutline) -> BendLine:
    """A bend's middle line on the blank, with all that is known of the bend."""
    facts = fold.facts
    middle = -facts.deduction_mm / 2
    metal = polygon(outline.contour)
    inside = stretches(_line(tree, fold, middle, outline), metal)
    start, end = inside[0] if len(inside) == 1 else _line(tree, fold, middle, outline)
    return replace(
        facts.line,
        start_mm=start,
        end_mm=end,
        angle_deg=facts.angle_deg,
        toward_face=facts.toward_face if facts.angle_deg else None,
        inside_radius_mm=facts.radius_mm,
        traced="blank",
    )


def scribe_lines(tree: FoldTree, fold: Fold, outline: BlankOutline) -> tuple[ScribeLine, ...]:
    """The two tangent lines of a bend and its tool line, as far as they lie in the metal."""
    facts = fold.facts
    if facts.allowance_mm == 0.0:
        return ()
    metal = polygon(outline.contour)
    held = -facts.reach_mm  # the parent's tangent line; the child's follows an allowance later
    tool = held + min(facts.radius_mm, facts.allowance_mm)
    near = _line(tree, fold, held, outline)
    far = _line(tree, fold, held + facts.allowance_mm, None)
    lines = [ScribeLine(a, b, "tangent") for ends in (near, far) for a, b in stretches(ends, metal)]
    if tool - held > SHORTEST_MM / 10:
        under = _line(tree, fold, tool, outline)
        lines += [ScribeLine(a, b, "tool") for a, b in stretches(under, metal)]
    return tuple(lines)


def _line(
    tree: FoldTree, fold: Fold, beyond_mm: float, outline: BlankOutline | None
) -> tuple[Point, Point]:
    """A line along the bend, so far beyond where it was traced, as the parent lies.

    It ends level with the corners of the blank's outline where the bend ends, or without one
    of the pattern's.
    """
    faces, axis = tree.faces, fold.chord.axis
    nx, ny = axis.normal
    left = beyond_mm if nx * fold.normal[0] + ny * fold.normal[1] > 0 else -beyond_mm
    dx, dy = tree.moves_mm[fold.parent]
    stations = []
    for corner in (fold.chord.first, fold.chord.last):
        x, y = faces.corner(corner)
        if outline is not None:
            x, y = outline.ends[corner % len(faces.edges)]
            x, y = x - dx, y - dy
        stations.append(axis.station((x, y))[0])
    a, b = (axis.point(station, left) for station in sorted(stations))
    return (a[0] + dx, a[1] + dy), (b[0] + dx, b[1] + dy)
