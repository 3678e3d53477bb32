"""The pose with the least sum of squared distances, of all of the edge or of its sound part.

Gauss-Newton on the exact signed distances: d changes by n . (move + turn x lever) to first
order.  For the sound part, points farther off than a few standard deviations of the rest are
left out, and again until nothing changes: what is missing or eaten away on either piece
then has no say, and where everything agrees it is plain least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary, Nearest
from digitize.comparing.pose import Pose

FloatArray = NDArray[np.float64]

_MOST_STEPS = 60
_CUT = 3.0  # standard deviations
_SAME_MM = 1e-10
_WIDE, _CLOSES, _CLOSING_STEPS = 0.025, 0.45, 7  # of the size, by step
_LAST_CHANGE = 40  # from this step on the points that count stay the same


@dataclass(frozen=True, eq=False)
class Settled:
    """A pose that no small step betters."""

    pose: Pose
    nearest: Nearest
    counted: NDArray[np.bool_]  # (N,) which points had a say
    rms_mm: float  # of those
    limit_mm: float  # farther off counts as missing


def settle(
    old: Boundary,
    points_mm: FloatArray,
    weight: FloatArray,
    pose: Pose,
    *,
    sound_only: bool,
    least_mm: float = 1e-6,
    limit_mm: float | None = None,
    thorough: bool = True,
    enough_mm: float = _SAME_MM,
) -> Settled:
    """The best pose near the given one for points (N, 2) of the new edge.

    ``least_mm`` is a distance that never counts as far off, ``limit_mm`` the one from which
    points count as far off to begin with; without it the limit closes in from far.
    ``enough_mm`` ends the steps.
    """
    size = old.size_mm
    about = old.middle_mm
    laid = pose.of(points_mm)
    nearest = old.nearest(laid, thorough=thorough)
    counted = np.ones(len(points_mm), dtype=bool)
    closing = 0 if limit_mm is None else _CLOSING_STEPS
    limit = np.inf if limit_mm is None else limit_mm
    if sound_only:
        closing = _skipped(closing, nearest.signed_mm, size, least_mm)
        limit, counted = _sound(
            nearest.signed_mm, counted, closing, size_mm=size, limit_mm=limit, least_mm=least_mm
        )
    changed = sound_only
    for step in range(_MOST_STEPS):
        rows = jacobian(nearest, laid, about)
        rows[:, 2] /= size
        used = weight * counted
        square = rows.T @ (rows * used[:, None])
        pull = rows.T @ (used * nearest.signed_mm)
        move = -_solve(square, pull)
        move[2] /= size
        moved = float(np.hypot(move[0], move[1]) + abs(move[2]) * size)
        if moved < enough_mm and not changed:
            break
        pose = pose.stepped(move, about)
        laid = pose.of(points_mm)
        # Far steps may change which stretch is nearest; small ones only slide along it.
        near = moved < 1e-3 * size and step % 4 != 3
        nearest = old.again(laid, nearest) if near else old.nearest(laid, thorough=thorough)
        changed = False
        if sound_only and step < _LAST_CHANGE:
            closing = _skipped(closing + 1, nearest.signed_mm, size, least_mm)
            before = counted
            limit, counted = _sound(
                nearest.signed_mm, counted, closing, size_mm=size, limit_mm=limit, least_mm=least_mm
            )
            changed = int((before != counted).sum()) > 0.01 * len(points_mm)
            changed |= closing < _CLOSING_STEPS
    used = weight * counted
    rms = float(np.sqrt(np.dot(used, nearest.signed_mm**2) / max(used.sum(), 1e-300)))
    return Settled(pose, nearest, counted, rms, float(limit))


def _skipped(closing: int, signed_mm: FloatArray, size_mm: float, least_mm: float) -> int:
    """The first closing step at which any point at all counts as far off.

    None is needed where nearly all of the edge agrees as it is.
    """
    if closing > _CLOSING_STEPS:
        return closing
    off = np.abs(signed_mm)
    if _quantile(off, 0.9) < 3.0 * least_mm:
        return max(closing, _CLOSING_STEPS + 1)
    widest = max(float(off.max()), 1e-300) / (_WIDE * size_mm)
    return max(closing, min(int(np.log(widest) / np.log(_CLOSES)), _CLOSING_STEPS))


def _sound(
    signed_mm: FloatArray,
    counted: NDArray[np.bool_],
    closing: int,
    *,
    size_mm: float,
    limit_mm: float,
    least_mm: float,
) -> tuple[float, NDArray[np.bool_]]:
    """The distance from which points count as far off, and which do not.

    At first it closes in step by step, but never on fewer than a third of the points: with
    half of the edge gone the pose is still drawn to the half that agrees with itself.  Then
    it follows the spread of the points that count.
    """
    off = np.abs(signed_mm)
    if closing < _CLOSING_STEPS:
        limit = max(_WIDE * size_mm * _CLOSES**closing, 1.5 * _quantile(off, 0.3))
    elif closing == _CLOSING_STEPS and np.isfinite(limit_mm):
        limit = limit_mm
    else:
        limit = _CUT * 1.4826 * _quantile(off[counted], 0.5) if counted.any() else limit_mm
    limit = max(limit, least_mm)
    return limit, off <= limit


def jacobian(nearest: Nearest, laid_mm: FloatArray, about_mm: FloatArray) -> FloatArray:
    """Change (N, 3) of the signed distances for a move in x and y and a turn about a place."""
    x, y = (laid_mm - about_mm).T
    n = nearest.away
    return np.column_stack((n, x * n[:, 1] - y * n[:, 0]))


def _quantile(values: FloatArray, share: float) -> float:
    """One of the values; numpy's own takes far longer over so few."""
    at = int(share * (len(values) - 1))
    return float(np.partition(values, at)[at])


def _solve(square: FloatArray, pull: FloatArray) -> FloatArray:
    """The step; along what the edge leaves open (a circle's turn) hardly any is taken."""
    damped = square + np.eye(3) * (1e-10 * square.trace() + 1e-12)
    return np.asarray(np.linalg.solve(damped, pull))
