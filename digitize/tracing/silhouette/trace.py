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

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.tracing.light import PaperLight, fit_paper_light
from digitize.tracing.silhouette.bridging import joined
from digitize.tracing.silhouette.edge import Bench, Edge, moved_to
from digitize.tracing.silhouette.finding import (
    Blob,
    NoPieceFound,
    PieceOutOfFrame,
    PieceOverBorder,
    find_blobs,
    pixel_size_mm,
    view_from_above,
)
from digitize.tracing.silhouette.loops import loop_of
from digitize.tracing.silhouette.notices import notices_of, why_unseen
from digitize.tracing.silhouette.openings import bears_out, distinct, qualities, unmeasured
from digitize.tracing.silhouette.outermost import LEAST_SHARE, first_edge
from digitize.tracing.silhouette.reading import read
from digitize.tracing.silhouette.shadows import (
    behind_shadow,
    behind_soft_edges,
    past_shadow_ends,
    shadow_on_edges,
    soft_stretches,
)
from digitize.tracing.traces import LeftOut, Traced, TracedPiece


class ThicknessMissing(DigitizeError):
    """A silhouette cannot be placed without the thickness of the piece."""

    exit_code = Exit.ASKED


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
            do="measure it with a caliper and say --thickness; "
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
    bench = Bench(photo, camera, light, thickness, pixel_mm)
    pieces, spots = _traced(bench, blobs)
    return Traced("silhouette", pieces, tuple(left_out + spots))


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
            do="give --region a box that holds more than half of the piece",
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


@dataclass(frozen=True, eq=False)
class _Candidates:
    """Loops to be measured: the outlines, then what may be openings in them."""

    edge: Edge
    owner: list[int]  # which piece each belongs to
    quality: list[float]  # share of its rim seen at a glance
    spots: list[LeftOut]  # taken for metal


def _traced(bench: Bench, blobs: list[Blob]) -> tuple[tuple[TracedPiece, ...], list[LeftOut]]:
    found = _glanced(bench, blobs)
    owner, spots = found.owner, found.spots
    reading = joined(bench, found.edge, read(bench, found.edge, 5.0))
    edge = moved_to(bench, found.edge, reading)
    soft = soft_stretches(bench, edge, reading)
    pieces = []
    for p in range(len(blobs)):
        mine = [j for j in range(len(owner)) if owner[j] == p]
        openings = []
        for j in mine[1:]:
            loop = edge.contours.loops[j]
            if bears_out(reading, loop, found.quality[j]):
                openings.append(loop_of(bench, edge, reading, j))
            else:
                spots.append(unmeasured(edge.contours.points_mm[loop]))
        outline = loop_of(bench, edge, reading, mine[0])
        notices = notices_of(
            bench,
            edge,
            reading,
            soft=soft,
            outline=edge.contours.loops[mine[0]],
            loops=(outline, *openings),
        )
        why = why_unseen(reading, edge.contours.loops[mine[0]])
        pieces.append(TracedPiece(outline, tuple(openings), notices=notices, unseen=why))
    return tuple(pieces), spots


def _glanced(bench: Bench, blobs: list[Blob]) -> _Candidates:
    """The metal's edge to a pixel or two, shadows left behind, and what is worth a closer look."""
    outlines = len(blobs)
    loops = [b.outline_mm for b in blobs] + [o.loop_mm for b in blobs for o in b.openings]
    owner = list(range(outlines)) + [i for i, b in enumerate(blobs) for _ in b.openings]
    rank = [-1] * outlines + [o.rank for b in blobs for o in b.openings]
    outermost, share = first_edge(bench, loops, outlines)
    kept = np.flatnonzero(share > LEAST_SHARE)
    owner, rank = [owner[k] for k in kept], [rank[k] for k in kept]
    edge = outermost
    if edge.shadow is not None:
        edge = shadow_on_edges(bench, edge)
    shaded = edge.shadow is not None
    if shaded:
        edge = behind_shadow(bench, edge, outlines)
    # A quick look at every third point tells openings from spots, and brings the contour on
    # the edge, for its normals.
    glance = read(bench, edge, 6.0, every=3)
    quality = qualities(bench, edge, glance, rank)
    moved = moved_to(bench, edge, glance)
    if shaded:
        moved = past_shadow_ends(bench, outermost, edge, moved, glance)
    edge = behind_soft_edges(bench, moved, glance)
    edge, chosen, spots = distinct(edge, owner, rank, quality, outlines)
    return _Candidates(edge, [owner[j] for j in chosen], [quality[j] for j in chosen], spots)
