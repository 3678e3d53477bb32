"""Reliefs: holes and notches that end a bend where the sheet would tear.

Where two bends meet at a corner the relief lies about the crossing of their tangent lines;
where the sheet runs on beside a bend's end it is a notch beside the end, past the tangent
line.  Sizes: a corner hole of twice the inside radius, not below 1/8 in up to 0.064 in of
thickness and 3/16 in above (FAA-H-8083-31, "folding a box"; written for aluminium), reaching
behind the tangent lines; a notch one thickness wide, not below 1.5 mm (common practice, no
source), and 1/32 in past the tangent line (FAA).  At a wide radius the hole is larger than twice
that: about the crossing of the tangent lines it must reach to where the bends meet, some 1.5 radii
away, or the sheet between would tear or be crushed.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal, assert_never

import shapely

from digitize.blank.checks import UNRELIEVED
from digitize.blank.combine import largest_without, together
from digitize.blank.develop import Blank
from digitize.blank.errors import NotDeveloped
from digitize.blank.folds import FoldTree
from digitize.blank.lines import within
from digitize.blank.outline import OpenEnd
from digitize.errors import Notice
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.region import polygon
from digitize.pattern.segments import Arc, Line, Point, Segment

Style = Literal["round", "square"]

INCH = 25.4
THIN_MM = 0.064 * INCH
LEAST_DIAMETER_MM = (INCH / 8, 3 * INCH / 16)
BEHIND_MM = INCH / 32
NARROWEST_MM = 1.5
_PAST_MM = 0.25  # by which a cut passes the edge it opens to
SOURCE = "FAA-H-8083-31, box corners; notch width common practice"


def relieved(blank: Blank, style: Style) -> Blank:
    """The blank with a relief cut at every place where it would tear.

    Raises NotDeveloped where a relief would cut the blank in two.
    """
    if not blank.open_ends:
        return blank
    outline = blank.pattern.outline.as_contour()
    openings = list(blank.pattern.openings)
    cutters: list[Contour] = []
    for end in blank.open_ends:
        opening = blank.tree.faces.loop_of(end.corner).opening
        if opening is None:
            cutters.append(_cutter(blank.tree, end, style, polygon(outline).exterior))
            continue
        around = openings[opening].as_contour()
        cutter = _cutter(blank.tree, end, style, polygon(around).exterior)
        openings[opening] = _opened(around, cutter)
    outline = largest_without(outline, cutters, "a relief")
    names = sorted({f.facts.name for end in blank.open_ends for f in end.folds})
    count = len(blank.open_ends)
    number = f"1 {style} relief" if count == 1 else f"{count} {style} reliefs"
    across = max((_across_mm(c) for c in cutters), default=0.0)
    holes = f", corner holes of up to {across:.1f} mm" if across else ""
    text = f"{number} cut at {', '.join(names)}{holes}: {SOURCE}"
    notices = [n for n in blank.pattern.notices if n.code != UNRELIEVED]
    pattern = replace(
        blank.pattern,
        outline=outline,
        openings=tuple(openings),
        notices=(*notices, Notice("relief-cut", text)),
    )
    return replace(blank, pattern=within(pattern), open_ends=())


def _across_mm(cutter: Contour) -> float:
    """Diameter of a corner hole, 0 of any other relief."""
    radii = [e.segment.radius_mm for e in cutter.edges if isinstance(e.segment, Arc)]
    return 2 * radii[0] if len(radii) == len(cutter.edges) else 0.0


def _opened(opening: Contour, cutter: Contour) -> Contour:
    """An opening with a relief at the foot of its lug; raises NotDeveloped where they miss."""
    around = together(opening, cutter)
    if len(around) != 1:
        x, y = cutter.edges[0].segment.start_mm
        raise NotDeveloped(
            "a relief would not open to the slot of its lug",
            where=f"near {x:.0f}, {y:.0f} mm",
            do="draw the slot on past the bend line",
        )
    return around[0]


def _cutter(tree: FoldTree, end: OpenEnd, style: Style, edge: shapely.LinearRing) -> Contour:
    if len(end.folds) > 1:
        return _corner(tree, end, style, edge)
    return _notch(tree, end, style)


def _corner(tree: FoldTree, end: OpenEnd, style: Style, edge: shapely.LinearRing) -> Contour:
    """About the crossing of the tangent lines on the face that both bends border."""
    one, two = end.folds
    (face,) = {one.parent, one.child} & {two.parent, two.child}
    a, b = (tree.tangent(f, face) for f in end.folds)
    centre = a.crossing(b)
    thickness = one.facts.thickness_mm
    least = LEAST_DIAMETER_MM[0 if thickness <= THIN_MM else 1] / 2
    reach = max(math.dist(centre, end.at_mm), edge.distance(shapely.Point(centre))) + _PAST_MM
    radius = max(one.facts.radius_mm, two.facts.radius_mm, least, reach)
    match style:
        case "round":
            return Circle(centre, radius).as_contour()
        case "square":
            return _kite(tree, end, face, centre)
        case _:
            assert_never(style)


def _kite(tree: FoldTree, end: OpenEnd, face: int, centre: Point) -> Contour:
    """From a little behind the crossing to a little past both bends' other tangent lines."""
    back = [f.normal_into(face) for f in end.folds]
    sides = [f.chord.axis.along for f in end.folds]
    spans = [f.facts.allowance_mm + 2 * BEHIND_MM for f in end.folds]
    # Along the second bend's line one leaves the first bend's strip, and the other way round.
    steps = []
    for k in (0, 1):
        (ux, uy), (nx, ny) = sides[1 - k], back[k]
        across = -(ux * nx + uy * ny)
        steps.append((ux * spans[k] / across, uy * spans[k] / across))
    (ax, ay), (bx, by) = steps
    start = (
        centre[0] - (ax + bx) * BEHIND_MM / spans[0],
        centre[1] - (ay + by) * BEHIND_MM / spans[1],
    )
    corners = [
        start,
        (start[0] + ax, start[1] + ay),
        (start[0] + ax + bx, start[1] + ay + by),
        (start[0] + bx, start[1] + by),
    ]
    return _counter_clockwise(corners)


def _notch(tree: FoldTree, end: OpenEnd, style: Style) -> Contour:
    """Beside a bend's end, from the edge there to past the tangent line."""
    (fold,) = end.folds
    facts, axis = fold.facts, fold.chord.axis
    corners = {fold.chord.first, fold.chord.last}
    other = next(iter(corners - {end.corner}), end.corner)
    here = axis.station(tree.faces.corner(end.corner))[0]
    outward = 1.0 if here > axis.station(tree.faces.corner(other))[0] else -1.0
    width = max(facts.thickness_mm, NARROWEST_MM)
    face = fold.parent if fold.parent in end.runs_on else fold.child
    nx, ny = fold.normal_into(face)
    dx, dy = tree.moves_mm[face]
    beyond = fold.beyond_mm(tree.faces.corner(end.corner))
    beyond = beyond if face == fold.parent else -beyond
    deep = facts.reach_mm + BEHIND_MM
    open_to = max(beyond, 0.0) + _PAST_MM
    if len(end.runs_on) > 1:
        open_to = facts.allowance_mm - facts.reach_mm + BEHIND_MM

    def point(outward_mm: float, inward_mm: float) -> Point:
        x, y = axis.point(here + outward * outward_mm)
        return x + inward_mm * nx + dx, y + inward_mm * ny + dy

    bottom_a, bottom_b = point(0.0, deep), point(width, deep)
    top = [point(width, -open_to), point(0.0, -open_to)]
    corners_mm = [bottom_a, bottom_b, *top]
    square = _counter_clockwise(corners_mm)
    if style == "square":
        return square
    rounded: list[Segment] = []
    for edge in square.edges:
        s = edge.segment
        if {s.start_mm, s.end_mm} == {bottom_a, bottom_b}:
            rounded.append(Arc(s.start_mm, s.end_mm, 1.0))
        else:
            rounded.append(s)
    return Contour.of(rounded)


def _counter_clockwise(corners: list[Point]) -> Contour:
    contour = Contour.of(
        [Line(p, q) for p, q in zip(corners, corners[1:] + corners[:1], strict=True)]
    )
    return contour if contour.signed_area_mm2 > 0 else contour.reversed()
