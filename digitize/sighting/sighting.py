"""What was seen of one target: its X-corners in photo pixels beside their sheet places."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.sheets.layout import Sheet


@dataclass(frozen=True, eq=False)
class Sighting:
    """X-corners of one target found in one photo."""

    sheet: Sheet
    corners_px: NDArray[np.float64]  # (N, 2) in the photo's own pixels
    corners_mm: NDArray[np.float64]  # (N, 2) nominal sheet coordinates
    sigma_px: NDArray[np.float64]  # (N,) standard deviation per axis, from noise and blur
    blur_px: float  # median Gaussian blur of the edges (one sigma)
    marks_read: int  # coded marks that agree with the sheet; 0 for a checkerboard
    twice: bool = False  # another copy of the sheet lies elsewhere in the photo


def corners_of(sighting: Sighting, some: NDArray[np.bool_]) -> Sighting:
    """The sighting with only some (N,) of its corners."""
    return replace(
        sighting,
        corners_px=sighting.corners_px[some],
        corners_mm=sighting.corners_mm[some],
        sigma_px=sighting.sigma_px[some],
    )
