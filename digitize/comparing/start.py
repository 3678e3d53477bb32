"""A first pose from any turn: many starts at once on a coarse map of the nearest edge.

The old edge is laid into a grid whose cells know the nearest edge point.  From every start
direction the new edge's points slide onto it (point to line, Chen and Medioni, "Object
modelling by registration of multiple range images", Image and Vision Computing 10, 1992),
all starts in step.  Points far off count no more than some distance, so that a stretch that
is missing on either piece cannot pull the rest away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt  # type: ignore[attr-defined]

from digitize.comparing.boundary import Boundary, Samples, box
from digitize.comparing.pose import Pose

FloatArray = NDArray[np.float64]

_CELLS = 64  # along the longer side of the box
_MARGIN = 0.25  # of the longer side, round the box
_FAR = 0.06  # of the size: farther off counts as missing
_STEPS, _MORE_STEPS = 6, 9  # where few or many starts are tried


@dataclass(frozen=True, slots=True)
class Start:
    """A pose worth finishing and what its points cost, in mm RMS with far points capped."""

    pose: Pose
    cost_mm: float


class NearestMap:
    """A grid over the old edge that knows the nearest of its points."""

    def __init__(self, boundary: Boundary) -> None:
        """Lay the edge into the grid."""
        points = boundary.strewn.points_mm
        low, high = box(points)
        longest = float((high - low).max())
        self.cell_mm = longest / _CELLS
        self.corner_mm = low - _MARGIN * longest
        shape = np.ceil((high - low + 2 * _MARGIN * longest) / self.cell_mm).astype(int) + 1
        cells = np.floor((points - self.corner_mm) / self.cell_mm).astype(np.intp)
        owner = np.full(shape, -1, dtype=np.intp)
        owner[cells[:, 0], cells[:, 1]] = np.arange(len(points))
        row, column = distance_transform_edt(owner < 0, return_distances=False, return_indices=True)
        self._owner = owner[row, column].ravel()
        self._shape = shape
        self.points_mm, self.normal = points, boundary.strewn.normal

    def nearest(self, points_mm: FloatArray) -> NDArray[np.intp]:
        """Numbers of the edge points nearest to points (..., 2), about a cell off at worst."""
        cells = ((points_mm - self.corner_mm) / self.cell_mm).astype(np.intp)
        i = np.clip(cells[..., 0], 0, self._shape[0] - 1)
        j = np.clip(cells[..., 1], 0, self._shape[1] - 1)
        return np.asarray(self._owner[i * self._shape[1] + j])


def starts(
    grid: NearestMap, old: Boundary, new: Samples, *, mirrored: bool, turns: int, points: int
) -> list[Start]:
    """Poses reached from ``turns`` directions, the cheapest first, near twins left out."""
    flip = np.array([-1.0, 1.0]) if mirrored else np.ones(2)
    evenly = np.linspace(0.0, new.along_mm[-1], points, endpoint=False)
    moving = new.points_mm[np.searchsorted(new.along_mm, evenly)] * flip
    middle, goal = _middle(new) * flip, _middle(old.strewn)
    arms = moving - middle
    size = old.size_mm
    angle: FloatArray = np.arange(turns, dtype=np.float64) * (math.tau / turns)
    place = np.tile(goal, (turns, 1))
    far = _FAR * size
    for step in range(_STEPS if turns < 40 else _MORE_STEPS):
        # Wide open at first, so that a poor start still feels where the edge is.
        reach = far * max(1.0, 4.0 * 0.6**step)
        laid, gap, normal = _laid(grid, arms, angle, place)
        off = np.einsum("kij,kij->ki", gap, normal)
        weight = (np.einsum("kij,kij->ki", gap, gap) < reach * reach).astype(float)
        lever = laid - place[:, None, :]
        turn = lever[..., 0] * normal[..., 1] - lever[..., 1] * normal[..., 0]
        rows = np.stack((normal[..., 0], normal[..., 1], turn / size), axis=-1)
        weighted = rows * weight[..., None]
        square = np.einsum("kia,kib->kab", weighted, rows)
        # A circle says nothing of its turn: what the points leave open stays as it is.
        square += np.eye(3) * (1e-3 * len(arms))
        move = np.linalg.solve(square, -np.einsum("kia,ki->ka", weighted, off)[..., None])[..., 0]
        place = place + move[:, :2]
        angle = angle + np.clip(move[:, 2] / size, -0.3, 0.3)
    _, gap, _ = _laid(grid, arms, angle, place)
    squared = np.minimum(np.einsum("kij,kij->ki", gap, gap), far * far)
    cost = np.sqrt(squared.mean(axis=1))
    return _distinct(angle, place, cost, middle=middle, mirrored=mirrored, size=size)


def _laid(
    grid: NearestMap, arms: FloatArray, angle: FloatArray, place: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x, y = arms.T
    laid = np.stack((c * x - s * y, s * x + c * y), axis=-1) + place[:, None, :]
    index = grid.nearest(laid)
    return laid, laid - grid.points_mm[index], grid.normal[index]


def _distinct(
    angle: FloatArray,
    place: FloatArray,
    cost: FloatArray,
    *,
    middle: FloatArray,
    mirrored: bool,
    size: float,
) -> list[Start]:
    kept: list[int] = []
    worth = 2.0 * cost.min() + 0.004 * size
    for i in np.argsort(cost)[: int((cost <= worth).sum())].tolist():
        twin = any(
            abs(math.remainder(angle[i] - angle[k], math.tau)) < 0.06
            and np.hypot(*(place[i] - place[k])) < 0.05 * size
            for k in kept
        )
        if not twin:
            kept.append(i)
    found = []
    for i in kept:
        base = Pose(math.remainder(float(angle[i]), math.tau), (0.0, 0.0), False)
        x, y = place[i] - base.of(middle[None])[0]
        pose = Pose(base.turn_rad, (float(x), float(y)), mirrored)
        found.append(Start(pose, float(cost[i])))
    return found


def _middle(samples: Samples) -> FloatArray:
    """The middle of the box."""
    low, high = box(samples.points_mm)
    return np.asarray((low + high) / 2)
