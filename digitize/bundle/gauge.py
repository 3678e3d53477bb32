"""Covariance that does not depend on which sheet was held.

The common frame may be shifted and turned at will, and nothing in the photos tells its
scale better than the prints do.  A covariance with one sheet held blames the others for
how well that one is known; here the whole layout is held on the average instead (a free
network, by an S-transformation: Baarda, Publ. on Geodesy 5, 1973), and what is uncertain of
the common scale is told apart.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.state import PLACE, STRETCH, State, order_of
from digitize.bundle.view import Problem

FloatArray = NDArray[np.float64]


def free_network(
    state: State, problem: Problem, covariance: FloatArray, corners: FloatArray
) -> tuple[FloatArray, float]:
    """Covariance (unknowns, unknowns) in the free network, and the scale's relative u.

    ``covariance`` holds any one sheet; ``corners`` (S,) counts each sheet's corners in use.
    """
    whole, held = _generators(state, problem), _held(state, problem, corners)
    told = np.linalg.solve(held.T @ whole, held.T)  # (4, unknowns): what is a mere change of frame
    keep = np.eye(len(covariance)) - whole @ told
    scale2 = float(told[3] @ covariance @ told[3])
    inner = keep @ covariance @ keep.T
    return (inner + inner.T) / 2, float(np.sqrt(max(scale2, 0.0)))


def _generators(state: State, problem: Problem) -> FloatArray:
    """How all unknowns change (unknowns, 4) with a shift x, y, a turn and a log scale of all."""
    order = order_of(problem)
    all_ = np.zeros((order.count, 4))
    for p in range(order.photos):
        at, r = order.photo(p), state.rotation[p]
        all_[at[3:6], 0], all_[at[3:6], 1] = -r[:, 0], -r[:, 1]
        all_[at[:3], 2] = -r[:, 2]
        all_[at[3:6], 3] = state.translation_mm[p]
    for q in range(order.prints):
        all_[order.print_(q), 3] = 1.0
    for s in range(order.sheets):
        at, (x, y) = order.sheet(s), state.middle_mm[s]
        all_[at[0], 0] = all_[at[1], 1] = all_[at[2], 2] = 1.0
        all_[at[:2], 2] = -y, x
        all_[at[:2], 3] = x, y
        all_[at[PLACE + STRETCH :], 3] = state.heights_mm[s]
    return all_


def _held(state: State, problem: Problem, corners: FloatArray) -> FloatArray:
    """What of a change (unknowns, 4) shifts, turns and stretches the corners on the average."""
    order = order_of(problem)
    held = np.zeros((order.count, 4))
    centre = corners @ state.middle_mm / corners.sum()
    for s in np.flatnonzero(corners):
        at, (x, y) = order.sheet(int(s)), state.middle_mm[s] - centre
        n = float(corners[s])
        wide2, high2 = problem.size_mm(int(s)) ** 2 / 12
        held[at[0], 0] = held[at[1], 1] = n
        held[at[:2], 2] = -n * y, n * x
        held[at[2], 2] = n * (wide2 + high2)
        held[at[:2], 3] = n * x, n * y
        sizes = np.array([n * wide2, n * high2])
        held[at[PLACE : PLACE + STRETCH], 3] = sizes
        held[order.print_(problem.print_of[int(s)]), 3] += sizes
    return held
