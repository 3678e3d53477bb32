"""The part as convex plates: what a tool or another flange may run into.

Faces are divided into convex pieces, bends into a few slices; holes count as metal, but for those
that lugs are bent out of.  Each plate is given by its corners on the traced surface and as many on
the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.blank.develop import Blank
from digitize.blank.fold import placements
from digitize.folding.regions import Area, Frame, Regions, polygons, regions
from digitize.folding.solid import roll
from digitize.pattern.segments import FloatArray

SIMPLE_MM = 0.2  # outlines are simplified by so much: far less than a hammer blow
MOST_CORNERS = 40
SLICE_DEG = 30.0
_LEAST_MM2 = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Plates:
    """Plates as they lie in the blank: corners (B, K, 2), the last one repeated to fill up.

    ``part`` (B,) numbers the region of each: faces first, then the folds of the tree.
    """

    blank: Blank
    frames: tuple[Frame, ...]
    corners_mm: FloatArray
    part: NDArray[np.int64]

    def posed(self, shares: Sequence[float]) -> FloatArray:
        """Corners (B, 2K, 3) with the folds bent to shares, the base face at rest."""
        tree = self.blank.tree
        n, thickness = tree.faces.count, self.blank.facts[0].thickness_mm
        motions = placements(tree, shares)
        k = self.corners_mm.shape[1]
        flat = np.zeros((len(self.part), 2 * k, 3))
        flat[:, :k, :2] = flat[:, k:, :2] = self.corners_mm
        flat[:, k:, 2] = -thickness
        placed = np.empty_like(flat)
        for part in np.unique(self.part):
            own = self.part == part
            points, face = flat[own].reshape(-1, 3), int(part)
            if part >= n:
                i = int(part) - n
                fold = tree.folds[i]
                points, face = roll(points, self.frames[i], fold.facts, shares[i]), fold.parent
            motion = motions[face]
            placed[own] = (points @ motion[:3, :3].T + motion[:3, 3]).reshape(flat[own].shape)
        return placed


def plates_of(blank: Blank, parts: Regions | None = None, trim_mm: float = 0.0) -> Plates:
    """The plates of a blank; ``trim_mm`` leaves out a rim and the bends, so that flanges that
    only touch or meet at a corner do not count as running into each other."""
    parts = parts or regions(blank.tree, blank.pattern)
    shapes: list[tuple[int, FloatArray]] = []
    for face, area in enumerate(parts.faces):
        others = shapely.union_all([a for f, a in enumerate(parts.faces) if f != face])
        flat = _filled(_rimless(area, trim_mm), others)
        shapes += [(face, corners) for corners in _convex(flat)]
    if trim_mm == 0.0:
        n = blank.tree.faces.count
        for i, strip in enumerate(parts.strips):
            facts = blank.tree.folds[i].facts
            rows = max(1, math.ceil(facts.angle_deg / SLICE_DEG - 1e-9))
            for area in _slices(strip, parts.frames[i], facts.allowance_mm, rows):
                whole = _filled(area, shapely.Polygon())
                shapes += [(n + i, corners) for corners in _convex(whole)]
    k = max((len(corners) for _, corners in shapes), default=3)
    filled = [np.vstack([c, np.repeat(c[-1:], k - len(c), axis=0)]) for _, c in shapes]
    return Plates(
        blank,
        parts.frames,
        np.array(filled).reshape(-1, k, 2),
        np.array([part for part, _ in shapes], dtype=np.int64),
    )


def _rimless(area: Area, trim_mm: float) -> Area:
    if trim_mm == 0.0:
        return area
    trimmed: Area = area.buffer(-trim_mm, join_style="mitre")
    return trimmed


def _slices(strip: Area, frame: Frame, width_mm: float, rows: int) -> list[Area]:
    if strip.is_empty:
        return []
    reach = math.hypot(strip.bounds[2] - strip.bounds[0], strip.bounds[3] - strip.bounds[1]) + 1
    low, high = frame.start_mm - reach, frame.end_mm + reach
    return [
        strip.intersection(frame.band(low, high, width_mm * k / rows, width_mm * (k + 1) / rows))
        for k in range(rows)
    ]


def _filled(area: Area, others: Area) -> Area:
    """An area without its holes, but for those in which there are others."""
    parts = [
        shapely.Polygon(
            p.exterior, [r for r in p.interiors if shapely.Polygon(r).intersects(others)]
        )
        for p in polygons(area)
    ]
    return shapely.MultiPolygon(parts)


def _convex(area: Area) -> list[FloatArray]:
    """Convex polygons that cover an area."""
    found: list[FloatArray] = []
    for part in polygons(area):
        for simple in polygons(_simple(part)):
            if simple.area >= _LEAST_MM2:
                found += [np.array(p.exterior.coords)[:-1] for p in _pieces(simple)]
    return found


def _simple(part: shapely.Polygon) -> Area:
    """A polygon with few corners; one eaten by rust is drawn more coarsely than a clean one."""
    for tolerance in (SIMPLE_MM, 2 * SIMPLE_MM, 5 * SIMPLE_MM, 10 * SIMPLE_MM):
        simple: Area = part.simplify(tolerance)
        if shapely.get_num_coordinates(simple) <= MOST_CORNERS:
            break
    return simple


def _pieces(part: shapely.Polygon) -> list[shapely.Polygon]:
    if _is_convex(part):
        return [part.convex_hull]
    pieces = polygons(shapely.constrained_delaunay_triangles(part))
    merged = len(pieces) <= 2 * MOST_CORNERS
    while merged:
        merged = False
        for i, a in enumerate(pieces):
            for j in range(i + 1, len(pieces)):
                common = a.intersection(pieces[j])
                if common.length > 1e-6 and _is_convex(both := a.union(pieces[j])):
                    pieces[i] = both.convex_hull
                    del pieces[j]
                    merged = True
                    break
            if merged:
                break
    return pieces


def _is_convex(area: Area) -> bool:
    return bool(area.convex_hull.area - area.area < 1e-6 * area.area + 1e-6)
