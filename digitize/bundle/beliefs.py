"""What is believed before the corners are looked at, as normal distributions.

Lenses have the priors of a single photo (``camera.priors``).  Beside them stands what
several sheets and photos add: how far one camera's focal length and principal point wander
from shot to shot, how alike two sheets off one printer are, and how flat a bench is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.heights import HEIGHTS, LEVEL
from digitize.bundle.state import Order, State, order_of
from digitize.bundle.view import Problem
from digitize.camera.priors import Prior, priors_for
from digitize.sheets.printer import SHEET_TO_SHEET_U

FloatArray = NDArray[np.float64]

_REFOCUS_SIGMA = 0.004  # log focal length from shot to shot: focus breathing (accuracy notes)
_SHIFT_REL = 0.003  # principal point, of the long side: stabilisation (from memory)
_DOUBTED = 3.0  # standard deviations from the usual lens
_LEAST_PRINT_SIGMA = 1e-7  # keeps the adjustment regular where a print is taken as exact
_LEVEL_SIGMA_MM = (0.15, 0.05, 0.05)  # bench under a sheet: height, slopes; from memory
_PAPER_SIGMA_MM = 0.03  # as in camera.priors: paper taped down; from memory
FREE_MM = 50.0
"""Standard deviation of a height that nothing is believed of."""


@dataclass(frozen=True, slots=True, eq=False)
class Beliefs:
    """Priors of all unknowns; poses and places have none."""

    lens: tuple[Prior, ...]
    own_sigma: FloatArray  # (P, 3)
    print_sigma: FloatArray  # (Q, 2)
    height_sigma_mm: FloatArray  # (S, HEIGHTS)

    def forgiving(self, heights_mm: FloatArray, bearable: float) -> Beliefs:
        """The same with sheets (S, HEIGHTS) that lie far off the plane held less.

        At ``bearable`` standard deviations the weight of a pull has halved (Cauchy).
        """
        wider = np.hypot(self.height_sigma_mm, heights_mm / bearable)
        return replace(self, height_sigma_mm=wider)

    def doubting(self, state: State, problem: Problem) -> Beliefs:
        """The same with wider priors for lenses that belie the usual ones.

        A header that lies, or a crop, as in the single photo's search.
        """
        lenses = []
        for number, prior in enumerate(self.lens):
            if np.abs(_lens_pulls(state.lens[number], prior)[0]).max() < _DOUBTED:
                lenses.append(prior)
                continue
            photo = problem.photos[problem.lens_of.index(number)]
            usual, blind, cropped, _ = priors_for(photo, problem.scales[0])
            pulls = np.abs(_lens_pulls(state.lens[number], usual)[0])
            wide = cropped if pulls[1:3].max() > _DOUBTED else blind
            lenses.append(wide if pulls[:3].max() > _DOUBTED else usual)
        return replace(self, lens=tuple(lenses))

    def pulls(self, state: State, order: Order) -> tuple[FloatArray, FloatArray]:
        """Distances from the priors in standard deviations (R,), and slopes (R, unknowns)."""
        rows: list[FloatArray] = []
        pulls: list[float] = []
        for number, prior in enumerate(self.lens):
            pull, slope = _lens_pulls(state.lens[number], prior)
            wide = np.zeros((len(pull), order.count))
            wide[:, order.lens(number)] = slope
            rows.append(wide)
            pulls += pull.tolist()
        at, values, sigmas = self._plain(state, order)
        wide = np.zeros((len(at), order.count))
        wide[np.arange(len(at)), at] = 1 / sigmas
        return np.concatenate([pulls, values / sigmas]), np.vstack([*rows, wide])

    def cost(self, state: State, order: Order) -> float:
        """Chi square."""
        _, values, sigmas = self._plain(state, order)
        lens = sum(
            float((_lens_pulls(state.lens[k], prior)[0] ** 2).sum())
            for k, prior in enumerate(self.lens)
        )
        return lens + float(((values / sigmas) ** 2).sum())

    def _plain(self, state: State, order: Order) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
        """Places, values and standard deviations of the unknowns with a prior at zero."""
        photos = [order.photo(p)[6:] for p in range(order.photos)]
        prints = [order.print_(q) for q in range(order.prints)]
        sheets = [order.sheet(s)[3:] for s in range(order.sheets)]
        stretch = np.full((order.sheets, 2), SHEET_TO_SHEET_U)
        of_sheets = np.hstack([state.stretch, state.heights_mm])
        return (
            np.concatenate([*photos, *prints, *sheets]),
            np.concatenate([state.own.ravel(), state.print_.ravel(), of_sheets.ravel()]),
            np.concatenate(
                [
                    self.own_sigma.ravel(),
                    self.print_sigma.ravel(),
                    np.hstack([stretch, self.height_sigma_mm]).ravel(),
                ]
            ),
        )


def usual_beliefs(problem: Problem) -> Beliefs:
    """The beliefs to begin with."""
    order = order_of(problem)
    first_of = [problem.lens_of.index(number) for number in range(problem.lenses)]
    exact = problem.scales[0]
    lens = tuple(
        priors_for(problem.photos[p], exact, problem.known[p], _px_per_mm(problem, p))[0]
        for p in first_of
    )
    shift = [_SHIFT_REL * max(p.width_px, p.height_px) for p in problem.photos]
    prints = np.array([(scale.u_x / scale.x, scale.u_y / scale.y) for scale in problem.scales])
    # What one sheet may differ from the next is counted with the sheets.
    between = np.sqrt(np.maximum(prints**2 - SHEET_TO_SHEET_U**2, _LEAST_PRINT_SIGMA**2))
    heights = np.full(HEIGHTS, _PAPER_SIGMA_MM)
    heights[:LEVEL] = _LEVEL_SIGMA_MM
    return Beliefs(
        lens=lens,
        own_sigma=np.array([(_REFOCUS_SIGMA, s, s) for s in shift]),
        print_sigma=between,
        height_sigma_mm=np.tile(heights, (order.sheets, 1)),
    )


def _px_per_mm(problem: Problem, photo: int) -> float:
    """Scale at which a photo shows its sheets, which tells how far off it was."""
    shown = [
        np.linalg.det(np.cov(block.px.T)) / np.linalg.det(np.cov(block.local_mm.T))
        for block in problem.blocks
        if block.photo == photo
    ]
    return math.sqrt(math.sqrt(float(np.median(shown))))


def _lens_pulls(lens: FloatArray, prior: Prior) -> tuple[FloatArray, FloatArray]:
    """Pulls (5,) and their slopes (5, 5) by log focal, principal x, y, k1, k2."""
    if prior.intrinsics is not None:
        told = prior.intrinsics
        return np.asarray(told.whiten @ (lens - told.mean)), told.whiten
    log_focal, px, py, k1, k2 = (float(v) for v in lens)
    rho2 = (prior.half_diagonal_px / math.exp(log_focal)) ** 2
    bends = k1 * rho2 / prior.bend_sigma[0], k2 * rho2**2 / prior.bend_sigma[1]
    pulls = np.array(
        [
            (log_focal - prior.log_focal) / prior.log_focal_sigma,
            (px - prior.middle_px[0]) / prior.principal_sigma_px,
            (py - prior.middle_px[1]) / prior.principal_sigma_px,
            *bends,
        ]
    )
    slopes = np.diag(
        [
            1 / prior.log_focal_sigma,
            1 / prior.principal_sigma_px,
            1 / prior.principal_sigma_px,
            rho2 / prior.bend_sigma[0],
            rho2**2 / prior.bend_sigma[1],
        ]
    )
    slopes[3, 0], slopes[4, 0] = -2 * bends[0], -4 * bends[1]
    return pulls, slopes
