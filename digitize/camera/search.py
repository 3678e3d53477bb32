"""The search for the state that explains the corners best, under one prior.

Several starts are followed with falling weights for far corners (Cauchy; iteratively
reweighted least squares).  The best is finished by leaving false corners out and giving
the others equal weight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.adjustment import Corners, Linearised, State, adjust, linearise
from digitize.camera.flatness import TERMS
from digitize.camera.priors import Prior
from digitize.camera.projection import Pinhole
from digitize.camera.seed import focal_from_homography, mirrored_pose, pose_from_homography

FloatArray = NDArray[np.float64]

_PULLED = 9.0  # chi square of the priors that makes us doubt them
_MISFIT = 1.5  # variance over noise that makes us doubt them as well
_LOST = 25.0  # the same, when the start was perhaps a wrong one
_INDEPENDENT = 0.25  # of the corners: neighbours share faults of print and lens
_CAUCHY = 2.5  # standard deviations at which a corner's weight has halved
_REJECT = 4.5  # standard deviations; 4e-5 of good corners lie outside
_STILL_CLOSE = 4.0  # times the least cost, at which a start is worth following
_FINAL_ROUNDS = 4
_SHORTEST, _LONGEST = 0.5, 20.0  # focal length over half the diagonal, worth a start
_MOST_TOLD = 14  # about as many unknowns as corners of a flat sheet ever determine
_RAYLEIGH_MEDIAN2 = 2 * math.log(2)  # median of the squared length of a 2-D unit normal


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """An adjusted state, the corners it keeps, and how far their misfit exceeds noise."""

    state: State
    prior: Prior
    used: NDArray[np.bool_]
    scale2: float  # variance that the corners were given, over their own noise's
    linear: Linearised  # of the kept corners, with that variance
    residuals_px: FloatArray  # (N, 2) of all corners

    @property
    def corner_cost(self) -> float:
        """Chi square of the kept corners, with the variance they were given."""
        return self.linear.cost - self.linear.prior_cost

    @property
    def told(self) -> float:
        """How many of the unknowns the corners determine, rather than the priors."""
        information = self.linear.information
        return float(np.trace(inverse(information + self.linear.prior_information) @ information))

    @property
    def freedom(self) -> float:
        """Degrees of freedom that the kept corners leave."""
        return max(2 * int(self.used.sum()) - self.told, 1.0)

    @property
    def misfit(self) -> float:
        """Variance of the residuals over what the corners' noise explains."""
        return self.corner_cost * self.scale2 / self.freedom

    @property
    def lost(self) -> bool:
        """Whether the misfit is so large that the start may have been a wrong one."""
        return self.misfit > _LOST

    @property
    def doubts_prior(self) -> bool:
        """Whether another prior is worth a look."""
        chance = math.sqrt(2 / self.freedom)  # of a mean of squares
        return self.linear.prior_cost > _PULLED or self.misfit > _MISFIT * (1 + 4 * chance)


def surprise(found: Found) -> float:
    """-2 log of the evidence for a prior (Laplace's method), to choose between priors."""
    left_out = _REJECT**2 * int((~found.used).sum())
    noise = _INDEPENDENT * 2 * int(found.used.sum()) * math.log(found.scale2)
    normal = found.linear.by_state.T @ found.linear.by_state
    told = float(np.linalg.slogdet(normal)[1])
    return found.linear.cost + left_out + noise + found.prior.rarity + told


def search(corners: Corners, prior: Prior, starts: list[State]) -> Found:
    """Adjust from every start, and finish the one that explains the corners best."""
    tried = [_robust(s, corners, prior, 1) for s in starts]
    least = min(cost for _, cost in tried)
    close = [_robust(s, corners, prior, 3) for s, cost in tried if cost < _STILL_CLOSE * least]
    return _finish(min(close, key=lambda t: t[1])[0], corners, prior)


def starting_states(corners: Corners, prior: Prior, homography: FloatArray) -> list[State]:
    """Poses by the homography, for the focal length it suggests and the one expected."""
    principal = np.asarray(prior.middle_px)
    middle = np.median(corners.mm, axis=0)
    told = math.exp(prior.log_focal)
    seen = focal_from_homography(homography, principal)
    focals = [told]
    if seen is not None and _SHORTEST < seen / prior.half_diagonal_px < _LONGEST:
        focals.append(seen)
    states = []
    for focal in focals:
        pose = pose_from_homography(homography, focal, principal, middle)
        for rotation, translation in (pose, mirrored_pose(*pose, middle)):
            pinhole = Pinhole(rotation, translation, focal, prior.middle_px, 0.0, 0.0)
            states.append(State(pinhole, 0.0, np.zeros(TERMS)))
    plausible = [s for s in states if s.plausible(corners)]
    return plausible or states[:1]


def _robust(state: State, corners: Corners, prior: Prior, rounds: int) -> tuple[State, float]:
    """Adjust with falling weights for far corners; the state and its robust cost."""
    linear = linearise(state, corners, prior, np.ones(len(corners.px)))
    scale2 = math.inf
    for _ in range(rounds):
        distance2 = _distance2(linear, corners)
        scale2 = min(scale2, _misfit_scale2(distance2))
        weights = 1 / (1 + distance2 / (_CAUCHY**2 * scale2))
        state, linear = adjust(state, corners, prior, weights, most_steps=4)
    cost = _CAUCHY**2 * float(np.log1p(_distance2(linear, corners) / _CAUCHY**2).sum())
    return state, cost + linear.prior_cost


def _finish(state: State, corners: Corners, prior: Prior) -> Found:
    """Leave out false corners and adjust the rest with equal weight.

    Corners are given as much noise as they show, so that priors keep their part where a
    print is rougher than its corners are sharp.
    """
    found = _found(state, corners, prior, np.ones(len(corners.px), dtype=bool), 1.0)
    for round_ in range(_FINAL_ROUNDS):
        distance2 = (found.residuals_px**2).sum(axis=1) / corners.sigma_px**2
        used = distance2 < _REJECT**2 * _misfit_scale2(distance2)
        scale2 = max(found.misfit, 1.0) if round_ else _misfit_scale2(distance2)
        same = np.array_equal(used, found.used) and 0.9 < scale2 / found.scale2 < 1.1
        if round_ and same:
            break
        state, _ = adjust(found.state, corners, prior, used / scale2, most_steps=100)
        found = _found(state, corners, prior, used, scale2)
    return found


def _found(
    state: State, corners: Corners, prior: Prior, used: NDArray[np.bool_], scale2: float
) -> Found:
    kept = corners.kept(used)
    weights = np.full(len(kept.px), 1 / scale2)
    every = linearise(state, corners, prior, np.ones(len(corners.px)))
    return Found(
        state, prior, used, scale2, linearise(state, kept, prior, weights), every.residuals_px
    )


def _distance2(linear: Linearised, corners: Corners) -> FloatArray:
    """Squared distance (N,) of corners from where they should be, in standard deviations."""
    return np.asarray((linear.residuals_px**2).sum(axis=1) / corners.sigma_px**2)


def _misfit_scale2(distance2: FloatArray) -> float:
    """Robust variance of the residuals over their noise, no less than one."""
    freedom = max(1 - _MOST_TOLD / (2 * len(distance2)), 0.25)
    return max(float(np.median(distance2)) / _RAYLEIGH_MEDIAN2 / freedom, 1.0)


def inverse(information: FloatArray) -> FloatArray:
    """Inverse of a positive matrix whose unknowns have very different units."""
    scale = 1 / np.sqrt(np.diag(information))
    inner = np.linalg.inv(information * np.outer(scale, scale))
    return np.asarray((inner + inner.T) / 2 * np.outer(scale, scale))
