"""The least-squares adjustment behind camera recovery: state, priors, Levenberg-Marquardt.

Estimated are the eleven of ``camera.PARAMETERS``, the print's aspect, and the sheet's
height field (see ``flatness``).  A printer that feeds the paper 0.2 % short stretches one
axis; read as perspective, that would bend focal length and tilt, so it gets a name of its
own with the printed scale's uncertainty as its prior.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.flatness import TERMS
from digitize.camera.lens import fold_radius
from digitize.camera.priors import Prior
from digitize.camera.projection import Pinhole, rotation_matrix, see

FloatArray = NDArray[np.float64]

_UNKNOWNS = 12 + TERMS
_ROUNDING = 1e-14  # least eigenvalue taken as real, of a matrix with ones on its diagonal
_LONGEST = np.array(
    [1.0] * 3 + [np.inf] * 3 + [1.0] + [np.inf] * 4 + [0.1] + [np.inf] * TERMS
)  # one step
_EASE, _STIFFEN = 8.0, 2.0  # damping after a good and after a bad step
_SETTLED = 1e-5  # chi square still to be gained by an undamped step
LENS_PULLS, ASPECT_PULL, HEIGHT_PULLS = slice(0, 5), slice(5, 6), slice(6, 6 + TERMS)
"""Which rows of the priors speak of the lens, of the print's aspect, of the sheet's heights."""
_PULLS = 6 + TERMS
_LOG_FOCAL, _PX, _PY, _K1, _K2, _ASPECT = range(6, 12)
_LONGEST = np.full(_UNKNOWNS, np.inf)  # one step
_LONGEST[[0, 1, 2, _LOG_FOCAL]] = 1.0
_LONGEST[_ASPECT] = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """What the adjustment is to explain."""

    mm: FloatArray  # (N, 2) printed millimetres as far as known
    px: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,) per axis
    stretch: FloatArray  # (2,) log change of x and y per unit of log aspect
    height_terms: FloatArray  # (N, TERMS) height per unit of each field coefficient

    def kept(self, used: NDArray[np.bool_]) -> Corners:
        """The corners that ``used`` (N,) marks."""
        return Corners(
            self.mm[used],
            self.px[used],
            self.sigma_px[used],
            self.stretch,
            self.height_terms[used],
        )


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """One candidate: a camera and the log of the print's aspect."""

    pinhole: Pinhole
    log_aspect: float
    heights_mm: FloatArray  # (TERMS,) coefficients of the sheet's height field

    def moved(self, step: FloatArray) -> State:
        """The state a step (unknowns,) away.

        To first order each number moves by its part of the step.  To second order depth
        and lens follow the focal length (depth / f, k1 / f^2 and k2 / f^4 are what a
        picture without tilt shows), which straightens the valley that steps go along.
        """
        p = self.pinhole
        log_zoom = float(step[_LOG_FOCAL])
        depth_mm = p.translation_mm[2]
        follow = np.array([0.0, 0.0, depth_mm * (math.expm1(log_zoom) - log_zoom)])
        return State(
            Pinhole(
                rotation_matrix(step[:3]) @ p.rotation,
                p.translation_mm + step[3:6] + follow,
                p.focal_px * math.exp(log_zoom),
                (p.principal_px[0] + float(step[_PX]), p.principal_px[1] + float(step[_PY])),
                p.k1 * (math.exp(2 * log_zoom) - 2 * log_zoom) + float(step[_K1]),
                p.k2 * (math.exp(4 * log_zoom) - 4 * log_zoom) + float(step[_K2]),
            ),
            self.log_aspect + float(step[_ASPECT]),
            self.heights_mm + step[_ASPECT + 1 :],
        )

    def sheet_mm(self, corners: Corners) -> FloatArray:
        """Corner places (N, 3) on the paper as printed."""
        stretched = corners.mm * np.exp(self.log_aspect * corners.stretch)
        return np.column_stack([stretched, corners.height_terms @ self.heights_mm])

    def plausible(self, corners: Corners) -> bool:
        """Whether every corner lies in front of the camera and inside the lens's fold."""
        p = self.pinhole
        in_camera = self.sheet_mm(corners) @ p.rotation.T + p.translation_mm
        if in_camera[:, 2].min() <= 0:
            return False
        rays = in_camera[:, :2] / in_camera[:, 2:]
        return float((rays**2).sum(axis=1).max()) < fold_radius(p.k1, p.k2) ** 2


@dataclass(frozen=True, slots=True, eq=False)
class Linearised:
    """The problem about one state, every row divided by its standard deviation.

    The first 2N rows are the corners' (x, y of each in turn), the others the priors'.
    """

    residuals_px: FloatArray  # (N, 2) seen minus predicted, not weighted
    rows: FloatArray  # (2N + priors,) residuals
    by_state: FloatArray  # (2N + priors, unknowns) how the prediction changes with the state

    @property
    def cost(self) -> float:
        """Chi square of corners and priors together."""
        return float(self.rows @ self.rows)

    @property
    def prior_cost(self) -> float:
        """Chi square of the priors."""
        pulls = self.rows[2 * len(self.residuals_px) :]
        return float(pulls @ pulls)

    @property
    def information(self) -> FloatArray:
        """Information (unknowns, unknowns) that the corners alone give about the state."""
        corners = self.by_state[: 2 * len(self.residuals_px)]
        return np.asarray(corners.T @ corners)

    @property
    def prior_information(self) -> FloatArray:
        """Information (unknowns, unknowns) of the priors alone."""
        priors = self.by_state[2 * len(self.residuals_px) :]
        return np.asarray(priors.T @ priors)


def linearise(state: State, corners: Corners, prior: Prior, weights: FloatArray) -> Linearised:
    """Residuals and derivatives at a state; ``weights`` (N,) multiply 1 / sigma^2."""
    sheet = state.sheet_mm(corners)
    seen = see(state.pinhole, sheet)
    residuals = corners.px - seen.px
    root = np.sqrt(weights) / corners.sigma_px
    count = 2 * len(sheet)
    by_state = np.zeros((count + _PULLS, _UNKNOWNS))
    by_corner = by_state[:count].reshape(-1, 2, _UNKNOWNS)
    by_corner[:, :, :_ASPECT] = seen.by_parameter
    by_corner[:, :, _ASPECT + 1 :] = seen.by_point[:, :, 2:] * corners.height_terms[:, None, :]
    by_corner[:, :, _ASPECT] = np.einsum(
        "nij,nj->ni", seen.by_point[:, :, :2], sheet[:, :2] * corners.stretch
    )
    by_corner *= root[:, None, None]
    pulls, by_state[count:] = _pulls(state, prior)
    return Linearised(
        residuals_px=residuals,
        rows=np.concatenate([(residuals * root[:, None]).reshape(-1), -pulls]),
        by_state=by_state,
    )


def _pulls(state: State, prior: Prior) -> tuple[FloatArray, FloatArray]:
    """Distance from each prior in its standard deviations (P,), and slopes (P, unknowns)."""
    p = state.pinhole
    slopes = np.zeros((_PULLS, _UNKNOWNS))
    slopes[5, _ASPECT] = 1 / prior.aspect_sigma
    slopes[6:, _ASPECT + 1 :] = np.eye(TERMS) / prior.height_sigma_mm
    aspect = state.log_aspect / prior.aspect_sigma
    heights = state.heights_mm / prior.height_sigma_mm
    if prior.intrinsics is not None:
        lens = np.array([math.log(p.focal_px), *p.principal_px, p.k1, p.k2])
        slopes[:5, _LOG_FOCAL:_ASPECT] = prior.intrinsics.whiten
        off = prior.intrinsics.whiten @ (lens - prior.intrinsics.mean)
        return np.array([*off, aspect, *heights]), slopes
    rho2 = (prior.half_diagonal_px / p.focal_px) ** 2
    bends = np.array([p.k1 * rho2 / prior.bend_sigma[0], p.k2 * rho2**2 / prior.bend_sigma[1]])
    principal = np.subtract(p.principal_px, prior.middle_px) / prior.principal_sigma_px
    focal = (math.log(p.focal_px) - prior.log_focal) / prior.log_focal_sigma
    slopes[0, _PX] = slopes[1, _PY] = 1 / prior.principal_sigma_px
    slopes[2, _LOG_FOCAL] = 1 / prior.log_focal_sigma
    slopes[3, _K1], slopes[3, _LOG_FOCAL] = rho2 / prior.bend_sigma[0], -2 * bends[0]
    slopes[4, _K2], slopes[4, _LOG_FOCAL] = rho2**2 / prior.bend_sigma[1], -4 * bends[1]
    return np.array([*principal, focal, *bends, aspect, *heights]), slopes


def adjust(
    state: State, corners: Corners, prior: Prior, weights: FloatArray, most_steps: int
) -> tuple[State, Linearised]:
    """Minimise the cost by Levenberg-Marquardt from a plausible state (Marquardt 1963)."""
    now = linearise(state, corners, prior, weights)
    damping = 1e-4
    for _ in range(most_steps):
        normal = now.by_state.T @ now.by_state
        scale = 1 / np.sqrt(np.diag(normal))
        values, axes = np.linalg.eigh(normal * np.outer(scale, scale))
        values = np.maximum(values, _ROUNDING)
        slope = axes.T @ (scale * (now.by_state.T @ now.rows))
        if float(slope @ (slope / values)) < _SETTLED:
            break
        step = np.clip(scale * (axes @ (slope / (values + damping))), -_LONGEST, _LONGEST)
        candidate = state.moved(step)
        if candidate.plausible(corners):
            then = linearise(candidate, corners, prior, weights)
            if then.cost < now.cost:
                state, now = candidate, then
                damping /= _EASE
                continue
        damping = max(damping * _STIFFEN, 1e-9)
    return state, now
