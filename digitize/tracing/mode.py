"""Drawing or piece: what a photo shows, when the user does not say.

A drawing is a thin closed line with the same bare surface on both sides of it; a piece is
a filled shape unlike the paper it lies on.  Beside a card or checkerboard a piece is only
believed if the target's own paper goes all round it; a panel, and what is on it, is drawn on.
"""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.tracing.ink.loops import Loops, find_loops
from digitize.tracing.ink.strokes import NothingDrawn, find_on_paper
from digitize.tracing.light import PaperLight, fit_paper_light
from digitize.tracing.overview import Overview, darkest_channel, look_down
from digitize.tracing.silhouette.finding import view_from_above

_BROAD_MM = 6.0  # broader than any pen line
_LEAST_PIECE_MM2 = 80.0
_LEAST_LOOP_MM2 = 60.0
_ALIKE = 0.15  # of the surface's light, that it may differ by across a drawn line


def choose_mode(
    photo: Photo,
    camera: Camera,
    sheet: Sheet,
    scale_xy: tuple[float, float] = (1.0, 1.0),
    *,
    light: PaperLight | None = None,
) -> tuple[Literal["ink", "silhouette"], str]:
    """Whether to trace a drawing or a piece, and why, in words for the user.

    ``light`` saves fitting the paper white when that has been done already.
    """
    if light is None:
        light = fit_paper_light(photo, camera, sheet, scale_xy)
    if sheet.work_area_mm is None:
        around = view_from_above(camera, sheet, light, scale_xy)
        ratio = np.exp(around.log_ratio)
        if _broad_area(ratio, around.domain, around.cell_mm) > _LEAST_PIECE_MM2:
            return "silhouette", "a filled shape unlike the paper lies beside the target"
        return "ink", "nothing lies on the paper of the target"
    view = look_down(light, camera, sheet, scale_xy=scale_xy, pitch_mm=0.4)
    try:
        strokes = find_on_paper(view)
    except NothingDrawn:
        loops = None
    else:
        loops = find_loops(strokes.ink, view.pitch_mm)
        closed = [s for s in loops.closed_strokes() if loops.parent_face[s] == 0]
        if any(_same_on_both_sides(loops, view, s) for s in closed):
            return "ink", "a drawn line closes round bare surface"
    piece_mm2 = _broad_area(view.ratio, view.valid, view.pitch_mm)
    if piece_mm2 > _LEAST_PIECE_MM2:
        return "silhouette", "a filled shape unlike the paper lies on the sheet"
    if loops is not None:
        return "ink", "only thin strokes were found on the paper"
    return "silhouette", "no drawn line was found on the paper"


def _same_on_both_sides(loops: Loops, view: Overview, stroke: int) -> bool:
    """Whether a stroke encloses surface like that outside it."""
    faces = loops.inner_faces(stroke)
    if not faces or loops.face_area[faces[0]] * view.pitch_mm**2 < _LEAST_LOOP_MM2:
        return False
    rows, columns = loops.box(stroke, round(5.0 / view.pitch_mm))
    ink = loops.stroke[rows, columns] == stroke
    distance = cv2.distanceTransform((~ink).astype(np.uint8), cv2.DIST_L2, 5) * view.pitch_mm
    beside = (distance > 1.0) & (distance < 4.0) & (loops.ink[rows, columns] == 0)
    inside = np.isin(loops.zone[rows, columns], list(loops.all_faces_within(stroke)))
    ratio = np.pad(view.ratio, ((1, 1), (1, 1), (0, 0)), mode="edge")[rows, columns]
    valid = np.pad(view.valid, 1)[rows, columns]
    within, without = (_median(ratio, beside & valid & side) for side in (inside, ~inside))
    if within is None or without is None:
        return False
    return bool((np.abs(within - without) < _ALIKE * np.maximum(within, without)).all())


def _median(ratio: NDArray[np.float32], chosen: NDArray[np.bool_]) -> NDArray[np.float32] | None:
    return np.median(ratio[chosen], axis=0) if chosen.sum() > 30 else None


def _broad_area(ratio: NDArray[np.float32], valid: NDArray[np.bool_], pitch_mm: float) -> float:
    """Area of what is unlike paper and broader than a pen line, mm2."""
    bright = -darkest_channel(-ratio)
    unlike = ((darkest_channel(ratio) < 0.74) | (bright > 1.35)) & valid
    size = max(3, round(_BROAD_MM / pitch_mm))
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    broad = cv2.morphologyEx(unlike.astype(np.uint8), cv2.MORPH_OPEN, disk)
    return float(broad.sum()) * pitch_mm**2
