"""First guesses of pose and focal length from the plane's homography.

Good enough to start the adjustment, no better: no lens, and a principal point that is
taken as known.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_TOLERANCES = (0.02, 0.003)  # of the corners' spread
_MOST_TRIALS = 2000


def robust_homographies(points_mm: FloatArray, points_px: FloatArray) -> list[FloatArray]:
    """Homographies (3, 3) px_from_sheet of the largest sets of consistent corners.

    The first lets a strongly curved lens through, the second keeps out corners that were
    taken for their neighbours.  RANSAC (Fischler & Bolles 1981); may be empty.
    """
    spread = float(np.hypot(*np.ptp(points_px, axis=0)))
    found = []
    for tolerance in _TOLERANCES:
        homography, _ = cv2.findHomography(
            points_mm,
            points_px,
            cv2.RANSAC,
            ransacReprojThreshold=tolerance * spread,
            maxIters=_MOST_TRIALS,
            confidence=0.9999,
        )
        if homography is not None and np.isfinite(homography).all():
            found.append(np.asarray(homography, dtype=float))
    return found


def focal_from_homography(homography: FloatArray, principal_px: FloatArray) -> float | None:
    """Focal length (px) that makes the sheet's axes square and equal in scale, or None.

    Zhang (PAMI 22, 2000) eq. 3 and 4 with square pixels and a known principal point: two
    linear conditions on 1/f^2, solved by least squares.
    """
    shift = np.eye(3)
    shift[:2, 2] = -principal_px
    h = shift @ homography
    h = h / np.linalg.norm(h[:, :2])
    slopes = np.array([h[0, 0] * h[0, 1] + h[1, 0] * h[1, 1], 0.0])
    slopes[1] = (h[0, 0] ** 2 + h[1, 0] ** 2 - h[0, 1] ** 2 - h[1, 1] ** 2) / 2
    offsets = np.array([h[2, 0] * h[2, 1], (h[2, 0] ** 2 - h[2, 1] ** 2) / 2])
    inverse_square = -float(slopes @ offsets) / max(float(slopes @ slopes), 1e-300)
    return float(inverse_square**-0.5) if inverse_square > 0 else None


def pose_from_homography(
    homography: FloatArray, focal_px: float, principal_px: FloatArray, middle_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rotation (3, 3) and translation (3,) nearest to a homography.

    ``middle_mm`` (2,) is a sheet point known to lie before the camera.
    """
    unseen = np.linalg.inv(
        np.array([[focal_px, 0, principal_px[0]], [0, focal_px, principal_px[1]], [0, 0, 1.0]])
    )
    columns = unseen @ homography
    columns = columns / np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
    if columns[2] @ np.append(middle_mm, 1.0) < 0:
        columns = -columns
    first, second = columns[:, 0], columns[:, 1]
    u, _, vt = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    rotation = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return np.asarray(rotation), np.asarray(columns[:, 2])


def mirrored_pose(
    rotation: FloatArray, translation_mm: FloatArray, middle_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The other pose that a small or nearly frontal target could be mistaken for.

    The sheet's normal is mirrored about the line of sight to ``middle_mm`` (2,).
    """
    in_camera = rotation[:, :2] @ middle_mm + translation_mm
    sight = in_camera / np.linalg.norm(in_camera)
    half_turn = 2 * np.outer(sight, sight) - np.eye(3)
    mirrored = half_turn @ rotation @ np.diag([-1.0, -1.0, 1.0])
    return mirrored, in_camera - mirrored[:, :2] @ middle_mm
