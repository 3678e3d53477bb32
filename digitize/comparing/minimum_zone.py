"""The pose with the smallest largest deviation (minimum zone, Chebyshev).

The signed distances are linear in a small move and turn, so each step is a linear programme
in four unknowns; only points that come near the largest deviation take part, others are
exchanged in when they do.  Optimum where the touching points' gradients balance.  See
ISO 1101 for zones and Shakarji, J. Res. NIST 103 (1998) 633 for such fits in practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from digitize.comparing.boundary import Boundary, Nearest
from digitize.comparing.least_squares import jacobian
from digitize.comparing.pose import Pose

FloatArray = NDArray[np.float64]

_MOST_STEPS = 60
_ENOUGH_MM = 1e-9


@dataclass(frozen=True, eq=False)
class LeastZone:
    """The pose, the distances there and the largest of them."""

    pose: Pose
    nearest: Nearest
    largest_mm: float


def least_zone(old: Boundary, points_mm: FloatArray, pose: Pose) -> LeastZone:
    """The minimum zone pose near a given one, for points (N, 2) of the new edge."""
    size = old.size_mm
    about = old.middle_mm
    laid = pose.of(points_mm)
    nearest = old.nearest(laid)
    largest = float(np.abs(nearest.signed_mm).max())
    reach = max(2.0 * largest, 1e-6 * size)
    for _ in range(_MOST_STEPS):
        rows = jacobian(nearest, laid, about)
        rows[:, 2] /= size
        move, promised = _step(rows, nearest.signed_mm, reach)
        if largest - promised < _ENOUGH_MM:
            break
        tried = move.copy()
        tried[2] /= size
        there = pose.stepped(tried, about)
        there_laid = there.of(points_mm)
        there_nearest = old.nearest(there_laid)
        there_largest = float(np.abs(there_nearest.signed_mm).max())
        gained = largest - there_largest
        if gained > 0.0:
            pose, laid, nearest, largest = there, there_laid, there_nearest, there_largest
        if gained < 0.25 * (largest + gained - promised):
            reach = 0.4 * min(reach, float(np.abs(move).max()))
        if reach < 1e-12 * size:
            break
    return LeastZone(pose, nearest, largest)


def _step(rows: FloatArray, signed_mm: FloatArray, reach_mm: float) -> tuple[FloatArray, float]:
    """The move (3,) within reach with the smallest largest linearised distance, and that."""
    size = np.abs(signed_mm)
    active = np.flatnonzero(size >= np.partition(size, -min(60, len(size)))[-min(60, len(size))])
    while True:
        a, d = rows[active], signed_mm[active]
        bounded = np.vstack(
            (np.column_stack((a, -np.ones(len(a)))), np.column_stack((-a, -np.ones(len(a)))))
        )
        done = linprog(
            (0.0, 0.0, 0.0, 1.0),
            A_ub=bounded,
            b_ub=np.concatenate((-d, d)),
            bounds=[(-reach_mm, reach_mm)] * 3 + [(0.0, None)],
            method="highs-ds",
            options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
        )
        if done.x is None:
            return np.zeros(3), float(size.max())
        move = np.asarray(done.x[:3])
        after = np.abs(signed_mm + rows @ move)
        worst = float(after.max())
        if worst <= done.x[3] + 1e-10:
            return move, worst
        joining = np.flatnonzero(after > done.x[3] + 1e-10)
        joining = joining[np.argsort(-after[joining])][:60]
        grown = np.union1d(active, joining)
        if len(grown) == len(active):  # they take part already: it is as exact as it gets
            return move, worst
        active = grown
