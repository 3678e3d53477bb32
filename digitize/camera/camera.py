"""A pinhole camera with radial distortion, standing over the sheet.

``x_camera = R x_sheet + t``, camera x right, y down, z forward; sheet x right, y up, z
toward the viewer.  With (a, b) = (x/z, y/z) in camera coordinates and r2 = a^2 + b^2, a
point is seen at  principal + focal * (a, b) * (1 + k1 r2 + k2 r2^2)  (Brown 1971,
radial terms).  ``to_sheet`` is the exact inverse, for any height over the sheet.  What
cannot be seen (behind the camera, past the horizon, beyond the lens's fold) is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.camera.lens import distort, undistort
from digitize.camera.projection import Pinhole, see

FloatArray = NDArray[np.float64]

PARAMETERS = ("rx", "ry", "rz", "tx", "ty", "tz", "log_focal", "px", "py", "k1", "k2")
"""Order of the rows and columns of ``Camera.covariance``: rotation vector increment (rad,
left-multiplied), translation (mm), log of focal length, principal point (px), k1, k2."""

Cause = Literal["corners", "lens", "print", "flatness"]
"""Where the uncertainty of a camera comes from: noise and misfit of the corners, the beliefs
about the lens, about the print's aspect, and about the sheet's flatness."""


@dataclass(frozen=True, eq=False)
class Camera:
    """Where the camera stood and how it sees."""

    size_px: tuple[int, int]  # width, height of the photo
    rotation: FloatArray  # (3, 3) camera_from_sheet
    translation_mm: FloatArray  # (3,)
    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    k2: float
    covariance: FloatArray  # (11, 11) in the order of PARAMETERS

    @property
    def centre_mm(self) -> FloatArray:
        """Camera centre (3,) in sheet coordinates; its first two are the foot point."""
        return -self.rotation.T @ self.translation_mm

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the sheet's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))

    @property
    def pinhole(self) -> Pinhole:
        """The same camera as bare numbers."""
        return Pinhole(
            self.rotation, self.translation_mm, self.focal_px, self.principal_px, self.k1, self.k2
        )

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Pixels (N, 2) of sheet points (N, 3) or (N, 2), the latter at height 0."""
        points_mm = np.asarray(points_mm, dtype=float)
        width = points_mm.shape[1]
        in_camera = points_mm @ self.rotation[:, :width].T + self.translation_mm
        depth = np.where(in_camera[:, 2] > 0, in_camera[:, 2], np.nan)
        rays = in_camera[:, :2] / depth[:, None]
        seen = distort(rays, self.k1, self.k2)
        return np.asarray(self.focal_px * seen + np.asarray(self.principal_px))

    def to_sheet(self, points_px: FloatArray, height_mm: FloatArray | float = 0.0) -> FloatArray:
        """Sheet points (N, 2) where pixels (N, 2) look through the plane at ``height_mm``.

        ``height_mm`` is one height or one per point (N,).
        """
        points_px = np.asarray(points_px, dtype=float)
        seen = (points_px - np.asarray(self.principal_px)) / self.focal_px
        rays = undistort(seen, self.k1, self.k2)
        directions = np.column_stack([rays, np.ones(len(rays))]) @ self.rotation
        centre = self.centre_mm
        down = directions[:, 2]
        drop = np.asarray(height_mm, dtype=float) - centre[2]
        along = drop / np.where(down * drop > 0, down, np.nan)
        return np.asarray(centre[:2] + directions[:, :2] * along[:, None])

    def covariance_on_sheet(
        self, points_px: FloatArray, height_mm: FloatArray | float = 0.0
    ) -> FloatArray:
        """Covariance (N, 2, 2) in mm^2 of ``to_sheet`` from the camera's own uncertainty.

        Each point by itself; what two points have in common is in ``moves_on_sheet``.
        """
        by_camera = self.moves_on_sheet(points_px, height_mm)
        return np.asarray(by_camera @ self.covariance @ by_camera.transpose(0, 2, 1))

    def moves_on_sheet(
        self, points_px: FloatArray, height_mm: FloatArray | float = 0.0
    ) -> FloatArray:
        """Derivatives (N, 2, 11) of ``to_sheet`` by the camera's ``PARAMETERS``.

        A pixel held fixed: d(sheet)/d(camera) = -(d(px)/d(sheet))^-1 d(px)/d(camera).  With J
        the rows of several points, J covariance J' is their joint covariance: errors of two
        ends of a length are far from independent.
        """
        on_sheet = self.to_sheet(points_px, height_mm)
        heights = np.broadcast_to(np.asarray(height_mm, dtype=float), len(on_sheet))
        seen = see(self.pinhole, np.column_stack([on_sheet, heights]))
        visible = np.isfinite(on_sheet).all(axis=1)
        moves = np.full((len(on_sheet), 2, 11), np.nan)
        moves[visible] = -np.linalg.solve(
            seen.by_point[visible][:, :, :2], seen.by_parameter[visible]
        )
        return moves


@dataclass(frozen=True, eq=False)
class CameraSolution:
    """The recovered camera and how well it explains what was seen."""

    camera: Camera
    used: NDArray[np.bool_]  # (N,) corners kept
    residuals_px: FloatArray  # (N, 2) seen minus predicted, for every corner
    rms_px: float  # over the kept corners, per axis
    expected_rms_px: float  # what the corners' own noise explains
    sheet_flatness_mm: float  # out-of-flat that the residual pattern suggests (0: none seen)
    print_aspect: float = 1.0  # x over y of the print, over what its scale said, as seen
    prior: str = "usual"  # the belief that the photo agreed with: see ``priors``
    causes: tuple[tuple[Cause, FloatArray], ...] = ()
    """What the camera's covariance (11, 11) is made of; empty where it was not taken apart."""
