"""The outline and the openings of a flat piece that lies on the paper.

The piece is found roughly from above, its contour is unrolled to see whether a hard shadow
lies beside it, and then the metal's own edge is measured in the photo's raw pixels.  Which
edge of the plate that is depends on the view: a wall that faces away from the camera's
foot point hides behind its top edge, one that faces it shows its bottom edge.  Every point
is carried to the sheet at that height.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Notice
from digitize.photo.photo import Photo
from digitize.photo.tone import LUMINANCE
from digitize.sheets.layout import Sheet
from digitize.tracing.edges import Edges, locate
from digitize.tracing.light import PaperLight, fit_paper_light
from digitize.tracing.shadow import CastShadow, band_mm, find_shadow, fitted
from digitize.tracing.silhouette_finding import (
    Blob,
    NoPieceFound,
    PieceOutOfFrame,
    PieceOverBorder,
    find_blobs,
    pixel_size_mm,
    signed_area,
    view_from_above,
)
from digitize.tracing.silhouette_strips import (
    Contours,
    contours_like,
    contours_of,
    first_edge,
    sharpness,
    steady,
    unroll,
)
from digitize.tracing.silhouette_walls import edge_height_mm, face_shift_mm, without_folds
from digitize.tracing.traces import BRIDGED, MEASURED, LeftOut, Traced, TracedLoop, TracedPiece

FloatArray = NDArray[np.float64]

_SPACING_PX = 2.0


class ThicknessMissing(DigitizeError):
    """A silhouette cannot be placed without the thickness of the piece."""


@dataclass(frozen=True, slots=True)
class SilhouetteOptions:
    """What the user says about the piece."""

    thickness_mm: float | None = None
    region_mm: tuple[tuple[float, float], ...] | None = None  # polygon on the sheet
    min_area_mm2: float = 60.0  # smaller things are left out


def trace_silhouette(
    photo: Photo,
    camera: Camera,
    sheet: Sheet,
    options: SilhouetteOptions,
    *,
    scale_xy: tuple[float, float] = (1.0, 1.0),
    light: PaperLight | None = None,
) -> Traced:
    """Trace every piece that lies on the paper, largest first.

    ``scale_xy`` is printed over nominal size of the sheet.  ``light`` saves fitting the
    paper white when that has been done already.

    Raises
    ------
    ThicknessMissing, NoPieceFound, PieceOverBorder, PieceOutOfFrame
    """
    thickness = options.thickness_mm
    if thickness is None or not thickness > 0:
        raise ThicknessMissing(
            "the thickness of the piece is not given",
            do="measure it with a caliper and tell it in millimetres; "
            "seen at a slant, 1 mm of thickness shifts an edge by up to 0.6 mm",
        )
    if light is None:
        light = fit_paper_light(photo, camera, sheet, scale_xy)
    view = view_from_above(camera, sheet, light, scale_xy)
    found, small = find_blobs(view, thickness, options.min_area_mm2)
    blobs, left_out = _chosen(found, options)
    left_out += [LeftOut((float(x), float(y)), 3.0, "too small") for x, y in small]
    _refuse_hopeless(blobs)
    bench = _Bench(photo, camera, light, thickness)
    outlines, candidates = [b.outline_mm for b in blobs], [b.openings_mm for b in blobs]
    traced = _traced(bench, outlines, candidates)
    return Traced("silhouette", traced, tuple(left_out))


@dataclass(frozen=True, eq=False)
class _Bench:
    """What every step of one photo needs."""

    photo: Photo
    camera: Camera
    light: PaperLight
    thickness_mm: float


@dataclass(frozen=True, eq=False)
class _Measured:
    """Edge points of a set of contours, on the paper plane and in the photo."""

    contours: Contours
    points_px: FloatArray  # (N, 2)
    normals: FloatArray  # (N, 2) smooth, on the paper plane
    heights_mm: FloatArray  # (N,) of the edge seen
    u_mm: FloatArray  # (N,)
    blur_mm: FloatArray  # (N,)
    ok: NDArray[np.bool_]  # (N,)


def _chosen(
    blobs: tuple[Blob, ...], options: SilhouetteOptions
) -> tuple[list[Blob], list[LeftOut]]:
    """Blobs that lie mostly in the region, and the others."""
    if options.region_mm is None:
        return list(blobs), []
    region = shapely.make_valid(shapely.Polygon(options.region_mm))
    kept: list[Blob] = []
    left: list[LeftOut] = []
    for blob in blobs:
        body = shapely.make_valid(shapely.Polygon(blob.outline_mm))
        if shapely.intersection(body, region).area > 0.5 * body.area:
            kept.append(blob)
        else:
            at = body.centroid
            size = float(np.sqrt(body.area))
            left.append(LeftOut((at.x, at.y), size, "outside the region asked for"))
    return kept, left


def _refuse_hopeless(blobs: list[Blob]) -> None:
    if not blobs:
        raise NoPieceFound(
            "no piece is seen on the paper",
            do="lay the piece on the blank area with paper showing all round it, "
            "or choose ink if it is a drawing",
        )
    for blob in blobs:
        x, y = blob.touch_mm
        if blob.touches_frame:
            raise PieceOutOfFrame(
                "the piece reaches out of the photo",
                where=f"near x {x:.0f}, y {y:.0f} mm on the sheet",
                do="take the photo again with the whole piece in the frame",
            )
        if blob.touches_end:
            raise PieceOverBorder(
                "the piece covers the printed border",
                where=f"near x {x:.0f}, y {y:.0f} mm on the sheet",
                do="lay it inside the blank area, or use a larger ring",
            )


def _traced(
    bench: _Bench, outlines: list[FloatArray], candidates: list[tuple[FloatArray, ...]]
) -> tuple[TracedPiece, ...]:
    t, camera = bench.thickness_mm, bench.camera
    pixel_mm = float(np.median(pixel_size_mm(camera, camera.to_px(outlines[0]))))
    loops = outlines + [c for cs in candidates for c in cs]
    owner = list(range(len(outlines))) + [i for i, cs in enumerate(candidates) for _ in cs]
    rough = contours_of(loops, _SPACING_PX * pixel_mm, 0.3)
    strips = unroll(
        bench.photo,
        camera,
        bench.light,
        rough,
        outside_mm=0.8,
        inside_mm=2.0 + 4.0 * t,
        step_mm=pixel_mm,
    )
    sharp = sharpness(strips, rough, 0.9)
    seen = first_edge(strips, sharp)
    share = np.bincount(rough.loop_of, np.isfinite(seen)) / np.diff(rough.starts)
    edge = steady(seen, rough)
    is_outline = np.arange(len(loops)) < len(outlines)
    real = is_outline | (share > 0.7)
    on_outline = is_outline[rough.loop_of]
    shift = face_shift_mm(camera, rough.points_mm, t)
    shadow = find_shadow(strips, rough, edge, shift, t, on_outline)
    edges_mm = [
        rough.points_mm[s] + edge[s, None] * rough.normals[s] for s in rough.loops
    ]
    kept = [k for k in range(len(loops)) if real[k]]
    contours = contours_of([edges_mm[k] for k in kept], _SPACING_PX * pixel_mm, 0.2)
    measured = _measured(bench, contours, None)
    measured = _measured(bench, measured.contours, None)
    pieces = []
    for p in range(len(outlines)):
        mine = [j for j, k in enumerate(kept) if owner[k] == p]
        loops_out = [_loop(bench, measured, j) for j in mine]
        pieces.append(TracedPiece(loops_out[0], tuple(loops_out[1:])))
    return tuple(pieces)


def _measured(bench: _Bench, contours: Contours, shadow: CastShadow | None) -> _Measured:
    camera, t = bench.camera, bench.thickness_mm
    px, normal_px, scale = _in_photo(camera, contours)
    shift = face_shift_mm(camera, contours.points_mm, t)
    toward = np.sum(shift * contours.normals, axis=1)
    edges = locate(
        bench.photo.rgb,
        px,
        normal_px,
        reach_px=6.0,
        inside_px=np.where(toward < 0, np.maximum(-toward * scale, 2.5), 6.0),
        curvature_per_px=np.clip(contours.curvature_per_mm / scale, -0.12, 0.12),
        weights=np.tile(LUMINANCE, (len(px), 1)),
        sloping=True,
    )
    good = edges.ok
    offset = np.where(good, edges.offset_px, 0.0)
    at = px + offset[:, None] * normal_px
    on_paper = camera.to_sheet(at)
    moved = contours_like(contours, on_paper)
    height = edge_height_mm(shift, moved.normals, t)
    return _Measured(
        moved, at, moved.normals, height, edges.sigma_px / scale, edges.blur_px / scale, good
    )


def _in_photo(
    camera: Camera, contours: Contours
) -> tuple[FloatArray, FloatArray, FloatArray]:
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


def _loop(bench: _Bench, measured: _Measured, number: int) -> TracedLoop:
    s = measured.contours.loops[number]
    px, height = measured.points_px[s], measured.heights_mm[s]
    points = bench.camera.to_sheet(px, height)
    keep = without_folds(points, height)
    evidence = np.where(measured.ok[s], MEASURED, BRIDGED).astype(np.uint8)
    order = slice(None, None, 1 if signed_area(points) > 0 else -1)
    blur = measured.blur_mm[s][measured.ok[s]]
    return TracedLoop(
        points[keep][order],
        px[keep][order],
        measured.u_mm[s][keep][order],
        evidence[keep][order],
        float(np.median(blur)) if len(blur) else 0.0,
    )
