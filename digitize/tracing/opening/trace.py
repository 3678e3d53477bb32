"""The edge of an opening cut in sheet metal, a target lying on the metal beside it.

The metal runs on all round and what shows through the opening is darker.  Of a plate seen at
a slant the wall of the far side shows below its upper edge; that upper edge, which lies in
the face that carries the target, is the one that is measured all round.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit, Notice, place_words
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.tracing.light import PaperLight, fit_paper_light
from digitize.tracing.opening.finding import Opening, find_openings, log_light, no_opening
from digitize.tracing.opening.reading import read_rim
from digitize.tracing.opening.walls import wall_mm, walls_along
from digitize.tracing.overview import look_down
from digitize.tracing.silhouette.bridging import bridged_u_mm
from digitize.tracing.silhouette.edge import Bench, Edge, Reading, moved_to
from digitize.tracing.silhouette.finding import pixel_size_mm
from digitize.tracing.silhouette.strips import (
    Contours,
    along_loops,
    best_line,
    contours_like,
    contours_of,
    unroll,
)
from digitize.tracing.traces import BRIDGED, MEASURED, LeftOut, Traced, TracedLoop, TracedPiece

FloatArray = NDArray[np.float64]

PAPER_MM = 0.1  # of a printed card: the metal's face lies that far under its print

_OVERVIEW_MM = 0.3  # a cell of the coarse look
_SEARCH_MM = 3.0  # from the rough edge, to either side
_SIDE_MM = 0.5  # of each side that is compared across the edge
_FOOT_WEIGHT = 0.2  # where a bright wall leaves it open which of its edges to follow
_REACHES_PX = (5.0, 4.0, 4.0)  # of the rounds of reading, each from an evened line
_EVENED_MM = 0.8  # one sigma along the rim; at a corner of 4 mm radius that takes off 0.08 mm
_ROUGH_U_PX = 0.15  # what rust and chipped paint move a reading by, besides its own scatter
_LEAST_SHARE = 0.6  # of an edge that must be measured: less is rust, a stain or a shadow
_LEAST_ROUND = 0.12  # a slot twenty times as long as wide has 0.14, a patch of rust 0.05 to 0.1
_TRUSTED_SHARE = 0.9  # of an edge that must be measured, else it is doubted


class OpeningInRing(DigitizeError):
    """A ring's middle is paper: no plate shows there."""

    exit_code = Exit.TRACE


class OpeningThicknessMissing(DigitizeError):
    """Nobody said how thick the sheet round the opening is."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class OpeningOptions:
    """What the user says about the opening."""

    thickness_mm: float | None = None  # of the sheet round it
    height_mm: float = -PAPER_MM  # of the metal's face over the target's print
    region_mm: FloatArray | None = None  # (N, 2) polygon on the sheet


def trace_opening(
    photo: Photo,
    camera: Camera,
    sheet: Sheet,
    options: OpeningOptions,
    *,
    scale_xy: tuple[float, float] = (1.0, 1.0),
    light: PaperLight | None = None,
) -> Traced:
    """Trace every opening in the metal round a target, the largest first.

    ``scale_xy`` is printed over nominal size of the sheet.  ``light`` saves fitting the paper
    white when that has been done already.

    Raises
    ------
    OpeningInRing, OpeningThicknessMissing, NoOpeningFound, NothingInRegion
    """
    if sheet.work_area_mm is not None:
        raise OpeningInRing(
            "the target in view is a ring, with paper in its middle",
            do="tape a card (digitize sheet card) on the plate beside the opening; for a drawing "
            "or a piece on the ring leave the mode out",
        )
    thickness = options.thickness_mm
    if thickness is None or not thickness > 0:
        raise OpeningThicknessMissing(
            "the thickness of the sheet round the opening is not given",
            do="measure it and say --thickness: seen at a slant the cut wall shows below the edge",
        )
    if light is None:
        light = fit_paper_light(photo, camera, sheet, scale_xy)
    view = look_down(
        light,
        camera,
        sheet,
        height_mm=options.height_mm,
        region_mm=options.region_mm,
        scale_xy=scale_xy,
        pitch_mm=_OVERVIEW_MM,
    )
    found, small = find_openings(view)
    loops = [opening.loop_mm for opening in found]
    pixel_mm = float(np.median(pixel_size_mm(camera, camera.to_px(loops[0]))))
    # The far rim of the wall lies below the face: to the walls' law a thickness below zero.
    bench = Bench(photo, camera, light, -thickness, pixel_mm)
    edge = _steepest(bench, contours_of(loops, bench.spacing_mm, 0.3))
    for reach_px in _REACHES_PX:
        edge = _evened(bench, edge)
        walls = walls_along(bench, edge.contours)
        edge = _moved(edge, walls.outward_mm)
        reading = read_rim(bench, edge, reach_px, walls)
        edge = moved_to(bench, edge, reading)
    height_mm = np.where(walls.foot, options.height_mm - thickness, options.height_mm)
    pieces: list[TracedPiece] = []
    left_out = [LeftOut(at, size, "smaller than the opening") for at, size in small]
    for loop, opening in zip(edge.contours.loops, found, strict=True):
        clear = min(float(reading.ok[loop].mean()), opening.clear_share)
        rim = _rim(bench, reading, loop, height_mm[loop], walls.unsure_mm[loop])
        if clear < _LEAST_SHARE or _roundness(rim.points_mm) < _LEAST_ROUND:
            at = opening.body.centroid
            size = float(np.sqrt(opening.body.area))
            left_out.append(LeftOut((at.x, at.y), size, "dark, but without a clear rim"))
            continue
        pieces.append(TracedPiece(rim, notices=_doubts(clear, opening), unseen="edge-unclear"))
    if not pieces:
        raise no_opening()
    return Traced("opening", tuple(pieces), tuple(left_out))


def _steepest(bench: Bench, rough: Contours) -> Edge:
    """The line round each loop across which light falls most toward the opening.

    A wall that shows is no side of it: light is compared across its width.  Compared are
    logarithms: from rust to a dark inside light falls by a larger share than from paint to
    rust, though by less light.
    """
    strips = unroll(
        bench.photo,
        bench.camera,
        bench.light,
        rough,
        outside_mm=_SEARCH_MM,
        inside_mm=_SEARCH_MM + abs(bench.thickness_mm),
        step_mm=bench.pixel_mm,
    )
    level = along_loops(log_light(strips.ratio), rough, 2.0)
    reach = max(2, round(_SIDE_MM / bench.pixel_mm))
    total = np.cumsum(np.pad(level, ((0, 0), (1, 0))), axis=1)
    sides = (total[:, reach:] - total[:, :-reach]) / reach  # [:, c]: mean of c to c + reach
    wall_px = wall_mm(bench, rough) / bench.pixel_mm
    count = sides.shape[1] - reach - int(np.ceil(wall_px.max()))
    rows, beside = np.arange(len(sides))[:, None], np.arange(count)[None, :] + reach
    behind = beside + np.rint(wall_px).astype(int)[:, None]
    fall = np.clip(sides[:, :count] - sides[rows, behind], 0.0, None)
    fall += _FOOT_WEIGHT * np.clip(sides[:, :count] - sides[rows, beside], 0.0, None)
    most = np.maximum(fall.max(axis=1), 1e-6)
    column = best_line((fall / most[:, None]).astype(np.float32), rough)
    offset_mm = strips.offset_mm(column + np.float64(reach - 0.5))
    points = rough.points_mm + offset_mm[:, None] * rough.normals
    moved = [points[s] for s in rough.loops]
    return _edge(contours_of(moved, bench.spacing_mm, 0.2))


def _evened(bench: Bench, edge: Edge) -> Edge:
    """The same rim without the wiggles of readings that hung on rust: where to read again."""
    points = edge.contours.points_mm
    loops = [points[s] for s in edge.contours.loops]
    return _edge(contours_of(loops, bench.spacing_mm, _EVENED_MM))


def _moved(edge: Edge, outward_mm: FloatArray) -> Edge:
    """Every point moved (N,) along its normal."""
    points = edge.contours.points_mm + outward_mm[:, None] * edge.contours.normals
    return replace(edge, contours=contours_like(edge.contours, points))


def _edge(contours: Contours) -> Edge:
    """Nothing casts a shadow on what shows through."""
    return Edge(contours, None, np.ones(len(contours.points_mm), dtype=bool))


def _rim(
    bench: Bench, reading: Reading, loop: slice, height_mm: FloatArray, unsure_mm: FloatArray
) -> TracedLoop:
    """One loop at the heights (N,) where it was read; an upright wall's foot is its edge.

    ``unsure_mm`` (N,) is how wide a wall shows of which it is not told which edge was read.
    """
    px, ok = reading.points_px[loop], reading.ok[loop]
    points = bench.camera.to_sheet(px, height_mm)
    own_u = np.hypot(reading.sigma_mm[loop], _ROUGH_U_PX * bench.pixel_mm)
    measured_u = np.hypot(own_u, unsure_mm / 2.0)
    return TracedLoop(
        points,
        px,
        np.where(ok, measured_u, bridged_u_mm(points, ok)),
        np.where(ok, MEASURED, BRIDGED).astype(np.uint8),
        float(np.median(reading.blur_mm[loop][ok])) if ok.any() else 0.0,
    )


def _roundness(loop_mm: FloatArray) -> float:
    """Area over that of a circle as long round."""
    body = shapely.Polygon(loop_mm)
    return float(4.0 * np.pi * body.area / body.length**2)


def _doubts(share: float, opening: Opening) -> tuple[Notice, ...]:
    """What is not certain about a rim of which a ``share`` is clear."""
    look = (
        "look at the proof, lay something dark and even behind the opening and photograph it again"
    )
    unclear = Notice(
        "opening-unclear",
        f"{round(100 * (1 - share))} % of the opening's edge does not stand out from what shows "
        f"through it: {look}",
        "doubt",
    )
    found = [unclear] if share < _TRUSTED_SHARE else []
    if opening.unsure_mm is not None:
        at = (float(opening.unsure_mm[0]), float(opening.unsure_mm[1]))
        found.append(
            Notice(
                "opening-ambiguous",
                f"something lit near {place_words(at)} was taken to lie behind the opening, "
                f"and may be metal of its rim: {look}",
                "doubt",
                (at,),
            )
        )
    return tuple(found)
