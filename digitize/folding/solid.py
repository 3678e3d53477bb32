"""The folded sheet as one closed mesh: both surfaces and every edge, at any state of bending.

The blank is divided into triangles that respect the tangent lines; each corner is carried
to its place in space by the face or the bend it belongs to, once for the traced surface
and once for the other.  Where the sheet tears at an unrelieved bend end, the mesh does too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from digitize.bending.facts import BendFacts
from digitize.blank.develop import Blank
from digitize.blank.fold import placements
from digitize.blank.folds import FoldTree
from digitize.folding.regions import GRID_MM, Frame, Regions, regions
from digitize.pattern.segments import FloatArray

STEP_DEG = 5.0  # of bend between two rows of corners
_SAME_MM = 1e-5
_SAME_LINE_MM = 10 * GRID_MM
_FLAT_SHARE = 1e-6  # of a bend: below it the radius it is bent to says nothing


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """A closed mesh.  ``part`` numbers each triangle's region: faces first, then folds."""

    vertices_mm: FloatArray  # (N, 3)
    triangles: NDArray[np.int64]  # (M, 3), counter-clockwise seen from outside
    part: NDArray[np.int64]  # (M,)
    surface: NDArray[np.int8]  # (M,) 1 the traced surface, -1 the other, 0 an edge of the sheet
    faces: int

    def corners_mm(self, part: int, surface: int) -> FloatArray:
        """The corners (K, 3) of a region's traced (1) or other (-1) surface."""
        chosen = self.triangles[(self.part == part) & (self.surface == surface)]
        return np.asarray(self.vertices_mm[np.unique(chosen)])


@dataclass(frozen=True, slots=True)
class FlatCell:
    """A triangulated region of the blank: corners (N, 2), triangles (M, 3)."""

    part: int
    corners_mm: FloatArray
    triangles: NDArray[np.int64]


def fold_up(
    blank: Blank, shares: Sequence[float] | None = None, parts: Regions | None = None
) -> Solid:
    """The solid of a blank with each fold of its tree bent to a share of its angle (1)."""
    tree = blank.tree
    parts = parts or regions(tree, blank.pattern)
    shares = [1.0] * len(tree.folds) if shares is None else list(shares)
    shares = [0.0 if abs(share) < _FLAT_SHARE else share for share in shares]
    thickness = blank.pattern.thickness_mm or 0.0
    posture = _Posture(tree, parts.frames, placements(tree, shares), shares)
    cells = flat_cells(tree, parts)
    place = _Places()
    triangles: list[NDArray[np.int64]] = []
    part_of: list[NDArray[np.int64]] = []
    for cell in cells:
        top, bottom = (posture.carried(cell, z) for z in (0.0, -thickness))
        index = place.add(cell, top, bottom)
        triangles.append(index[cell.triangles])
        part_of.append(np.full(len(cell.triangles), cell.part))
    upper, part = np.vstack(triangles), np.concatenate(part_of)
    upper, tops, bottoms = place.merged(upper)
    upper, origin = _apart_at_points(upper)
    tops, bottoms, count = tops[origin], bottoms[origin], len(origin)
    walls, wall_part = _walls(upper, part, count)
    return Solid(
        vertices_mm=np.vstack([tops, bottoms]),
        triangles=np.vstack([upper, upper[:, ::-1] + count, walls]),
        part=np.concatenate([part, part, wall_part]),
        surface=np.concatenate(
            [np.ones(len(upper)), -np.ones(len(upper)), np.zeros(len(walls))]
        ).astype(np.int8),
        faces=tree.faces.count,
    )


def flat_cells(tree: FoldTree, parts: Regions, step_deg: float = STEP_DEG) -> list[FlatCell]:
    """The blank's regions in triangles that meet corner to corner."""
    network = _with_lines(shapely.MultiLineString(), parts.metal.boundary)
    areas = [*parts.faces, *parts.strips]
    for area in reversed(areas):
        if not area.is_empty:
            network = _with_lines(network, area.boundary)
    across: list[shapely.Geometry] = []
    for fold, frame, strip in zip(tree.folds, parts.frames, parts.strips, strict=True):
        if strip.is_empty:
            continue
        rows = max(1, math.ceil(fold.facts.angle_deg / step_deg - 1e-9))
        for k in range(1, rows):
            beyond = fold.facts.allowance_mm * k / rows
            x0, y0, x1, y1 = strip.bounds
            reach = math.hypot(x1 - x0, y1 - y0) + 1.0
            middle = (frame.start_mm + frame.end_mm) / 2
            row = shapely.LineString(
                [frame.at(middle - reach, beyond), frame.at(middle + reach, beyond)]
            )
            across.append(strip.intersection(row))
    network = _with_lines(network, shapely.GeometryCollection(across))
    for area in areas:
        shapely.prepare(area)
    cells: list[FlatCell] = []
    for cell in shapely.polygonize([network]).geoms:
        inside = cell.representative_point()
        if not shapely.contains(parts.metal, inside):
            continue
        near = [math.inf if a.is_empty else shapely.distance(a, inside) for a in areas]
        cells.append(_triangulated(cell, int(np.argmin(near))))
    return cells


def _with_lines(network: shapely.Geometry, more: shapely.Geometry) -> shapely.Geometry:
    """A network of noded lines with those of another that it lacks.

    Areas cut from one another follow the same edge only to within the grid.  Their lines side
    by side would enclose slivers, and the sheet would hang together by single points.
    """
    nodes = shapely.MultiPoint(shapely.get_coordinates(network))
    ends = _segments(shapely.snap(more, nodes, _SAME_LINE_MM) if len(nodes.geoms) else more)
    shapely.prepare(network)
    stations = np.stack([ends[:, 0], ends.mean(axis=1), ends[:, 1]], axis=1)
    there = shapely.dwithin(network, shapely.points(stations), _SAME_LINE_MM).all(axis=1)
    if there.all():
        return network
    lacking = ends[~there]
    reaching = shapely.snap(network, shapely.MultiPoint(lacking.reshape(-1, 2)), _SAME_LINE_MM)
    return shapely.union_all([reaching, *shapely.linestrings(lacking)], grid_size=GRID_MM)


def _segments(lines: shapely.Geometry) -> FloatArray:
    """Both ends (N, 2, 2) of each straight piece of any lines."""
    paths = shapely.get_parts(shapely.get_parts(lines))
    corners, path = shapely.get_coordinates(paths, return_index=True)
    same = path[1:] == path[:-1]
    return np.stack([corners[:-1][same], corners[1:][same]], axis=1)


def _triangulated(cell: shapely.Polygon, part: int) -> FlatCell:
    # However thin, no triangle may be left out: its neighbours would no longer meet.
    found = shapely.get_exterior_ring(
        shapely.get_parts(shapely.constrained_delaunay_triangles(cell))
    )
    points = shapely.get_coordinates(found).reshape(-1, 4, 2)[:, :3].reshape(-1, 2)
    corners, index = np.unique(np.round(points / GRID_MM), axis=0, return_inverse=True)
    triangles = index.reshape(-1, 3)
    turned = ~shapely.is_ccw(found)
    triangles[turned] = triangles[turned][:, ::-1]
    return FlatCell(part, corners * GRID_MM, triangles)


@dataclass(frozen=True, slots=True)
class _Posture:
    """How far each fold is bent, and so where each face is."""

    tree: FoldTree
    frames: Sequence[Frame]
    motions: Sequence[FloatArray]
    shares: Sequence[float]

    def carried(self, cell: FlatCell, z_mm: float) -> FloatArray:
        """Where the corners of a region go, at a height above the traced surface."""
        n = self.tree.faces.count
        places = np.column_stack([cell.corners_mm, np.full(len(cell.corners_mm), z_mm)])
        face = cell.part
        if cell.part >= n:
            k = cell.part - n
            fold = self.tree.folds[k]
            places = roll(places, self.frames[k], fold.facts, self.shares[k])
            face = fold.parent
        motion = self.motions[face]
        return np.asarray(places @ motion[:3, :3].T + motion[:3, 3])


def roll(flat_mm: FloatArray, frame: Frame, facts: BendFacts, share: float) -> FloatArray:
    """Points (N, 3) of a strip rolled about their bend, the parent face at rest."""
    angle = math.radians(facts.angle_deg) * share
    if angle == 0.0:
        return flat_mm
    neutral = facts.allowance_mm / math.radians(facts.angle_deg) - facts.radius_mm
    radius = facts.allowance_mm / angle - neutral
    origin, along, beyond = (np.array(v) for v in (frame.origin_mm, frame.along, frame.beyond))
    off = flat_mm[:, :2] - origin
    station, distance = off @ along, off @ beyond
    turn = angle * distance / facts.allowance_mm
    up = 1.0 if facts.toward_face else -1.0
    centre = radius if facts.toward_face else -facts.thickness_mm - radius
    arm = up * (centre - flat_mm[:, 2])
    plane = origin + np.outer(station, along) + np.outer(arm * np.sin(turn), beyond)
    return np.column_stack([plane, centre - up * arm * np.cos(turn)])


class _Places:
    """Corners of all cells; those that two cells share, in the blank and in space, are one."""

    def __init__(self) -> None:
        self.tops: list[FloatArray] = []
        self.bottoms: list[FloatArray] = []
        self.keys: list[tuple[int, int]] = []
        self.count = 0

    def add(self, cell: FlatCell, top: FloatArray, bottom: FloatArray) -> NDArray[np.int64]:
        self.tops.append(top)
        self.bottoms.append(bottom)
        self.keys += [(round(x / GRID_MM), round(y / GRID_MM)) for x, y in cell.corners_mm]
        first = self.count
        self.count += len(top)
        return np.arange(first, self.count)

    def merged(
        self, triangles: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
        """Triangles over the corners that remain, and both places of each."""
        tops, bottoms = np.vstack(self.tops), np.vstack(self.bottoms)
        seen: dict[tuple[int, int], list[int]] = {}
        into = np.arange(self.count)
        for i, key in enumerate(self.keys):
            for j in seen.setdefault(key, []):
                if (
                    np.abs(tops[i] - tops[j]).max() < _SAME_MM
                    and np.abs(bottoms[i] - bottoms[j]).max() < _SAME_MM
                ):
                    into[i] = j
                    break
            else:
                seen[key].append(i)
        kept, index = np.unique(into, return_inverse=True)
        return index[triangles], tops[kept], bottoms[kept]


def _apart_at_points(
    upper: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Triangles over corners of which each belongs to one fan, and which corner each was.

    At a nearly flat bend a tear may have closed at one corner and not at those beside it.  Two
    parts of the sheet that touch at a point only would share a wall edge there, of four walls.
    """
    # Corners of single triangles, numbered through, are one where the triangles share an edge.
    starts, ends = upper.ravel().tolist(), np.roll(upper, -1, axis=1).ravel().tolist()
    edge = {ab: i for i, ab in enumerate(zip(starts, ends, strict=True))}
    joins: list[tuple[int, int]] = []
    for (a, b), here in edge.items():
        there = edge.get((b, a))
        if there is not None:
            joins.append((here, _next(there)))
    pairs = np.array(joins, dtype=np.int64).reshape(-1, 2)
    links = coo_array((np.ones(len(pairs)), pairs.T), shape=(upper.size, upper.size))
    fans, fan = connected_components(links, directed=False)
    origin = np.empty(fans, dtype=np.int64)
    origin[fan] = upper.ravel()
    return fan.reshape(-1, 3).astype(np.int64), origin


def _next(corner: int) -> int:
    """The following corner of the same triangle."""
    return corner - 2 if corner % 3 == 2 else corner + 1


def _walls(
    upper: NDArray[np.int64], part: NDArray[np.int64], count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Two triangles down each edge of the traced surface that has no neighbour."""
    edges = np.vstack([upper[:, [0, 1]], upper[:, [1, 2]], upper[:, [2, 0]]])
    owner = np.tile(part, 3)
    code = edges[:, 0] * count + edges[:, 1]
    lone = ~np.isin(code, edges[:, 1] * count + edges[:, 0])
    a, b = edges[lone].T
    walls = np.vstack(
        [np.column_stack([a, a + count, b]), np.column_stack([b, a + count, b + count])]
    )
    return walls, np.tile(owner[lone], 2)
