"""Which of the things seen inside a piece are openings.

A first look says how much of its rim each shows, and whether that has the levels of paper
and metal; of those that overlap one is kept.  What lets itself be measured hardly anywhere
is no opening.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree

from digitize.tracing.silhouette.edge import Bench, Edge, FloatArray, Reading
from digitize.tracing.silhouette.finding import signed_area
from digitize.tracing.silhouette.strips import Contours, contours_like, evenly, perimeter
from digitize.tracing.traces import LeftOut

_SEAM_MM = 0.5  # between the lit and the shaded part of one opening
_ONLY_SMOOTH = 3  # rank of openings found by nothing else
_WEB_MM = 1.2  # metal left between an opening and the outline
_SPECK_MM2 = 1.5  # openings smaller than this are not looked for
_SPOT_MM = 3.0  # smaller things taken for metal are not worth a word
_SEEN_WELL = 0.5  # of the rim at a glance: needs no closer look to be believed
_LEAST_MEASURED = 0.25  # of its rim that any other must have measured in the end
_NO_OPENING = "no clear edge: dirt, wear or glare, taken as metal"


def qualities(bench: Bench, edge: Edge, reading: Reading, rank: list[int]) -> list[float]:
    """Share of each loop's rim that reads as the edge of an opening; 0 for dirt and glare."""
    # Paper in an opening is not brighter than paper, unless paper white was learnt in shadow.
    brightest = 1.08 if bench.light.inlier_share > 0.8 else np.inf
    usual_blur = _median(reading.blur_mm, edge.contours.loops[0], reading.ok)
    qualities = []
    for loop, r in zip(edge.contours.loops, rank, strict=True):
        share = float(reading.ok[loop].sum() / max(reading.asked[loop].sum(), 1))
        across = float(np.ptp(edge.contours.points_mm[loop], axis=0).max())
        small = across < 5.0 * bench.thickness_mm
        good = _is_opening(
            reading,
            loop,
            share,
            brightest,
            usual_blur=usual_blur if small else 0.0,
            only_smooth=r == _ONLY_SMOOTH,
        )
        qualities.append(share if good or (r == 0 and share > 0.3) else 0.0)
    return qualities


def _is_opening(
    reading: Reading,
    loop: slice,
    share: float,
    brightest: float,
    *,
    usual_blur: float,
    only_smooth: bool,
) -> bool:
    """Whether what looks like an opening has the edge of one.

    ``usual_blur`` is given for narrow ones, of which half may lie in shadow; ``only_smooth``
    ones had nothing else to be found by, as any smooth patch of metal has.
    """
    beside_light = reading.ok[loop] & np.isfinite(reading.paper[loop])
    level, metal = reading.paper[loop][beside_light], reading.metal[loop][beside_light]
    if share < 0.1 or len(level) < 3:
        return False
    low, middle, high = np.percentile(level, (10, 50, 90))
    wild = high > brightest + 0.12 or low < -0.15
    if middle > brightest or (wild and share < 0.7):
        return False
    metal_level = float(np.median(metal))
    distinct = abs(middle - metal_level) > 0.3 * max(middle, metal_level, 0.2)
    if share > 0.45:
        return bool(distinct or share > 0.9)
    if only_smooth:
        return False
    # If half of it lies in shadow, the lit half must be even and sharp.
    sharp = _median(reading.blur_mm, loop, reading.ok) < 1.5 * usual_blur
    return bool(high - low < 0.3 and distinct and sharp)


def _median(values: FloatArray, loop: slice, ok: NDArray[np.bool_]) -> float:
    part = values[loop][ok[loop]]
    return float(np.median(part)) if len(part) else 0.0


def distinct(
    edge: Edge, owner: list[int], rank: list[int], quality: list[float], outlines: int
) -> tuple[Edge, list[int], list[LeftOut]]:
    """Without openings that lie outside their piece, within another one, or are mere specks.

    Bright smooth metal looks like an opening that follows the outline all along.  A strip of
    cast shadow looks like a dark opening at first; it lies outside the metal, or in a lit
    opening that the shadow's sweep has just completed.  A strip all along a lit opening is
    the half shadow in it, and part of it.
    """
    loops = edge.contours.loops
    shapes = [shapely.make_valid(shapely.Polygon(edge.contours.points_mm[s])) for s in loops]
    kept = list(range(outlines))
    spots = []
    # Of two that overlap the larger holds the other, unless its rim shows much worse.
    weight = [
        shape.area * q * q * (1.3 if r < 2 else 1.0)
        for shape, q, r in zip(shapes, quality, rank, strict=True)
    ]
    order = sorted(range(outlines, len(loops)), key=lambda k: (quality[k] == 0, -weight[k]))
    joined: dict[int, shapely.Geometry] = {}
    for k in order:
        area, points = shapes[k].area, shapely.points(edge.contours.points_mm[loops[k]])
        inside = shapely.intersection(shapes[k], shapes[owner[k]]).area
        rim = shapely.get_exterior_ring(shapely.Polygon(edge.contours.points_mm[loops[owner[k]]]))
        web = float((shapely.distance(rim, points) < _WEB_MM).mean())
        if area < _SPECK_MM2 or inside < 0.9 * area or web > 0.15:
            continue
        touching = None
        for j in kept[outlines:]:
            there = joined.get(j, shapes[j])
            if shapely.intersection(shapes[k], there).area > 0.2 * area:
                touching = -1
                break
            if (shapely.distance(there, points) < _SEAM_MM).mean() > 0.25:
                touching = j
        if quality[k] == 0:
            at, size = shapes[k].centroid, float(np.sqrt(area))
            if touching is None and rank[k] < 3 and size > _SPOT_MM:
                spots.append(LeftOut((at.x, at.y), size, _NO_OPENING))
        elif touching is None:
            kept.append(k)
        elif touching >= 0:
            both = shapely.union(joined.get(touching, shapes[touching]), shapes[k])
            joined[touching] = shapely.buffer(shapely.buffer(both, _SEAM_MM), -_SEAM_MM)
    rings = [edge.contours.points_mm[loops[k]] for k in kept]
    lit = [edge.lit[loops[k]] for k in kept]
    for i, k in enumerate(kept):
        if k in joined:
            old = KDTree(rings[i])
            whole = max(shapely.get_parts(joined[k]), key=lambda p: p.area)
            spacing = perimeter(rings[i]) / len(rings[i])
            ring = evenly(shapely.get_coordinates(whole.exterior)[:-1], spacing)
            rings[i] = ring if signed_area(ring) < 0 else ring[::-1]
            lit[i] = lit[i][old.query(rings[i])[1]]
    starts = (0, *np.cumsum([len(r) for r in rings]).tolist())
    points_mm = np.concatenate(rings)
    bare = Contours(points_mm, np.zeros_like(points_mm), np.zeros(len(points_mm)), starts)
    return Edge(contours_like(bare, points_mm), edge.shadow, np.concatenate(lit)), kept, spots


def bears_out(reading: Reading, loop: slice, quality: float) -> bool:
    """Whether the closer look agrees that a loop bounds an opening."""
    return quality > _SEEN_WELL or float(reading.ok[loop].mean()) > _LEAST_MEASURED


def unmeasured(loop_mm: FloatArray) -> LeftOut:
    """What looked like an opening at a glance and turned out to have hardly any edge."""
    area = shapely.make_valid(shapely.Polygon(loop_mm)).area
    x, y = loop_mm.mean(axis=0)
    return LeftOut((float(x), float(y)), float(np.sqrt(area)), _NO_OPENING)
