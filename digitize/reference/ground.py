"""The bare surface round the piece, where no printed sheet lies under it.

The tracer asks a printed ring two things: where the blank middle is that holds the piece,
and where clean paper shows, to judge the light by.  Where a camera was found by a rule, by
plain paper or by known points, a clear patch of bench or paper serves for both: its rim is
taken as the ring's border, and every other square of it as what is clean.  Nothing is
printed there and nothing is measured by it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit
from digitize.sheets.layout import Sheet

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]  # x0, y0, x1, y1

_SQUARES = 40  # along the longer side of a patch: the rim is one wide
_LEAST_SQUARES = 5
_WIDEST_MM = 3.0


class GroundTooSmall(DigitizeError):
    """The patch that is to hold the piece is not in the photo, or too small."""

    exit_code = Exit.TRACE


@dataclass(frozen=True, eq=False)
class Ground:
    """A patch as the tracer wants it: a ring without print, and the camera over it."""

    sheet: Sheet  # its lattice's origin is the patch's lower left corner
    camera: Camera
    origin_mm: tuple[float, float]  # of that corner in the frame the camera had


def ground(camera: Camera, box_mm: Box, turn_rad: float = 0.0) -> Ground:
    """The patch inside a box of the work plane; raises ``GroundTooSmall``.

    The box is upright in the camera's frame turned counter-clockwise by ``turn_rad``.
    """
    x0, y0, x1, y1 = box_mm
    width, height = x1 - x0, y1 - y0
    sound = all(math.isfinite(v) for v in box_mm) and min(width, height) > 0
    square = min(max(width, height) / _SQUARES, _WIDEST_MM) if sound else 0.0
    columns, rows = (int(side / square) if sound else 0 for side in (width, height))
    if min(columns, rows) < _LEAST_SQUARES:
        raise GroundTooSmall(
            "the clear patch that is to hold the piece is too small or too narrow",
            where=f"{width:.0f} x {height:.0f} mm" if sound else "",
            do="leave a finger's width of bare bench or paper round the piece",
        )
    sheet = Sheet("ring", "", 0, columns, rows, square, 1)
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    corner = [x0 + (width - columns * square) / 2, y0 + (height - rows * square) / 2, 0.0]
    at = turn @ corner
    shift = camera.rotation @ at
    # x_camera = R (turn x_patch + at) + t, and a turn of the camera moves R at as well.
    by_old = np.eye(11)
    by_old[3:6, :3] = -np.cross(np.eye(3), shift)
    moved = replace(
        camera,
        rotation=camera.rotation @ turn,
        translation_mm=camera.translation_mm + shift,
        covariance=by_old @ camera.covariance @ by_old.T,
    )
    return Ground(sheet, moved, (float(at[0]), float(at[1])))


def box_round(camera: Camera, box_px: Box, turn_rad: float = 0.0) -> Box:
    """The largest upright box on the plane inside a box of pixels; raises ``GroundTooSmall``.

    Upright in the camera's frame turned counter-clockwise by ``turn_rad``.
    """
    x0, x1 = sorted(box_px[::2])
    y0, y1 = sorted(box_px[1::2])
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=float)
    mm = camera.to_sheet(corners)
    if not np.isfinite(mm).all():
        raise GroundTooSmall(
            "the box round the piece reaches over the horizon", do="give a smaller one"
        )
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    mm = mm @ np.array([[c, -s], [s, c]])
    # Of the four corners' x the middle two bound it, likewise of y.
    x, y = np.sort(mm[:, 0]), np.sort(mm[:, 1])
    return float(x[1]), float(y[1]), float(x[2]), float(y[2])
