"""The recipe everybody tries first, to see what the method here is worth.

One homography from the target's corners, one warp to a top-down picture, Otsu's threshold
in it, the largest contour.  No lens, no height, no linear light, no sub-pixel edge.  It is
given the same corners and print scale, which is more than it would find by itself.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.sheets.layout import PrintScale
from digitize.sighting.sighting import Sighting

MM_PER_PX = 0.1


def contours_mm(
    photo: Photo, sighting: Sighting, scale: PrintScale, box_mm: tuple[float, float, float, float]
) -> list[NDArray[np.float64]]:
    """Contours (N, 2) in printed millimetres inside a box of the sheet, longest first."""
    x0, y0, x1, y1 = box_mm
    size = round((x1 - x0) / MM_PER_PX), round((y1 - y0) / MM_PER_PX)
    mm = sighting.corners_mm * (scale.x, scale.y)
    top = np.column_stack(((mm[:, 0] - x0) / MM_PER_PX - 0.5, (y1 - mm[:, 1]) / MM_PER_PX - 0.5))
    homography, _ = cv2.findHomography(sighting.corners_px, top, cv2.RANSAC, 3.0)
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    warped = cv2.warpPerspective(grey, homography, size)
    _, dark = cv2.threshold(warped, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
    found, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    as_mm = [
        np.column_stack((x0 + (c[:, 0, 0] + 0.5) * MM_PER_PX, y1 - (c[:, 0, 1] + 0.5) * MM_PER_PX))
        for c in found
    ]
    return sorted(as_mm, key=len, reverse=True)
