"""The uncertainty budget of a traced piece, from the photo, the camera and the trace.

Each cause is stated as it acts (see ``pattern.budget``): print, camera, flatness and height
displace the pattern smoothly, with all that two places have in common; the tone curve and the
pen move every edge alike; what is left of edge detection moves each edge on its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera, CameraSolution
from digitize.pattern.budget import Budget, Field, Part
from digitize.pattern.model import Precision, TracedFrom
from digitize.photo.photo import Photo
from digitize.sheets.layout import PrintScale
from digitize.tracing.traces import MEASURED, TracedPiece
from digitize.uncertainty import causes, tone
from digitize.uncertainty.modes import Grid, by_camera, by_height, by_scale

FloatArray = NDArray[np.float64]

THICKNESS_U_MM = 0.05  # a caliper on worn sheet; common practice, no source
LYING_U_MM = 0.05  # of a piece on paper, or of paper under a drawing: burrs, air; judgement
BULGE_SHARE = 0.17
"""Of the height between the highest and lowest place of a bulging sheet, what a piece on it
stands off the sheet's middle plane; judged by benchmarks/coverage.py."""
PEN_U_MM = {"inside": 0.10, "centre": 0.05, "outside": 0.10}
"""Of a pen led along an edge, its lean and its tip's wear; of a line that is meant itself, how
well it was drawn where it was meant.  Judgement, no source."""
EDGE_U_PX = {"silhouette": 0.05, "ink": 0.12, "opening": 0.2}
"""What one whole edge is off by that its own scatter does not show: texture, the wall's light."""
EDGES_ALIKE_U_PX = {"silhouette": 0.2, "ink": 0.1, "opening": 0.2}
"""What all edges are off by alike besides the tone curve: the shadow at the foot of a piece,
the bleeding of ink.  This and the one before are judged by benchmarks/coverage.py."""


UNSEEN_TONE_U_PX = 0.12  # where no edge shows its levels; what dark steel on paper has


@dataclass(frozen=True, eq=False)
class Circumstances:
    """How a piece was measured."""

    photo: Photo
    solution: CameraSolution
    scale: PrintScale
    mode: TracedFrom
    height_mm: float  # of the traced face over the target
    line_side: Literal["inside", "centre", "outside"] = "inside"
    common_scale_u: float | None = None  # relative, where several sheets carry the scale


def precision_of(piece: TracedPiece, how: Circumstances) -> Precision:
    """The budget of a piece, and in short what it says of edges and of the scale."""
    budget = budget_of(piece, how)
    outline = piece.outline
    some = outline.points_mm[:: max(1, len(outline.points_mm) // 100)]
    middle = some.mean(axis=0)
    local, scale2, rest2 = some - middle, 0.0, 0.0
    for part in budget.parts:
        for field in part.fields:
            moved = budget.displacement_mm(field, some)
            moved = moved - moved.mean(axis=0)
            growth = float((moved * local).sum() / (local**2).sum())
            scale2 += growth**2
            rest2 += float(((moved - growth * local) ** 2).sum(axis=1).mean()) / 2
        # Both edges of a width move alike, so that counts fully in a length: sqrt(2) once more.
        rest2 += 2.0 * part.outward_mm**2 + part.each_mm**2
    rest2 += float(np.mean(outline.u_mm**2))
    return Precision(math.sqrt(rest2), math.sqrt(scale2), budget)


def budget_of(piece: TracedPiece, how: Circumstances) -> Budget:
    """Everything that can be wrong with a piece, by cause."""
    camera, outline = how.solution.camera, piece.outline
    grid = Grid.over(outline.points_mm)
    shown = _shown(camera, outline.points_px)
    pixel_mm = mm_per_px(camera, outline.points_px[shown])
    parts = [
        Part(causes.PRINT, (*by_scale(grid, _common_u(how)), *_of(how, grid, "print"))),
        Part(causes.CAMERA, _of(how, grid, "corners", "lens")),
        Part(
            causes.FLATNESS,
            (*_of(how, grid, "flatness"), *by_height(grid, camera, how.height_mm, _lying(how))),
        ),
    ]
    if how.mode == "silhouette":
        risen = by_height(grid, camera, how.height_mm, (THICKNESS_U_MM, 0.0, 0.0))
        parts.append(Part(causes.THICKNESS, risen))
    blur_px = outline.blur_mm / pixel_mm
    seen = outline.points_px[shown & (outline.evidence == MEASURED)]
    off_px = tone.u_px(how.photo.linear_grey, seen, blur_px) if len(seen) > 4 else UNSEEN_TONE_U_PX
    on_centre = how.mode == "ink" and how.line_side == "centre"
    parts += [
        # Both sides of a line move toward its middle.
        Part(causes.TONE, outward_mm=0.0 if on_centre else off_px * pixel_mm),
        Part(
            causes.EDGE,
            outward_mm=0.0 if on_centre else EDGES_ALIKE_U_PX[how.mode] * pixel_mm,
            each_mm=EDGE_U_PX[how.mode] * pixel_mm,
        ),
    ]
    if how.mode == "ink":
        parts.append(Part(causes.PEN, outward_mm=PEN_U_MM[how.line_side]))
    return Budget(grid.origin_mm, 0.0, grid.size_mm, tuple(parts))


def _common_u(how: Circumstances) -> float:
    """Relative uncertainty of the scale that both axes share.

    The rest of what is not known of the print is its aspect, which the photo shows in part
    and which the camera's covariance therefore holds; where that was not taken apart, the
    whole is counted here, and so it is where nobody measured: a page set to the wrong size is
    wrong on both axes alike.
    """
    if how.common_scale_u is not None:
        return how.common_scale_u
    x, y = how.scale.u_x / how.scale.x, how.scale.u_y / how.scale.y
    if not how.scale.measured or not how.solution.causes or x == 0.0 or y == 0.0:
        return max(x, y)
    return x * y / math.hypot(x, y)


def _of(how: Circumstances, grid: Grid, *names: str) -> tuple[Field, ...]:
    """Fields of some causes of the camera's covariance."""
    camera, taken = how.solution.camera, how.solution.causes
    if taken:
        covariance = sum((c for name, c in taken if name in names), np.zeros((11, 11)))
    else:
        covariance = camera.covariance if "corners" in names else np.zeros((11, 11))
    if not covariance.any():
        return ()
    return by_camera(grid, camera, how.height_mm, np.asarray(covariance))


def _lying(how: Circumstances) -> tuple[float, float, float]:
    """How far the face may be off its height: at its middle, and at its ends by a lean."""
    u = math.hypot(LYING_U_MM, BULGE_SHARE * how.solution.sheet_flatness_mm)
    return u, u / 3, u / 3  # a stiff piece evens out what is under it


def _shown(camera: Camera, points_px: FloatArray) -> NDArray[np.bool_]:
    """Which points (N,) lie in the photo; all that can be, where another photo shows them."""
    width, height = camera.size_px
    finite = np.isfinite(points_px).all(axis=1)
    at = np.nan_to_num(points_px, nan=-1.0)
    inside = np.asarray(((at >= 0) & (at < np.array([width, height]))).all(axis=1))
    return inside if inside.any() else np.asarray(finite)


def mm_per_px(camera: Camera, points_px: FloatArray) -> float:
    """Median size of a pixel on the sheet at some pixels."""
    beside = [camera.to_sheet(points_px + step) for step in ((0.5, 0.0), (-0.5, 0.0))]
    return float(np.median(np.linalg.norm(beside[0] - beside[1], axis=1)))
