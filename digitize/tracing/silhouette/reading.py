"""Measuring the metal's edge against paper, or against a shadow on it, at every point.

An edge against lit paper is a plain step, with the band of a visible wall behind it where
that is narrow.  Beside a wide shadow the colours that tell metal from shadow are read, and
the shadow's law has a say; a narrow shadow is fitted together with the edge.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (  # type: ignore[attr-defined]
    binary_dilation,
    binary_opening,
    median_filter,
    uniform_filter1d,
)

from digitize.camera.camera import Camera
from digitize.photo.tone import LUMINANCE
from digitize.tracing.edges import Edges, locate, no_edges
from digitize.tracing.silhouette.bridging import straight_across
from digitize.tracing.silhouette.edge import Bench, Edge, Reading
from digitize.tracing.silhouette.shadow import band_mm, dark_mm
from digitize.tracing.silhouette.strips import Contours
from digitize.tracing.silhouette.walls import face_shift_mm, wall_width_mm

FloatArray = NDArray[np.float64]

BESIDE_FROM_PX = 4.0  # shadows narrower than that are fitted together with the edge
SEEN_PX = 0.6  # narrower ones cannot be seen
_NARROW_PX = 4.0  # walls narrower than this are fitted together with the edge
_NARROW_WALL_PX = 1.5  # narrower than that a wall's width is doubt enough for the edge
_DARK = 0.5  # of paper: metal darker than that is as dark as its wall may be
_WORST_PX = 0.8  # an edge less sure than that counts as not measured
_NO_SHADOW = 0.75  # of paper white: brighter paper lies in no shadow
_LAW_PX = 0.7  # how well the shadow's law predicts the metal's edge
_LAW_BAND_PX = 0.2  # how well it predicts the width of a narrow band
_BESIDE_PX = 0.6  # what dark walls and half shadow do to an edge read beside a shadow
_ROW = 9  # points that bear each other out
_GAP_POINTS, _BESIDE_GAP = 3, 3  # points without a reading that make a gap; doubted beside it


@dataclass(frozen=True, eq=False)
class Place:
    """Where to look, in the photo; N points."""

    px: FloatArray  # (N, 2)
    normal_px: FloatArray  # (N, 2) unit
    px_per_mm: FloatArray  # (N,) along it
    shift_mm: FloatArray  # (N, 2) of the top face on the paper
    wall_px: FloatArray  # (N,) width of a visible wall
    bend_per_px: FloatArray  # (N,) curvature

    @property
    def inside_px(self) -> FloatArray:
        """How far in to look (N,): a wide wall's far side is kept out."""
        return np.where(self.wall_px < _NARROW_PX, np.inf, self.wall_px - 1.0)

    @property
    def wall_band_px(self) -> FloatArray:
        """Walls (N,) to be fitted together with the edge; 0 for none."""
        return np.where((self.wall_px < _NARROW_PX) & (self.wall_px > 0.5), self.wall_px, 0.0)


def read(
    bench: Bench, edge: Edge, reach_px: float, *, both_walls: bool = True, every: int = 1
) -> Reading:
    """Measure the edge of metal against paper across every contour point, or every so many."""
    contours, count = edge.contours, len(edge.contours.points_mm)
    place = placed(bench, contours)
    ask = np.arange(count) % every == 0
    edges, raw = no_edges(count), np.full(count, np.nan)
    plain, unshaded = ask.copy(), np.zeros(count, dtype=bool)
    if edge.shadow is not None:
        vectors = edge.shadow.at(contours.points_mm)
        visible = band_mm(vectors, place.shift_mm, contours.normals) * place.px_per_mm
        visible = np.where(edge.lit, visible, 0.0)
        beside = ask & (visible >= BESIDE_FROM_PX)
        narrow = ask & ~beside & (visible > SEEN_PX)
        _into(edges, narrow, _with_narrow_shadow(bench, place, narrow, visible, reach_px))
        found = _beside_shadow(bench, edge, place, beside, reach_px, both_walls=both_walls)
        raw[beside] = found.offset_px
        _into(edges, beside, _by_law(found))
        # Where a shadow begins at a curve there may be none yet: lit paper meets the metal.
        unshaded = beside & ~edges.ok
        raw[unshaded] = np.nan
        plain = ask & ~narrow & (~beside | unshaded)
    _into(edges, plain, _against_paper(bench, place, plain, reach_px))
    white = bench.light.white_at(place.px) @ np.array(LUMINANCE)
    paper, metal = (np.where(plain, a / white, np.nan) for a in (edges.outside, edges.inside))
    edges.ok[unshaded] &= paper[unshaded] > _NO_SHADOW
    ok = edges.ok & ~stray(edges.offset_px, edges.ok, contours)
    if every == 1:
        ok &= _among_others(ok, contours)
    offset = straight_across(edges.offset_px, ok, contours)
    scale = place.px_per_mm
    return Reading(
        place.px + offset[:, None] * place.normal_px,
        offset / scale,
        raw / scale,
        edges.band_px / scale,
        edges.sigma_px / scale,
        edges.blur_px / scale,
        paper,
        metal,
        ok,
        ask,
    )


def placed(bench: Bench, contours: Contours) -> Place:
    """Where every contour point lies in the photo, and the wall it may show."""
    px, normal_px, scale = _in_photo(bench.camera, contours)
    shift = face_shift_mm(bench.camera, contours.points_mm, bench.thickness_mm)
    wall = wall_width_mm(shift, contours.normals) * scale
    bend = np.clip(contours.curvature_per_mm / scale, -0.12, 0.12)
    return Place(px, normal_px, scale, shift, wall, bend)


def _against_paper(bench: Bench, place: Place, rows: NDArray[np.bool_], reach_px: float) -> Edges:
    """Edges of some points against lit paper.

    Where texture hides what a narrow wall is like, the edge cannot lie outside it all the same:
    it is read as if there were no wall, and lies anywhere in its width from there.  That is no
    remedy where the reading itself is the greater doubt, nor on bright metal, beside which a wall
    is a dark line of its own.
    """
    wall_px = place.wall_band_px
    edges = _plain(bench, place, rows, reach_px, wall_px)
    width_px = wall_px[rows]
    unclear = ~edges.ok & (width_px > 0.0) & (width_px < _NARROW_WALL_PX)
    if unclear.any():
        again = np.flatnonzero(rows)[unclear]
        alone = _plain(bench, place, again, reach_px, np.zeros(len(rows)))
        doubt_px = width_px[unclear] / np.sqrt(12.0)
        moved = replace(
            alone,
            offset_px=alone.offset_px - width_px[unclear] / 2.0,
            sigma_px=np.hypot(alone.sigma_px, doubt_px),
            ok=alone.ok & (alone.sigma_px < doubt_px) & (alone.inside < _DARK * alone.outside),
        )
        _into(edges, unclear, moved)
    return edges


def _plain(
    bench: Bench,
    place: Place,
    rows: NDArray[np.bool_] | NDArray[np.intp],
    reach_px: float,
    wall_px: FloatArray,
) -> Edges:
    """Edges of some points as single steps, with the walls (N,) given behind them."""
    px = place.px[rows]
    return locate(
        bench.photo.rgb,
        px,
        place.normal_px[rows],
        reach_px=reach_px,
        inside_px=place.inside_px[rows],
        curvature_per_px=place.bend_per_px[rows],
        weights=np.tile(np.array(LUMINANCE), (len(px), 1)),
        sloping=True,
        inner_band_px=wall_px[rows],
        worst_sigma_px=_WORST_PX,
    )


def _with_narrow_shadow(
    bench: Bench,
    place: Place,
    rows: NDArray[np.bool_],
    visible_px: FloatArray,
    reach_px: float,
) -> Edges:
    """Edges of some points together with the narrow shadow ``visible_px`` (N,) beside them."""
    return locate(
        bench.photo.rgb,
        place.px[rows],
        place.normal_px[rows],
        reach_px=reach_px + 1.0,
        inside_px=np.minimum(place.inside_px[rows], reach_px),
        curvature_per_px=place.bend_per_px[rows],
        weights=np.tile(np.array(LUMINANCE), (int(rows.sum()), 1)),
        sloping=True,
        start_px=np.zeros(int(rows.sum())),
        inner_band_px=place.wall_band_px[rows],
        outer_band_px=visible_px[rows],
        outer_band_sd_px=1.0 if reach_px < 5.0 else _LAW_BAND_PX,
        worst_sigma_px=_WORST_PX,
    )


def _beside_shadow(
    bench: Bench,
    edge: Edge,
    place: Place,
    rows: NDArray[np.bool_],
    reach_px: float,
    *,
    both_walls: bool,
) -> Edges:
    """Edges of some points against a wide shadow, by the colours that tell it from metal."""
    assert edge.shadow is not None
    vectors = edge.shadow.at(edge.contours.points_mm)
    dark = dark_mm(vectors, place.shift_mm, edge.contours.normals) * place.px_per_mm
    wall = place.wall_px[rows]
    return locate(
        bench.photo.rgb,
        place.px[rows],
        place.normal_px[rows],
        reach_px=reach_px,
        outside_px=np.maximum(dark[rows] - 1.0, 1.5),
        curvature_per_px=place.bend_per_px[rows],
        weights=edge.shadow.contrast / bench.light.white_at(place.px[rows]),
        start_px=np.zeros(int(rows.sum())),
        sloping=True,
        outer_band_px=np.where(wall > 0.5, wall, 0.0) if both_walls else None,
    )


def _by_law(found: Edges) -> Edges:
    """Edges read beside a shadow, drawn toward where the shadow's law expects them.

    Texture may leave the reading less sure than the law.
    """
    sigma = np.hypot(found.sigma_px, _BESIDE_PX)
    trust = _LAW_PX**2 / (_LAW_PX**2 + sigma**2)
    return replace(
        found,
        offset_px=found.offset_px * trust,
        sigma_px=sigma * np.sqrt(trust),
        ok=sigma < 2.0 * _LAW_PX,
    )


def _into(whole: Edges, where: NDArray[np.bool_], part: Edges) -> None:
    """Write the edges of some points into those of all."""
    for field in fields(Edges):
        getattr(whole, field.name)[where] = getattr(part, field.name)


def _in_photo(camera: Camera, contours: Contours) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Contour points (N, 2) px, unit normals (N, 2) there, and pixels per mm along them (N,)."""
    p, n = contours.points_mm, contours.normals
    tangent = np.column_stack([-n[:, 1], n[:, 0]])
    px = camera.to_px(p)
    along = camera.to_px(p + 0.1 * tangent) - camera.to_px(p - 0.1 * tangent)
    across = camera.to_px(p + 0.1 * n) - px
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-12)[:, None]
    reach = np.sum(across * normal, axis=1)
    normal *= np.sign(reach)[:, None]
    return px, normal, np.abs(reach) / 0.1


def stray(offset: FloatArray, ok: NDArray[np.bool_], contours: Contours) -> NDArray[np.bool_]:
    """Readings (N,) that leave their neighbours' line: another edge was taken."""
    stray = np.zeros(len(offset), dtype=bool)
    for loop in contours.loops:
        part = np.where(ok[loop], offset[loop], np.nan)
        known = np.flatnonzero(np.isfinite(part))
        if len(known) < 9:
            continue
        middle = median_filter(part[known], min(21, len(known) // 2 * 2 - 1), mode="wrap")
        off = np.abs(part[known] - middle)
        usual = 1.4826 * median_filter(off, min(41, len(known) // 2 * 2 - 1), mode="wrap")
        stray[loop.start + known] = off > np.maximum(4.0 * usual, 0.7)
    return stray


def _among_others(ok: NDArray[np.bool_], contours: Contours) -> NDArray[np.bool_]:
    """Readings (N,) that stand in a row of readings.

    Where most say that they saw nothing, the few that say they did saw something else; and
    so, as a rule, did the last ones beside such a gap.
    """
    among = np.ones(len(ok), dtype=bool)
    for loop in contours.loops:
        mine = ok[loop]
        if len(mine) < 3 * _ROW or mine.all():
            continue
        dense = uniform_filter1d(mine.astype(np.float64), _ROW, mode="wrap") > 0.7
        gap = binary_opening(np.pad(~mine | ~dense, _ROW, mode="wrap"), np.ones(_GAP_POINTS))
        among[loop] = ~binary_dilation(gap, np.ones(2 * _BESIDE_GAP + 1))[_ROW:-_ROW] & dense
    return among
