"""The drawn surface from straight above, put together from several photos.

For a drawing that no photo shows whole.  A drawing is flat, so that every photo may be laid
down on its plane: each place is taken from the photo that shows it finest, and near the end
of a photo the next one takes over gradually.  What comes out is a picture in light over
paper white and a camera far above it, and both are traced like any photo.

Edges are otherwise measured in the photos' own pixels.  Here they are measured after one
interpolation, as fine as the finest photo, which costs some hundredths of a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.tracing.light import PaperLight

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]

_FAR_MM = 1e6  # height of the camera that sees the picture: straight down everywhere
_PAPER = 0.6  # linear light that paper white is given
_FADE = 0.06  # of a photo's long side, from its end
_FINEST = 3.0  # power of resolution that photos are weighed by
_MOST_PX = 30_000_000
_NODE_PX = 16  # between exactly mapped pixels
_STRIP = 512  # rows made at a time


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """One photo with its camera in the common frame and its light."""

    photo: Photo
    camera: Camera
    light: PaperLight


@dataclass(frozen=True, slots=True, eq=False)
class Orthophoto:
    """The picture, who sees it, and from which photo each place mostly comes."""

    photo: Photo
    camera: Camera  # over the common frame; its covariance is zero
    source: NDArray[np.int16]  # (rows, columns) number of the photo, -1 where none


def orthophoto(photos: Sequence[Laid], box_mm: Box, height_mm: float) -> Orthophoto:
    """The plane at a height inside x0, y0, x1, y1 from all photos together.

    What no photo shows is paper white.
    """
    x0, y0, x1, y1 = box_mm
    pitch = max(
        min(_mm_per_px(one.camera, box_mm, height_mm) for one in photos),
        float(np.sqrt((x1 - x0) * (y1 - y0) / _MOST_PX)),
    )
    columns, rows = int((x1 - x0) / pitch), int((y1 - y0) / pitch)
    coded = np.empty((rows, columns, 3), np.uint16)
    source = np.empty((rows, columns), np.int16)
    for top in range(0, rows, _STRIP):
        bottom = min(top + _STRIP, rows)
        ratio, source[top:bottom] = _strip(
            photos, (x0, y1 - top * pitch), pitch, (bottom - top, columns), height_mm
        )
        coded[top:bottom] = _coded(_PAPER * ratio)
    centre = np.array([x0 + (columns - 1) / 2 * pitch, y1 - (rows - 1) / 2 * pitch])
    focal = (_FAR_MM) / pitch
    camera = Camera(
        size_px=(columns, rows),
        rotation=np.diag([1.0, -1.0, -1.0]),
        translation_mm=np.array([-centre[0], centre[1], _FAR_MM + height_mm]),
        focal_px=focal,
        principal_px=((columns - 1) / 2, (rows - 1) / 2),
        k1=0.0,
        k2=0.0,
        covariance=np.zeros((11, 11)),
    )
    return Orthophoto(Photo("several photos", "", coded, None, None), camera, source)


def _strip(
    photos: Sequence[Laid],
    corner_mm: tuple[float, float],
    pitch: float,
    shape: tuple[int, int],
    height_mm: float,
) -> tuple[NDArray[np.float32], NDArray[np.int16]]:
    """Light over paper white (rows, columns, 3) and source of some rows from a corner down."""
    total = np.zeros((*shape, 3), np.float32)
    weight = np.zeros(shape, np.float32)
    most = np.zeros(shape, np.float32)
    source = np.full(shape, -1, np.int16)
    for number, one in enumerate(photos):
        at_x, at_y, share = _seen_at(one.camera, corner_mm, pitch, shape, height_mm)
        if not share.any():
            continue
        inside = share > 0
        left, upper = int(at_x[inside].min()) - 3, int(at_y[inside].min()) - 3
        right, lower = int(at_x[inside].max()) + 4, int(at_y[inside].max()) + 4
        left, upper = max(left, 0), max(upper, 0)
        right, lower = min(right, one.photo.width_px), min(lower, one.photo.height_px)
        ratio = one.light.ratio(left, upper, right, lower)
        seen = cv2.remap(
            ratio, at_x - left, at_y - upper, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        total += seen * share[..., None]
        weight += share
        source[share > most] = number
        most = np.maximum(most, share)
    shown = weight > 0
    total[shown] /= weight[shown][:, None]
    total[~shown] = 1.0
    return total, source


def _seen_at(
    camera: Camera,
    corner_mm: tuple[float, float],
    pitch: float,
    shape: tuple[int, int],
    height_mm: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Pixel columns and rows of a strip's places, and how much the photo is to be heard."""
    rows, columns = shape
    n_r, n_c = rows // _NODE_PX + 2, columns // _NODE_PX + 2
    x = corner_mm[0] + pitch * _NODE_PX * np.arange(n_c)
    y = corner_mm[1] - pitch * _NODE_PX * np.arange(n_r)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    lifted = np.column_stack([grid, np.full(len(grid), height_mm)])
    px = np.nan_to_num(camera.to_px(lifted), nan=-1e6)
    beside = np.nan_to_num(camera.to_px(lifted + np.array([pitch, 0.0, 0.0])), nan=-1e6)
    above = np.nan_to_num(camera.to_px(lifted + np.array([0.0, pitch, 0.0])), nan=-1e6)
    finer = np.minimum(np.hypot(*(beside - px).T), np.hypot(*(above - px).T))
    nodes = np.column_stack([px, finer]).reshape(n_r, n_c, 3).astype(np.float32)
    at_c, at_r = np.meshgrid(
        np.arange(columns, dtype=np.float32) / _NODE_PX,
        np.arange(rows, dtype=np.float32) / _NODE_PX,
    )
    every = np.asarray(cv2.remap(nodes, at_c, at_r, cv2.INTER_LINEAR), np.float32)
    at_x, at_y = every[..., 0], every[..., 1]
    width, height = camera.size_px
    from_end = np.minimum.reduce([at_x, width - 1 - at_x, at_y, height - 1 - at_y]) - 2.0
    fade = np.clip(from_end / (_FADE * max(width, height)), 0.0, 1.0)
    share = fade * fade * (3 - 2 * fade) * np.clip(every[..., 2], 0.0, 10.0) ** _FINEST
    return at_x, at_y, np.asarray(share, np.float32)


def _mm_per_px(camera: Camera, box_mm: Box, height_mm: float) -> float:
    """Size of a pixel in the middle of what a photo shows of the box."""
    x0, y0, x1, y1 = box_mm
    grid_x, grid_y = np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 9))
    grid = np.column_stack([grid_x.ravel(), grid_y.ravel(), np.full(grid_x.size, height_mm)])
    px = camera.to_px(grid)
    width, height = camera.size_px
    # What is not a number is not inside.
    inside = np.asarray(((px > 0) & (px < (width, height))).all(axis=1))
    if not inside.any():
        return np.inf
    a, b = (camera.to_px(grid[inside] + step) for step in ([1.0, 0, 0], [0, 1.0, 0]))
    scale = np.sqrt(np.hypot(*(a - px[inside]).T) * np.hypot(*(b - px[inside]).T))
    return float(1 / np.median(scale))


def _coded(light: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Sixteen bits by the sRGB curve (IEC 61966-2-1)."""
    clipped = np.clip(light, 0.0, 1.0)
    coded = np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)
    return np.asarray(np.round(65535 * coded), dtype=np.uint16)
