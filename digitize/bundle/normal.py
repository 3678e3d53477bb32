"""The normal equations, gathered block by block, and Levenberg-Marquardt on them.

Every block touches ``PER_BLOCK`` unknowns; its small dense part of the normal matrix is
formed on its own and added in its place.  That is the sparse structure of the problem made
use of: the work grows with the corners, and what is solved in the end is as small as the
unknowns are few (a few hundred for twenty photos of twelve sheets).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from digitize.bundle.beliefs import Beliefs
from digitize.bundle.state import PER_BLOCK, Order, State, order_of, turn
from digitize.bundle.view import Block, Problem
from digitize.camera.lens import fold_radius
from digitize.camera.projection import see

FloatArray = NDArray[np.float64]

_EASE, _STIFFEN = 8.0, 3.0  # damping after a good and after a bad step
_SETTLED = 1e-3  # chi square still to be gained by an undamped step
_LONGEST_TURN = 1.0  # rad, one step
_LONGEST_ZOOM = 1.0  # log focal length, one step
_LEAST_DAMPING = 1e-9
_PROBE = 0.1  # of a step, at which the curvature is felt
_MOST_BENT = 0.75  # of the step: beyond, the second order is no better than the first
_JITTER = 1e-13  # on a diagonal of ones: what rounding leaves of it


@dataclass(frozen=True, slots=True, eq=False)
class BlockPart:
    """One block's share of the problem."""

    rows: FloatArray  # (2N,) residuals over their standard deviations
    by_unknown: FloatArray  # (2N, PER_BLOCK) how the prediction changes, likewise
    normal: FloatArray  # (PER_BLOCK, PER_BLOCK)
    slope: FloatArray  # (PER_BLOCK,)


_SILENT = BlockPart(
    np.zeros(0), np.zeros((0, PER_BLOCK)), np.zeros((PER_BLOCK, PER_BLOCK)), np.zeros(PER_BLOCK)
)


@dataclass(frozen=True, slots=True, eq=False)
class Linearised:
    """The problem about one state."""

    parts: tuple[BlockPart, ...]
    pulls: FloatArray  # (R,) of the priors
    information: FloatArray  # (unknowns, unknowns) of the corners
    prior_information: FloatArray  # (unknowns, unknowns)
    slope: FloatArray  # (unknowns,) of corners and priors together

    @property
    def cost(self) -> float:
        """Chi square of corners and priors."""
        return sum(float(part.rows @ part.rows) for part in self.parts) + self.prior_cost

    @property
    def prior_cost(self) -> float:
        """Chi square of the priors."""
        return float(self.pulls @ self.pulls)


def linearise(
    state: State, problem: Problem, beliefs: Beliefs, weights: Sequence[FloatArray]
) -> Linearised:
    """Normal equations; ``weights`` (N,) of each block multiply 1 / sigma^2.

    A block whose weights are all zero has no part in it.
    """
    order = order_of(problem)
    pulls, slopes = beliefs.pulls(state, order)
    information = np.zeros((order.count, order.count))
    slope = -slopes.T @ pulls
    parts = []
    for block, weight in zip(problem.blocks, weights, strict=True):
        if not weight.any():
            parts.append(_SILENT)
            continue
        part = _part(state, problem, block, weight)
        at = order.block(problem, block)
        information[np.ix_(at, at)] += part.normal
        slope[at] += part.slope
        parts.append(part)
    return Linearised(tuple(parts), pulls, information, slopes.T @ slopes, slope)


def _part(state: State, problem: Problem, block: Block, weight: FloatArray) -> BlockPart:
    flat = state.stretched_mm(problem, block)
    turned = turn(state.angle_rad[block.sheet])
    places = state.on_plane_mm(problem, block)
    seen = see(state.pinhole(problem, block.photo), places)
    residuals = block.px - seen.px
    root = np.sqrt(weight) / block.sigma_px
    across = seen.by_point[:, :, :2] @ turned  # per mm of the sheet's own x, y
    by = np.empty((len(places), 2, PER_BLOCK))
    by[:, :, :5] = seen.by_parameter[:, :, 6:]
    by[:, :, 5:14] = seen.by_parameter[:, :, :9]
    by[:, :, 14:16] = across * flat[:, None, :]
    by[:, :, 16:18] = seen.by_point[:, :, :2]
    by[:, :, 18] = across[:, :, 1] * flat[:, None, 0] - across[:, :, 0] * flat[:, None, 1]
    by[:, :, 19:21] = by[:, :, 14:16]
    by[:, :, 21:] = seen.by_point[:, :, 2:] * block.terms[:, None, :]
    rows = (by * root[:, None, None]).reshape(-1, PER_BLOCK)
    off = (residuals * root[:, None]).ravel()
    return BlockPart(off, rows, rows.T @ rows, rows.T @ off)


def cost_of(
    state: State, problem: Problem, beliefs: Beliefs, weights: Sequence[FloatArray]
) -> float:
    """Chi square alone; infinite where a corner lies behind a camera or beyond a lens's fold."""
    total = beliefs.cost(state, order_of(problem))
    for block, weight in zip(problem.blocks, weights, strict=True):
        if not weight.any():
            continue
        residuals = residuals_px(state, problem, block)
        if residuals is None:
            return np.inf
        total += float((weight / block.sigma_px**2) @ (residuals**2).sum(axis=1))
    return total


def residuals_px(state: State, problem: Problem, block: Block) -> FloatArray | None:
    """Seen minus predicted (N, 2), or None where the camera could not see the block."""
    p = state.pinhole(problem, block.photo)
    in_camera = state.on_plane_mm(problem, block) @ p.rotation.T + p.translation_mm
    if in_camera[:, 2].min() <= 0:
        return None
    rays = in_camera[:, :2] / in_camera[:, 2:]
    r2 = (rays**2).sum(axis=1)
    if r2.max() >= fold_radius(p.k1, p.k2) ** 2:
        return None
    bent = rays * (1 + r2 * (p.k1 + r2 * p.k2))[:, None]
    return np.asarray(block.px - (p.focal_px * bent + np.asarray(p.principal_px)))


def adjust(
    state: State,
    problem: Problem,
    beliefs: Beliefs,
    weights: Sequence[FloatArray],
    *,
    free: NDArray[np.bool_],
    most_steps: int,
) -> State:
    """Minimise the cost from a plausible state (Marquardt 1963).

    Photos without much tilt leave long curved valleys, in which focal length, height and
    tilt go together; the steps follow them to second order (geodesic acceleration:
    Transtrum & Sethna, arXiv 1201.5885, 2012).  ``free`` (unknowns,) marks what may change.
    """
    order = order_of(problem)
    damping, ease = 1e-4, _EASE
    cost = cost_of(state, problem, beliefs, weights)
    linear: Linearised | None = None
    for _ in range(most_steps):
        if linear is None:
            linear = linearise(state, problem, beliefs, weights)
            whole = _Equations(linear, free)
            slope = linear.slope[whole.at]
            if float(slope @ whole.solved(slope, 0.0)[whole.at]) < _SETTLED:
                break
        step = _shortened(whole.solved(slope, damping), order)
        bent = whole.solved(_bending(state, problem, weights, linear, step)[whole.at], damping)
        if whole.length(bent) < _MOST_BENT * whole.length(step):
            step = step + bent
        candidate = state.moved(problem, _shortened(step, order))
        then = cost_of(candidate, problem, beliefs, weights)
        if then < cost:
            state, cost, linear = candidate, then, None
            damping, ease = damping / ease, _EASE
        else:
            damping, ease = max(damping * _STIFFEN, _LEAST_DAMPING), 1.0
    return state


class _Equations:
    """The normal equations of the free unknowns, scaled to a diagonal of ones."""

    def __init__(self, linear: Linearised, free: NDArray[np.bool_]) -> None:
        self.at = np.flatnonzero(free)
        self._count = len(free)
        whole = (linear.information + linear.prior_information)[np.ix_(self.at, self.at)]
        self._scale = 1 / np.sqrt(np.diag(whole))
        self._whole = whole * np.outer(self._scale, self._scale)

    def solved(self, slope: FloatArray, damping: float) -> FloatArray:
        """The step (unknowns,) for a slope of the free unknowns."""
        damped = self._whole.copy()
        damped[np.diag_indices_from(damped)] += damping + _JITTER
        factor = cho_factor(damped, overwrite_a=True, check_finite=False)
        step = np.zeros(self._count)
        step[self.at] = self._scale * cho_solve(factor, self._scale * slope)
        return step

    def length(self, step: FloatArray) -> float:
        """Length of a step in these units."""
        return float(np.linalg.norm(step[self.at] / self._scale))


def _bending(
    state: State,
    problem: Problem,
    weights: Sequence[FloatArray],
    linear: Linearised,
    step: FloatArray,
) -> FloatArray:
    """What the prediction's curvature along a step adds to the slope (unknowns,)."""
    order = order_of(problem)
    ahead = state.moved(problem, _PROBE * step)
    slope = np.zeros(order.count)
    for block, part, weight in zip(problem.blocks, linear.parts, weights, strict=True):
        if not len(part.rows):
            continue
        residuals = residuals_px(ahead, problem, block)
        if residuals is None:
            return np.zeros(order.count)
        at = order.block(problem, block)
        root = np.sqrt(weight) / block.sigma_px
        rows = (residuals * root[:, None]).ravel()
        curved = (rows - part.rows) / _PROBE + part.by_unknown @ step[at]
        slope[at] += part.by_unknown.T @ curved / _PROBE
    return slope


def _shortened(step: FloatArray, order: Order) -> FloatArray:
    """The step with turns and zooms no longer than the model stays true for."""
    step = step.copy()
    zooms = [order.lens(number)[:1] for number in range(order.lenses)]
    turns = [order.photo(number)[:3] for number in range(order.photos)]
    for at, most in (
        (np.concatenate(zooms), _LONGEST_ZOOM),
        (np.concatenate(turns), _LONGEST_TURN),
    ):
        step[at] = np.clip(step[at], -most, most)
    return step


def inverse(information: FloatArray) -> FloatArray:
    """Inverse of a positive matrix whose unknowns have very different units."""
    scale = 1 / np.sqrt(np.diag(information))
    scaled = information * np.outer(scale, scale)
    scaled[np.diag_indices_from(scaled)] += _JITTER
    inner = cho_solve(cho_factor(scaled), np.eye(len(scaled)))
    return np.asarray((inner + inner.T) / 2 * np.outer(scale, scale))
