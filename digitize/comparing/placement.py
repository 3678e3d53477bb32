"""The best place of a piece in its opening.

Gaps are taken both ways, from the piece to the opening's edge and from the opening's edge to
the piece, so that a bay that the piece does not fill counts with its depth.  ``smallest``
makes the largest gap as small as it goes, without overlap where the piece allows it (a
linear programme in five unknowns, step by step); ``even`` makes all gaps as alike as they
go (the least variance).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from digitize.comparing.boundary import Boundary, Samples
from digitize.comparing.least_squares import jacobian
from digitize.comparing.pose import Pose
from digitize.comparing.registration import FitOptions, Registration, register
from digitize.pattern.model import Pattern

FloatArray = NDArray[np.float64]

Objective = Literal["smallest", "even"]

_POINTS = 400  # round each edge while placing
_OVERLAP_COSTS = 100.0  # times as much as a gap
_MOST_STEPS = 40
_NO_MATTER_MM = 0.005


@dataclass(frozen=True, eq=False)
class _Gaps:
    """Gaps at points round both edges, and how they answer to a move and a turn."""

    gap_mm: FloatArray  # (N,) negative where the piece overlaps the opening's edge
    rows: FloatArray  # (N, 3)
    weight: FloatArray  # (N,)


class _Placing:
    """A piece and an opening as arrays."""

    def __init__(self, piece: Pattern, opening: Pattern) -> None:
        self.piece = Boundary.of_pattern(piece, openings=False)
        self.opening = Boundary.of_pattern(opening, openings=False)
        self.own: Samples = self.piece.samples(self.piece.perimeter_mm / _POINTS)
        self.its: Samples = self.opening.samples(self.opening.perimeter_mm / _POINTS)
        self.about = self.opening.strewn.points_mm.mean(axis=0)
        self.size = self.opening.size_mm

    def gaps(self, pose: Pose) -> _Gaps:
        laid = pose.of(self.own.points_mm)
        to_opening = self.opening.nearest(laid)
        rows = -jacobian(to_opening, laid, self.about)
        # Seen from the opening: the piece's own edge moves, so its normal and foot count.
        to_piece = self.piece.nearest(pose.back(self.its.points_mm))
        foot, away = pose.of(to_piece.foot_mm), to_piece.away @ pose.matrix.T
        gap, corner = to_piece.signed_mm.copy(), (to_piece.share <= 0.0) | (to_piece.share >= 1.0)
        # Off a corner of the piece the gap counts square to the opening's edge, not slantwise.
        away[corner] = self.its.normal[corner]
        gap[corner] = np.einsum("ij,ij->i", away[corner], self.its.points_mm[corner] - foot[corner])
        x, y = (foot - self.about).T
        its_rows = -np.column_stack((away, x * away[:, 1] - y * away[:, 0]))
        both = np.vstack((rows, its_rows))
        both[:, 2] /= self.size
        return _Gaps(
            np.concatenate((-to_opening.signed_mm, gap)),
            both,
            np.concatenate((self.own.weight_mm, self.its.weight_mm)),
        )

    def stepped(self, pose: Pose, move: FloatArray) -> Pose:
        return pose.stepped(np.array([move[0], move[1], move[2] / self.size]), self.about)


def place_inside(
    piece: Pattern, opening: Pattern, objective: Objective, options: FitOptions
) -> Registration:
    """The piece in its opening, whether it belongs there or not."""
    found = register(piece, opening, replace(options, fit="all"))
    placing = _Placing(piece, opening)
    placed = []
    # A shape that lies several ways seldom fits all of them equally well.
    for start in (found.pose, *found.others):
        pose = _even(placing, start)
        if objective == "smallest":
            pose = _evened(placing, _smallest(placing, pose), pose)
        placed.append((_cost(placing.gaps(pose).gap_mm), pose))
    cost, pose = min(placed, key=lambda row: row[0])
    others = [p for c, p in placed if p is not pose and c <= cost + 2.0 * options.alike_mm]
    if not others:
        notices = tuple(n for n in found.notices if n.code != "compare-ambiguous")
        found = replace(found, notices=notices)
    nearest = placing.opening.nearest(pose.of(found.samples.points_mm))
    weight, d = found.samples.weight_mm, nearest.signed_mm
    return replace(
        found,
        pose=pose,
        nearest=nearest,
        rms_mm=float(np.sqrt(np.dot(weight, d**2) / weight.sum())),
        largest_mm=float(np.abs(d).max()),
        sound_share=1.0,
        others=tuple(others),
        placed=objective,
    )


def _even(placing: _Placing, pose: Pose) -> Pose:
    """Least variance: Gauss-Newton with the mean gap as a fourth unknown."""
    for _ in range(_MOST_STEPS):
        now = placing.gaps(pose)
        rows = np.column_stack((now.rows, -np.ones(len(now.gap_mm))))
        square = rows.T @ (rows * now.weight[:, None])
        pull = rows.T @ (now.weight * now.gap_mm)
        # What the shape leaves open (the turn of a round piece) stays as it is.
        values, vectors = np.linalg.eigh(square)
        firm = values > 1e-9 * values[-1]
        move = -(vectors[:, firm] @ ((vectors[:, firm].T @ pull) / values[firm]))
        pose = placing.stepped(pose, move[:3])
        if float(np.abs(move[:3]).max()) < 1e-7:
            break
    return pose


def _smallest(placing: _Placing, pose: Pose) -> Pose:
    """The smallest largest gap; overlap costs more than any gap."""
    now = placing.gaps(pose)
    cost = _cost(now.gap_mm)
    reach = max(2.0 * float(np.abs(now.gap_mm).max()), 1e-3)
    for _ in range(_MOST_STEPS):
        count = len(now.gap_mm)
        ones, none = np.ones((count, 1)), np.zeros((count, 1))
        done = linprog(
            (0.0, 0.0, 0.0, 1.0, _OVERLAP_COSTS),
            A_ub=np.vstack(
                (np.hstack((now.rows, -ones, none)), np.hstack((-now.rows, none, -ones)))
            ),
            b_ub=np.concatenate((-now.gap_mm, now.gap_mm)),
            bounds=[(-reach, reach)] * 3 + [(None, None), (0.0, None)],
            method="highs",
        )
        if done.x is None:
            break
        there = placing.stepped(pose, done.x[:3])
        after = placing.gaps(there)
        gained, promised = cost - _cost(after.gap_mm), cost - float(done.fun)
        if gained > 0.0:
            pose, now, cost = there, after, cost - gained
        if gained < 0.25 * promised:
            reach = 0.4 * min(reach, float(np.abs(done.x[:3]).max()))
        if promised < 1e-7 or reach < 1e-7:
            break
    return pose


def _evened(placing: _Placing, smallest: Pose, even: Pose) -> Pose:
    """As far from one pose to the other as the largest gap stays what it is.

    The largest gap seldom fixes the piece altogether; the rest of its play is shared out.
    """
    enough = _cost(placing.gaps(smallest).gap_mm) + _NO_MATTER_MM
    turn = math.remainder(even.turn_rad - smallest.turn_rad, math.tau)
    held = smallest.back(placing.about[None])[0]
    goal = even.of(held[None])[0] - placing.about

    def part(share: float) -> Pose:
        step = np.array([*(share * goal), share * turn])
        return smallest.stepped(step, placing.about)

    low, high = 0.0, 1.0
    if _cost(placing.gaps(part(1.0)).gap_mm) <= enough:
        return even
    for _ in range(12):
        middle = (low + high) / 2
        if _cost(placing.gaps(part(middle)).gap_mm) <= enough:
            low = middle
        else:
            high = middle
    return part(low)


def _cost(gap_mm: FloatArray) -> float:
    return float(gap_mm.max() + _OVERLAP_COSTS * max(0.0, -float(gap_mm.min())))
