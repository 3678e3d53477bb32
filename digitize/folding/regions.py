"""Which part of the blank stays flat and which is rolled into a bend.

Between the tangent lines of a bend lies its strip; what remains of the metal belongs to
the faces.  Where the sheet runs on beside a bend's end the strip stops at that end, and
where the strips of two bends meet without a relief the first one has the common part: there
the real sheet is crushed or torn.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from digitize.blank.fold import flat_parts, tangent_point
from digitize.blank.folds import Fold, FoldTree
from digitize.pattern.model import Pattern
from digitize.pattern.region import metal
from digitize.pattern.segments import Point

CHORD_MM = 0.02
GRID_MM = 1e-7
"""Corners of areas are rounded to this, so that areas cut from one another share theirs."""

_OWNED_MM2 = 1e-3
_RUNS_ON_MM = 1.0  # beyond twice the reach, an edge does not cross the strip but runs beside it

Area = shapely.Polygon | shapely.MultiPolygon


@dataclass(frozen=True, slots=True)
class Frame:
    """A bend's place on the blank: its parent's tangent line, and the way to the child."""

    origin_mm: Point
    along: Point
    beyond: Point
    start_mm: float  # station of the bend's ends along the tangent line
    end_mm: float

    def at(self, station_mm: float, beyond_mm: float) -> Point:
        """A point of the blank by its station and how far it lies beyond the tangent line."""
        (x, y), (ux, uy), (nx, ny) = self.origin_mm, self.along, self.beyond
        return x + station_mm * ux + beyond_mm * nx, y + station_mm * uy + beyond_mm * ny

    def station(self, p: Point) -> tuple[float, float]:
        """Station and distance beyond the tangent line of a point of the blank."""
        dx, dy = p[0] - self.origin_mm[0], p[1] - self.origin_mm[1]
        (ux, uy), (nx, ny) = self.along, self.beyond
        return dx * ux + dy * uy, dx * nx + dy * ny

    def band(self, start_mm: float, end_mm: float, near_mm: float, far_mm: float) -> Area:
        """The rectangle between two stations and two distances."""
        return shapely.Polygon(
            [
                self.at(start_mm, near_mm),
                self.at(end_mm, near_mm),
                self.at(end_mm, far_mm),
                self.at(start_mm, far_mm),
            ]
        )


@dataclass(frozen=True, slots=True)
class Regions:
    """The metal of a blank by what becomes of it; strips in the order of the tree's folds."""

    metal: Area
    faces: tuple[Area, ...]
    strips: tuple[Area, ...]
    frames: tuple[Frame, ...]


def frame_of(tree: FoldTree, fold: Fold) -> Frame:
    """A fold's tangent line on its parent, in the blank."""
    mx, my = tree.moves_mm[fold.parent]
    x, y = tangent_point(fold)
    nx, ny = fold.normal
    frame = Frame((x + mx, y + my), (ny, -nx), (nx, ny), 0.0, 0.0)
    ends = [tree.faces.corner(c) for c in (fold.chord.first, fold.chord.last)]
    stations = sorted(frame.station((p[0] + mx, p[1] + my))[0] for p in ends)
    return Frame(frame.origin_mm, frame.along, frame.beyond, stations[0], stations[1])


def regions(tree: FoldTree, blank: Pattern, chord_error_mm: float = CHORD_MM) -> Regions:
    """The faces and bend strips of a developed blank."""
    whole = _areal(shapely.set_precision(metal(blank, chord_error_mm), GRID_MM))
    frames = tuple(frame_of(tree, fold) for fold in tree.folds)
    strips: list[Area] = []
    taken: Area = shapely.Polygon()
    for fold, frame in zip(tree.folds, frames, strict=True):
        strip = _less(_strip(whole, fold, frame), taken)
        strips.append(strip)
        taken = _areal(shapely.union(taken, strip, grid_size=GRID_MM))
    rest = _less(whole, taken)
    faces: list[list[shapely.Polygon]] = [[] for _ in range(tree.faces.count)]
    for part in polygons(rest):
        for face, piece in _shared_out(part, tree):
            faces[face].append(piece)
    joined = tuple(shapely.union_all(f, grid_size=GRID_MM) for f in faces)
    return Regions(whole, joined, tuple(strips), frames)


def _shared_out(part: shapely.Polygon, tree: FoldTree) -> Iterator[tuple[int, shapely.Polygon]]:
    """The faces that a connected part of the flat metal belongs to, mostly a single one.

    A sharp bend takes up so little sheet that a flange, unrelieved, stays joined to the edge
    beside it on the blank; there the farther face is torn off the nearer one.
    """
    flats = [shapely.union_all(flat_parts(tree, f)) for f in range(tree.faces.count)]
    depth = [len(tree.chain(f)) for f in range(tree.faces.count)]
    owners = [f for f, flat in enumerate(flats) if part.intersection(flat).area > _OWNED_MM2]
    if len(owners) <= 1:
        near = owners or [int(np.argmin([part.distance(flat) for flat in flats]))]
        yield near[0], part
        return
    left: Area = part
    for face in sorted(owners, key=lambda f: -depth[f]):
        own = shapely.intersection(left, flats[face], grid_size=GRID_MM)
        left = _less(left, flats[face])
        for piece in polygons(own):
            yield face, piece
    for piece in polygons(left):
        yield min(owners, key=lambda f: float(shapely.distance(flats[f], piece))), piece


def _less(area: Area, taken: Area) -> Area:
    return _areal(shapely.difference(area, taken, grid_size=GRID_MM))


def _areal(shape: Area) -> Area:
    """Only the polygons of a shape: overlays leave lines where areas merely touch."""
    found: Area = shapely.union_all(polygons(shape), grid_size=GRID_MM)
    return found


def polygons(area: Area) -> list[shapely.Polygon]:
    """The polygons an area consists of, without slivers."""
    parts = [area] if area.geom_type == "Polygon" else list(getattr(area, "geoms", []))
    return [p for p in parts if p.geom_type == "Polygon" and p.area > 1e-9]


def _strip(whole: Area, fold: Fold, frame: Frame) -> Area:
    """The metal between a bend's tangent lines, as far as it is bent."""
    width, reach = fold.facts.allowance_mm, fold.facts.reach_mm
    if width <= 0.0 or fold.facts.angle_deg == 0.0:
        return shapely.Polygon()
    far = 2 * max(reach, width) + _RUNS_ON_MM
    start, end = frame.start_mm, frame.end_mm
    middle = shapely.LineString([frame.at(start, width / 2), frame.at(end, width / 2)])

    def bent(low: float, high: float) -> list[shapely.Polygon]:
        band = frame.band(low, high, 0.0, width)
        inside = shapely.intersection(whole, band, grid_size=GRID_MM)
        return [p for p in polygons(inside) if p.intersection(middle).length > 0.0]

    wide = bent(start - 2 * far, end + 2 * far)
    stations = [frame.station(p)[0] for part in wide for p in part.exterior.coords]
    if not stations:
        return shapely.Polygon()
    low = start if min(stations) < start - far else start - far
    high = end if max(stations) > end + far else end + far
    return _areal(shapely.union_all(bent(low, high)))
