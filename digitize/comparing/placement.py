"""The best place of a piece in its opening.

Gaps are taken both ways, from the piece to the opening's edge and from the opening's edge to
the piece, so that a bay that the piece does not fill counts with its depth.  ``smallest``
makes the largest gap as small as it goes (a linear programme in five unknowns, step by step);
``even`` makes all gaps as alike as they go (the least variance), but those in bays and slits,
which no place of the piece closes.  Both are without overlap where the piece allows it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from digitize.comparing.boundary import Boundary, IntArray, Nearest, Samples
from digitize.comparing.pose import Pose
from digitize.comparing.registration import (
    FitOptions,
    Registration,
    ambiguous,
    apart,
    register,
)
from digitize.comparing.square import square
from digitize.pattern.model import Pattern

FloatArray = NDArray[np.float64]

Objective = Literal["smallest", "even"]

_POINTS = 400  # round each edge while placing
_OVERLAP_COSTS = 100.0  # times as much as a gap
_PUSHES = 1000.0  # times as much weight as a gap: an overlap that is to be avoided
_DEEP_SHARE, _DEEP_MM = 0.5, 0.5  # gaps that differ so much across are those of a bay
_MOST_STEPS = 40
_ANEW = ("compare-ambiguous", "compare-any-turn")  # said of the place inside, not of one over
_NO_MATTER_MM = 0.005


@dataclass(frozen=True, eq=False)
class _Gaps:
    """Gaps at points round both edges, and how they answer to a move and a turn."""

    gap_mm: FloatArray  # (N,) negative where the piece overlaps the opening's edge
    rows: FloatArray  # (N, 3)
    weight: FloatArray  # (N,)
    across_mm: FloatArray  # (N,) the gap seen from the closest place on the other edge
    lap_mm: float  # wanted

    @property
    def even_weight(self) -> FloatArray:
        """Weights (N,) without bays and slits, whose depth the edge across does not see."""
        off = np.abs(self.gap_mm - self.across_mm)
        alike = self.weight * (off <= _DEEP_SHARE * np.abs(self.gap_mm) + _DEEP_MM)
        if self.lap_mm:
            alike = alike * (self.gap_mm < -_DEEP_SHARE * self.lap_mm)
        return alike if alike.sum() > 0.5 * self.weight.sum() else self.weight

    @property
    def overlap_mm(self) -> float:
        return max(0.0, -float(self.gap_mm.min()))


class _Placing:
    """A piece and an opening as arrays."""

    def __init__(self, piece: Pattern, opening: Pattern, lap_mm: float) -> None:
        self.lap_mm = lap_mm
        self.piece = Boundary.of_pattern(piece, openings=False)
        self.opening = Boundary.of_pattern(opening, openings=False)
        self.own: Samples = self.piece.samples(self.piece.perimeter_mm / _POINTS)
        self.its: Samples = self.opening.samples(self.opening.perimeter_mm / _POINTS)
        self.about = self.opening.strewn.points_mm.mean(axis=0)
        self.size = self.opening.size_mm

    def gaps(self, pose: Pose) -> _Gaps:
        laid, turn = pose.of(self.own.points_mm), pose.matrix
        nearest = self.opening.nearest(laid)
        own = square(nearest, laid, self.own.normal @ turn.T, self.opening)
        rows = -self._moves(own.away, laid)
        # Seen from the opening: the piece's own edge moves, so its normal and foot count.
        points = pose.back(self.its.points_mm)
        to_piece = self.piece.nearest(points)
        its = square(to_piece, points, self.its.normal @ turn, self.piece)
        its_rows = -self._moves(its.away @ turn.T, pose.of(to_piece.foot_mm))
        across = its.signed_mm[_sample_at(nearest, self.opening, self.its)]
        its_across = -own.signed_mm[_sample_at(to_piece, self.piece, self.own)]
        return _Gaps(
            np.concatenate((-own.signed_mm, its.signed_mm)),
            np.vstack((rows, its_rows)),
            np.concatenate((self.own.weight_mm, self.its.weight_mm)),
            np.concatenate((across, its_across)),
            self.lap_mm,
        )

    def _moves(self, away: FloatArray, places_mm: FloatArray) -> FloatArray:
        """How distances along unit ways (N, 2) at places (N, 2) answer to a move and a turn."""
        x, y = (places_mm - self.about).T
        turn = x * away[:, 1] - y * away[:, 0]
        return np.column_stack((away, turn / self.size))

    def stepped(self, pose: Pose, move: FloatArray) -> Pose:
        return pose.stepped(np.array([move[0], move[1], move[2] / self.size]), self.about)


def place_inside(
    piece: Pattern,
    opening: Pattern,
    objective: Objective,
    options: FitOptions,
    lap_mm: float = 0.0,
) -> Registration:
    """The piece in its opening, whether it belongs there or not.

    With a lap it is meant to overlap, and nothing keeps it from that.
    """
    found = register(piece, opening, replace(options, fit="all"))
    # A wide bay pulls the whole edge away from where the rest of it belongs.
    sound = register(piece, opening, replace(options, fit="sound"))
    placing = _Placing(piece, opening, lap_mm)
    placed = []
    # A shape that lies several ways seldom fits all of them equally well.
    for start in (found.pose, *found.others, sound.pose):
        pose = _even(placing, start)
        if not lap_mm:
            pose = _cleared(placing, pose)
        if objective == "smallest":
            pose = _evened(placing, _smallest(placing, pose), pose)
        placed.append((_cost(placing.gaps(pose).gap_mm), pose))
    cost, pose = min(placed, key=lambda row: row[0])
    ways, middle = [pose], placing.piece.middle_mm[None]
    for its_cost, way in placed:
        distinct = all(apart(way, known, middle, placing.size) for known in ways)
        if distinct and its_cost <= cost + 2.0 * options.alike_mm:
            ways.append(way)
    nearest = placing.opening.nearest(pose.of(found.samples.points_mm))
    weight, d = found.samples.weight_mm, nearest.signed_mm
    inside = replace(
        found,
        pose=pose,
        nearest=nearest,
        rms_mm=float(np.sqrt(np.dot(weight, d**2) / weight.sum())),
        largest_mm=float(np.abs(d).max()),
        sound_share=1.0,
        others=tuple(ways[1:]),
        placed=objective,
    )
    kept = (n for n in found.notices if n.code not in _ANEW)
    return replace(inside, notices=(*kept, *ambiguous(inside)))


def _sample_at(nearest: Nearest, edge: Boundary, samples: Samples) -> IntArray:
    """Numbers (N,) of the samples of an edge at the closest places found on it."""
    along = edge.begins_mm[nearest.segment] + nearest.share * edge.length_mm[nearest.segment]
    return np.asarray(np.searchsorted(samples.along_mm, along, side="right") - 1)


def _even(placing: _Placing, pose: Pose, *, clear: bool = False) -> Pose:
    """Least variance: Gauss-Newton with the mean gap as a fourth unknown.

    ``clear`` pushes the piece off where it overlaps.
    """
    for _ in range(_MOST_STEPS):
        now = placing.gaps(pose)
        rows = np.column_stack((now.rows, -np.ones(len(now.gap_mm))))
        gap, weight = now.gap_mm, now.even_weight
        if clear:
            past = gap < 0.0
            pushed = np.column_stack((now.rows[past], np.zeros(int(past.sum()))))
            rows, gap = np.vstack((rows, pushed)), np.concatenate((gap, gap[past]))
            weight = np.concatenate((weight, _PUSHES * now.weight[past]))
        square_rows = rows.T @ (rows * weight[:, None])
        pull = rows.T @ (weight * gap)
        # What the shape leaves open (the turn of a round piece) stays as it is.
        values, vectors = np.linalg.eigh(square_rows)
        firm = values > 1e-9 * values[-1]
        move = -(vectors[:, firm] @ ((vectors[:, firm].T @ pull) / values[firm]))
        pose = placing.stepped(pose, move[:3])
        if float(np.abs(move[:3]).max()) < 1e-7:
            break
    return pose


def _cleared(placing: _Placing, even: Pose) -> Pose:
    """Even gaps without overlap, where a place without any is found; else as they were."""
    if placing.gaps(even).overlap_mm <= _NO_MATTER_MM:
        return even
    roomy = _smallest(placing, even)
    if placing.gaps(roomy).overlap_mm > _NO_MATTER_MM:
        return even
    return _walked(
        placing,
        roomy,
        _even(placing, roomy, clear=True),
        lambda gaps: gaps.overlap_mm <= _NO_MATTER_MM,
    )


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
    """As far from the smallest gap to even ones as the largest gap stays what it is.

    The largest gap seldom fixes the piece altogether; the rest of its play is shared out.
    """
    enough = _cost(placing.gaps(smallest).gap_mm) + _NO_MATTER_MM
    return _walked(placing, smallest, even, lambda gaps: _cost(gaps.gap_mm) <= enough)


def _walked(placing: _Placing, first: Pose, last: Pose, allowed: Callable[[_Gaps], bool]) -> Pose:
    """As far from one pose to another as the gaps are allowed."""
    turn = math.remainder(last.turn_rad - first.turn_rad, math.tau)
    held = first.back(placing.about[None])[0]
    goal = last.of(held[None])[0] - placing.about

    def part(share: float) -> Pose:
        step = np.array([*(share * goal), share * turn])
        return first.stepped(step, placing.about)

    low, high = 0.0, 1.0
    if allowed(placing.gaps(last)):
        return last
    for _ in range(12):
        middle = (low + high) / 2
        if allowed(placing.gaps(part(middle))):
            low = middle
        else:
            high = middle
    return part(low)


def _cost(gap_mm: FloatArray) -> float:
    return float(gap_mm.max() + _OVERLAP_COSTS * max(0.0, -float(gap_mm.min())))
