"""From the common frame to a sheet's own and back.

Tracing looks down on one sheet at a time; a photo that does not show the datum is traced
over another sheet, and what was found is carried to the common frame.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.joint import Placement
from digitize.bundle.state import turn
from digitize.camera.camera import Camera

FloatArray = NDArray[np.float64]


def over_sheet(camera: Camera, placement: Placement) -> Camera:
    """The same camera in the frame of a sheet: origin at its lattice's lower left corner."""
    whole = np.eye(3)
    whole[:2, :2] = turn(placement.angle_rad)
    shift = camera.rotation @ np.append(_origin(placement), 0.0)
    # x_camera = R (T x_sheet + origin) + t, and a turn of the camera moves R origin as well.
    by_old = np.eye(11)
    by_old[3:6, :3] = -np.cross(np.eye(3), shift)
    return replace(
        camera,
        rotation=camera.rotation @ whole,
        translation_mm=camera.translation_mm + shift,
        covariance=by_old @ camera.covariance @ by_old.T,
    )


def to_common(points_mm: FloatArray, placement: Placement) -> FloatArray:
    """Places (N, 2) in the common frame of places (N, 2) in a sheet's own."""
    return np.asarray(points_mm @ turn(placement.angle_rad).T + _origin(placement))


def to_sheet(points_mm: FloatArray, placement: Placement) -> FloatArray:
    """Places (N, 2) in a sheet's own frame of places (N, 2) in the common one."""
    return np.asarray((points_mm - _origin(placement)) @ turn(placement.angle_rad))


def _origin(placement: Placement) -> FloatArray:
    """The lattice's lower left corner (2,) in the common frame."""
    half = np.array(placement.sheet.size_mm) * np.array(placement.scale) / 2
    return np.asarray(np.array(placement.middle_mm) - turn(placement.angle_rad) @ half)
