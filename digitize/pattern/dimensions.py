"""The dimensions of a pattern, each with its ± and a name that drawings and tables share.

Positions are measured the way a sheet is marked out: a rule along the longest straight
edge, starting from the corner where the squared-up piece begins.  The datum's x axis is
therefore the direction of the longest straight edge (or square to it, whichever needs the
smaller turn from the pattern's own x axis), and its origin the lower left of the box that
the outline fills in those axes.

Names: OL and OW overall along the datum's axes, OX and OY upright as drawn when that
differs; E1... outline edges counter-clockwise from the datum, A1... angles between straight
edges; H1... round holes, S1... slots, C1... other openings; B1... bend lines; M1... marks.
Edges that continue one another (split only because part of them is restored) are one edge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal, assert_never

from digitize.pattern.budget import Reading
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Evidence, Slot
from digitize.pattern.extent import Box, closed_extent_mm
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.placement import placed
from digitize.pattern.readings import (
    Pinned,
    Pull,
    corner,
    extreme,
    radius_change,
    reading,
    round_size,
    stretched,
    turned,
)
from digitize.pattern.segments import Arc, Line, Point, Segment

Kind = Literal[
    "overall", "length", "radius", "angle", "diameter", "width", "x", "y", "to edge", "direction"
]

TURN_MATTERS_DEG = 0.05  # below it the datum counts as upright
PARALLEL_DEG = 3.0  # a bend within this of an edge is measured from it
SAME_DIRECTION_RAD = 1e-6
SAME_RADIUS = 1e-6
FILLET_TANGENT_DEG = 2.0  # an arc that leaves both neighbours this smoothly rounds their corner


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


@dataclass(frozen=True, slots=True)
class Dimension:
    """One dimension.

    ``expanded`` is the expanded uncertainty U (k = 2) in the same unit as ``value``, None
    when the pattern does not say how precise it is.  ``start_mm`` and ``end_mm`` are where
    it is measured, in pattern coordinates, for drawing it.
    """

    name: str  # of the feature: "H1"
    kind: Kind
    value: float
    unit: Literal["mm", "deg"]
    expanded: float | None
    start_mm: Point
    end_mm: Point
    evidence: Evidence = "measured"
    other: str | None = None  # the second feature, for "to edge" and "angle"
    reading: Reading = field(default=Reading(), repr=False)  # how it answers to errors


@dataclass(frozen=True, slots=True)
class DimensionList:
    """All dimensions of a pattern and the datum its positions start from."""

    datum: Datum
    dimensions: tuple[Dimension, ...]

    def of(self, name: str) -> tuple[Dimension, ...]:
        """The dimensions of one feature."""
        return tuple(d for d in self.dimensions if d.name == name)


@dataclass(frozen=True, slots=True)
class NamedEdge:
    """A whole outline edge; several pieces when its evidence changes on the way."""

    name: str
    segment: Segment
    evidence: Evidence
    u_mm: float | None


def named_edges(outline: Closed, datum_mm: Point | None = None) -> tuple[NamedEdge, ...]:
    """The outline's edges E1, E2... counter-clockwise from the one that starts nearest the datum.

    A circle or slot has none: its size says all.  Without ``datum_mm`` the first edge is
    E1.
    """
    if not isinstance(outline, Contour):
        return ()
    whole = _joined(outline.edges)
    if datum_mm is not None:
        first = min(
            range(len(whole)), key=lambda i: (math.dist(whole[i].segment.start_mm, datum_mm), i)
        )
        whole = whole[first:] + whole[:first]
    return tuple(
        NamedEdge(f"E{i}", e.segment, e.evidence, e.u_mm) for i, e in enumerate(whole, start=1)
    )


def datum_of(pattern: Pattern) -> Datum:
    """The datum of a pattern; upright where the outline has no straight edge."""
    direction, longest = 0.0, 0.0
    if isinstance(pattern.outline, Contour):
        for edge in _joined(pattern.outline.edges):
            if isinstance(edge.segment, Line) and edge.segment.length_mm > longest * (1 + 1e-9):
                longest = edge.segment.length_mm
                direction = edge.segment.start_direction_rad
    elif isinstance(pattern.outline, Slot):
        longest = 1.0
        direction = Line(pattern.outline.start_mm, pattern.outline.end_mm).start_direction_rad
    direction = math.remainder(direction, math.pi / 2)
    if abs(math.degrees(direction)) < 1e-9:
        direction = 0.0
    left, bottom, _, _ = _turned_box(pattern, direction)
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


def dimensions(pattern: Pattern) -> DimensionList:
    """Every dimension somebody marking out the pattern asks for."""
    datum = datum_of(pattern)
    edges = named_edges(pattern.outline, datum.origin_mm)
    maker = _Maker(pattern, datum, edges)
    found = [
        *maker.overall(),
        *(d for i in range(len(edges)) for d in maker.edge(i)),
        *maker.angles(edges),
        *maker.openings(),
        *(d for i, b in enumerate(pattern.bends, 1) for d in maker.bend(f"B{i}", b, edges)),
    ]
    for i, mark in enumerate(pattern.marks, 1):
        found += maker.position(f"M{i}", mark.at_mm, mark.u_mm)
    return DimensionList(datum, tuple(found))


def caliper_width(pattern: Pattern, direction_rad: float) -> tuple[float, float | None]:
    """Extent of the outline along a direction, as a caliper takes it, and its U (k = 2), mm."""
    datum = datum_of(pattern)
    maker = _Maker(pattern, datum, named_edges(pattern.outline, datum.origin_mm))
    return maker.width(direction_rad)


class _Maker:
    """Makes the dimensions of one pattern."""

    def __init__(self, pattern: Pattern, datum: Datum, edges: Sequence[NamedEdge]) -> None:
        self._pattern, self._datum, self._edges = pattern, datum, edges
        self._whole = tuple(Edge(e.segment, e.evidence, e.u_mm) for e in edges)
        longest = [e for e in edges if e.name == datum.edge]
        self._guide = longest[0] if longest else None
        self._extremes: dict[float, Pinned] = {}

    def _expanded(self, how: Reading) -> float | None:
        """U (k = 2) of a dimension that answers so (JCGM 100, 6.2)."""
        precision = self._pattern.precision
        return None if precision is None else 2.0 * precision.as_budget.u(how)

    def _farthest(self, direction_rad: float) -> Pinned:
        if direction_rad not in self._extremes:  # every opening asks the same ones
            found = extreme(self._pattern.outline, direction_rad, "outline", self._whole)
            self._extremes[direction_rad] = found
        return self._extremes[direction_rad]

    def _along(
        self,
        direction_rad: float,
        first: Pinned,
        second: Pinned | Point,
        own: Iterable[tuple[float, float | None]] = (),
        *,
        datum: bool = True,
    ) -> Reading:
        """Of the distance along a direction of the datum's, from one place to another."""
        e = (math.cos(direction_rad), math.sin(direction_rad))
        to = second.at_mm if isinstance(second, Pinned) else second
        pulls, free, own = [Pull(first, (-e[0], -e[1]))], [], list(own)
        if isinstance(second, Pinned):
            pulls.append(Pull(second, e))
        else:
            free.append((second, e))
        if datum and self._guide is not None and isinstance(self._guide.segment, Line):
            # A datum that is turned wrongly measures along a wrong direction.
            lever = e[0] * (to[1] - first.at_mm[1]) - e[1] * (to[0] - first.at_mm[0])
            turning, ends = turned(self._guide.segment, lever)
            free += turning
            own.append((ends, self._guide.u_mm))
        return reading(pulls, free=free, own=own)

    def _box(self, direction_rad: float, *, datum: bool = True) -> Reading:
        """Of the outline's extent along a direction."""
        near, far = self._farthest(direction_rad + math.pi), self._farthest(direction_rad)
        return self._along(direction_rad, near, far, datum=datum)

    def width(self, direction_rad: float) -> tuple[float, float | None]:
        """Extent of the outline along a direction of its own, and U."""
        box = _turned_box(self._pattern, direction_rad)
        return box[2] - box[0], self._expanded(self._box(direction_rad, datum=False))

    def overall(self) -> Iterator[Dimension]:
        box = _turned_box(self._pattern, self._datum.direction_rad)
        along, up = box[2] - box[0], box[3] - box[1]
        back, turn = self._datum.back, self._datum.direction_rad
        up_rad = turn + math.pi / 2
        yield self._mm(
            "OL", "overall", along, (back((0.0, 0.0)), back((along, 0.0))), self._box(turn)
        )
        yield self._mm("OW", "overall", up, (back((0.0, 0.0)), back((0.0, up))), self._box(up_rad))
        if abs(math.degrees(turn)) > TURN_MATTERS_DEG:
            x0, y0, x1, y1 = closed_extent_mm(self._pattern.outline)
            across, high = self._box(0.0, datum=False), self._box(math.pi / 2, datum=False)
            yield self._mm("OX", "overall", x1 - x0, ((x0, y0), (x1, y0)), across)
            yield self._mm("OY", "overall", y1 - y0, ((x0, y0), (x0, y1)), high)
        outline = self._pattern.outline
        if not isinstance(outline, Contour):
            yield from self._size("outline", outline, 1.0)

    def edge(self, number: int) -> Iterator[Dimension]:
        """Length, and radius of an arc, of one of the named edges."""
        edge = self._edges[number]
        s = edge.segment
        how = self._length(number)
        yield self._mm(
            edge.name, "length", s.length_mm, (s.start_mm, s.end_mm), how, evidence=edge.evidence
        )
        if isinstance(s, Arc):
            yield self._radius(edge, s, 1.0)

    def _length(self, number: int) -> Reading:
        edge, n = self._edges[number], len(self._edges)
        s = edge.segment
        if isinstance(s, Arc):
            # Turn times radius where it rounds a corner; its ends are free along the edge.
            change = abs(s.included_rad) * radius_change(s)
            return reading(
                free=stretched(s.start_mm, s.end_mm, s.length_mm / math.dist(s.start_mm, s.end_mm)),
                own=((change, edge.u_mm),),
                outward=s.included_rad,
            )
        ux, uy = math.cos(s.start_direction_rad), math.sin(s.start_direction_rad)
        pulls, free, own = [], [], []
        for place, i, way in ((s.end_mm, number, 1.0), (s.start_mm, (number - 1) % n, -1.0)):
            other = self._edges[(i + 1) % n if way > 0 else i]
            if isinstance(other.segment, Arc) and n > 1:
                # Rounded off: the end moves as far as the rounding's tangent does.
                free.append((place, (way * ux, way * uy)))
                bend = math.tan(min(abs(other.segment.included_rad) / 2, 1.5))
                own.append((bend * radius_change(other.segment), other.u_mm))
            else:
                pulls.append(Pull(corner(self._whole, i, "outline"), (way * ux, way * uy)))
        return reading(pulls, free=free, own=own)

    def _radius(self, edge: NamedEdge, arc: Arc, side: float) -> Dimension:
        """A radius seen over an arc; ``side`` is 1 on the outline and -1 in an opening."""
        chord = math.dist(arc.start_mm, arc.end_mm)
        how = reading(
            free=stretched(arc.start_mm, arc.end_mm, arc.radius_mm / chord),
            own=((radius_change(arc), edge.u_mm),),
            outward=math.copysign(side, arc.bulge),
        )
        return Dimension(
            edge.name,
            "radius",
            arc.radius_mm,
            "mm",
            self._expanded(how),
            arc.centre_mm,
            _half_way(arc),
            edge.evidence,
            reading=how,
        )

    def _turn(self, *lines: tuple[Line, float | None]) -> Reading:
        """Of the angle (degrees) from the first of one or two lines to the second."""
        free: list[tuple[Point, Point]] = []
        own: list[tuple[float, float | None]] = []
        for way, (line, u_mm) in zip((-1.0, 1.0), (*lines,), strict=False):
            pulls, ends = turned(line, way * math.degrees(1.0))
            free += pulls
            own.append((ends, u_mm))
        return reading(free=free, own=own)

    def _from_datum(self, line: Line, u_mm: float | None) -> Reading:
        """Of a line's direction in the datum."""
        guide = self._guide
        if guide is None or not isinstance(guide.segment, Line):
            return self._turn((line, u_mm))
        return self._turn((guide.segment, guide.u_mm), (line, u_mm))

    def angles(self, edges: Sequence[NamedEdge]) -> Iterator[Dimension]:
        """Inside angles between straight neighbours, through a fillet if there is one."""
        n, count = len(edges), 0
        for i in range(n if n > 2 else 0):
            first = edges[i]
            second = edges[(i + 1) % n]
            between: Arc | None = None
            if isinstance(second.segment, Arc):
                between, second = second.segment, edges[(i + 2) % n]
            if not (isinstance(first.segment, Line) and isinstance(second.segment, Line)):
                continue
            if first.name == second.name or (
                between is not None and not _is_fillet(first.segment, between, second.segment)
            ):
                continue
            turn = second.segment.start_direction_rad - first.segment.end_direction_rad
            if between is None:
                turn = math.remainder(turn, math.tau)
            else:
                turn = between.included_rad + math.remainder(turn - between.included_rad, math.tau)
            count += 1
            how = self._turn((first.segment, first.u_mm), (second.segment, second.u_mm))
            yield Dimension(
                f"A{count}",
                "angle",
                180.0 - math.degrees(turn),
                "deg",
                self._expanded(how),
                first.segment.end_mm,
                second.segment.start_mm,
                _weakest((first.evidence, second.evidence)),
                f"{first.name} {second.name}",
                how,
            )

    def openings(self) -> Iterator[Dimension]:
        counts = {"H": 0, "S": 0, "C": 0}
        for opening in self._pattern.openings:
            letter = opening_letter(opening)
            counts[letter] += 1
            name = f"{letter}{counts[letter]}"
            yield from self._size(name, opening, -1.0)
            if isinstance(opening, Circle):
                yield from self.position(name, opening.centre_mm, opening.u_mm, opening.evidence)
            elif isinstance(opening, Slot):
                middle = _middle(opening.start_mm, opening.end_mm)
                yield from self.position(name, middle, opening.u_mm, opening.evidence)
            else:
                yield from self._corner_position(name, opening)

    def _size(self, name: str, closed: Closed, side: float) -> Iterator[Dimension]:
        """Sizes of a shape; ``side`` is 1 if the metal is inside it and -1 if outside."""
        direction = self._datum.direction_rad
        match closed:
            case Circle():
                (x, y), r = closed.centre_mm, closed.radius_mm
                c, s = math.cos(direction) * r, math.sin(direction) * r
                yield self._mm(
                    name,
                    "diameter",
                    2 * r,
                    ((x - c, y - s), (x + c, y + s)),
                    reading(
                        free=round_size(closed, direction),
                        own=((1.0, closed.u_mm), (1.0, closed.u_mm)),
                        outward=2.0 * side,
                    ),
                    evidence=closed.evidence,
                )
            case Slot():
                yield from self._slot(name, closed, side)
            case Contour():
                left, bottom, right, top = self._box_in_datum(closed)
                evidence = _weakest(e.evidence for e in closed.edges)
                back = self._datum.back
                low_left = back((left, bottom))
                for kind, value, end, turn in (
                    ("length", right - left, (right, bottom), direction),
                    ("width", top - bottom, (left, top), direction + math.pi / 2),
                ):
                    near, far = (extreme(closed, turn + t, name, side=side) for t in (math.pi, 0.0))
                    how = self._along(turn, near, far)
                    yield self._mm(name, kind, value, (low_left, back(end)), how, evidence=evidence)  # type: ignore[arg-type]
                for edge in _joined(closed.edges):
                    if isinstance(edge.segment, Arc):
                        named = NamedEdge(name, edge.segment, edge.evidence, edge.u_mm)
                        yield self._radius(named, edge.segment, side)
            case _:
                assert_never(closed)

    def _slot(self, name: str, slot: Slot, side: float) -> Iterator[Dimension]:
        a, b, r, u = slot.start_mm, slot.end_mm, slot.radius_mm, slot.u_mm
        axis = Line(a, b)
        ux, uy = math.cos(axis.start_direction_rad), math.sin(axis.start_direction_rad)
        m = _middle(a, b)
        across = round_size(slot, axis.start_direction_rad + math.pi / 2)
        yield self._mm(
            name,
            "width",
            2 * r,
            ((m[0] + uy * r, m[1] - ux * r), (m[0] - uy * r, m[1] + ux * r)),
            reading(free=across, own=((1.0, u), (1.0, u)), outward=2.0 * side),
            evidence=slot.evidence,
        )
        tips = (a[0] - ux * r, a[1] - uy * r), (b[0] + ux * r, b[1] + uy * r)
        yield self._mm(
            name,
            "length",
            slot.overall_mm,
            tips,
            reading(free=stretched(*tips), own=((1.0, u), (1.0, u)), outward=2.0 * side),
            evidence=slot.evidence,
        )
        how = self._from_datum(axis, u)
        turn = math.remainder(axis.start_direction_rad - self._datum.direction_rad, math.pi)
        yield Dimension(
            name,
            "direction",
            math.degrees(turn),
            "deg",
            self._expanded(how),
            a,
            b,
            slot.evidence,
            reading=how,
        )

    def position(
        self, name: str, at_mm: Point, u_mm: float | None, evidence: Evidence = "measured"
    ) -> Iterator[Dimension]:
        """Distances of a point from the datum along its axes."""
        x, y = self._datum.of(at_mm)
        back, turn = self._datum.back, self._datum.direction_rad
        own = ((1.0, u_mm),)
        for kind, value, start, way in (
            ("x", x, (0.0, y), turn),
            ("y", y, (x, 0.0), turn + math.pi / 2),
        ):
            how = self._along(way, self._farthest(way + math.pi), at_mm, own)
            yield self._mm(name, kind, value, (back(start), at_mm), how, evidence=evidence)  # type: ignore[arg-type]

    def _corner_position(self, name: str, opening: Contour) -> Iterator[Dimension]:
        """Distances of the lower left of an opening's box from the datum."""
        left, bottom, _, _ = self._box_in_datum(opening)
        back, turn = self._datum.back, self._datum.direction_rad
        at = back((left, bottom))
        evidence = _weakest(e.evidence for e in opening.edges)
        for kind, value, start, way in (
            ("x", left, (0.0, bottom), turn),
            ("y", bottom, (left, 0.0), turn + math.pi / 2),
        ):
            near = extreme(opening, way + math.pi, name, side=-1.0)
            how = self._along(way, self._farthest(way + math.pi), near)
            yield self._mm(name, kind, value, (back(start), at), how, evidence=evidence)  # type: ignore[arg-type]

    def bend(self, name: str, bend: BendLine, edges: Sequence[NamedEdge]) -> Iterator[Dimension]:
        """Length, direction in the datum, and distance from each parallel outline edge it faces.

        The nearest on either side; a bend parallel to nothing gets the positions of both
        ends instead.
        """
        line = Line(bend.start_mm, bend.end_mm)
        # It ends on two edges of the outline.
        how = reading(
            free=stretched(line.start_mm, line.end_mm), own=((1.0, None), (1.0, None)), outward=2.0
        )
        yield self._mm(name, "length", line.length_mm, (line.start_mm, line.end_mm), how)
        turn = math.remainder(line.start_direction_rad - self._datum.direction_rad, math.pi)
        how = self._from_datum(line, bend.u_mm)
        expanded = self._expanded(how)
        if expanded is not None and bend.u_deg is not None:
            expanded = max(expanded, 2.0 * bend.u_deg)
        yield Dimension(
            name,
            "direction",
            math.degrees(turn),
            "deg",
            expanded,
            line.start_mm,
            line.end_mm,
            reading=how,
        )
        if bend.inside_radius_mm is not None:
            middle = _middle(line.start_mm, line.end_mm)
            yield Dimension(name, "radius", bend.inside_radius_mm, "mm", None, middle, middle)
        if bend.angle_deg is not None:
            yield Dimension(name, "angle", bend.angle_deg, "deg", None, line.start_mm, line.end_mm)
        found = False
        for edge, distance, foot, at in _facing(line, edges):
            found = True
            how = reading(
                free=stretched(foot, at), own=((1.0, bend.u_mm), (1.0, edge.u_mm)), outward=1.0
            )
            yield Dimension(
                name,
                "to edge",
                distance,
                "mm",
                self._expanded(how),
                foot,
                at,
                edge.evidence,
                edge.name,
                how,
            )
        if not found:
            for end in (line.start_mm, line.end_mm):
                yield from self.position(name, end, bend.u_mm)

    def _mm(
        self,
        name: str,
        kind: Kind,
        value: float,
        ends: tuple[Point, Point],
        how: Reading,
        *,
        evidence: Evidence = "measured",
    ) -> Dimension:
        return Dimension(name, kind, value, "mm", self._expanded(how), *ends, evidence, reading=how)

    def _box_in_datum(self, closed: Closed) -> Box:
        turned = placed(Pattern("", closed), -self._datum.direction_rad)
        x0, y0, x1, y1 = closed_extent_mm(turned.outline)
        c, s = math.cos(self._datum.direction_rad), math.sin(self._datum.direction_rad)
        ox, oy = self._datum.origin_mm
        dx, dy = ox * c + oy * s, oy * c - ox * s
        return x0 - dx, y0 - dy, x1 - dx, y1 - dy


def opening_letter(opening: Closed) -> Literal["H", "S", "C"]:
    """The first letter of an opening's name."""
    match opening:
        case Circle():
            return "H"
        case Slot():
            return "S"
        case Contour():
            return "C"
        case _:
            assert_never(opening)


def _turned_box(pattern: Pattern, direction_rad: float) -> Box:
    return closed_extent_mm(placed(Pattern("", pattern.outline), -direction_rad).outline)


def _middle(a: Point, b: Point) -> Point:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2


def _half_way(arc: Arc) -> Point:
    (x0, y0), (x1, y1) = arc.start_mm, arc.end_mm
    # The middle lies bulge * chord / 2 to the right of the chord.
    return (x0 + x1) / 2 + arc.bulge * (y1 - y0) / 2, (y0 + y1) / 2 - arc.bulge * (x1 - x0) / 2


def _is_fillet(before: Line, arc: Arc, after: Line) -> bool:
    joints = (
        arc.start_direction_rad - before.end_direction_rad,
        after.start_direction_rad - arc.end_direction_rad,
    )
    return all(abs(math.degrees(math.remainder(j, math.tau))) < FILLET_TANGENT_DEG for j in joints)


def _weakest(evidences: Iterable[Evidence]) -> Evidence:
    order: tuple[Evidence, ...] = ("measured", "restored", "bridged")
    return max(evidences, key=order.index)


def _joined(edges: Sequence[Edge]) -> list[Edge]:
    """Edges with those that merely continue their predecessor joined to it."""
    n = len(edges)
    starts = [i for i in range(n) if not _continues(edges[i - 1].segment, edges[i].segment)]
    if not starts or n == 1:
        return list(edges)
    whole = []
    for k, i in enumerate(starts):
        j = starts[(k + 1) % len(starts)]
        run = [edges[(i + m) % n] for m in range((j - i) % n or n)]
        segment = run[0].segment
        if len(run) > 1:
            if isinstance(segment, Line):
                segment = Line(segment.start_mm, run[-1].segment.end_mm)
            else:
                swept = math.fsum(e.segment.included_rad for e in run if isinstance(e.segment, Arc))
                segment = Arc(segment.start_mm, run[-1].segment.end_mm, math.tan(swept / 4))
        u = [e.u_mm for e in run if e.u_mm is not None]
        whole.append(Edge(segment, _weakest([e.evidence for e in run]), max(u) if u else None))
    return whole


def _continues(before: Segment, after: Segment) -> bool:
    turn = math.remainder(after.start_direction_rad - before.end_direction_rad, math.tau)
    if abs(turn) > SAME_DIRECTION_RAD:
        return False
    if isinstance(before, Line) and isinstance(after, Line):
        return True
    if isinstance(before, Arc) and isinstance(after, Arc):
        same = abs(before.radius_mm - after.radius_mm) <= SAME_RADIUS * before.radius_mm
        return same and (before.bulge > 0) == (after.bulge > 0)
    return False


def _facing(
    bend: Line, edges: Sequence[NamedEdge]
) -> Iterator[tuple[NamedEdge, float, Point, Point]]:
    """The nearest parallel straight edge on each side, that overlaps the bend lengthwise."""
    best: dict[bool, tuple[NamedEdge, float, Point, Point]] = {}
    direction = bend.start_direction_rad
    ux, uy = math.cos(direction), math.sin(direction)
    mx, my = _middle(bend.start_mm, bend.end_mm)
    for edge in edges:
        s = edge.segment
        if not isinstance(s, Line):
            continue
        if (
            abs(math.degrees(math.remainder(s.start_direction_rad - direction, math.pi)))
            > PARALLEL_DEG
        ):
            continue
        along = sorted((p[0] - mx) * ux + (p[1] - my) * uy for p in (s.start_mm, s.end_mm))
        half = bend.length_mm / 2
        low, high = max(along[0], -half), min(along[1], half)
        if high - low < 0.25 * min(along[1] - along[0], bend.length_mm):
            continue
        at = (mx + ux * (low + high) / 2, my + uy * (low + high) / 2)
        ex, ey = math.cos(s.start_direction_rad), math.sin(s.start_direction_rad)
        across = (at[0] - s.start_mm[0]) * -ey + (at[1] - s.start_mm[1]) * ex
        foot = (at[0] + ey * across, at[1] - ex * across)
        left = (foot[0] - at[0]) * -uy + (foot[1] - at[1]) * ux > 0
        if left not in best or abs(across) < best[left][1]:
            best[left] = (edge, abs(across), foot, at)
    yield from sorted(best.values(), key=lambda row: row[1])
