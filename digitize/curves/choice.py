"""How many lines and arcs an edge has: the fewest within the tolerance that the points support.

The fewest pieces may pass a short straight off as part of its fillets, or not meet each
other without leaving the tolerance.  So the edge is also cut at finer tolerances and into a
piece or two more; every cut is made to meet (``joints``), and more pieces are taken only when
they are needed to keep within the tolerance, or when they explain so much more that the
Bayesian information criterion pays for them.  Neighbouring points that err alike (a
hand-drawn or rusty edge) count as fewer, which keeps wobble from being traced.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from digitize.curves.chain import Chain, Samples
from digitize.curves.joints import Adjusted, Draft, draft, finish
from digitize.curves.segmentation import (
    CORNER_REACH,
    LINE_SAGITTA,
    Cutter,
    Limits,
    Piece,
    correlation,
    residuals,
)

FloatArray = NDArray[np.float64]

FINER = (0.5, 0.25)  # of the tolerance
MOST_FINER = 3.0  # times as many pieces: such a cut follows the wobble, not the edge
MOST_MORE = 3  # pieces tried beyond the fewest
SLACK = 1.1  # over what is allowed: the joined pieces are not the cut ones to the last micron


def lines_and_arcs(samples: Samples, chain: Chain, tolerance_mm: float, blur_mm: float) -> Adjusted:
    """The closed edge of ``samples`` (thinned to ``chain``) as lines and arcs that meet."""
    limits = Limits(tolerance_mm, blur_mm)
    cutter = Cutter(chain, limits)
    pieces = cutter.cut()
    chosen = draft(samples, chain, pieces, limits)
    shallow = LINE_SAGITTA * tolerance_mm  # the coarse cut's, at every tolerance
    tried = [pieces]
    for share in FINER:
        fine = replace(limits, tolerance_mm=share * tolerance_mm, line_sagitta_mm=shallow)
        finer = Cutter(chain, fine).cut()
        if len(finer) > MOST_FINER * len(pieces):
            break
        if finer not in tried:
            tried.append(finer)
            if _might_pay(chosen, chain, finer, blur_mm):
                chosen = _better(chosen, draft(samples, chain, finer, limits))
    # Pieces that fit apart and not together hide one more between them, and so do arcs that
    # meet at an angle: half a straight each.
    apart = residuals(chain, pieces)
    kinks = chosen.kinks
    for more in range(1, MOST_MORE + 1):
        # Apart, every piece is free at both ends: that alone is worth about two a piece.
        least = 3.0 * math.log(len(chain)) + 2.0 * len(pieces)
        worth = more <= kinks or _gain(chosen.residual, apart, correlation(apart)) > least
        if not (worth and chosen.count <= len(pieces) + more) and chosen.excess <= SLACK:
            break
        cut = cutter.cut(more)
        if cut not in tried:
            tried.append(cut)
            chosen = _better(chosen, draft(samples, chain, cut, limits))
    return finish(chosen, samples, chain)


def _might_pay(one: Draft, chain: Chain, pieces: list[Piece], blur_mm: float) -> bool:
    """Whether more pieces could win over a draft if meeting cost them nothing.

    Making pieces meet takes long where there are many, and apart they lie nearer the points.
    """
    if one.excess > SLACK:
        return True
    breaks = chain.points_mm[[piece.first for piece in pieces]]
    away = np.hypot(*(chain.points_mm[:, None] - breaks).T).min(axis=0)
    apart = np.where(away < CORNER_REACH * blur_mm, 0.0, residuals(chain, pieces))
    # Three a piece and one more an arc, less one a tangent joint: arcs between lines are fewest.
    fewest = 2.5 * len(pieces)
    gain = _gain(one.residual, apart, correlation(one.residual))
    return gain > (fewest - one.unknowns) * math.log(len(apart))


def _better(one: Draft, other: Draft) -> Draft:
    if (one.excess <= SLACK) != (other.excess <= SLACK):
        return one if one.excess <= SLACK else other
    if one.excess > SLACK:
        return one if one.excess <= other.excess else other
    pays = _gain(one.residual, other.residual, correlation(one.residual))
    costs = (other.unknowns - one.unknowns) * math.log(len(one.residual))
    return other if pays > costs else one


def _gain(before: FloatArray, after: FloatArray, alike: float) -> float:
    """Twice the gain in log likelihood of normal errors that come ``alike`` at a time."""
    ratio = max(float(before @ before), 1e-30) / max(float(after @ after), 1e-30)
    return len(before) / alike * math.log(ratio)
