"""Sheets seen by a simulated camera.  Where points fall is OpenCV's projection, not ours."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.sheets.layout import Sheet
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class View:
    """One camera over one sheet, as it really is."""

    sheet: Sheet
    camera: Camera  # its numbers; its covariance is zero

    def px(self, points_mm: FloatArray) -> FloatArray:
        """Pixels (N, 2) of points (N, 3) by OpenCV."""
        c = self.camera
        (cx, cy), f = c.principal_px, c.focal_px
        seen, _ = cv2.projectPoints(
            np.asarray(points_mm, dtype=float),
            cv2.Rodrigues(c.rotation)[0],
            c.translation_mm,
            np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]]),
            np.array([c.k1, c.k2, 0, 0]),
        )
        return np.asarray(seen[:, 0])

    def sighting(
        self,
        rng: np.random.Generator,
        noise_px: float = 0.05,
        heights_mm: Callable[[FloatArray], FloatArray] | None = None,
        printed: tuple[float, float] = (1.0, 1.0),
    ) -> Sighting:
        """What is seen of the sheet, on paper that bulges and prints that are out of scale."""
        nominal = self.sheet.x_corners() * self.sheet.square_mm
        true = nominal * np.array(printed)
        heights = np.zeros(len(true)) if heights_mm is None else heights_mm(true)
        exact = self.px(np.column_stack([true, heights]))
        return Sighting(
            sheet=self.sheet,
            corners_px=exact + rng.normal(0, noise_px, exact.shape),
            corners_mm=nominal.astype(float),
            sigma_px=np.full(len(true), noise_px),
            blur_px=0.8,
            marks_read=9,
        )

    def grid(
        self, height_mm: float = 0.0, count: int = 7, inset: float = 0.05
    ) -> tuple[FloatArray, FloatArray]:
        """Places (N, 2) on the sheet at a height, and the pixels (N, 2) that see them.

        They stay ``inset`` of its sides away from its edges.
        """
        width, height = self.sheet.size_mm
        share = np.linspace(inset, 1 - inset, count)
        x, y = np.meshgrid(width * share, height * share)
        places = np.column_stack([x.ravel(), y.ravel()])
        return places, self.px(np.column_stack([places, np.full(len(places), height_mm)]))


def stand_over(
    sheet: Sheet,
    tilt_deg: float,
    *,
    size_px: tuple[int, int] = (4000, 3000),
    focal_px: float = 3000.0,
    off_middle_px: tuple[float, float] = (0.0, 0.0),
    k1: float = 0.0,
    k2: float = 0.0,
    azimuth_deg: float = 30.0,
    fill: float = 0.88,
) -> View:
    """A camera that looks at the middle of a sheet and has it nearly fill the picture."""
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    axis = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    rotation = (
        cv2.Rodrigues(np.array([0.0, 0.0, 0.09]))[0]
        @ np.diag([1.0, -1.0, -1.0])
        @ cv2.Rodrigues(axis * tilt)[0]
    )
    width, height = sheet.size_mm
    distance = max(width / size_px[0], height / size_px[1]) * focal_px / fill
    distance *= 1 + np.sin(tilt) / 2
    centre = np.array([width / 2, height / 2, 0.0]) - distance * rotation[2]
    middle = ((size_px[0] - 1) / 2 + off_middle_px[0], (size_px[1] - 1) / 2 + off_middle_px[1])
    return View(
        sheet,
        Camera(size_px, rotation, -rotation @ centre, focal_px, middle, k1, k2, np.zeros((11, 11))),
    )


@pytest.fixture
def over() -> Callable[..., View]:
    """``stand_over``, for tests that need a view of a sheet."""
    return stand_over
