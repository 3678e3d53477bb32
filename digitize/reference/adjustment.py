"""The camera and a reference's unknowns together, maximum a posteriori.

Gauss-Newton with Levenberg's damping over the camera's eleven numbers (``camera.PARAMETERS``)
and the reference's own.  A pixel on a known line counts only across the line; where along
it lies is found anew in every step.  The sheet frame of the camera found is the
reference's; the work plane is its height 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.camera.priors import Prior
from digitize.camera.projection import Pinhole, rotation_matrix, see
from digitize.reference.layout import Layout, Places, Seen

FloatArray = NDArray[np.float64]

_CAMERA = 11
_MOST_STEPS = 60
_SETTLED = 1e-4  # chi square still to be gained
_ROUNDING = 1e-13
_LONGEST = np.array([0.3] * 3 + [np.inf] * 3 + [0.3] + [np.inf] * 4)  # one step
_CAUCHY = 2.5
_REJECT = 4.5


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What was seen, what it should be, and what is known before looking."""

    seen: Seen
    layout: Layout
    prior: Prior
    lean_sigma_deg: float  # how square-on the camera was held, one sigma each way


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """One candidate: a camera and the reference's unknowns."""

    pinhole: Pinhole
    own: FloatArray  # (M,)

    def moved(self, step: FloatArray) -> State:
        """The state a step (11 + M,) away; depth follows the focal length."""
        p = self.pinhole
        log_zoom = float(step[6])
        follow = np.array([0.0, 0.0, p.translation_mm[2] * (math.expm1(log_zoom) - log_zoom)])
        return State(
            Pinhole(
                rotation_matrix(step[:3]) @ p.rotation,
                p.translation_mm + step[3:6] + follow,
                p.focal_px * math.exp(log_zoom),
                (p.principal_px[0] + float(step[7]), p.principal_px[1] + float(step[8])),
                p.k1 + float(step[9]),
                p.k2 + float(step[10]),
            ),
            self.own + step[_CAMERA:],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Linearised:
    """The problem about one state; rows are divided by their standard deviations."""

    residuals_px: FloatArray  # (N, 2) seen minus predicted, unweighted; along a line it is 0
    seen_rows: FloatArray  # rows of what was seen
    seen_slopes: FloatArray
    prior_rows: FloatArray
    prior_slopes: FloatArray
    distance2: FloatArray  # (N,) squared distance in standard deviations

    @property
    def cost(self) -> float:
        """Chi square of everything."""
        return float(self.seen_rows @ self.seen_rows + self.prior_rows @ self.prior_rows)


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """The state found, what it keeps, and how sure it is."""

    state: State
    linear: Linearised
    used: NDArray[np.bool_]  # (N,)
    covariance: FloatArray  # (11 + M, 11 + M)
    misfit: float  # variance of the residuals over what their sigmas explain

    def lean_covariance(self) -> FloatArray:
        """Covariance (2, 2) in rad^2 of the plane's lean about the camera's x and y."""
        normal = self.state.pinhole.rotation[:, 2]
        slope = np.zeros((2, len(self.covariance)))
        slope[:, :3] = _turned_by(normal)[:2]
        return np.asarray(slope @ self.covariance @ slope.T)


def _turned_by(vector: FloatArray) -> FloatArray:
    """Derivative (3, 3) of a rotated vector by a left rotation increment: w x v = -[v] w."""
    x, y, z = vector
    return np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])


def linearise(state: State, problem: Problem, weights: FloatArray) -> Linearised | None:
    """Residuals and slopes at a state; None where something lies behind the camera."""
    seen, layout = problem.seen, problem.layout
    p, places = state.pinhole, layout.places(state.own)
    points, by_own = _slid(p, seen, places)
    if points is None:
        return None
    view = see(p, points)
    slopes = np.concatenate([view.by_parameter, view.by_point @ by_own], axis=2)
    off = seen.px - view.px
    across = _across(view.by_point, places.along)
    # A line counts once, across itself; a point counts in x and in y.
    line_off = np.einsum("ni,ni->n", across, off)
    residuals = np.where(seen.line[:, None], across * line_off[:, None], off)
    root = np.sqrt(weights) / seen.sigma_px
    on_line, free = seen.line, ~seen.line
    line_slopes = np.einsum("ni,nij->nj", across[on_line], slopes[on_line])
    rows = np.concatenate(
        [line_off[on_line] * root[on_line], (off[free] * root[free, None]).ravel()]
    )
    stacked = np.vstack(
        [
            line_slopes * root[on_line, None],
            (slopes[free] * root[free, None, None]).reshape(-1, slopes.shape[2]),
        ]
    )
    pulls, pull_slopes = _pulls(state, problem)
    own_pulls, own_slopes = layout.pulls(state.own)
    prior_slopes = np.zeros((len(pulls) + len(own_pulls), slopes.shape[2]))
    prior_slopes[: len(pulls), :_CAMERA] = pull_slopes
    prior_slopes[len(pulls) :, _CAMERA:] = own_slopes
    return Linearised(
        residuals_px=residuals,
        seen_rows=rows,
        seen_slopes=stacked,
        prior_rows=-np.concatenate([pulls, own_pulls]),
        prior_slopes=prior_slopes,
        distance2=np.asarray((residuals**2).sum(axis=1) / seen.sigma_px**2),
    )


def _slid(pinhole: Pinhole, seen: Seen, places: Places) -> tuple[FloatArray | None, FloatArray]:
    """The point of every line that appears nearest to its pixel (Newton, three steps)."""
    slide = np.zeros(len(places.mm))
    points = places.mm
    for _ in range(4):
        depth = points @ pinhole.rotation[2] + pinhole.translation_mm[2]
        if not (depth > 1.0).all():
            return None, places.by_own
        view = see(pinhole, points)
        toward = np.einsum("nij,nj->ni", view.by_point, places.along)
        reach = np.maximum((toward**2).sum(axis=1), 1e-12)
        slide = slide + np.einsum("ni,ni->n", toward, seen.px - view.px) / reach
        points = places.mm + slide[:, None] * places.along
    depth = points @ pinhole.rotation[2] + pinhole.translation_mm[2]
    if not (depth > 1.0).all():
        return None, places.by_own
    return points, places.by_own + slide[:, None, None] * places.along_by_own


def _across(by_point: FloatArray, along: FloatArray) -> FloatArray:
    """Unit vectors (N, 2) in the photo across the lines; zero for points."""
    toward = np.einsum("nij,nj->ni", by_point, along)
    length = np.linalg.norm(toward, axis=1, keepdims=True)
    return np.asarray(np.column_stack([-toward[:, 1], toward[:, 0]]) / np.maximum(length, 1e-12))


def _pulls(state: State, problem: Problem) -> tuple[FloatArray, FloatArray]:
    p, prior = state.pinhole, problem.prior
    rho2 = (prior.half_diagonal_px / p.focal_px) ** 2
    bends = np.array([p.k1 * rho2 / prior.bend_sigma[0], p.k2 * rho2**2 / prior.bend_sigma[1]])
    principal = np.subtract(p.principal_px, prior.middle_px) / prior.principal_sigma_px
    focal = (math.log(p.focal_px) - prior.log_focal) / prior.log_focal_sigma
    normal = p.rotation[:, 2]
    lean = math.sin(math.radians(problem.lean_sigma_deg))
    pulls = np.array([*principal, focal, *bends, normal[0] / lean, normal[1] / lean])
    slopes = np.zeros((7, _CAMERA))
    slopes[0, 7] = slopes[1, 8] = 1 / prior.principal_sigma_px
    slopes[2, 6] = 1 / prior.log_focal_sigma
    slopes[3, 9], slopes[3, 6] = rho2 / prior.bend_sigma[0], -2 * bends[0]
    slopes[4, 10], slopes[4, 6] = rho2**2 / prior.bend_sigma[1], -4 * bends[1]
    slopes[5:, :3] = _turned_by(normal)[:2] / lean
    return pulls, slopes


def adjust(starts: list[State], problem: Problem, *, robust: bool = True) -> Adjusted | None:
    """The best state that can be reached from any start, or None if there is none.

    With ``robust`` false sightings lose weight (Cauchy) and are left out at the end.
    """
    reached = []
    count = len(problem.seen.px)
    for start in starts:
        state, weights = start, np.ones(count)
        rounds = 3 if robust else 1
        linear = linearise(state, problem, weights)
        for _ in range(rounds):
            if linear is None:
                break
            if robust:
                scale2 = _scale2(linear.distance2)
                weights = 1 / (1 + linear.distance2 / (_CAUCHY**2 * scale2))
            state, linear = _descend(state, problem, weights)
        if linear is None:
            continue
        cost = float(_CAUCHY**2 * np.log1p(linear.distance2 / _CAUCHY**2).sum())
        cost = cost if robust else float(linear.distance2.sum())
        reached.append((cost + float(linear.prior_rows @ linear.prior_rows), state, linear))
    if not reached:
        return None
    _, state, linear = min(reached, key=lambda r: r[0])
    used = np.ones(count, dtype=bool)
    if robust:
        for _ in range(3):
            used = linear.distance2 < _REJECT**2 * _scale2(linear.distance2)
            state, settled = _descend(state, problem, used.astype(float))
            if settled is None:
                return None
            linear = settled
    return _judged(state, problem.seen, linear, used)


def _descend(
    state: State, problem: Problem, weights: FloatArray
) -> tuple[State, Linearised | None]:
    now = linearise(state, problem, weights)
    if now is None:
        return state, None
    longest = np.concatenate([_LONGEST, np.full(len(state.own), np.inf)])
    damping = 1e-4
    for _ in range(_MOST_STEPS):
        slopes = np.vstack([now.seen_slopes, now.prior_slopes])
        rows = np.concatenate([now.seen_rows, now.prior_rows])
        normal = slopes.T @ slopes
        scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
        values, axes = np.linalg.eigh(normal * np.outer(scale, scale))
        values = np.maximum(values, _ROUNDING)
        slope = axes.T @ (scale * (slopes.T @ rows))
        if float(slope @ (slope / values)) < _SETTLED:
            break
        step = np.clip(scale * (axes @ (slope / (values + damping))), -longest, longest)
        candidate = state.moved(step)
        then = linearise(candidate, problem, weights)
        if then is not None and then.cost < now.cost:
            state, now = candidate, then
            damping = max(damping / 8, 1e-12)
        else:
            damping = max(damping * 4, 1e-8)
            if damping > 1e8:
                break
    return state, now


def _judged(state: State, seen: Seen, linear: Linearised, used: NDArray[np.bool_]) -> Adjusted:
    """The covariance, swelled where the sightings scatter more than they should."""
    information = linear.seen_slopes.T @ linear.seen_slopes
    priors = linear.prior_slopes.T @ linear.prior_slopes
    told = float(np.trace(inverse(information + priors) @ information))
    rows = int(np.where(seen.line, 1, 2)[used].sum())
    chi2 = float(linear.seen_rows @ linear.seen_rows)
    misfit = chi2 / max(rows - told, 1.0)
    covariance = inverse(information / max(misfit, 1.0) + priors)
    return Adjusted(state, linear, used, covariance, misfit)


def _scale2(distance2: FloatArray) -> float:
    """Robust variance of what was seen over what its sigmas say, no less than one."""
    return max(float(np.median(distance2)) / 0.455, 1.0)  # median of chi square, one freedom


def inverse(information: FloatArray) -> FloatArray:
    """Inverse of a positive matrix whose unknowns have very different units."""
    scale = 1 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    values, axes = np.linalg.eigh(information * np.outer(scale, scale))
    inner = (axes / np.maximum(values, _ROUNDING)) @ axes.T
    return np.asarray(inner * np.outer(scale, scale))


def camera_of(adjusted: Adjusted, size_px: tuple[int, int]) -> Camera:
    """The camera of an adjusted state, with its covariance."""
    p = adjusted.state.pinhole
    return Camera(
        size_px=size_px,
        rotation=p.rotation,
        translation_mm=p.translation_mm,
        focal_px=p.focal_px,
        principal_px=p.principal_px,
        k1=p.k1,
        k2=p.k2,
        covariance=adjusted.covariance[:_CAMERA, :_CAMERA],
    )
