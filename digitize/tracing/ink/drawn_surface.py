"""The surface that was drawn on, as the photo shows it: where strokes are measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DrawnSurface:
    """A plane over the sheet and the light in which its ink stands out."""

    image: NDArray[np.float32]  # (height, width) linear light of the photo, or a mix of colours
    darker: bool  # whether the ink is darker than the surface there
    camera: Camera
    height_mm: float  # of the plane over the target

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Pixels (N, 2) of points (N, 2) on the surface."""
        height = np.full(len(points_mm), self.height_mm)
        return self.camera.to_px(np.column_stack((points_mm, height)))

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Points (N, 2) on the surface, in sheet millimetres, of pixels (N, 2)."""
        return self.camera.to_sheet(points_px, self.height_mm)

    def mm_per_px(self, points_px: FloatArray, directions: FloatArray) -> FloatArray:
        """Millimetres (N,) of one pixel in the given unit directions (N, 2)."""
        there, here = self.to_mm(points_px + directions / 2), self.to_mm(points_px - directions / 2)
        return np.asarray(np.hypot(*(there - here).T))

    def normals_px(self, points_mm: FloatArray, along: FloatArray) -> FloatArray:
        """Unit normals (N, 2) px of lines through (N, 2) mm along unit vectors, (2,) or (N, 2)."""
        step = self.to_px(points_mm + 0.1 * along) - self.to_px(points_mm)
        step = step / np.hypot(*step.T)[:, None]
        return np.column_stack((step[:, 1], -step[:, 0]))
