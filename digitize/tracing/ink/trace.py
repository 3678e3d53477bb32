"""Drawn lines read as a pattern: outlines, openings, bend lines and point marks.

A solid closed line is an outline; closed lines within it are openings; a row of dashes or
dots is a bend line; a small cross is a point mark.  Everything else that was drawn is left
out and listed.  Strokes are found on a coarse view from above (``overview``, ``strokes``,
``loops``), understood there (``drawing``) and measured in the photo's own pixels
(``stroke_edges``, ``closed_line``).

Which side of the line the piece ends at is named from the metal.  "inside": at the edge of
the stroke nearest the metal, as when tracing round a piece - the inner edge of an outline,
and of an opening the edge away from its middle, because the pen ran inside the hole.
"outside": at the other edge.  "centre": midway.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon, box

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.tracing.ink.closed_line import LineSide
from digitize.tracing.ink.drawing import read_drawing
from digitize.tracing.ink.drawn_surface import DrawnSurface
from digitize.tracing.ink.strokes import find_on_paper
from digitize.tracing.ink.surface_strokes import (
    SEARCH_PITCH_MM,
    SurfaceInk,
    find_on_surface,
    learn_ink,
)
from digitize.tracing.light import PaperLight, fit_paper_light
from digitize.tracing.overview import PITCH_MM, Overview, look_down
from digitize.tracing.traces import Traced

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class InkOptions:
    """What the user may say about a drawing."""

    line_side: LineSide = "inside"  # most lines are drawn round a piece
    height_mm: float = 0.0  # of the drawn surface over the target's plane
    region_mm: FloatArray | None = None  # (N, 2) polygon on the sheet
    scale_xy: tuple[float, float] = (1.0, 1.0)  # printed over nominal size of the target


def trace_ink(
    photo: Photo,
    camera: Camera,
    sheet: Sheet,
    options: InkOptions | None = None,
    *,
    light: PaperLight | None = None,
) -> Traced:
    """Trace the drawing on paper in a ring, or on a surface beside a card or checkerboard.

    ``light`` saves fitting the paper white when that has been done already.

    Raises
    ------
    NothingDrawn
        No marker line, or only lines as faint as pencil.
    OutlineOpen, OutlineCutOff
        No outline closes; says where it does not.
    NothingInRegion, PaperNotSeen
        See ``overview`` and ``light``.
    """
    options = options or InkOptions()
    white = light or fit_paper_light(photo, camera, sheet, options.scale_xy)

    def view(region_mm: FloatArray | None, pitch_mm: float) -> Overview:
        return look_down(
            white,
            camera,
            sheet,
            height_mm=options.height_mm,
            region_mm=region_mm,
            scale_xy=options.scale_xy,
            pitch_mm=pitch_mm,
        )

    if sheet.work_area_mm is not None:
        paper = view(options.region_mm, PITCH_MM)
        strokes = find_on_paper(paper)
        surface = DrawnSurface(photo.linear_grey, True, camera, options.height_mm)
        return read_drawing(paper, strokes, surface, options.line_side)
    ink, drawn_in = learn_ink(view(options.region_mm, SEARCH_PITCH_MM))
    metal = view(_both(options.region_mm, drawn_in), PITCH_MM)
    surface = _surface_for(photo, camera, metal, ink)
    return read_drawing(metal, find_on_surface(metal, ink), surface, options.line_side)


def _both(region_mm: FloatArray | None, box_mm: tuple[float, float, float, float]) -> FloatArray:
    """The part (N, 2) of a region that lies in a box."""
    part = box(*box_mm)
    if region_mm is not None:
        part = part.intersection(Polygon(region_mm).buffer(0))
        if part.geom_type != "Polygon" or part.is_empty:
            return region_mm
    return np.asarray(part.exterior.coords)[:-1]


def _surface_for(photo: Photo, camera: Camera, view: Overview, ink: SurfaceInk) -> DrawnSurface:
    """The surface in the mix of colours that tells this ink from it."""
    if ink.is_grey:
        darker = bool(ink.weights.sum() > 0)
        return DrawnSurface(photo.linear_grey, darker, camera, view.height_mm)
    image = np.zeros((photo.height_px, photo.width_px), np.float32)
    surface = DrawnSurface(image, True, camera, view.height_mm)
    rows, columns = view.valid.shape
    side = np.linspace(0.0, 1.0, 9)
    cells = np.array([(u, v) for u in side for v in side]) * (columns - 1, rows - 1)
    px = surface.to_px(view.to_mm(cells))
    px = px[np.isfinite(px).all(axis=1)]
    x0, y0 = (int(v) for v in np.maximum(px.min(axis=0) - 20, 0))
    x1, y1 = (int(v) for v in np.minimum(px.max(axis=0) + 20, image.shape[::-1]))
    image[y0:y1, x0:x1] = photo.linear_rgb(x0, y0, x1, y1) @ ink.weights.astype(np.float32)
    return surface
