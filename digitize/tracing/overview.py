"""The drawn surface seen from straight above, coarse: to find strokes, never to measure them.

The raster is about 0.22 mm per cell and upright in sheet millimetres, so that sizes,
gaps and pen widths mean the same everywhere however the photo is tilted.  Cell (column,
row) has its centre at x = left + (column + 0.5) pitch, y = top - (row + 0.5) pitch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.tracing.light import PaperLight

FloatArray = NDArray[np.float64]

PITCH_MM = 0.22
_MOST_CELLS = 4_000_000
_FARTHEST_MM = 900.0  # from a card, that anything is looked for
_NODE = 16  # cells between exactly mapped points; lens and perspective are straight between

_RING_INSET_MM = 0.6
"""Left out along the ring's border: blur of the printed squares, and where they begin."""

_CARD_PRINT_MM = (10.0, 8.0, 20.0, 8.0)
_CARD_PAPER_MM = (22.0, 12.0, 30.0, 12.0)
"""How far a card's print (bars, words) and its paper reach left, right, below and above
its lattice, rounded up from the page layout."""


class NothingInRegion(DigitizeError):
    """The surface to look at is not in the photo."""

    exit_code = Exit.TRACE


@dataclass(frozen=True, eq=False)
class Overview:
    """A coarse top-down picture of one plane over the sheet."""

    ratio: NDArray[np.float32]  # (rows, columns, 3) photo over paper white
    valid: NDArray[np.bool_]  # (rows, columns) in the photo, in the region, not the target
    pitch_mm: float
    left_mm: float
    top_mm: float
    height_mm: float
    mm_per_px: float  # of the photo, in the middle of what is looked at

    def to_mm(self, cells: FloatArray) -> FloatArray:
        """Sheet points (N, 2) of cells (N, 2) as column, row."""
        return np.column_stack(
            (
                self.left_mm + (cells[:, 0] + 0.5) * self.pitch_mm,
                self.top_mm - (cells[:, 1] + 0.5) * self.pitch_mm,
            )
        )

    def to_cells(self, points_mm: FloatArray) -> FloatArray:
        """Cells (N, 2) as column, row of sheet points (N, 2)."""
        return np.column_stack(
            (
                (points_mm[:, 0] - self.left_mm) / self.pitch_mm - 0.5,
                (self.top_mm - points_mm[:, 1]) / self.pitch_mm - 0.5,
            )
        )


def darkest_channel(rgb: NDArray[np.float32]) -> NDArray[np.float32]:
    """Least of the three channels (rows, columns)."""
    return np.minimum(np.minimum(rgb[..., 0], rgb[..., 1]), rgb[..., 2])


def look_down(
    light: PaperLight,
    camera: Camera,
    sheet: Sheet,
    *,
    height_mm: float = 0.0,
    region_mm: FloatArray | None = None,
    scale_xy: tuple[float, float] = (1.0, 1.0),
    pitch_mm: float = PITCH_MM,
) -> Overview:
    """The surface ``height_mm`` over the sheet, from above, at about ``pitch_mm`` a cell.

    A ring is looked at inside its border; round a card everything in the photo is, but
    the card itself.  ``region_mm`` (N, 2) narrows that.

    Raises
    ------
    NothingInRegion
        The region lies outside the photo or the ring's blank middle.
    """
    photo = light.photo
    x0, y0, x1, y1 = _bounds(photo, camera, sheet, height_mm, scale_xy)
    if region_mm is not None:
        low, high = region_mm.min(axis=0), region_mm.max(axis=0)
        x0, y0 = max(x0, float(low[0])), max(y0, float(low[1]))
        x1, y1 = min(x1, float(high[0])), min(y1, float(high[1]))
    if x1 - x0 < 2.0 or y1 - y0 < 2.0:
        raise NothingInRegion(
            "the region to trace lies outside the photo or the target's blank middle",
            do="give a --region that lies where the drawing is",
        )
    fine = _mm_per_px(photo, camera, height_mm, (x0, y0, x1, y1))
    step = max(1, round(pitch_mm / fine))
    pitch = step * fine
    while (x1 - x0) * (y1 - y0) / pitch**2 > _MOST_CELLS:
        step += 1
        pitch = step * fine
    columns, rows = int((x1 - x0) / pitch), int((y1 - y0) / pitch)
    empty = np.zeros((rows, columns), dtype=bool)
    frame = Overview(
        np.empty((0, 0, 3), np.float32), empty, pitch, x0, y0 + rows * pitch, height_mm, fine
    )
    at_px, white = _mapped(light, camera, frame, rows, columns)
    ratio, seen = _sampled(photo, at_px, white, step)
    valid = seen & _wanted(frame, sheet, scale_xy, region_mm, ratio)
    return replace(frame, ratio=ratio, valid=valid)


def _bounds(
    photo: Photo,
    camera: Camera,
    sheet: Sheet,
    height_mm: float,
    scale_xy: tuple[float, float],
) -> tuple[float, float, float, float]:
    area = sheet.work_area_mm
    if area is not None:
        sx, sy = scale_xy
        i = _RING_INSET_MM
        return area[0] * sx + i, area[1] * sy + i, area[2] * sx - i, area[3] * sy - i
    side = np.linspace(0.0, 1.0, 9)
    square = np.concatenate(
        [
            np.column_stack((side, 0 * side)),
            np.column_stack((side, 0 * side + 1)),
            np.column_stack((0 * side, side)),
            np.column_stack((0 * side + 1, side)),
        ]
    )
    border = square * (photo.width_px - 1, photo.height_px - 1)
    seen = camera.to_sheet(border, height_mm)
    width, height = sheet.size_mm
    farthest = np.array([width, height]) / 2 + _FARTHEST_MM
    centre = np.array([width, height]) / 2
    # Rays over the horizon come back as not-a-number: there the limit is the distance.
    if not np.isfinite(seen).all():
        seen = np.vstack(
            (seen[np.isfinite(seen).all(axis=1)], centre - farthest, centre + farthest)
        )
    low = np.maximum(seen.min(axis=0), centre - farthest)
    high = np.minimum(seen.max(axis=0), centre + farthest)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _mm_per_px(
    photo: Photo, camera: Camera, height_mm: float, box: tuple[float, float, float, float]
) -> float:
    grid = np.linspace(0.1, 0.9, 7)
    x = box[0] + (box[2] - box[0]) * grid
    y = box[1] + (box[3] - box[1]) * grid
    points = np.array([(a, b, height_mm) for a in x for b in y])
    px = camera.to_px(points)
    inside = (
        np.isfinite(px).all(axis=1)
        & (px >= 0).all(axis=1)
        & (px[:, 0] < photo.width_px)
        & (px[:, 1] < photo.height_px)
    )
    if not inside.any():
        raise NothingInRegion(
            "nothing of the region to trace is in the photo",
            do="give a --region that lies where the drawing is, or take the photo again",
        )
    points, px = points[inside], px[inside]
    right = camera.to_px(points + np.array([0.5, 0.0, 0.0])) - px
    up = camera.to_px(points + np.array([0.0, 0.5, 0.0])) - px
    area = np.abs(right[:, 0] * up[:, 1] - right[:, 1] * up[:, 0])
    return float(0.5 / np.sqrt(np.median(area)))


def _mapped(
    light: PaperLight, camera: Camera, frame: Overview, rows: int, columns: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Photo pixel (rows, columns, 2) and paper white (rows, columns, 3) of every cell."""
    n_c, n_r = -(-columns // _NODE) + 2, -(-rows // _NODE) + 2
    column = (np.arange(n_c) - 0.5) * _NODE - 0.5
    row = (np.arange(n_r) - 0.5) * _NODE - 0.5
    cells = np.stack(np.meshgrid(column, row), axis=-1).reshape(-1, 2)
    mm = frame.to_mm(cells)
    px = camera.to_px(np.column_stack((mm, np.full(len(mm), frame.height_mm))))
    lost = ~np.isfinite(px).all(axis=1)
    px[lost] = -1e4
    nodes = np.column_stack((px, light.white_at(np.clip(px, -500.0, 2e4))))
    # Nodes lie at the middles of blocks of cells, which is the convention of resize; the
    # ring of extra nodes keeps it from flattening the last half block.
    grown = [
        cv2.resize(
            np.ascontiguousarray(nodes[:, part].reshape(n_r, n_c, -1), dtype=np.float32),
            (n_c * _NODE, n_r * _NODE),
            interpolation=cv2.INTER_LINEAR,
        )[_NODE : _NODE + rows, _NODE : _NODE + columns]
        for part in (slice(0, 2), slice(2, 5))
    ]
    return np.asarray(grown[0], np.float32), np.asarray(grown[1], np.float32)


def _sampled(
    photo: Photo, at_px: NDArray[np.float32], white: NDArray[np.float32], step: int
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    seen = (
        (at_px[..., 0] >= 1)
        & (at_px[..., 1] >= 1)
        & (at_px[..., 0] <= photo.width_px - 2)
        & (at_px[..., 1] <= photo.height_px - 2)
    )
    if not seen.any():
        raise NothingInRegion(
            "nothing of the region to trace is in the photo",
            do="give a --region that lies where the drawing is, or take the photo again",
        )
    x0, y0 = (max(int(at_px[..., k].min()) - 2 * step, 0) for k in (0, 1))
    x1 = min(int(at_px[..., 0].max()) + 2 * step, photo.width_px)
    y1 = min(int(at_px[..., 1].max()) + 2 * step, photo.height_px)
    width, height = (x1 - x0) // step, (y1 - y0) // step
    coded = photo.rgb[y0 : y0 + height * step, x0 : x0 + width * step]
    if step > 1:
        coded = cv2.resize(coded, (width, height), interpolation=cv2.INTER_AREA)
    map_x = (at_px[..., 0] - x0 + 0.5) / step - 0.5
    map_y = (at_px[..., 1] - y0 + 0.5) / step - 0.5
    above = cv2.remap(coded, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    linear = replace(photo, rgb=above).linear_rgb(0, 0, above.shape[1], above.shape[0])
    return np.asarray(cv2.divide(linear, white), np.float32), np.asarray(seen)


def _wanted(
    frame: Overview,
    sheet: Sheet,
    scale_xy: tuple[float, float],
    region_mm: FloatArray | None,
    ratio: NDArray[np.float32],
) -> NDArray[np.bool_]:
    rows, columns = ratio.shape[:2]
    wanted = np.ones((rows, columns), np.uint8)
    if region_mm is not None:
        wanted[:] = 0
        corners = np.rint(frame.to_cells(region_mm) * 16).astype(np.int32)
        cv2.fillPoly(wanted, [corners], 1, shift=4)
    if sheet.work_area_mm is None:
        print_reach = _CARD_PRINT_MM if sheet.form == "card" else (5.0,) * 4
        paper_reach = _CARD_PAPER_MM if sheet.form == "card" else (sheet.square_mm,) * 4
        wanted[_box(frame, sheet, scale_xy, print_reach, (rows, columns))] = 0
        paper = _box(frame, sheet, scale_xy, paper_reach, (rows, columns))
        if ratio[paper].size == 0:
            return np.asarray(wanted > 0)
        white = (darkest_channel(ratio[paper]) > 0.7).astype(np.uint8)
        # The card's own paper and the edge of it, which is a line of shadow.
        wide = max(3, 2 * round(1.5 / frame.pitch_mm) + 1)
        reach = cv2.dilate(white, np.ones((wide, wide), np.uint8))
        wanted[paper][np.asarray(reach) > 0] = 0
    return np.asarray(wanted > 0)


def _box(
    frame: Overview,
    sheet: Sheet,
    scale_xy: tuple[float, float],
    reach_mm: tuple[float, ...],
    shape: tuple[int, int],
) -> tuple[slice, slice]:
    width, height = sheet.size_mm[0] * scale_xy[0], sheet.size_mm[1] * scale_xy[1]
    left, right, below, above = reach_mm
    rows, columns = shape
    corners = frame.to_cells(np.array([[-left, height + above], [width + right, -below]]))
    (c0, r0), (c1, r1) = np.rint(corners).astype(int)
    return (
        slice(int(np.clip(r0, 0, rows)), int(np.clip(r1 + 1, 0, rows))),
        slice(int(np.clip(c0, 0, columns)), int(np.clip(c1 + 1, 0, columns))),
    )
