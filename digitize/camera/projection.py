"""Where the camera sees a point, and how that moves with everything the camera is.

The one place for the projection's derivatives: recovery and covariance both use it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Pinhole:
    """The camera's numbers, bare: pose, focal length, principal point, lens."""

    rotation: FloatArray  # (3, 3) camera_from_sheet
    translation_mm: FloatArray  # (3,)
    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    k2: float


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Pixels of sheet points with derivatives."""

    px: FloatArray  # (N, 2)
    by_parameter: FloatArray  # (N, 2, 11) in the order of camera.PARAMETERS
    by_point: FloatArray  # (N, 2, 3) per mm of sheet x, y, z


def rotation_matrix(vector: FloatArray) -> FloatArray:
    """Rotation (3, 3) of a rotation vector (3,) in radians (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    cross = np.array(
        [
            [0.0, -vector[2], vector[1]],
            [vector[2], 0.0, -vector[0]],
            [-vector[1], vector[0], 0.0],
        ]
    )
    # Series of sin(a)/a and (1 - cos(a))/a^2 near zero, where the quotients lose digits.
    small = angle < 1e-4
    first = 1 - angle**2 / 6 if small else np.sin(angle) / angle
    second = 0.5 - angle**2 / 24 if small else (1 - np.cos(angle)) / angle**2
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross)


def see(pinhole: Pinhole, points_mm: FloatArray) -> Seen:
    """Pixels of sheet points (N, 3) and their first derivatives.

    Takes every point to be in front of the camera and inside the lens's fold.
    """
    turned = points_mm @ pinhole.rotation.T
    x, y, z = (turned + pinhole.translation_mm).T
    a, b = x / z, y / z
    k1, k2, f = pinhole.k1, pinhole.k2, pinhole.focal_px
    r2 = a * a + b * b
    factor = 1 + r2 * (k1 + r2 * k2)
    slope = 2 * (k1 + 2 * k2 * r2)  # d factor / d(r^2) * 2
    px = np.stack([f * a * factor, f * b * factor], axis=1) + np.asarray(pinhole.principal_px)

    # d(px)/d(a, b), symmetric; then d(a, b)/d(x, y, z)
    aa, ab, bb = f * (factor + slope * a * a), f * slope * a * b, f * (factor + slope * b * b)
    by_camera = np.empty((len(x), 2, 3))
    by_camera[:, 0, 0], by_camera[:, 0, 1] = aa / z, ab / z
    by_camera[:, 1, 0], by_camera[:, 1, 1] = ab / z, bb / z
    by_camera[:, 0, 2] = -(aa * a + ab * b) / z
    by_camera[:, 1, 2] = -(ab * a + bb * b) / z

    by_parameter = np.zeros((len(x), 2, 11))
    # A left rotation increment w moves the turned point by w x p, so d(px)/dw = p x d(px)/dp.
    p, d = turned[:, None, :], by_camera
    by_parameter[:, :, 0] = p[..., 1] * d[..., 2] - p[..., 2] * d[..., 1]
    by_parameter[:, :, 1] = p[..., 2] * d[..., 0] - p[..., 0] * d[..., 2]
    by_parameter[:, :, 2] = p[..., 0] * d[..., 1] - p[..., 1] * d[..., 0]
    by_parameter[:, :, 3:6] = by_camera
    by_parameter[:, 0, 6], by_parameter[:, 1, 6] = f * a * factor, f * b * factor
    by_parameter[:, 0, 7] = by_parameter[:, 1, 8] = 1.0
    by_parameter[:, 0, 9], by_parameter[:, 1, 9] = f * a * r2, f * b * r2
    by_parameter[:, :, 10] = by_parameter[:, :, 9] * r2[:, None]
    return Seen(px=px, by_parameter=by_parameter, by_point=by_camera @ pinhole.rotation)
