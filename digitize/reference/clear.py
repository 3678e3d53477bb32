"""Where on the work plane a piece may lie: the largest clear boxes beside the reference.

The tracer wants a patch of bare surface with the piece somewhere inside.  What the photo
shows of the plane, less the strips that rules cover, is looked over for upright boxes, in
the reference's own directions and in the photo's, largest first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.reference.ground import Box
from digitize.reference.rules import RuleSeen

FloatArray = NDArray[np.float64]

_CELLS = 320  # along the longer side of what is looked over
_RIM = 0.012  # of the photo's width, left out round it
_FARTHEST = 4.0  # from the foot point, in camera heights
_EACH_WAY = 2  # boxes in each direction
_ALIKE_RAD = math.radians(4.0)  # directions not worth telling apart
_LEAST_SHARE = 0.04  # of what is seen, that a box must cover

_OUTSIDE_MM = 3.0  # beside a rule's graduated edge: its thickness and shadow
WIDE_MM, NARROW_MM = 36.0, 22.0
"""Of a rule's body, from its graduated edge: of a metre or a 300 mm rule, of a short one."""

_BEYOND_MM = 30.0  # of its body past the last mark seen


@dataclass(frozen=True, slots=True)
class Patch:
    """A box that is upright in the camera's frame turned counter-clockwise by ``turn_rad``."""

    box_mm: Box
    turn_rad: float

    @property
    def area_mm2(self) -> float:
        """Of the box."""
        x0, y0, x1, y1 = self.box_mm
        return (x1 - x0) * (y1 - y0)

    def corners_mm(self) -> FloatArray:
        """Corners (4, 2) in the camera's frame, counter-clockwise."""
        x0, y0, x1, y1 = self.box_mm
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ _turn(self.turn_rad).T


def clear_patches(camera: Camera, covered_mm: Sequence[FloatArray] = ()) -> tuple[Patch, ...]:
    """Boxes of plane that the photo shows clear of polygons (N, 2), largest first."""
    seen = _seen(camera)
    found: list[Patch] = []
    for turn in _ways(camera):
        found += _boxes(seen, covered_mm, turn)
    found.sort(key=lambda patch: -patch.area_mm2)
    least = _LEAST_SHARE * cv2.contourArea(seen.astype(np.float32))
    return tuple(patch for patch in found if patch.area_mm2 > least)


def rule_strip(camera: Camera, rule: RuleSeen, wide_mm: float = WIDE_MM) -> FloatArray:
    """What a rule covers, as a polygon (4, 2) on the plane."""
    marks = camera.to_sheet(rule.marks.px.mean(axis=1), rule.body.rise_mm)
    base = camera.to_sheet(rule.marks.base_px[None], rule.body.rise_mm)[0]
    axis = marks[-1] - marks[0]
    axis = axis / np.linalg.norm(axis)
    inward = np.array([-axis[1], axis[0]])
    middle = marks.mean(axis=0)
    if (middle - base) @ inward < 0:
        inward = -inward
    along = (marks - base) @ axis
    ends = (along.min() - _BEYOND_MM, along.max() + _BEYOND_MM)
    corners = [
        (ends[0], -_OUTSIDE_MM),
        (ends[1], -_OUTSIDE_MM),
        (ends[1], wide_mm),
        (ends[0], wide_mm),
    ]
    return np.array([base + a * axis + b * inward for a, b in corners])


def _turn(angle_rad: float) -> FloatArray:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s], [s, c]])


def _ways(camera: Camera) -> list[float]:
    """Directions of boxes: the frame's own and, where that differs, the photo's."""
    middle = np.subtract(camera.size_px, 1) / 2
    here = camera.to_sheet(np.array([middle, middle + np.array([1.0, 0.0])]))
    across = here[1] - here[0]
    # A box looks the same after each quarter turn.
    turn = math.remainder(math.atan2(across[1], across[0]), math.pi / 2)
    return [0.0] if abs(turn) < _ALIKE_RAD else [0.0, turn]


def _seen(camera: Camera) -> FloatArray:
    """The part of the plane in the photo, as a convex polygon (N, 2)."""
    width, height = camera.size_px
    rim = _RIM * width
    px = np.stack(
        np.meshgrid(np.linspace(rim, width - 1 - rim, 25), np.linspace(rim, height - 1 - rim, 25)),
        axis=-1,
    ).reshape(-1, 2)
    mm = camera.to_sheet(px)
    near = np.hypot(*(mm - camera.centre_mm[:2]).T) < _FARTHEST * camera.centre_mm[2]
    return np.asarray(cv2.convexHull(mm[near].astype(np.float32))[:, 0], dtype=float)


def _boxes(seen: FloatArray, covered: Sequence[FloatArray], turn_rad: float) -> list[Patch]:
    turn = _turn(turn_rad)
    shown = seen @ turn  # turned back: the boxes are upright here
    low, high = shown.min(axis=0), shown.max(axis=0)
    cell = float((high - low).max()) / _CELLS
    columns, rows = (int(v) + 1 for v in (high - low) / cell)
    free = np.zeros((rows, columns), np.uint8)

    def filled(polygon: FloatArray, value: int) -> None:
        cells = np.rint((polygon - low) / cell - 0.5).astype(np.int32)
        cv2.fillPoly(free, [cells], value)

    filled(shown, 1)
    for polygon in covered:
        filled(polygon @ turn, 0)
    boxes = []
    for _ in range(_EACH_WAY):
        r0, c0, r1, c1 = _largest(free)
        if r1 - r0 < 3 or c1 - c0 < 3:
            break
        free[r0:r1, c0:c1] = 0
        # A cell less on each side: the polygons were filled by whole cells.
        x0, y0 = low + np.array([c0 + 1, r0 + 1]) * cell
        x1, y1 = low + np.array([c1 - 1, r1 - 1]) * cell
        boxes.append(Patch((float(x0), float(y0), float(x1), float(y1)), turn_rad))
    return boxes


def _largest(free: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Rows and columns r0, c0, r1, c1 (half open) of the largest box of ones.

    Row by row, with a stack of the heights that stand over it (common knowledge).
    """
    best, most = (0, 0, 0, 0), 0
    heights = np.zeros(free.shape[1] + 1, dtype=int)
    for row in range(free.shape[0]):
        heights[:-1] = np.where(free[row] > 0, heights[:-1] + 1, 0)
        stack: list[tuple[int, int]] = []  # first column, height
        for column, height in enumerate(heights.tolist()):
            first = column
            while stack and stack[-1][1] >= height:
                first, tall = stack.pop()
                if tall * (column - first) > most:
                    most = tall * (column - first)
                    best = (row + 1 - tall, first, row + 1, column)
            stack.append((first, height))
    return best
