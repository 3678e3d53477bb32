"""A camera known from earlier photos, as a belief about the next one.

What a phone's lens was in the calibration photos is not quite what it is in another one.
Focusing moves the lens: a thin lens of focal length F focused at distance d draws as if
its focal length were F (1 + F/d) (principal distance; Gauss), 1 to 1.5 % at half a metre,
and some phones take that out again.  Focusing is never twice the same, and stabilisation
shifts the lens from shot to shot.  All of it widens the belief; none is ignored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

INTRINSICS = ("log_focal", "px", "py", "k1", "k2")
"""Order of what a camera has that is not its pose; principal point from the picture's middle."""


@dataclass(frozen=True, slots=True, eq=False)
class KnownLens:
    """Normal distributions of one camera's intrinsics, for one picture size and turn."""

    mean: FloatArray  # (5,) in the order of INTRINSICS, focused at ``reference_mm``
    covariance: FloatArray  # (5, 5) of that mean
    breathing_mm: float  # change of log focal length for each change of 1/distance
    breathing_u_mm: float
    reference_mm: float  # distance along the optical axis
    refocus_sigma: float  # of log focal length from shot to shot
    shift_sigma_px: float  # of the principal point from shot to shot, each way

    def at(self, distance_mm: float) -> tuple[FloatArray, FloatArray]:
        """Mean (5,) and covariance (5, 5) for one photo focused at a distance."""
        change = 1 / distance_mm - 1 / self.reference_mm
        mean = self.mean.copy()
        mean[0] += self.breathing_mm * change
        shot = [
            math.hypot(self.refocus_sigma, self.breathing_u_mm * change),
            self.shift_sigma_px,
            self.shift_sigma_px,
            0.0,
            0.0,
        ]
        return mean, np.asarray(self.covariance + np.diag(np.square(shot)))

    def for_scale(self, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
        """The same for a photo that shows the sheet at a scale, which tells the distance."""
        distance_mm = math.exp(self.mean[0]) / px_per_mm
        for _ in range(3):
            distance_mm = math.exp(self.at(distance_mm)[0][0]) / px_per_mm
        return self.at(distance_mm)
