"""Where bend lines run across the sheet: from edge to edge of the outline, or of one opening.

Most lines end on the outline, and what lies between counts as sheet: a bend may run over holes.
Lines that an opening interrupts are one bend where they continue one another.  A line whose
two ends lie on one opening is that of a lug, cut free inside the sheet and bent out of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import shapely

from digitize.blank.cutting import Axis, at, meetings, nearest
from digitize.blank.errors import NotDeveloped
from digitize.pattern.contour import Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import Point

REACH_MM = 5.0  # how far from an edge a bend line may end and still mean to reach it
SAME_MM = 1e-4  # two places on a closed edge that are one corner
_IN_LINE_MM = 1.5  # aside, between lines that continue one another: a stroke of a marker pen
_IN_LINE_SINE = 0.05

Place = tuple[int, float]
"""An edge of a contour and a place on it."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """A straight stretch of one bend across the sheet, between two places on one closed edge.

    ``bends`` are the pattern's bend lines it consists of; ``opening`` is the one it begins and
    ends on, None for the outline.
    """

    bends: tuple[int, ...]
    axis: Axis
    opening: int | None
    ends: tuple[Place, Place]


def around(pattern: Pattern, opening: int | None) -> Contour:
    """The outline, or an opening, run along with the metal to the left."""
    if opening is None:
        return pattern.outline.as_contour()
    contour = pattern.openings[opening].as_contour()
    return contour.reversed() if contour.signed_area_mm2 > 0 else contour


def bend_names(bends: Sequence[int]) -> str:
    """What drawings and tables call a bend of one line or more: B1, or B1+B2."""
    return "+".join(f"B{index + 1}" for index in bends)


def crossings(pattern: Pattern) -> list[Crossing]:
    """Every stretch of every bend.

    Raises NotDeveloped where a bend line ends inside the sheet, has no length, or is
    interrupted and bent otherwise beyond.
    """
    for index, bend in enumerate(pattern.bends):
        if math.dist(bend.start_mm, bend.end_mm) < 1e-6:
            raise NotDeveloped(f"B{index + 1} has no length", do="remove it from the pattern")
    sheet = _Sheet.of(pattern)
    found = []
    for bends in _continued(pattern, sheet):
        line = _one_line(pattern, bends)
        opening = sheet.lug_opening(line)
        if opening is None:
            line = sheet.led_over_openings(line)
        axis = Axis.between(line.start_mm, line.end_mm)
        for ends in _stretches(sheet, opening, line, bend_names(bends)):
            found.append(Crossing(bends, axis, opening, ends))
    return found


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A pattern's areas, for tests of near and inside."""

    pattern: Pattern
    outline: shapely.Polygon
    openings: tuple[shapely.Polygon, ...]
    holes: shapely.Geometry  # all of them

    @classmethod
    def of(cls, pattern: Pattern) -> _Sheet:
        openings = tuple(polygon(o) for o in pattern.openings)
        return cls(pattern, polygon(pattern.outline), openings, shapely.union_all(openings))

    def reaches_outline(self, p: Point) -> bool:
        point = shapely.Point(p)
        near = point.distance(self.outline.exterior) <= REACH_MM
        return bool(near or not self.outline.contains(point))

    def opening_at(self, p: Point) -> int | None:
        """The opening nearest to a point, within reach of it."""
        point = shapely.Point(p)
        near = [(o.distance(point), i) for i, o in enumerate(self.openings)]
        distance, opening = min(near, default=(math.inf, 0))
        return opening if distance <= REACH_MM else None

    def lug_opening(self, line: BendLine) -> int | None:
        """The opening on which both ends of a line lie, nearer to them than the outline."""
        ends = (line.start_mm, line.end_mm)
        opening = self.opening_at(ends[0])
        if opening is None or self.opening_at(ends[1]) != opening:
            return None
        area = self.openings[opening]
        points = [shapely.Point(p) for p in ends]
        nearer = all(p.distance(area) < p.distance(self.outline.exterior) for p in points)
        middle = shapely.LineString(ends).interpolate(0.5, normalized=True)
        return opening if nearer and not area.contains(middle) else None

    def led_over_openings(self, line: BendLine) -> BendLine:
        """A line that ends at a relief hole led on to the outline, if little sheet is beyond."""
        start, end = line.start_mm, line.end_mm
        return replace(line, start_mm=self._led(end, start), end_mm=self._led(start, end))

    def _led(self, start: Point, end: Point) -> Point:
        if self.reaches_outline(end) or self.opening_at(end) is None:
            return end
        axis = Axis.between(start, end)
        ahead = [axis.station(p)[0] for p in _met(self.pattern.outline.as_contour(), axis)]
        beyond = axis.point(min(s for s in ahead if s > axis.station(end)[0]))
        left = shapely.LineString([end, beyond]).difference(self.holes)
        return beyond if left.length <= REACH_MM else end

    def in_metal(self, p: Point, opening: int | None) -> bool:
        """Whether a point is well inside the outline, or for a lug well outside its opening."""
        if opening is None:
            return bool(self.outline.contains(shapely.Point(p)))
        return not self.openings[opening].intersects(shapely.Point(p))

    def off_metal(self, p: Point, opening: int | None) -> bool:
        """Whether a point is well outside the outline, or for a lug well inside its opening."""
        if opening is None:
            return not self.outline.intersects(shapely.Point(p))
        return bool(self.openings[opening].contains(shapely.Point(p)))


def _met(contour: Contour, axis: Axis) -> list[Point]:
    """The points where an endless line meets a contour."""
    return [at(e.segment, t) for e in contour.edges for t in meetings(e.segment, axis)]


def _continued(pattern: Pattern, sheet: _Sheet) -> list[tuple[int, ...]]:
    """Bend lines in groups of one bend each; those that divide the sheet alone stay alone."""
    group = {index: {index} for index in range(len(pattern.bends))}
    short = [
        i
        for i, bend in enumerate(pattern.bends)
        if not (sheet.reaches_outline(bend.start_mm) and sheet.reaches_outline(bend.end_mm))
        and sheet.lug_opening(bend) is None
    ]
    for i, j in combinations(short, 2):
        if _continues(pattern.bends[i], pattern.bends[j], sheet.holes):
            merged = group[i] | group[j]
            group |= dict.fromkeys(merged, merged)
    return sorted({tuple(sorted(bends)) for bends in group.values()})


def _continues(one: BendLine, two: BendLine, holes: shapely.Geometry) -> bool:
    """Whether two lines lie on one and little but openings lies between them."""
    axis = Axis.between(one.start_mm, one.end_mm)
    (s0, left0), (s1, left1) = sorted(axis.station(p) for p in (two.start_mm, two.end_mm))
    length = math.dist(one.start_mm, one.end_mm)
    if abs(left1 - left0) > _IN_LINE_SINE * (s1 - s0):
        return False
    gap, aside = ((length, s0), left0) if s0 >= length else ((s1, 0.0), left1)
    if gap[1] <= gap[0] or abs(aside) > _IN_LINE_MM:
        return False
    between = shapely.LineString([axis.point(s) for s in gap])
    return bool(between.intersects(holes)) and between.difference(holes).length <= 2 * REACH_MM


def _one_line(pattern: Pattern, bends: tuple[int, ...]) -> BendLine:
    """The line that the bend lines of a group make together."""
    first, *others = (pattern.bends[i] for i in bends)
    if not others:
        return first
    for other in others:
        if (other.angle_deg, other.toward_face) != (first.angle_deg, first.toward_face):
            raise NotDeveloped(
                f"{bend_names(bends)} is one bend that an opening interrupts, but is not bent "
                "alike on both sides",
                do="say the same of both, or cut the opening open to an edge",
            )
    axis = Axis.between(first.start_mm, first.end_mm)
    ends = sorted((p for b in (first, *others) for p in (b.start_mm, b.end_mm)), key=axis.station)
    return replace(first, start_mm=ends[0], end_mm=ends[-1])


def _stretches(
    sheet: _Sheet, opening: int | None, line: BendLine, name: str
) -> list[tuple[Place, Place]]:
    """The stretches of a bend line that lie in the metal, by their ends on a closed edge."""
    contour = around(sheet.pattern, opening)
    axis = Axis.between(line.start_mm, line.end_mm)
    found: list[tuple[float, Place]] = sorted(
        (axis.station(at(edge.segment, t))[0], (i, t))
        for i, edge in enumerate(contour.edges)
        for t in meetings(edge.segment, axis)
    )
    ends = []
    for p in (line.start_mm, line.end_mm):
        # A line drawn too far ends where it last met the edge, however far back.
        reach = math.inf if sheet.off_metal(p, opening) else REACH_MM
        end = _end(contour, found, p, axis.station(p)[0], reach)
        if end is None:
            raise _ends_inside(sheet, contour, p, name)
        ends.append(end)
    begin, finish = ends
    inner = [f for f in found if begin[0] + SAME_MM < f[0] < finish[0] - SAME_MM]
    stretches: list[tuple[Place, Place]] = []
    joined = False
    for (s0, a), (s1, b) in pairwise([begin, *inner, finish]):
        inside = s1 - s0 > SAME_MM and sheet.in_metal(axis.point((s0 + s1) / 2), opening)
        if inside and joined:
            stretches[-1] = (stretches[-1][0], b)
        elif inside:
            stretches.append((a, b))
        if s1 - s0 > SAME_MM:
            joined = inside
    if not stretches:
        raise NotDeveloped(f"{name} does not lie in the metal", do="draw it across the piece")
    return stretches


def _end(
    contour: Contour, found: list[tuple[float, Place]], p: Point, station: float, reach_mm: float
) -> tuple[float, Place] | None:
    """Where a bend line's end meets a closed edge: on its own line, else at the nearest edge."""
    near = [f for f in found if abs(f[0] - station) <= reach_mm]
    if near:
        return min(near, key=lambda f: abs(f[0] - station))
    places = [(nearest(e.segment, p), i) for i, e in enumerate(contour.edges)]
    (t, distance), i = min(places, key=lambda place: place[0][1])
    return (station, (i, t)) if distance <= REACH_MM else None


def _ends_inside(sheet: _Sheet, contour: Contour, p: Point, name: str) -> NotDeveloped:
    where = f"near {p[0]:.1f}, {p[1]:.1f} mm"
    if sheet.opening_at(p) is not None:
        return NotDeveloped(
            f"{name} ends at an opening, and no bend goes on beyond it",
            where=where,
            do="draw it on to the edge beyond, or cut the opening open to an edge",
        )
    distance = min(nearest(e.segment, p)[1] for e in contour.edges)
    return NotDeveloped(
        f"{name} ends {distance:.1f} mm from the outline",
        where=where,
        do="draw it right across the piece, from edge to edge",
    )
