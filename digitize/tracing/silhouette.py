"""The outline and the openings of a flat piece that lies on the paper.

The piece is found roughly from above, its contour is unrolled to see whether a hard shadow
lies beside it, and then the metal's own edge is measured in the photo's raw pixels.  Which
edge of the plate that is depends on the view: a wall that faces away from the camera's
foot point hides behind its top edge, one that faces it shows its bottom edge.  Every point
is carried to the sheet at that height.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import (  # type: ignore[attr-defined]
    binary_dilation,
    binary_opening,
    median_filter,
    uniform_filter1d,
)
from scipy.spatial import KDTree

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit, Notice
from digitize.photo.photo import Photo
from digitize.photo.tone import LUMINANCE, linear_table
from digitize.sheets.layout import Sheet
from digitize.tracing.edges import Edges, locate, no_edges
from digitize.tracing.light import PaperLight, fit_paper_light
from digitize.tracing.shadow import CastShadow, band_mm, dark_mm, find_shadow, fitted, light_outside
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
    along_loops,
    contours_like,
    contours_of,
    edge_behind,
    evenly,
    outermost_edge,
    perimeter,
    sharpness,
    unroll,
)
from digitize.tracing.silhouette_walls import edge_height_mm, face_shift_mm, without_folds
from digitize.tracing.traces import BRIDGED, MEASURED, LeftOut, Traced, TracedLoop, TracedPiece

FloatArray = NDArray[np.float64]

_SPACING_PX = 2.0  # from point to point
_LIT = -0.8  # log of light over paper white: darker paper gets no direct light to be shaded from
_LAW_PX = 0.7  # how well the shadow's law predicts the metal's edge
_SHORT_GAP_MM = 2.0  # without an edge: joined straight
_LARGEST_TURN = 0.9  # rad, of a longer one
_SEAM_MM = 0.5  # between the lit and the shaded part of one opening
_ONLY_SMOOTH = 3  # rank of openings found by nothing else
_WEB_MM = 1.2  # metal left between an opening and the outline
_NO_OPENING = "no clear edge: dirt, wear or glare, taken as metal"
_SOFT = 1.9  # times the sharper edges' blur: the end of a half shadow
_GLARING = 0.8  # of paper white: metal as bright as that may show no edge against it
_GAP_MM = 3.0  # a longer stretch without measured edge is reported
_LEAST_U_PX = 0.02  # what the blur model is good for
_BRIDGED_U_MM, _BRIDGED_U_PER_MM, _BRIDGED_MOST_MM = (
    0.1,
    0.1,
    0.5,
)  # and per mm from the next measured point
_ROW = 9  # points that bear each other out
_GAP_POINTS, _BESIDE_GAP = 3, 3  # points without a reading that make a gap; doubted beside it
_WORST_PX = 0.8  # an edge less sure than that counts as not measured
_SPOT_MM = 3.0  # smaller things taken for metal are not worth a word
_LEAST_SHARE = 0.35  # of its rim that an opening must show at a glance
_SEEN_WELL = 0.5  # the same of one that needs no closer look to be believed
_LEAST_MEASURED = 0.25  # of its rim that any other must have measured in the end
_BESIDE_FROM_PX = 4.0  # shadows narrower than that are fitted together with the edge
_SEEN_PX = 0.6  # narrower ones cannot be seen
_BESIDE_PX = 0.6  # what dark walls and half shadow do to an edge read beside a shadow
_SPECK_MM2 = 1.5  # openings smaller than this are not looked for
_LAW_BAND_PX = 0.2  # how well the shadow's law predicts the width of a narrow band
_NARROW_PX = 4.0  # walls and shadows narrower than this are fitted together with the edge

_SMALL_MM, _SMALL_PX = 3.5, 16.0  # openings below the larger of both may be spots of rust


class ThicknessMissing(DigitizeError):
    """A silhouette cannot be placed without the thickness of the piece."""

    exit_code = Exit.TRACE


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
    _refuse_hopeless(blobs, bool(found))
    pixel_mm = float(np.median(pixel_size_mm(camera, camera.to_px(blobs[0].outline_mm))))
    bench = _Bench(photo, camera, light, thickness, pixel_mm)
    pieces, spots = _traced(bench, blobs)
    return Traced("silhouette", pieces, tuple(left_out + spots))


@dataclass(frozen=True, eq=False)
class _Bench:
    """What every step of one photo needs."""

    photo: Photo
    camera: Camera
    light: PaperLight
    thickness_mm: float
    pixel_mm: float


@dataclass(frozen=True, eq=False)
class _Edge:
    """An edge round every loop, on the paper plane, and the shadow that lies beside it."""

    contours: Contours
    shadow: CastShadow | None
    lit: NDArray[np.bool_]  # (N,) which points border on lit paper, or on a shadow cast there


@dataclass(frozen=True, eq=False)
class _Reading:
    """One measurement across every point of an edge."""

    points_px: FloatArray  # (N, 2) where the edge is
    offset_mm: FloatArray  # (N,) how far that is from the contour, outward
    raw_mm: FloatArray  # (N,) the same beside a shadow, before the shadow's law had its say
    band_mm: FloatArray  # (N,) width of a narrow shadow beside it, as measured
    sigma_mm: FloatArray  # (N,)
    blur_mm: FloatArray  # (N,)
    paper: FloatArray  # (N,) level beside the edge over paper white; NaN beside a shadow
    metal: FloatArray  # (N,) level of the metal, likewise
    ok: NDArray[np.bool_]  # (N,)
    asked: NDArray[np.bool_]  # (N,) points that were measured at all


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


def _refuse_hopeless(blobs: list[Blob], elsewhere: bool) -> None:
    if not blobs and elsewhere:
        raise NoPieceFound(
            "no piece lies in the region asked for",
            do="give a region that holds more than half of the piece",
        )
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


def _traced(bench: _Bench, blobs: list[Blob]) -> tuple[tuple[TracedPiece, ...], list[LeftOut]]:
    outlines = len(blobs)
    loops = [b.outline_mm for b in blobs] + [o.loop_mm for b in blobs for o in b.openings]
    owner = list(range(outlines)) + [i for i, b in enumerate(blobs) for _ in b.openings]
    rank = [-1] * outlines + [o.rank for b in blobs for o in b.openings]
    edge, share = _outermost_edge(bench, loops, outlines)
    kept = np.flatnonzero(share > _LEAST_SHARE)
    if edge.shadow is not None:
        edge = _behind_shadow(bench, _shadow_on_edges(bench, edge), outlines)
    # A quick look at every third point tells openings from spots, and brings the contour on
    # the edge, for its normals.
    glance = _read(bench, edge, 6.0, every=3)
    quality = _qualities(bench, edge, glance, [rank[k] for k in kept])
    edge = _behind_soft_edges(bench, _moved(bench, edge, glance), glance)
    edge, chosen, spots = _distinct(
        edge, [owner[k] for k in kept], [rank[k] for k in kept], quality, outlines
    )
    owner = [owner[kept[j]] for j in chosen]
    reading = _read(bench, edge, 5.0)
    reading = _joined(bench, edge, reading)
    edge = _moved(bench, edge, reading)
    soft = _soft(bench, edge, reading)
    pieces = []
    for p in range(outlines):
        mine = [j for j in range(len(owner)) if owner[j] == p]
        openings = []
        for j in mine[1:]:
            measured = float(reading.ok[edge.contours.loops[j]].mean())
            if measured > _LEAST_MEASURED or quality[chosen[j]] > _SEEN_WELL:
                openings.append(_loop(bench, edge, reading, j))
            else:
                spots.append(_unmeasured(edge.contours.points_mm[edge.contours.loops[j]]))
        outline = _loop(bench, edge, reading, mine[0])
        notices = _notices(
            bench,
            edge,
            reading,
            soft=soft,
            outline=mine[0],
            loops=(outline, *openings),
        )
        pieces.append(TracedPiece(outline, tuple(openings), notices=notices))
    return tuple(pieces), spots


def _unmeasured(loop_mm: FloatArray) -> LeftOut:
    """What looked like an opening at a glance and turned out to have hardly any edge."""
    area = shapely.make_valid(shapely.Polygon(loop_mm)).area
    x, y = loop_mm.mean(axis=0)
    return LeftOut((float(x), float(y)), float(np.sqrt(area)), _NO_OPENING)


def _notices(
    bench: _Bench,
    edge: _Edge,
    reading: _Reading,
    *,
    soft: NDArray[np.bool_],
    outline: int,
    loops: tuple[TracedLoop, ...],
) -> tuple[Notice, ...]:
    """What the user should know about one piece."""
    notices = []
    if edge.shadow is not None:
        x, y = edge.shadow.vector_mm
        notices.append(
            Notice(
                "shadow",
                f"a cast shadow {np.hypot(x, y):.1f} mm long was told from the metal and left out",
            )
        )
    gaps = sorted((g for loop in loops for g in _gaps(loop)), reverse=True)
    if gaps:
        total = sum(length for length, _ in gaps)
        places = "; ".join(f"{n:.0f} mm near x {x:.0f}, y {y:.0f}" for n, (x, y) in gaps[:3])
        rows = edge.contours.loops[outline]
        unseen = ~reading.ok[rows] & (reading.metal[rows] > _GLARING)
        glaring = unseen.sum() > 0.5 * max((~reading.ok[rows]).sum(), 1)
        why = "glare or metal as bright as the paper" if glaring else "no clear edge"
        notices.append(
            Notice(
                "glare" if glaring else "edge-unclear",
                f"{total:.0f} mm of edge could not be measured ({why}; {places}) "
                "and are carried across from both sides",
                "doubt",
            )
        )
    rows = edge.contours.loops[outline]
    soft = soft & reading.ok
    blurred = float(soft[rows].sum()) * _SPACING_PX * bench.pixel_mm
    if blurred > 3.0:
        # A spot on the edge itself: the mean of several would lie somewhere in the metal.
        there = edge.contours.points_mm[rows][soft[rows]]
        x, y = there[len(there) // 2]
        notices.append(
            Notice(
                "shadow",
                f"{blurred:.0f} mm of edge near x {x:.0f}, y {y:.0f} are as soft as the end of a "
                "shadow and may not be the metal: take the photo in more even light",
                "doubt",
            )
        )
    small = [
        (float(x), float(y))
        for loop in loops
        for x, y in [loop.points_mm.mean(axis=0)]
        if np.ptp(loop.points_mm, axis=0).max() < max(_SMALL_MM, _SMALL_PX * bench.pixel_mm)
    ]
    if small:
        places = "; ".join(f"x {x:.0f}, y {y:.0f}" for x, y in small[:4])
        notices.append(
            Notice(
                "opening-small",
                f"{len(small)} opening{'s' if len(small) > 1 else ''} of a few millimetres near "
                f"{places} may be a spot as bright as the paper: look whether it is a hole",
                "doubt",
            )
        )
    return tuple(notices)


def _gaps(loop: TracedLoop) -> list[tuple[float, tuple[float, float]]]:
    """Stretches without measured edge longer than a corner: length mm and middle."""
    bad = loop.evidence == BRIDGED
    n = len(bad)
    if not bad.any():
        return []
    if bad.all():
        x, y = loop.points_mm.mean(axis=0)
        return [(perimeter(loop.points_mm), (float(x), float(y)))]
    first = int(np.flatnonzero(~bad)[0])
    order = (first + np.arange(n)) % n
    change = np.diff(np.concatenate([[0], bad[order].astype(np.int8), [0]]))
    gaps = []
    for a, b in zip(np.flatnonzero(change == 1), np.flatnonzero(change == -1), strict=True):
        rows = order[a:b]
        steps = np.diff(loop.points_mm[rows], axis=0)
        length = float(np.hypot(steps[:, 0], steps[:, 1]).sum())
        if length > _GAP_MM:
            x, y = loop.points_mm[rows[len(rows) // 2]]
            gaps.append((length, (float(x), float(y))))
    return gaps


def _qualities(bench: _Bench, edge: _Edge, reading: _Reading, rank: list[int]) -> list[float]:
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
    reading: _Reading,
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


def _outermost_edge(
    bench: _Bench, loops: list[FloatArray], outlines: int
) -> tuple[_Edge, FloatArray]:
    """The first edge met from the paper, and what share of each loop (L,) shows it.

    Only loops with more than ``_LEAST_SHARE`` are in the edge; outlines always are.
    """
    t, camera = bench.thickness_mm, bench.camera
    spacing = _SPACING_PX * bench.pixel_mm
    rough = contours_of(loops, spacing, 0.3)
    strips = unroll(
        bench.photo,
        camera,
        bench.light,
        rough,
        outside_mm=max(1.0, 6.0 * bench.pixel_mm),
        inside_mm=2.0 + 4.0 * t,
        step_mm=bench.pixel_mm,
    )
    offset, clear = outermost_edge(strips, sharpness(strips, rough, 0.9), rough, 3.5)
    share = np.bincount(rough.loop_of, clear) / np.diff(rough.starts)
    is_outline = np.arange(len(loops)) < outlines
    share[is_outline] = 1.0
    real = share > _LEAST_SHARE
    moved = [
        _carried_across(rough.points_mm[s] + offset[s, None] * rough.normals[s], clear[s], spacing)
        for s in rough.loops
    ]
    contours = contours_of([moved[k] for k in np.flatnonzero(real)], spacing, 0.2)
    shift = face_shift_mm(camera, rough.points_mm, t)
    outside = light_outside(strips, rough)
    lit = outside > _LIT
    long = is_outline | (real & (np.diff(rough.starts) * spacing > 12.0))
    trusted = (np.abs(outside) < 0.25) & clear & long[rough.loop_of]
    shadow = find_shadow(strips, rough, offset, shift, thickness_mm=t, trusted=trusted)
    carried = [
        lit[rough.loops[k]][KDTree(moved[k]).query(contours.points_mm[s])[1]]
        for k, s in zip(np.flatnonzero(real), contours.loops, strict=True)
    ]
    return _Edge(contours, shadow, np.concatenate(carried)), share


def _carried_across(points: FloatArray, clear: NDArray[np.bool_], spacing: float) -> FloatArray:
    """A closed loop (N, 2) with stretches that show no edge replaced by smooth curves.

    Where glare is as bright as the paper the line found wanders into the piece.  A cubic
    that leaves and arrives in the directions of the clear edge carries it across, if these
    directions agree that there is no corner to be lost.
    """
    n = len(points)
    clear = median_filter(clear.astype(np.uint8), min(9, n), mode="wrap") > 0
    if n < 60 or clear.all() or clear.sum() < 0.3 * n:
        return points
    out = points.copy()
    first = int(np.flatnonzero(clear & ~np.roll(clear, -1))[0])
    order = (first + np.arange(n)) % n
    change = np.diff(np.append(clear[order], True).astype(np.int8))
    starts, ends = np.flatnonzero(change == -1), np.flatnonzero(change == 1)
    for a, b in zip(starts, ends, strict=True):
        if (b - a) * spacing < _SHORT_GAP_MM:
            continue
        # The longer the gap, the more edge is asked where it was going.
        base = int(np.clip((b - a) // 2, 12, 40))
        before = order[np.arange(a - base - 2, a - 1) % n]
        after = order[np.arange(b + 3, b + 4 + base) % n]
        p, q = points[before[-1]], points[after[0]]
        chord = q - p
        length = float(np.hypot(*chord))
        way_in, way_out = _heading(points[before]), _heading(points[after])
        if length == 0:
            continue
        turn = sum(np.arccos(np.clip(w @ chord / length, -1.0, 1.0)) for w in (way_in, way_out))
        if turn > _LARGEST_TURN or not clear[before].all() or not clear[after].all():
            continue
        rows = order[np.arange(a - 1, b + 4) % n]
        t = np.linspace(0.0, 1.0, len(rows))[:, None]
        out[rows] = (
            (2 * t**3 - 3 * t**2 + 1) * p
            + (t**3 - 2 * t**2 + t) * length * way_in
            + (3 * t**2 - 2 * t**3) * q
            + (t**3 - t**2) * length * way_out
        )
    return out


def _heading(points: FloatArray) -> FloatArray:
    """Unit direction (2,) from the first to the last of some points (N, 2) of an edge."""
    middle = points - points.mean(axis=0)
    along = np.linalg.svd(middle, full_matrices=False)[2][0]
    return np.asarray(along * np.copysign(1.0, (points[-1] - points[0]) @ along))


def _shadow_on_edges(bench: _Bench, edge: _Edge) -> _Edge:
    """The shadow's vector sharpened on the metal edges that show behind it.

    Colours put the far side of the band a pixel or two into its blur, or to the far side of
    a dark wall.  So the fit starts from three vectors: that of the colours, and those that
    follow if the strongest edge nearby is the top face or the wall's foot.  The one whose
    edges agree best is right.
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
    return replace(edge, shadow=best)


def _mismatch(bench: _Bench, edge: _Edge, rows: Contours, shadow: CastShadow) -> float:
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


def _levels(bench: _Bench, points_mm: FloatArray) -> FloatArray:
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
    bench: _Bench, rows: Contours, shadow: CastShadow, reach_px: float, *, both_walls: bool
) -> _Bands:
    """Look for the metal where a shadow vector says it is."""
    shift = face_shift_mm(bench.camera, rows.points_mm, bench.thickness_mm)
    vectors = shadow.at(rows.points_mm)
    visible = band_mm(vectors, shift, rows.normals)
    narrow = visible < _BESIDE_FROM_PX * bench.pixel_mm
    width = np.where(narrow, visible, dark_mm(vectors, shift, rows.normals))
    inner = replace(rows, points_mm=rows.points_mm - width[:, None] * rows.normals)
    lit = np.ones(len(width), dtype=bool)
    reading = _read(bench, _Edge(inner, shadow, lit), reach_px, both_walls=both_walls)
    good = reading.ok & (visible > _SEEN_PX * bench.pixel_mm)
    # A narrow one must be wide enough to have been told from the edge's own blur.
    good &= ~narrow | (reading.band_mm > 1.7 * bench.pixel_mm)
    seen = np.where(narrow, reading.band_mm, width - reading.raw_mm)
    return _Bands(seen, reading.sigma_mm, good, narrow)


def _fitted_bands(
    bench: _Bench,
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


def _behind_shadow(bench: _Bench, edge: _Edge, outlines: int) -> _Edge:
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
    new = contours_of(loops, _SPACING_PX * bench.pixel_mm, 0.15)
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
    narrow = cast - np.maximum(face, 0.0) < _BESIDE_FROM_PX * bench.pixel_mm
    back = np.where(lit & narrow, np.maximum(cast - face, 0.0), 0.0)
    moved = new.points_mm + np.minimum(back, np.maximum(-face, 0.0))[:, None] * new.normals
    return _Edge(contours_like(new, moved), shadow, lit)


def _soft(bench: _Bench, edge: _Edge, reading: _Reading) -> NDArray[np.bool_]:
    """Stretches (N,) whose edge is far more blurred than the sharper edges of the photo."""
    known = reading.ok & np.isfinite(reading.paper)
    if known.sum() < 20:
        return np.zeros(len(known), dtype=bool)
    usual = float(np.percentile(reading.blur_mm[known], 25))
    # A half shadow begins on bright paper and gets dark; elsewhere a wide edge is another thing.
    known &= (reading.paper > 0.45) & (reading.metal < 0.65 * reading.paper)
    soft = np.zeros(len(known), dtype=bool)
    width = max(3, round(3.0 / (_SPACING_PX * bench.pixel_mm)))
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


def _behind_soft_edges(bench: _Bench, edge: _Edge, reading: _Reading) -> _Edge:
    """Where the outermost edge is the soft end of a half shadow, the metal's behind it."""
    soft = _soft(bench, edge, reading)
    if soft.sum() * _SPACING_PX * bench.pixel_mm < 3.0:
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


def _distinct(
    edge: _Edge, owner: list[int], rank: list[int], quality: list[float], outlines: int
) -> tuple[_Edge, list[int], list[LeftOut]]:
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
    return _Edge(contours_like(bare, points_mm), edge.shadow, np.concatenate(lit)), kept, spots


def _read(
    bench: _Bench, edge: _Edge, reach_px: float, *, both_walls: bool = True, every: int = 1
) -> _Reading:
    """Measure the edge of metal against paper across every contour point, or every so many."""
    contours, t = edge.contours, bench.thickness_mm
    px, normal_px, scale = _in_photo(bench.camera, contours)
    shift = face_shift_mm(bench.camera, contours.points_mm, t)
    wall = np.maximum(-np.sum(shift * contours.normals, axis=1), 0.0) * scale
    bend = np.clip(contours.curvature_per_mm / scale, -0.12, 0.12)
    inside = np.where(wall < _NARROW_PX, reach_px, wall - 1.0)
    wall_band = np.where((wall < _NARROW_PX) & (wall > 0.5), wall, 0.0)
    ask = np.arange(len(px)) % every == 0
    plain, visible = ask.copy(), np.zeros(len(px))
    raw = np.zeros(len(px))
    edges = no_edges(len(px))
    if edge.shadow is not None:
        vectors = edge.shadow.at(contours.points_mm)
        band = np.where(edge.lit, dark_mm(vectors, shift, contours.normals) * scale, 0.0)
        visible = np.where(edge.lit, band_mm(vectors, shift, contours.normals) * scale, 0.0)
        beside = ask & (visible >= _BESIDE_FROM_PX)
        narrow = ask & ~beside & (visible > _SEEN_PX)
        plain = ask & ~beside & ~narrow
        _into(
            edges,
            narrow,
            locate(
                bench.photo.rgb,
                px[narrow],
                normal_px[narrow],
                reach_px=reach_px + 1.0,
                inside_px=inside[narrow],
                curvature_per_px=bend[narrow],
                weights=np.tile(np.array(LUMINANCE), (int(narrow.sum()), 1)),
                sloping=True,
                start_px=np.zeros(int(narrow.sum())),
                inner_band_px=wall_band[narrow],
                outer_band_px=visible[narrow],
                outer_band_sd_px=1.0 if reach_px < 5.0 else _LAW_BAND_PX,
                worst_sigma_px=_WORST_PX,
            ),
        )
        _into(
            edges,
            beside,
            locate(
                bench.photo.rgb,
                px[beside],
                normal_px[beside],
                reach_px=reach_px,
                outside_px=np.maximum(band[beside] - 1.0, 1.5),
                curvature_per_px=bend[beside],
                weights=edge.shadow.contrast / bench.light.white_at(px[beside]),
                start_px=np.zeros(int(beside.sum())),
                sloping=True,
                outer_band_px=np.where(wall[beside] > 0.5, wall[beside], 0.0)
                if both_walls
                else None,
            ),
        )
        # The law says where to expect the metal; texture may leave the reading less sure.
        raw[beside] = edges.offset_px[beside]
        edges.sigma_px[beside] = np.hypot(edges.sigma_px[beside], _BESIDE_PX)
        trust = _LAW_PX**2 / (_LAW_PX**2 + edges.sigma_px[beside] ** 2)
        edges.offset_px[beside] *= trust
        edges.ok[beside] = edges.sigma_px[beside] < 2.0 * _LAW_PX
        edges.sigma_px[beside] *= np.sqrt(trust)
    _into(
        edges,
        plain,
        locate(
            bench.photo.rgb,
            px[plain],
            normal_px[plain],
            reach_px=reach_px,
            inside_px=inside[plain],
            curvature_per_px=bend[plain],
            weights=np.tile(np.array(LUMINANCE), (int(plain.sum()), 1)),
            sloping=True,
            inner_band_px=wall_band[plain],
            worst_sigma_px=_WORST_PX,
        ),
    )
    white = bench.light.white_at(px) @ np.array(LUMINANCE)
    paper, metal = (np.where(plain, a / white, np.nan) for a in (edges.outside, edges.inside))
    ok = edges.ok & ~_stray(edges.offset_px, edges.ok, contours)
    if every == 1:
        ok &= _among_others(ok, contours)
    offset = _bridged(edges.offset_px, ok, contours)
    return _Reading(
        px + offset[:, None] * normal_px,
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


def _stray(offset: FloatArray, ok: NDArray[np.bool_], contours: Contours) -> NDArray[np.bool_]:
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


def _bridged(offset: FloatArray, ok: NDArray[np.bool_], contours: Contours) -> FloatArray:
    """Offsets (N,) with those not measured joined straight between those that are."""
    out = np.zeros(len(offset))
    for loop in contours.loops:
        known = np.flatnonzero(ok[loop])
        if len(known):
            n = loop.stop - loop.start
            out[loop] = np.interp(np.arange(n), known, offset[loop][known], period=n)
    return out


def _into(whole: Edges, where: NDArray[np.bool_], part: Edges) -> None:
    """Write the edges of some points into those of all."""
    for field in fields(Edges):
        getattr(whole, field.name)[where] = getattr(part, field.name)


def _moved(bench: _Bench, edge: _Edge, reading: _Reading) -> _Edge:
    points = bench.camera.to_sheet(reading.points_px)
    return replace(edge, contours=contours_like(edge.contours, points))


def _joined(bench: _Bench, edge: _Edge, reading: _Reading) -> _Reading:
    """Stretches that could not be measured carried across from the measured ones beside them."""
    points = bench.camera.to_sheet(reading.points_px)
    spacing = _SPACING_PX * bench.pixel_mm
    ok, carried = reading.ok.copy(), points.copy()
    bright = np.nan_to_num(reading.metal) > _GLARING
    for s in edge.contours.loops:
        # A little edge in the middle of nothing may be anything, unless it lies on the way.
        islands = _islands(ok[s])
        hidden = _mostly(bright[s] & ~ok[s], ~ok[s] | islands)
        across = _carried_across(points[s], ok[s] & ~islands, spacing)
        off = np.hypot(*(across - points[s]).T)
        ok[s] &= ~(islands & hidden & (off > _BRIDGED_MOST_MM))
        across = _carried_across(points[s], ok[s], spacing)
        carried[s] = np.where(hidden[:, None], across, points[s])
    moved = np.any(carried != points, axis=1)
    px = reading.points_px.copy()
    px[moved] = bench.camera.to_px(carried[moved])
    return replace(reading, points_px=px, ok=ok)


def _stretches(mask: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Indices of every run of True round a closed loop (N,)."""
    n = len(mask)
    if mask.all() or not mask.any():
        return [np.arange(n)] if mask.any() else []
    order = (int(np.flatnonzero(~mask)[0]) + np.arange(n)) % n
    change = np.flatnonzero(np.diff(np.append(mask[order], False).astype(np.int8)))
    return [order[a + 1 : b + 1] for a, b in change.reshape(-1, 2)]


def _islands(ok: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Points (N,) of a closed loop in runs of True shorter than the gaps on both sides."""
    islands = np.zeros(len(ok), dtype=bool)
    runs, gaps = _stretches(ok), _stretches(~ok)
    if len(gaps) > 1:
        before = {int(gap[-1] + 1) % len(ok): len(gap) for gap in gaps}
        after = {int(gap[0]): len(gap) for gap in gaps}
        for run in runs:
            beside = before[int(run[0])], after[int(run[-1] + 1) % len(ok)]
            islands[run] = len(run) < min(beside)
    return islands


def _mostly(mask: NDArray[np.bool_], within: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Points (N,) of those runs of ``within`` round a closed loop that are mostly ``mask``."""
    there = np.zeros(len(mask), dtype=bool)
    for run in _stretches(within):
        there[run] = mask[run].mean() > 0.5
    return there


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


def _loop(bench: _Bench, edge: _Edge, reading: _Reading, number: int) -> TracedLoop:
    """One loop carried to the sheet at the height of the edge seen."""
    s, t = edge.contours.loops[number], bench.thickness_mm
    px, ok = reading.points_px[s], reading.ok[s]
    shift = face_shift_mm(bench.camera, edge.contours.points_mm[s], t)
    height = edge_height_mm(shift, edge.contours.normals[s], t)
    if edge.shadow is not None:
        vectors = edge.shadow.at(edge.contours.points_mm[s])
        visible = band_mm(vectors, shift, edge.contours.normals[s])
        height[edge.lit[s] & (visible >= _BESIDE_FROM_PX * bench.pixel_mm)] = t
    points = bench.camera.to_sheet(px, height)
    keep = without_folds(points, height)
    order = slice(None, None, 1 if signed_area(points) > 0 else -1)
    blur = reading.blur_mm[s][ok]
    u = np.where(ok, np.maximum(reading.sigma_mm[s], _LEAST_U_PX * bench.pixel_mm), 0.0)
    gap = _BRIDGED_U_MM + _BRIDGED_U_PER_MM * _distance_to_known(points, ok)[~ok]
    u[~ok] = np.minimum(gap, _BRIDGED_MOST_MM)
    return TracedLoop(
        points[keep][order],
        px[keep][order],
        u[keep][order],
        np.where(ok, MEASURED, BRIDGED).astype(np.uint8)[keep][order],
        float(np.median(blur)) if len(blur) else 0.0,
    )


def _distance_to_known(points: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    """Distance (N,) along a closed loop to the nearest measured point."""
    step = perimeter(points) / len(points)
    if not known.any():
        return np.full(len(points), step * len(points))
    n, at = len(points), np.flatnonzero(known)
    around = np.concatenate([at - n, at, at + n])
    gap = np.abs(np.arange(n)[:, None] - around[np.searchsorted(around, np.arange(n))][:, None])
    before = np.arange(n) - around[np.searchsorted(around, np.arange(n), side="right") - 1]
    return np.asarray(np.minimum(gap[:, 0], before) * step, dtype=np.float64)
