"""Edges of a pattern by their names: extra metal to trim, laps, joggled laps, weld holes.

Names are those of the dimension list and the proofs, E1, E2...  All of it is done to the
pattern before it is developed, so that everything goes with its flange.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import shapely

from digitize.bending.setback import BadBend
from digitize.blank.crossings import REACH_MM
from digitize.blank.cutting import Axis, at, meetings, nearest
from digitize.blank.offset import moved
from digitize.pattern.contour import Circle, Contour, Edge
from digitize.pattern.datum import datum_of
from digitize.pattern.edge_names import named_edges
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import Line, Point

_SAME_PLACE_MM = 0.05


@dataclass(frozen=True, slots=True)
class Joggle:
    """A step in a lap, so that its face lies level with its neighbour's.

    ``depth_mm`` is how far the lap is set off, as a rule the neighbour's thickness.
    """

    depth_mm: float
    radius_mm: float
    angle_deg: float = 45.0
    toward_face: bool = False


@dataclass(frozen=True, slots=True)
class HoleRow:
    """Holes along an edge for plug welds: diameter, pitch, and how far in from the edge."""

    diameter_mm: float
    pitch_mm: float
    inset_mm: float


@dataclass(frozen=True, slots=True)
class Lap:
    """Metal beyond an edge that goes under or over its neighbour, joggled if asked for."""

    width_mm: float
    joggle: Joggle | None = None


@dataclass(frozen=True, slots=True)
class EdgeWork:
    """What is done at the edges of a pattern, by the names its edges have before."""

    trim_mm: Mapping[str, float] = field(default_factory=dict)  # to be filed back where it fits
    laps: Mapping[str, Lap] = field(default_factory=dict)
    holes: Mapping[str, HoleRow] = field(default_factory=dict)


def worked(pattern: Pattern, work: EdgeWork) -> Pattern:
    """The pattern with metal added at edges, joggles bent and weld holes marked.

    Neighbours of a moved edge are carried on to meet it.  A joggle's first bend lies on the old
    edge; its two bends become the pattern's last.  Holes count from the new edge.  Raises
    BadBend for an edge that is unknown, or not straight where it must be, NotDeveloped where
    edges no longer meet.
    """
    asked = {**work.trim_mm, **work.laps, **work.holes}
    if not asked:
        return pattern
    edges = _named(pattern)
    for name in asked:
        if name not in edges:
            first, *_, last = edges
            raise BadBend(f"the outline has no edge called {name}", do=f"it has {first} to {last}")
    lines = {name: _straight(name, edges[name]) for name in (*work.laps, *work.holes)}
    steps = {
        name: _step_mm(lap.joggle, pattern.thickness_mm)
        for name, lap in work.laps.items()
        if lap.joggle is not None
    }
    out = {
        name: work.trim_mm.get(name, 0.0)
        + (work.laps[name].width_mm if name in work.laps else 0.0)
        + steps.get(name, 0.0)
        for name in edges
    }
    outline = moved(Contour(tuple(edges.values())), list(out.values()))
    moves = _Moves(edges, out, outline)
    bends = [
        moves.carried(b, [other for other in pattern.bends if other is not b])
        for b in pattern.bends
    ]
    for name, lap in work.laps.items():
        if lap.joggle is not None:
            bends += _joggle_bends(lap.joggle, lines[name], steps[name], polygon(outline))
    holes = [h for name, row in work.holes.items() for h in _row(name, row, lines[name], out[name])]
    return replace(
        pattern, outline=outline, bends=tuple(bends), openings=(*pattern.openings, *holes)
    )


@dataclass(frozen=True, slots=True)
class _Moves:
    """Edges by name as they were, how far each was moved outward, and the outline since."""

    was: Mapping[str, Edge]
    out_mm: Mapping[str, float]
    now: Contour

    def carried(self, bend: BendLine, others: Sequence[BendLine]) -> BendLine:
        """A bend line drawn on to the edges that its ends lay on, where those were moved.

        A corner of two bends stays where they meet.
        """
        axis = Axis.between(bend.start_mm, bend.end_mm)
        corners = [p for other in others for p in (other.start_mm, other.end_mm)]
        start, end = (
            p if any(math.dist(p, c) < _SAME_PLACE_MM for c in corners) else self._end(axis, p, way)
            for p, way in ((bend.start_mm, -1.0), (bend.end_mm, 1.0))
        )
        return replace(bend, start_mm=start, end_mm=end)

    def _end(self, axis: Axis, end: Point, way: float) -> Point:
        """Where a line that ended at a point, seen along its axis, ends since."""
        off = {name: nearest(edge.segment, end)[1] for name, edge in self.was.items()}
        at_end = [name for name in off if off[name] < min(off.values()) + _SAME_PLACE_MM]
        name = max(at_end, key=lambda n: abs(self.out_mm[n]))
        moved_mm = abs(self.out_mm[name])
        if moved_mm == 0.0 or off[name] > REACH_MM:
            return end
        here = axis.station(end)[0]
        stations = [
            axis.station(at(edge.segment, t))[0]
            for edge in self.now.edges
            for t in meetings(edge.segment, axis)
        ]
        ahead = [s for s in stations if way * (s - here) > -moved_mm - 1.0]
        return axis.point(min(ahead, key=lambda s: abs(s - here))) if ahead else end


def _joggle_bends(
    joggle: Joggle, line: Line, step_mm: float, metal: shapely.Polygon
) -> list[BendLine]:
    """The two bends of a joggle, the first on the old edge."""
    axis = Axis.between(line.start_mm, line.end_mm)
    bends = []
    for outward_mm, toward in ((0.0, joggle.toward_face), (step_mm, not joggle.toward_face)):
        fold = axis.moved(-outward_mm)
        low, high = _across(fold, metal)
        bends.append(
            BendLine(
                start_mm=fold.point(low),
                end_mm=fold.point(high),
                angle_deg=joggle.angle_deg,
                toward_face=toward,
                inside_radius_mm=joggle.radius_mm,
                traced="outside",
            )
        )
    return bends


def _row(name: str, row: HoleRow, line: Line, out_mm: float) -> list[Circle]:
    """Holes along an edge that was moved outward, evenly about its middle."""
    radius = row.diameter_mm / 2
    room = line.length_mm - 2 * row.inset_mm
    if room < 0.0 or row.inset_mm <= radius:
        raise BadBend(
            f"no hole of {row.diameter_mm:g} mm fits {row.inset_mm:g} mm in from {name}",
            do="choose a smaller diameter, or another distance from the edge",
        )
    count = math.floor(room / row.pitch_mm + 1e-9) + 1
    axis = Axis.between(line.start_mm, line.end_mm).moved(row.inset_mm - out_mm)
    first = (line.length_mm - (count - 1) * row.pitch_mm) / 2
    return [Circle(axis.point(first + k * row.pitch_mm), radius) for k in range(count)]


def _step_mm(joggle: Joggle, thickness_mm: float | None) -> float:
    """Length between the mould lines of a joggle's two bends, which lie on opposite faces.

    Setting off by D through an angle a takes (D + T (1 - cos a)) / sin a of the sloping part.
    """
    if thickness_mm is None:
        raise BadBend("a joggle needs the thickness of the sheet", do="give --thickness")
    a = math.radians(joggle.angle_deg)
    step = (joggle.depth_mm + thickness_mm * (1 - math.cos(a))) / math.sin(a)
    least = 2 * math.tan(a / 2) * (joggle.radius_mm + thickness_mm)
    if step < least - 1e-9:
        raise BadBend(
            f"a joggle of {joggle.depth_mm:g} mm is too shallow for two bends of radius "
            f"{joggle.radius_mm:g} mm through {joggle.angle_deg:g}°",
            do="choose a smaller radius or angle",
        )
    return step


def _across(axis: Axis, metal: shapely.Polygon) -> tuple[float, float]:
    """Where an endless line enters and leaves the metal, by the stretch nearest its start."""
    far = 1e5
    inside = shapely.LineString([axis.point(-far), axis.point(far)]).intersection(metal)
    found = []
    for part in getattr(inside, "geoms", [inside]):
        if part.geom_type == "LineString" and part.length > 0:
            low, high = sorted(axis.station(p)[0] for p in part.coords)
            found.append((low, high))
    if not found:
        raise BadBend("the lap's fold does not lie in the metal", do="choose another edge")
    return min(found, key=lambda s: max(s[0], -s[1], 0.0))


def _named(pattern: Pattern) -> dict[str, Edge]:
    """The outline in whole edges, in their order, by the names that people know."""
    if not isinstance(pattern.outline, Contour):
        raise BadBend("a round outline has no edges by name", do="widen it in the drawing")
    whole = named_edges(pattern.outline, datum_of(pattern).origin_mm)
    return {e.name: Edge(e.segment, e.evidence, e.u_mm) for e in whole}


def _straight(name: str, edge: Edge) -> Line:
    if not isinstance(edge.segment, Line):
        raise BadBend(f"{name} is not straight", do="choose a straight edge")
    return edge.segment
