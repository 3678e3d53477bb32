"""The photo as if taken from straight above, for people to look at.

Nothing is measured in this picture: resampling costs sharpness that edges cannot spare.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo

_STEP_PX = 16  # between exactly mapped pixels; bilinear between them errs by about 0.01 px
_NOT_SEEN = 224  # grey where the photo does not reach
_FAR_AWAY_PX = -1e4


def topdown(
    photo: Photo,
    camera: Camera,
    box_mm: tuple[float, float, float, float],
    mm_per_px: float,
    *,
    height_mm: float = 0.0,
) -> NDArray[np.uint8]:
    """RGB picture (rows, columns, 3) of the plane at ``height_mm`` over the sheet.

    ``box_mm`` is x0, y0, x1, y1 of the picture's outer edges; row 0 is at the top (y1).
    Pixels are as near to ``mm_per_px`` as whole rows and columns allow.
    """
    x0, y0, x1, y1 = box_mm
    columns = max(1, round((x1 - x0) / mm_per_px))
    rows = max(1, round((y1 - y0) / mm_per_px))
    at_x = x0 + (_nodes(columns) + 0.5) * (x1 - x0) / columns
    at_y = y1 - (_nodes(rows) + 0.5) * (y1 - y0) / rows
    grid_x, grid_y = np.meshgrid(at_x, at_y)
    places = np.stack([grid_x, grid_y, np.full_like(grid_x, height_mm)], axis=-1)
    exact = camera.to_px(places.reshape(-1, 3)).reshape(*grid_x.shape, 2)
    source, shrink = _shrunk(photo, exact)
    seen = cv2.remap(
        source,
        _between(exact[..., 0], rows, columns, shrink),
        _between(exact[..., 1], rows, columns, shrink),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(_NOT_SEEN,) * 3,
    )
    return np.asarray(seen, dtype=np.uint8)


def _nodes(count: int) -> NDArray[np.float64]:
    """Pixel coordinates that the enlarging of ``_between`` interpolates through."""
    nodes = np.arange(-1, -(-count // _STEP_PX) + 1)
    return np.asarray((nodes + 0.5) * _STEP_PX - 0.5, dtype=float)


def _between(
    exact: NDArray[np.float64], rows: int, columns: int, shrink: int
) -> NDArray[np.float32]:
    """Photo coordinates (rows, columns) for every pixel from those at the nodes."""
    in_source = (exact + 0.5) / shrink - 0.5
    coarse = np.where(np.isfinite(in_source), in_source, _FAR_AWAY_PX).astype(np.float32)
    size = (coarse.shape[1] * _STEP_PX, coarse.shape[0] * _STEP_PX)
    fine = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[_STEP_PX : _STEP_PX + rows, _STEP_PX : _STEP_PX + columns])


def _shrunk(photo: Photo, exact: NDArray[np.float64]) -> tuple[NDArray[Any], int]:
    """The photo in 8 bits, made smaller where the picture would skip pixels of it."""
    steps = np.hypot(*np.moveaxis(np.diff(exact, axis=1), -1, 0)) / _STEP_PX
    finite = steps[np.isfinite(steps)]
    shrink = max(1, int(np.median(finite))) if finite.size else 1
    rgb = photo.rgb
    if shrink > 1:
        rows, columns = (n // shrink * shrink for n in rgb.shape[:2])
        size = (columns // shrink, rows // shrink)
        rgb = cv2.resize(rgb[:rows, :columns], size, interpolation=cv2.INTER_AREA)
    return (rgb >> 8).astype(np.uint8) if rgb.dtype == np.uint16 else rgb, shrink
