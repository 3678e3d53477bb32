"""Lines to mark on the blank: the middle of each bend, its two tangent lines, the tool line.

The tool line is where the folding tool's edge goes on the part that is held: one inside
radius past that part's tangent line, into the bend.  On a folder it is seen right under the
nose of the clamp (FAA-H-8083-31, ch. 4, "sight line"; from memory); in a vice it is level
with the jaws, whose edge is rounded to the inside radius.
"""

from __future__ import annotations

import math
from dataclasses import replace

from digitize.bending.facts import BendFacts
from digitize.blank.crossings import REACH_MM
from digitize.blank.cutting import Axis
from digitize.blank.folds import Fold, FoldTree
from digitize.blank.lines import SHORTEST_MM, Area, stretches
from digitize.blank.outline import BlankOutline
from digitize.pattern.model import BendLine, ScribeLine
from digitize.pattern.region import polygon
from digitize.pattern.segments import Point


def bend_line(tree: FoldTree, index: int, facts: BendFacts, outline: BlankOutline) -> BendLine:
    """A bend line of the pattern as the middle of its bend on the blank.

    Notches leave it one line: its stretches lie on one, since a face between them moves whole.
    """
    ends = [
        p
        for fold in tree.folds
        if index in fold.chord.bends
        for p in _own_part(tree, fold, facts.line, _middle(tree, fold, outline))
    ]
    axis = Axis.between(ends[0], ends[1])
    ends.sort(key=axis.station)
    return replace(
        facts.line,
        start_mm=ends[0],
        end_mm=ends[-1],
        angle_deg=facts.angle_deg,
        toward_face=facts.toward_face if facts.angle_deg else None,
        inside_radius_mm=facts.radius_mm,
        traced="blank",
    )


def _middle(tree: FoldTree, fold: Fold, outline: BlankOutline) -> tuple[Point, Point]:
    """The middle line of a fold on the blank."""
    line = _line(tree, fold, -fold.facts.deduction_mm / 2, outline)
    inside = stretches(line, polygon(outline.contour))
    return inside[0] if len(inside) == 1 else line


def _own_part(
    tree: FoldTree, fold: Fold, line: BendLine, middle: tuple[Point, Point]
) -> tuple[Point, Point]:
    """The part of a fold's middle line that one of its bend lines stands for."""
    if len(fold.chord.bends) == 1:
        return middle
    axis = Axis.between(*middle)
    length, (dx, dy) = math.dist(*middle), tree.moves_mm[fold.parent]
    drawn = [axis.station((x + dx, y + dy))[0] for x, y in (line.start_mm, line.end_mm)]
    low, high = (min(max(station, 0.0), length) for station in sorted(drawn))
    # At the ends of the whole bend it ends where that does, however short it was drawn.
    low, high = (0.0 if low < REACH_MM else low), (length if high > length - REACH_MM else high)
    return axis.point(low), axis.point(high)


def scribe_lines(
    tree: FoldTree, fold: Fold, outline: BlankOutline, metal: Area
) -> tuple[ScribeLine, ...]:
    """The two tangent lines of a bend and its tool line, as far as they lie in the metal."""
    facts = fold.facts
    if facts.allowance_mm == 0.0:
        return ()
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
            x, y = outline.ends[corner]
            x, y = x - dx, y - dy
        stations.append(axis.station((x, y))[0])
    a, b = (axis.point(station, left) for station in sorted(stations))
    return (a[0] + dx, a[1] + dy), (b[0] + dx, b[1] + dy)
