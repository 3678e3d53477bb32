"""One camera seen through several photos: the adjustment of all of them together.

Shared by all photos are focal length (at a middle distance), its breathing with distance,
principal point, lens terms, and the print's aspect.  Each photo has its pose, its sheet's
small heights, and what focusing and stabilisation changed in that shot: a log focal
length and a shift of the principal point drawn from normal distributions whose widths are
estimated, too.  Maximum a posteriori by Levenberg-Marquardt on the linearisation that a
single photo uses (``camera.adjustment``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.camera.adjustment import Corners, State, linearise
from digitize.camera.flatness import TERMS
from digitize.camera.priors import Prior
from digitize.camera.projection import Pinhole, rotation_matrix

FloatArray = NDArray[np.float64]

LENS = 5  # log focal, principal x, y (from the stored picture's middle), k1, k2
_BREATHING, _ASPECT = 5, 6
_SHARED = 7
_OWN = 9  # pose, log focal, principal x, y
_EACH = _OWN + TERMS
_MOST_STEPS = 60
_SETTLED = 1e-5
_TRUST = 4.0  # how many shots the expected spread between shots is worth, against those seen
_LEAST_REFOCUS, _LEAST_SHIFT_REL = 0.0015, 0.0005


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One photo as the joint adjustment sees it."""

    corners: Corners  # only those that the photo alone kept; sigma swollen by its misfit
    start: Pinhole  # as the photo alone has it
    middle_px: tuple[float, float]
    turn: FloatArray  # (2, 2) upright from stored


@dataclass(frozen=True, slots=True, eq=False)
class Beliefs:
    """Priors of what is shared, and the expected spread from shot to shot."""

    usual: Prior
    breathing_mm: float
    breathing_u_mm: float
    refocus_sigma: float
    shift_sigma_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """The adjusted camera."""

    shared: FloatArray  # (7,)
    covariance: FloatArray  # (7, 7)
    own: FloatArray  # (P, 3) what each shot changed: log focal, principal x, y
    reference_mm: float
    refocus_sigma: float
    shift_sigma_px: float
    misfit: FloatArray  # (P,) variance of each photo's residuals over their noise
    pinholes: tuple[Pinhole, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Guess:
    shared: FloatArray  # (7,)
    poses: tuple[tuple[FloatArray, FloatArray], ...]
    own: FloatArray  # (P, 3)
    heights_mm: FloatArray  # (P, TERMS)


def adjust_jointly(views: Sequence[View], beliefs: Beliefs) -> Joint:
    """The camera that explains all views best."""
    guess, reference_mm = _first(views)
    for _ in range(4):
        guess, normal = _minimise(guess, views, beliefs, reference_mm)
        covariance = _inverse(normal)
        wider = _spread_between(guess, covariance, views, beliefs)
        settled = abs(math.log(wider.refocus_sigma / beliefs.refocus_sigma)) < 0.05
        settled &= abs(math.log(wider.shift_sigma_px / beliefs.shift_sigma_px)) < 0.05
        beliefs = replace(
            beliefs, refocus_sigma=wider.refocus_sigma, shift_sigma_px=wider.shift_sigma_px
        )
        if settled:
            break
    misfit = []
    states = [_state(guess, n, view, reference_mm) for n, view in enumerate(views)]
    for state, view in zip(states, views, strict=True):
        ones = np.ones(len(view.corners.px))
        off = linearise(state, view.corners, beliefs.usual, ones).residuals_px
        misfit.append(float(np.mean((off / view.corners.sigma_px[:, None]) ** 2)))
    return Joint(
        shared=guess.shared,
        covariance=covariance[:_SHARED, :_SHARED],
        own=guess.own,
        reference_mm=reference_mm,
        refocus_sigma=beliefs.refocus_sigma,
        shift_sigma_px=beliefs.shift_sigma_px,
        misfit=np.array(misfit),
        pinholes=tuple(state.pinhole for state in states),
    )


def _first(views: Sequence[View]) -> tuple[_Guess, float]:
    """Every photo at the median focal length, its depth scaled along."""
    focal = float(np.median([v.start.focal_px for v in views]))
    offsets = [v.turn.T @ np.subtract(v.start.principal_px, v.middle_px) for v in views]
    lens = [(v.start.k1, v.start.k2) for v in views]
    poses, depths = [], []
    for view in views:
        depth = view.start.translation_mm[2] * focal / view.start.focal_px
        translation = np.array([*view.start.translation_mm[:2], depth])
        poses.append((view.start.rotation, translation))
        middle = np.append(np.median(view.corners.mm, axis=0), 0.0)
        depths.append(float((view.start.rotation @ middle + translation)[2]))
    shared = np.array(
        [math.log(focal), *np.median(offsets, axis=0), *np.median(lens, axis=0), 0.0, 0.0]
    )
    guess = _Guess(shared, tuple(poses), np.zeros((len(views), 3)), np.zeros((len(views), TERMS)))
    return guess, 1 / float(np.mean(1 / np.array(depths)))


def _distance_mm(guess: _Guess, number: int, view: View) -> float:
    rotation, translation = guess.poses[number]
    middle = np.append(np.median(view.corners.mm, axis=0), 0.0)
    return float((rotation @ middle + translation)[2])


def _state(guess: _Guess, number: int, view: View, reference_mm: float) -> State:
    log_focal, px, py, k1, k2, breathing, aspect = guess.shared
    change = 1 / _distance_mm(guess, number, view) - 1 / reference_mm
    own = guess.own[number]
    principal = np.add(view.middle_px, view.turn @ (px, py)) + own[1:]
    rotation, translation = guess.poses[number]
    pinhole = Pinhole(
        rotation,
        translation,
        math.exp(log_focal + breathing * change + own[0]),
        (float(principal[0]), float(principal[1])),
        float(k1),
        float(k2),
    )
    return State(pinhole, float(aspect), guess.heights_mm[number])


def _normal(
    guess: _Guess, views: Sequence[View], beliefs: Beliefs, reference_mm: float
) -> tuple[FloatArray, FloatArray, float]:
    """Normal matrix, right side and cost of all corners and beliefs."""
    count = _SHARED + _EACH * len(views)
    normal, right = np.zeros((count, count)), np.zeros(count)
    cost = 0.0
    for number, view in enumerate(views):
        state = _state(guess, number, view, reference_mm)
        linear = linearise(state, view.corners, beliefs.usual, np.ones(len(view.corners.px)))
        rows = 2 * len(view.corners.px)
        seen, slopes = linear.rows[:rows], linear.by_state[:rows]
        change = 1 / _distance_mm(guess, number, view) - 1 / reference_mm
        both = np.empty((rows, _SHARED + _EACH))
        both[:, 0] = slopes[:, 6]
        both[:, 1:3] = slopes[:, 7:9] @ view.turn
        both[:, 3:LENS] = slopes[:, 9:11]
        both[:, _BREATHING] = slopes[:, 6] * change
        both[:, _ASPECT] = slopes[:, 11]
        both[:, _SHARED : _SHARED + _OWN] = slopes[:, :_OWN]
        both[:, _SHARED + _OWN :] = slopes[:, 12:]
        first = _SHARED + _EACH * number
        at = np.r_[:_SHARED, first : first + _EACH]
        normal[np.ix_(at, at)] += both.T @ both
        right[at] += both.T @ seen
        cost += float(seen @ seen)
    values, sigmas = _beliefs_at(guess, beliefs)
    believed = np.isfinite(sigmas)
    normal[believed, believed] += sigmas[believed] ** -2
    right[believed] -= values[believed] / sigmas[believed] ** 2
    cost += float(((values / sigmas)[believed] ** 2).sum())
    return normal, right, cost


def _beliefs_at(guess: _Guess, beliefs: Beliefs) -> tuple[FloatArray, FloatArray]:
    """Distance of all unknowns from what is believed of them, and standard deviations."""
    usual = beliefs.usual
    log_focal, px, py, k1, k2, breathing, aspect = guess.shared
    rho2 = (usual.half_diagonal_px / math.exp(log_focal)) ** 2
    shared = [log_focal - usual.log_focal, px, py, k1, k2, breathing - beliefs.breathing_mm, aspect]
    sigmas = [
        usual.log_focal_sigma,
        usual.principal_sigma_px,
        usual.principal_sigma_px,
        usual.bend_sigma[0] / rho2,
        usual.bend_sigma[1] / rho2**2,
        beliefs.breathing_u_mm,
        usual.aspect_sigma,
    ]
    photos = len(guess.own)
    free = np.zeros((photos, 6))
    each = np.hstack([free, guess.own, guess.heights_mm])
    shift = beliefs.shift_sigma_px
    each_sigma = [np.inf] * 6 + [beliefs.refocus_sigma, shift, shift]
    each_sigma += [usual.height_sigma_mm] * TERMS
    return (
        np.concatenate([shared, each.ravel()]),
        np.concatenate([sigmas, np.tile(each_sigma, photos)]),
    )


def _moved(guess: _Guess, step: FloatArray) -> _Guess:
    each = step[_SHARED:].reshape(len(guess.own), _EACH)
    poses = []
    for (rotation, translation), own in zip(guess.poses, each, strict=True):
        # Depth follows the focal length to second order, as in a single photo.
        zoom = float(np.clip(step[0] + own[6], -1, 1))
        follow = np.array([0.0, 0.0, translation[2] * (math.expm1(zoom) - zoom)])
        poses.append((rotation_matrix(own[:3]) @ rotation, translation + own[3:6] + follow))
    return _Guess(
        guess.shared + step[:_SHARED],
        tuple(poses),
        guess.own + each[:, 6:_OWN],
        guess.heights_mm + each[:, _OWN:],
    )


def _minimise(
    guess: _Guess, views: Sequence[View], beliefs: Beliefs, reference_mm: float
) -> tuple[_Guess, FloatArray]:
    normal, right, cost = _normal(guess, views, beliefs, reference_mm)
    damping = 1e-4
    for _ in range(_MOST_STEPS):
        scale = 1 / np.sqrt(np.diag(normal))
        inner = normal * np.outer(scale, scale)
        step = scale * np.linalg.solve(inner + damping * np.eye(len(inner)), scale * right)
        if float(step @ right) < _SETTLED:
            break
        candidate = _moved(guess, step)
        states = [_state(candidate, n, v, reference_mm) for n, v in enumerate(views)]
        if all(s.plausible(v.corners) for s, v in zip(states, views, strict=True)):
            then = _normal(candidate, views, beliefs, reference_mm)
            if then[2] < cost:
                guess, (normal, right, cost) = candidate, then
                damping = max(damping / 8, 1e-12)
                continue
        damping = max(damping * 3, 1e-9)
    return guess, normal


def _inverse(normal: FloatArray) -> FloatArray:
    scale = 1 / np.sqrt(np.diag(normal))
    inner = np.linalg.inv(normal * np.outer(scale, scale))
    return np.asarray((inner + inner.T) / 2 * np.outer(scale, scale))


@dataclass(frozen=True, slots=True)
class _Spread:
    refocus_sigma: float
    shift_sigma_px: float


def _spread_between(
    guess: _Guess, covariance: FloatArray, views: Sequence[View], beliefs: Beliefs
) -> _Spread:
    """How much shots differ: expectation step over the shots' own terms.

    The expected spread counts as a few shots of its own (scaled inverse chi square).
    """
    photos = len(views)
    first = _SHARED + _EACH * np.arange(photos)
    variance = np.diag(covariance)
    focal = guess.own[:, 0] ** 2 + variance[first + 6]
    shift = (guess.own[:, 1:] ** 2).sum(axis=1) + variance[first + 7] + variance[first + 8]
    expected = expected_spread(beliefs.usual)
    refocus2 = (_TRUST * expected[0] ** 2 + focal.sum()) / (_TRUST + photos)
    shift2 = (2 * _TRUST * expected[1] ** 2 + shift.sum()) / (2 * _TRUST + 2 * photos)
    least = _LEAST_SHIFT_REL * 2 * max(beliefs.usual.middle_px)
    return _Spread(
        refocus_sigma=max(math.sqrt(refocus2), _LEAST_REFOCUS),
        shift_sigma_px=max(math.sqrt(shift2), least),
    )


REFOCUS_SIGMA = 0.004
"""Log focal length from shot to shot beside breathing: where in the depth of the piece the
phone focuses, and how it comes to rest (judgement, no source)."""

SHIFT_REL = 0.003
"""Principal point from shot to shot, of the long side: stabilisation moves the lens by
hundredths of a millimetre (from memory)."""


def expected_spread(usual: Prior) -> tuple[float, float]:
    """Spread between shots before any was seen: of log focal length, and in pixels."""
    return REFOCUS_SIGMA, SHIFT_REL * 2 * max(usual.middle_px)
