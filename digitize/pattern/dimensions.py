"""The dimensions of a pattern, each with its ± and a name that drawings and tables share.

Names: OL and OW overall along the datum's axes, OX and OY upright as drawn when that
differs; E1... outline edges, A1... angles between straight edges; H1... round holes, S1...
slots, C1... other openings; B1... bend lines; M1... marks.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, assert_never

from digitize.errors import place_words
from digitize.pattern.budget import Reading
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Evidence, Slot
from digitize.pattern.datum import Datum, datum_of, turned_box
from digitize.pattern.edge_names import NamedEdge, joined, named_edges, opening_letter, weakest
from digitize.pattern.edge_runs import UNEVEN, EdgeRun, known, straight_runs, turn_rad, with_uneven
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
from digitize.pattern.segments import Arc, Line, Point

Kind = Literal[
    "overall",
    "length",
    "radius",
    "angle",
    "diameter",
    "width",
    "x",
    "y",
    "to edge",
    "direction",
    "end to end",
]

TURN_MATTERS_DEG = 0.05  # below it the datum counts as upright
PARALLEL_DEG = 3.0  # a bend within this of an edge is measured from it
FILLET_TANGENT_DEG = 2.0  # an arc that leaves both neighbours this smoothly rounds their corner
_MOST_ARCS = 4  # of an opening that is drawn of arcs, as an oval is


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
    """The dimensions of a pattern and the datum its positions start from.

    ``runs`` are the outline's edges as they are sized: alone, or together where they cannot be
    told apart.  ``unsized`` names those of which nothing is known beside their ±.
    """

    datum: Datum
    dimensions: tuple[Dimension, ...]
    runs: tuple[EdgeRun, ...] = ()
    unsized: tuple[str, ...] = ()

    def of(self, name: str) -> tuple[Dimension, ...]:
        """The dimensions of one feature."""
        return tuple(d for d in self.dimensions if d.name == name)


def dimensions(pattern: Pattern) -> DimensionList:
    """Every dimension somebody marking out the pattern asks for, where it is known.

    Left out are lengths, radii and angles of the outline whose U is more than half of them; the
    edges that have none then are named in ``unsized``.
    """
    datum = datum_of(pattern)
    edges = named_edges(pattern.outline, datum.origin_mm)
    maker = _Maker(pattern, datum, edges)
    runs = maker.runs()
    of_edges = [d for run in runs for d in maker.edge(run)]
    sized = {d.name for d in of_edges}
    unsized = tuple(run.name for run in runs if run.name not in sized)
    found = [
        *maker.overall(),
        *of_edges,
        *maker.angles(runs, sized),
        *maker.openings(),
        *(d for i, b in enumerate(pattern.bends, 1) for d in maker.bend(f"B{i}", b, edges)),
    ]
    for i, mark in enumerate(pattern.marks, 1):
        found += maker.position(f"M{i}", mark.at_mm, mark.u_mm)
    return DimensionList(datum, tuple(found), tuple(runs), unsized)


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
        box = turned_box(self._pattern, direction_rad)
        return box[2] - box[0], self._expanded(self._box(direction_rad, datum=False))

    def overall(self) -> Iterator[Dimension]:
        box = turned_box(self._pattern, self._datum.direction_rad)
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

    def runs(self) -> list[EdgeRun]:
        """The outline's edges, those put together that cannot be told apart."""
        if self._pattern.precision is None or not self._edges:
            return [EdgeRun((edge,), i) for i, edge in enumerate(self._edges)]
        straight = straight_runs(self._edges, self._corner_after, self._pattern.precision.edge_u_mm)
        return with_uneven(straight, [self._is_loose(run) for run in straight])

    def _is_loose(self, run: EdgeRun) -> bool:
        """Whether a run has no size, or the greater part of it is edges too short for their ±."""
        if not known(run.segment.length_mm, self._expanded(self._length(run))):
            return True
        loose_mm = 0.0
        for i, edge in enumerate(run.edges, run.first):
            alone = EdgeRun((edge,), i % len(self._edges))
            # Of one that goes on straight only how far its ends are off across it counts.
            expanded = self._expanded(self._length(alone, smooth=len(run.edges) > 1))
            if not known(edge.segment.length_mm, expanded, UNEVEN):
                loose_mm += edge.segment.length_mm
        return loose_mm > 0.5 * math.fsum(edge.segment.length_mm for edge in run.edges)

    def _corner_after(self, i: int) -> bool:
        """Whether the outline is known to turn after an edge; it does where a rounding begins."""
        before, after = self._edges[i], self._edges[(i + 1) % len(self._edges)]
        first, second = before.segment, after.segment
        if not (isinstance(first, Line) and isinstance(second, Line)):
            return True
        how = self._turn((first, before.u_mm), (second, after.u_mm))
        return known(math.degrees(turn_rad(first, second)), self._expanded(how))

    def edge(self, run: EdgeRun) -> Iterator[Dimension]:
        """Length, and radius of an arc, of an edge or of several together, where it is known."""
        s = run.segment
        how = self._length(run)
        kind: Kind = "end to end" if run.uneven else "length"
        ends = (s.start_mm, s.end_mm)
        found = self._mm(run.name, kind, s.length_mm, ends, how, evidence=run.evidence)
        if known(found.value, found.expanded):
            yield found
        if isinstance(s, Arc):
            radius = self._radius(run.edges[0], s, 1.0)
            if known(radius.value, radius.expanded):
                yield radius

    def _length(self, run: EdgeRun, *, smooth: bool = False) -> Reading:
        s, n = run.segment, len(self._edges)
        if isinstance(s, Arc):
            # Turn times radius where it rounds a corner; its ends are free along the edge.
            change = abs(s.included_rad) * radius_change(s)
            return reading(
                free=stretched(s.start_mm, s.end_mm, s.length_mm / math.dist(s.start_mm, s.end_mm)),
                own=((change, run.u_mm),),
                outward=s.included_rad,
            )
        ux, uy = math.cos(s.start_direction_rad), math.sin(s.start_direction_rad)
        last = (run.first + len(run.edges) - 1) % n
        pulls, free, own = [], [], []
        for place, i, way in ((s.end_mm, last, 1.0), (s.start_mm, (run.first - 1) % n, -1.0)):
            other = self._edges[(i + 1) % n if way > 0 else i]
            if isinstance(other.segment, Arc) and n > 1:
                # Rounded off: the end moves as far as the rounding's tangent does.
                free.append((place, (way * ux, way * uy)))
                bend = math.tan(min(abs(other.segment.included_rad) / 2, 1.5))
                own.append((bend * radius_change(other.segment), other.u_mm))
            else:
                held = corner(self._whole, i, "outline", smooth=smooth)
                pulls.append(Pull(held, (way * ux, way * uy)))
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

    def _direction_rad(self, line: Line) -> float:
        """A line's direction in the datum, from -45 degrees up to 135.

        So level is about 0 and upright about 90, to whichever side a little is missing.
        """
        turn = math.remainder(line.start_direction_rad - self._datum.direction_rad, math.pi)
        return turn + math.pi if turn < -math.pi / 4 else turn

    def _from_datum(self, line: Line, u_mm: float | None) -> Reading:
        """Of a line's direction in the datum."""
        guide = self._guide
        if guide is None or not isinstance(guide.segment, Line):
            return self._turn((line, u_mm))
        return self._turn((guide.segment, guide.u_mm), (line, u_mm))

    def angles(self, runs: Sequence[EdgeRun], sized: Collection[str]) -> Iterator[Dimension]:
        """Inside angles between straight neighbours of known length, or through their fillet."""
        after = {run.first: run for run in runs if not run.uneven}
        n, count = len(self._edges), 0
        for first in runs if n > 2 else ():
            second = after.get((first.first + len(first.edges)) % n)
            between: Arc | None = None
            if second is not None and isinstance(second.segment, Arc):
                between, second = second.segment, after.get((second.first + 1) % n)
            if second is None or second is first:
                continue
            if first.uneven or not {first.name, second.name} <= {*sized}:
                continue
            if not (isinstance(first.segment, Line) and isinstance(second.segment, Line)):
                continue
            if between is not None and not _is_fillet(first.segment, between, second.segment):
                continue
            turn = turn_rad(first.segment, second.segment)
            if between is not None:
                turn = between.included_rad + math.remainder(turn - between.included_rad, math.tau)
            how = self._turn((first.segment, first.u_mm), (second.segment, second.u_mm))
            expanded = self._expanded(how)
            if not known(math.degrees(turn), expanded):
                continue
            count += 1
            yield Dimension(
                f"A{count}",
                "angle",
                180.0 - math.degrees(turn),
                "deg",
                expanded,
                first.segment.end_mm,
                second.segment.start_mm,
                weakest((first.evidence, second.evidence)),
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
                evidence = weakest(e.evidence for e in closed.edges)
                back = self._datum.back
                low_left = back((left, bottom))
                sides = (
                    (right - left, (right, bottom), direction),
                    (top - bottom, (left, top), direction + math.pi / 2),
                )
                # The longer one is the length; of a square box that along the datum's x.
                longest_first = sorted(sides, key=lambda side: -round(side[0], 3))
                for kind, (value, end, turn) in zip(
                    ("length", "width"), longest_first, strict=True
                ):
                    near, far = (extreme(closed, turn + t, name, side=side) for t in (math.pi, 0.0))
                    how = self._along(turn, near, far)
                    yield self._mm(name, kind, value, (low_left, back(end)), how, evidence=evidence)  # type: ignore[arg-type]
                edges = joined(closed.edges)
                for i, edge in enumerate(edges):
                    if isinstance(edge.segment, Arc) and not _of_a_curve(edges, i):
                        named = NamedEdge(name, edge.segment, edge.evidence, edge.u_mm)
                        radius = self._radius(named, edge.segment, side)
                        if known(radius.value, radius.expanded):
                            yield replace(radius, other=self._near(edge.segment))
            case _:
                assert_never(closed)

    def _near(self, arc: Arc) -> str:
        """Where a rounding of an opening is: its middle, from the datum."""
        x, y = self._datum.of(_half_way(arc))
        return f"near {place_words((x, y))}"

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
        turn = self._direction_rad(axis)
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
        evidence = weakest(e.evidence for e in opening.edges)
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
        turn = self._direction_rad(line)
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


def _middle(a: Point, b: Point) -> Point:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2


def _of_a_curve(edges: Sequence[Edge], i: int) -> bool:
    """Whether an arc is one of many that follow a curve, whose radius says nothing of it."""
    beside = (edges[i - 1].segment, edges[(i + 1) % len(edges)].segment)
    arcs = sum(isinstance(edge.segment, Arc) for edge in edges)
    return arcs > _MOST_ARCS and all(isinstance(segment, Arc) for segment in beside)


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
