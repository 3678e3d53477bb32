"""Which edge of a plate the camera sees, and where it belongs.

A plate of thickness t stands on the paper with upright walls.  Carried to the paper plane,
its top face seems shifted by ``v = (x - foot) t / (H - t)``, away from the camera's foot
point, with H the camera's height.  Where the outward normal n has v . n > 0 the wall is
hidden and the edge against the paper is the top edge, at height t; where v . n < 0 the wall
shows as a band |v . n| wide and the edge against the paper is the bottom edge, at height 0.
The same holds in openings, whose normals point into the opening.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera

FloatArray = NDArray[np.float64]


def face_shift_mm(camera: Camera, points_mm: FloatArray, thickness_mm: float) -> FloatArray:
    """How far (N, 2) the top edge over paper points (N, 2) seems shifted on the paper."""
    centre = camera.centre_mm
    return np.asarray((points_mm - centre[:2]) * thickness_mm / (centre[2] - thickness_mm))


def wall_width_mm(shift_mm: FloatArray, normals: FloatArray) -> FloatArray:
    """Width (N,) of the wall that shows beside the edge, on the paper plane; 0: hidden."""
    return np.asarray(np.maximum(-np.sum(shift_mm * normals, axis=1), 0.0))


def edge_height_mm(shift_mm: FloatArray, normals: FloatArray, thickness_mm: float) -> FloatArray:
    """Height (N,) of the edge that stands against the paper."""
    return np.where(np.sum(shift_mm * normals, axis=1) > 0, thickness_mm, 0.0)


def without_folds(points: FloatArray, heights: FloatArray) -> NDArray[np.bool_]:
    """Which points (N,) of a closed loop to keep so that it never runs back.

    Where the seen edge changes from bottom to top along a wall in line with the foot point,
    both stretches are in place but overlap by the face's shift; each gives up half.
    """
    n = len(points)
    keep = np.ones(n, dtype=bool)
    for i in np.flatnonzero(heights != np.roll(heights, -1)):
        j = (i + 1) % n
        back = np.arange(i, i - 12, -1) % n
        ahead = np.arange(j, j + 12) % n
        along = points[back[0]] - points[back[4]] + points[ahead[4]] - points[ahead[0]]
        size = float(np.hypot(*along))
        if size == 0:
            continue
        along /= size
        overlap = float((points[i] - points[j]) @ along)
        if overlap <= 0:
            continue
        middle = float((points[i] + points[j]) @ along) / 2
        keep[back[points[back] @ along > middle]] = False
        keep[ahead[points[ahead] @ along < middle]] = False
    return keep
