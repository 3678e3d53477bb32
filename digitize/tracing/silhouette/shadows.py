"""Edges behind cast shadows, and behind the soft ends of half shadows.

The first edge met from the paper may be that of a shadow.  Its vector is sharpened on the
metal that shows behind it, what it hides is swept away, and where it begins the edge is
carried across to be read anew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d  # type: ignore[attr-defined]
from scipy.spatial import KDTree

from digitize.photo.tone import LUMINANCE, linear_table
from digitize.tracing.silhouette.bridging import LARGEST_BEND, carried_across, straight_across
from digitize.tracing.silhouette.edge import Bench, Edge, Reading
from digitize.tracing.silhouette.finding import signed_area
from digitize.tracing.silhouette.reading import BESIDE_FROM_PX, SEEN_PX, read
from digitize.tracing.silhouette.runs import grown, holding, islands, stretches
from digitize.tracing.silhouette.shadow import CastShadow, band_mm, dark_mm, fitted, may_be_wall
from digitize.tracing.silhouette.strips import (
    Contours,
    along_loops,
    contours_like,
    contours_of,
    edge_behind,
    sharpness,
    unroll,
)
from digitize.tracing.silhouette.walls import face_shift_mm

FloatArray = NDArray[np.float64]

_SWEPT_PX = 2.0  # an edge that a shadow was taken off by more has been moved
_FOUND = 0.15  # of a bridge that must let itself be read
_ALIKE = 9  # points over which a step is smoothed
_SOFT = 1.9  # times the sharper edges' blur: the end of a half shadow


def shadow_on_edges(bench: Bench, edge: Edge) -> Edge:
    """The shadow's vector sharpened on the metal edges that show behind it.

    Colours put the far side of the band a pixel or two into its blur, or to the far side of
    a dark wall.  So the fit starts from three vectors: that of the colours, and those that
    follow if the strongest edge nearby is the top face or the wall's foot.  The one whose
    edges agree best is right.  Without a shadow, if it turns out to be the piece's wall.
    """
    assert edge.shadow is not None
    rough, whole = edge.shadow, edge.contours
    shift = face_shift_mm(bench.camera, whole.points_mm, bench.thickness_mm)
    visible = band_mm(rough.at(whole.points_mm), shift, whole.normals)
    some = np.flatnonzero(edge.lit & (visible > bench.pixel_mm))
    some = some[:: max(1, len(some) // 400)]
    if len(some) < 20:
        return edge
    rows = Contours(
        whole.points_mm[some],
        whole.normals[some],
        whole.curvature_per_mm[some],
        (0, len(some)),
    )
    face = np.sum(shift[some] * rows.normals, axis=1)
    first = _bands(bench, rows, rough, 5.0, both_walls=False)
    starts = [rough]
    for hidden in (face, np.maximum(face, 0.0)):
        fit = _fitted_bands(bench, rows, rough, first, hidden=hidden, doubt=0.0)
        starts += [] if fit is None else [fit[0]]
    best, least = rough, np.inf
    for start in starts:
        shadow = start
        for doubt, near_lamp in ((1.0, False), (0.4, False), (0.1, False), (0.1, True)):
            bands = _bands(bench, rows, shadow, 4.0, both_walls=True)
            fit = _fitted_bands(
                bench, rows, shadow, bands, hidden=face, doubt=doubt, near_lamp=near_lamp
            )
            if fit is None:
                break
            shadow = fit[0]
            # Aimed at the wrong edges, few rows show any, or what shows is not the lit face.
            misfit = fit[1] / bands.good.mean() ** 2 * _mismatch(bench, edge, rows, shadow)
            if doubt == 0.1 and misfit < least:
                best, least = shadow, misfit
    if may_be_wall(best.vector_mm, shift, bench.pixel_mm):
        return replace(edge, shadow=None)
    return replace(edge, shadow=best)


def _mismatch(bench: Bench, edge: Edge, rows: Contours, shadow: CastShadow) -> float:
    """How unlike the lit metal it is just inside the face's edge, as a factor from 1 up.

    A vector that puts the face's edge on a wall's foot has a dark wall there instead.
    """
    shift = face_shift_mm(bench.camera, rows.points_mm, bench.thickness_mm)
    wall = -np.sum(shift * rows.normals, axis=1) > 2.0 * bench.pixel_mm
    width = dark_mm(shadow.at(rows.points_mm), shift, rows.normals)
    whole = edge.contours
    length = float(np.hypot(*shadow.vector_mm))
    toward = edge.lit & (whole.normals @ shadow.vector_mm < -0.3 * length)
    if wall.sum() < 10 or toward.sum() < 10:
        return 1.0
    depth = width[wall] + 2.5 * bench.pixel_mm
    here = _levels(bench, rows.points_mm[wall] - depth[:, None] * rows.normals[wall])
    inside = whole.points_mm[toward] - 4.0 * bench.pixel_mm * whole.normals[toward]
    off = np.median(np.log(here)) - np.median(np.log(_levels(bench, inside)))
    return float(np.exp(np.abs(off)))


def _levels(bench: Bench, points_mm: FloatArray) -> FloatArray:
    """Light over paper white (N,) at paper points (N, 2), of the nearest pixels."""
    px = bench.camera.to_px(points_mm)
    x = np.clip(np.rint(px[:, 0]), 0, bench.photo.width_px - 1).astype(np.intp)
    y = np.clip(np.rint(px[:, 1]), 0, bench.photo.height_px - 1).astype(np.intp)
    seen = np.take(linear_table(bench.photo.rgb.dtype), bench.photo.rgb[y, x])
    return np.asarray(np.maximum(seen / bench.light.white_at(px), 1e-3) @ np.array(LUMINANCE))


@dataclass(frozen=True, eq=False)
class _Bands:
    """Measured shadow widths."""

    seen_mm: FloatArray  # (N,) from the shadow's end to the metal
    sigma_mm: FloatArray  # (N,)
    good: NDArray[np.bool_]  # (N,)
    narrow: NDArray[np.bool_]  # (N,) measured up to the outermost metal, not to the top face


def _bands(
    bench: Bench, rows: Contours, shadow: CastShadow, reach_px: float, *, both_walls: bool
) -> _Bands:
    """Look for the metal where a shadow vector says it is."""
    shift = face_shift_mm(bench.camera, rows.points_mm, bench.thickness_mm)
    vectors = shadow.at(rows.points_mm)
    visible = band_mm(vectors, shift, rows.normals)
    narrow = visible < BESIDE_FROM_PX * bench.pixel_mm
    width = np.where(narrow, visible, dark_mm(vectors, shift, rows.normals))
    inner = replace(rows, points_mm=rows.points_mm - width[:, None] * rows.normals)
    lit = np.ones(len(width), dtype=bool)
    reading = read(bench, Edge(inner, shadow, lit), reach_px, both_walls=both_walls)
    good = reading.ok & (visible > SEEN_PX * bench.pixel_mm)
    # A narrow one must be wide enough to have been told from the edge's own blur.
    good &= narrow | np.isfinite(reading.raw_mm)
    good &= ~narrow | (reading.band_mm > 1.7 * bench.pixel_mm)
    seen = np.where(narrow, reading.band_mm, width - reading.raw_mm)
    return _Bands(seen, reading.sigma_mm, good, narrow)


def _fitted_bands(
    bench: Bench,
    rows: Contours,
    shadow: CastShadow,
    bands: _Bands,
    *,
    hidden: FloatArray,
    doubt: float,
    near_lamp: bool = False,
) -> tuple[CastShadow, float] | None:
    """The shadow fitted to measured bands, and how badly it fits; None: too few.

    ``hidden`` (N,) is how far beyond the paper point the edge read stands.
    """
    good = bands.good
    if good.sum() < 20:
        return None
    # Beside a visible wall either of its edges may have been read.
    wall = np.where(bands.narrow, 0.0, np.maximum(-hidden, 0.0))
    beyond = np.where(bands.narrow, np.maximum(hidden, 0.0), hidden)
    return fitted(
        shadow,
        rows.points_mm[good],
        rows.normals[good],
        (bands.seen_mm + beyond)[good],
        np.hypot(bands.sigma_mm, doubt * wall)[good],
        thickness_mm=bench.thickness_mm,
        near_lamp=near_lamp,
    )


def behind_shadow(bench: Bench, edge: Edge, outlines: int) -> Edge:
    """The metal's own edge where its shadow hides it from the outermost one.

    With s the shadow vector and v the shift of the top face, paper plus shadow is paper
    swept along v - s; what that sweeps out of the metal region is shadow.
    """
    assert edge.shadow is not None
    shadow, t = edge.shadow, bench.thickness_mm
    old = edge.contours
    trees = [KDTree(old.points_mm[s]) for s in old.loops]
    loops = []
    for k, s in enumerate(old.loops):
        ring = shapely.simplify(shapely.LinearRing(old.points_mm[s]), 0.02)
        a = shapely.get_coordinates(ring)
        sweep = face_shift_mm(bench.camera, a, t) - shadow.at(a)
        sweep *= edge.lit[s][trees[k].query(a)[1]][:, None]
        quads = np.stack([a[:-1], a[1:], (a + sweep)[1:], (a + sweep)[:-1]], axis=1)
        swept = shapely.union_all(shapely.convex_hull(shapely.multipoints(quads)))
        body = shapely.make_valid(shapely.Polygon(a))
        metal = shapely.difference(body, swept) if k < outlines else shapely.union(body, swept)
        parts = [p for p in shapely.get_parts(metal) if p.geom_type == "Polygon"]
        ring = max(parts, key=lambda p: p.area).exterior if parts else ring
        loop = shapely.get_coordinates(ring)[:-1]
        if len(loop) < 3:
            loop = old.points_mm[s]
        loops.append(loop if (signed_area(loop) > 0) == (k < outlines) else loop[::-1])
    new = contours_of(loops, bench.spacing_mm, 0.15)
    lit = np.concatenate(
        [
            edge.lit[old.loops[k]][trees[k].query(new.points_mm[s])[1]]
            for k, s in enumerate(new.loops)
        ]
    )
    # A lit wall in front of the face is swept away as well, and belongs to the metal.
    face = np.sum(face_shift_mm(bench.camera, new.points_mm, t) * new.normals, axis=1)
    cast = np.sum(shadow.at(new.points_mm) * new.normals, axis=1)
    # So does one in front of a shadow too narrow to be read by itself.
    narrow = cast - np.maximum(face, 0.0) < BESIDE_FROM_PX * bench.pixel_mm
    back = np.where(lit & narrow, np.maximum(cast - face, 0.0), 0.0)
    moved = new.points_mm + np.minimum(back, np.maximum(-face, 0.0))[:, None] * new.normals
    return Edge(contours_like(new, moved), shadow, lit)


def past_shadow_ends(
    bench: Bench, outermost: Edge, swept: Edge, moved: Edge, glance: Reading
) -> Edge:
    """Where a shadow begins, the edge carried across from before it to behind it.

    What the sweep takes away there is bounded by the shadow's vector, not by the metal: a
    rounded corner comes out cut off straight, too far from its edge for that to be read.
    """
    spacing = bench.spacing_mm
    points = moved.contours.points_mm.copy()
    carried = np.zeros(len(points), dtype=bool)
    for k, s in enumerate(swept.contours.loops):
        old = KDTree(outermost.contours.points_mm[outermost.contours.loops[k]])
        off = old.query(swept.contours.points_mm[s])[0] > _SWEPT_PX * bench.pixel_mm
        change = grown(off != np.roll(off, 1), 2)
        clear = grown(glance.ok[s], 1)  # every third point was asked
        clear &= ~islands(clear)
        across = carried_across(points[s], clear, spacing, LARGEST_BEND)
        lost = grown(holding(~clear, change), 3)
        carried[s] = lost & np.any(across != points[s], axis=1)
        points[s][lost] = across[lost]
    if not carried.any():
        return moved
    # The shadow's law does not say where these are: its say in what is read must wait.
    edge = replace(moved, contours=contours_like(moved.contours, points))
    reading = read(bench, edge, 6.0)
    step = np.where(np.isfinite(reading.raw_mm), reading.raw_mm, reading.offset_mm)
    step = straight_across(step, reading.ok, edge.contours)
    for s in edge.contours.loops:
        step[s] = median_filter(step[s], min(_ALIKE, s.stop - s.start), mode="wrap")
        # A bridge is no better than the sweep unless some edge is found under it.
        here = points[s] + step[s, None] * edge.contours.normals[s]
        points[s] = moved.contours.points_mm[s]
        for run in stretches(carried[s]):
            if reading.ok[s][run].mean() > _FOUND:
                points[s][run] = here[run]
    return replace(edge, contours=contours_like(edge.contours, points))


def soft_stretches(bench: Bench, edge: Edge, reading: Reading) -> NDArray[np.bool_]:
    """Stretches (N,) whose edge is far more blurred than the sharper edges of the photo."""
    known = reading.ok & np.isfinite(reading.paper)
    if known.sum() < 20:
        return np.zeros(len(known), dtype=bool)
    usual = float(np.percentile(reading.blur_mm[known], 25))
    # A half shadow begins on bright paper and gets dark; elsewhere a wide edge is another thing.
    known &= (reading.paper > 0.45) & (reading.metal < 0.65 * reading.paper)
    soft = np.zeros(len(known), dtype=bool)
    width = max(3, round(3.0 / bench.spacing_mm))
    for loop in edge.contours.loops:
        rows = np.flatnonzero(known[loop])
        if len(rows) < 4:
            continue
        n = loop.stop - loop.start
        blur = np.interp(np.arange(n), rows, reading.blur_mm[loop][rows], period=n)
        wide = median_filter(blur, min(width, n), mode="wrap") > _SOFT * usual
        dense = uniform_filter1d(known[loop].astype(float), min(width, n), mode="wrap") > 0.5
        soft[loop] = wide & dense
    return soft


def behind_soft_edges(bench: Bench, edge: Edge, reading: Reading) -> Edge:
    """Where the outermost edge is the soft end of a half shadow, the metal's behind it."""
    soft = soft_stretches(bench, edge, reading)
    if soft.sum() * bench.spacing_mm < 3.0:
        return edge
    strips = unroll(
        bench.photo,
        bench.camera,
        bench.light,
        edge.contours,
        outside_mm=6.0 * bench.pixel_mm,
        inside_mm=min(3.5 * bench.thickness_mm, 12.0) + 0.5,
        step_mm=bench.pixel_mm,
    )
    sharp = sharpness(strips, edge.contours, 0.9, 2.4)
    margin = np.maximum(2.0 * reading.blur_mm, 3.0 * bench.pixel_mm)
    offset, clear = edge_behind(strips, sharp, edge.contours, soft, margin)
    clear = along_loops(clear.astype(np.float32), edge.contours, 3.0) > 0.5
    c = edge.contours
    moved = c.points_mm + np.where(clear, offset, 0.0)[:, None] * c.normals
    return replace(edge, contours=contours_like(c, moved))
