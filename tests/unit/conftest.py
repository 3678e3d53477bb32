"""Photographs of printed sheets, taken by OpenCV's warp and filters with known faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.sheets import printing
from digitize.sheets.layout import Sheet
from digitize.sheets.page import page

FloatArray = NDArray[np.float64]

_PER_MM = 10
_FINE = 2  # rendered pixels to a pixel


@dataclass(frozen=True, eq=False)
class Shot:
    """How a sheet is photographed; light and blur are in the photo's own pixels."""

    camera: Camera  # without lens distortion
    form: str = "ring"
    paper: str = "A4"
    number: int = 3
    level: float = 0.7  # linear light of white paper
    blur_px: float = 0.7
    motion_px: tuple[float, float] = (0.0, 0.0)  # how the camera moved while open
    noise: float = 0.006  # of full scale, as coded
    plate_mm: tuple[float, float, float, float] | None = None  # a dark plate, on the sheet
    covers_mm: tuple[tuple[float, float, float, float], ...] = ()  # other dark things
    light: Callable[[FloatArray, FloatArray], FloatArray] | None = None  # factor over x, y (mm)
    shine: Callable[[FloatArray, FloatArray], FloatArray] | None = None  # added on the plate
    seed: int = 1
    header: dict[str, float] = field(default_factory=dict)  # focal_prior_px, focal_prior_rel


@cache
def _paper(form: str, paper: str, number: int) -> tuple[NDArray[np.float32], Sheet, float, float]:
    """Reflectance of the page, its sheet, and where the sheet's origin is in page pixels."""
    drawn = page(form, paper, number)
    inked = printing.ink(drawn, _PER_MM * 25.4)
    placed = drawn.targets[0]
    x, y = placed.origin_mm
    reflectance = (0.85 - 0.8 * inked.astype(np.float32) / 255).astype(np.float32)
    return reflectance, placed.sheet, x * _PER_MM, (drawn.size_mm[1] - y) * _PER_MM


def photograph(shot: Shot) -> Photo:
    reflectance, _, x0, y0 = _paper(shot.form, shot.paper, shot.number)
    rows, columns = np.mgrid[: reflectance.shape[0], : reflectance.shape[1]].astype(np.float32)
    x_mm, y_mm = (columns + 0.5 - x0) / _PER_MM, (y0 - rows - 0.5) / _PER_MM
    picture = reflectance / 0.85 * (shot.light(x_mm, y_mm) if shot.light else 1.0)
    for box in (shot.plate_mm, *shot.covers_mm):
        if box is not None:
            inside = (x_mm > box[0]) & (x_mm < box[2]) & (y_mm > box[1]) & (y_mm < box[3])
            shine = shot.shine(x_mm, y_mm) if shot.shine and box == shot.plate_mm else 0.0
            picture = np.where(inside, 0.12 + shine, picture)
    seen = cv2.warpPerspective(
        np.asarray(picture * shot.level, np.float32),
        _px_from_page(shot.camera, x0, y0),
        tuple(_FINE * n for n in shot.camera.size_px),
        flags=cv2.INTER_LINEAR,
        borderValue=0.2 * shot.level,
    )
    seen = cv2.GaussianBlur(seen, (0, 0), _FINE * shot.blur_px)
    if any(shot.motion_px):
        seen = cv2.filter2D(seen, -1, _line(*(_FINE * m for m in shot.motion_px)))
    linear = np.clip(cv2.resize(seen, shot.camera.size_px, interpolation=cv2.INTER_AREA), 0, 1)
    # IEC 61966-2-1
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    coded = coded[..., None] + np.random.default_rng(shot.seed).normal(
        0, shot.noise, (*coded.shape, 3)
    )
    rgb = np.clip(np.rint(255 * coded), 0, 255).astype(np.uint8)
    return replace(Photo("shot.png", "0" * 64, rgb, None, None), **shot.header)


def _px_from_page(camera: Camera, x0: float, y0: float) -> FloatArray:
    """From page pixels to the fine picture's, by the camera's plane homography."""
    f, (cx, cy) = camera.focal_px, camera.principal_px
    sees = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]]) @ np.column_stack(
        [camera.rotation[:, :2], camera.translation_mm]
    )
    sheet = np.array(
        [[1 / _PER_MM, 0, (0.5 - x0) / _PER_MM], [0, -1 / _PER_MM, (y0 - 0.5) / _PER_MM], [0, 0, 1]]
    )
    fine = np.array([[_FINE, 0, (_FINE - 1) / 2], [0, _FINE, (_FINE - 1) / 2], [0, 0, 1]])
    return np.asarray(fine @ sees @ sheet)


def _line(dx: float, dy: float) -> NDArray[np.float32]:
    """A kernel that spreads light evenly along a line."""
    half = int(np.ceil(np.hypot(dx, dy) / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for share in np.linspace(-0.5, 0.5, 801):
        x, y = half + share * dx, half + share * dy
        i, j = int(x), int(y)
        for m, n in ((0, 0), (1, 0), (0, 1), (1, 1)):
            weight = (1 - abs(x - i - m)) * (1 - abs(y - j - n))
            kernel[j + n, i + m] += weight
    return kernel / kernel.sum()


@pytest.fixture
def shoot() -> Callable[..., Photo]:
    """``shoot(camera, **faults)``: a photo of the A4 ring number 3, or of what is said."""
    return lambda camera, **faults: photograph(Shot(camera, **faults))
