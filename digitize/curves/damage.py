"""An edge that rust may have eaten: what of it is sound, and what lies between.

Rust only takes metal away: an outline is nibbled inward, a hole outward.  Sound runs that
lie on one line or one circle are found by fitting them jointly; whatever between them falls
short of that line or circle on the metal's side, raggedly and within stated limits, is eaten.
Anything cleanly made (a notch with straight sides and clear corners, a round relief) is not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.curves.chain import Samples, thinned
from digitize.curves.primitives import CircleFit, CurveError, LineFit, fit_circle, fit_line
from digitize.curves.segmentation import Cutter, Limits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Primitive = LineFit | CircleFit

FINE = 1.0 / 3.0
RAGGED = 1.3
ALIKE = 1.4  # runs lie on one line when together they scatter hardly more than each alone
MADE_PIECES = 7  # a square notch with four rounded corners
MADE_SIDE_MM = 1.5
MADE_STRAIGHT = 0.4  # share of a notch's length
MADE_SLOPE_RAD = math.radians(25.0)  # sides of a notch; rust runs out flat
WALL_MM = 3.0
WALL_RAD = math.radians(60.0)
MADE_ROUND = 1.35  # arc over chord: rounder than 120 degrees


@dataclass(frozen=True, slots=True)
class RestoreOptions:
    """How much may be made good; common practice, no source."""

    longest_mm: float = 40.0  # of one eaten stretch; more is a missing piece, not an edge
    deepest_mm: float = 10.0
    sound_mm: float = 4.0  # a run at least this long can carry a line or circle
    shallow_mm: float = 0.5  # nobody cuts a notch this shallow: bridged however clean
    corner_mm: float = 2.0  # from a rebuilt corner to what is left of the metal; 0 rebuilds none


@dataclass(frozen=True, eq=False)
class Run:
    """Sound pieces on one line or circle, in order round the edge."""

    members: list[int]  # piece numbers; may pass the last and go on from 0
    primitive: Primitive


class WornEdge:
    """An edge cut finely into pieces, each of them sound or not.

    ``pieces`` are lines and arcs round the edge; ``index``, ``length`` (mm) and ``rest`` (mm, RMS
    of one raw point) are of each piece, ``allowed`` (mm) of each point of the ``chain``.
    """

    def __init__(
        self, samples: Samples, limits: Limits, *, opening: bool, options: RestoreOptions
    ) -> None:
        """Cut an edge whose metal lies inside it, or outside for an opening."""
        self.samples, self.options = samples, options
        self.tolerance = tolerance_mm = limits.tolerance_mm
        self.chain = chain = thinned(samples)
        # Cut finely, so that sound edge is not averaged with the first of the damage.
        self.pieces = pieces = Cutter(
            chain, replace(limits, tolerance_mm=FINE * tolerance_mm)
        ).cut()
        # Left of travel (counter-clockwise) is inside: metal for an outline, air for a hole.
        self.metal = -1.0 if opening else 1.0
        m = len(chain)
        self.index = [
            np.arange(p.first, p.first + ((p.last - p.first) % m or m)) % m for p in pieces
        ]
        step = np.diff(np.append(chain.along_mm, chain.length_mm))
        self.length = np.array([float(step[i].sum()) for i in self.index])
        self.allowed = chain.allowed_mm(tolerance_mm)
        self.rest = np.array([self._scatter(i) for i in range(len(pieces))])
        long = self.length >= 2.0 * options.sound_mm
        usual = self.rest[long] if long.any() else self.rest
        self.usual = float(np.median(usual))
        true = self.rest <= ALIKE * self.usual + 0.005
        self.sound = (self.length >= options.sound_mm) & true

    def _scatter(self, piece: int) -> float:
        """RMS of a piece's points about it, as one raw point would scatter."""
        index = self.index[piece]
        if len(index) < 4:
            return 0.0
        p, w = self.chain.points_mm[index], self.chain.weight[index]
        fit = self.fit(index, arc=self.pieces[piece].shape == "arc")
        r = fit.distances_mm(p)
        return math.sqrt(float((w * r * r).sum() / max(len(index) - 3, 1)))

    def fit(self, index: IntArray, *, arc: bool) -> Primitive:
        """Robust least squares; what has been nibbled a little must not pull."""
        p = self.chain.points_mm[index]
        w = self.chain.weight[index]
        fit: Primitive
        for _ in range(4):
            u = 1.0 / np.sqrt(w)
            try:
                fit = fit_circle(p, u) if arc else fit_line(p, u)
            except CurveError:
                return fit_line(p, u)
            r = np.abs(fit.distances_mm(p))
            scale = max(1.4826 * float(np.median(r)), 1e-4)
            w = self.chain.weight[index] * np.minimum(1.0, (2.0 * scale / np.maximum(r, 1e-9)))
        return fit

    def jointly(self, members: list[int]) -> Primitive | None:
        """One line or circle through all members, None when they do not lie on one."""
        index = np.concatenate([self.index[i % len(self.pieces)] for i in members])
        p, allowed = self.chain.points_mm[index], self.allowed[index]
        arcs = any(self.pieces[i % len(self.pieces)].shape == "arc" for i in members)
        for arc in (False, True) if not arcs else (True,):
            fit = self.fit(index, arc=arc)
            if isinstance(fit, LineFit) and arc:
                continue
            r = fit.distances_mm(p)
            w = self.chain.weight[index]
            scatter = math.sqrt(float((w * r * r).sum() / max(len(r) - 3, 1)))
            alike = scatter <= ALIKE * self.usual + 0.005
            if alike and float((np.abs(r) > allowed).mean()) <= 0.02:
                return fit
        return None

    def runs(self) -> list[Run]:
        """Sound pieces gathered into runs on common lines and circles, longest first."""
        n = len(self.pieces)
        taken = ~self.sound
        runs = []
        for seed in np.argsort(-self.length).tolist():
            if taken[seed]:
                continue
            taken[seed] = True
            run = Run([seed], self.fit(self.index[seed], arc=self.pieces[seed].shape == "arc"))
            for way in (1, -1):
                run = self._extended(run, way, taken, n)
            runs.append(run)
        return runs

    def _extended(self, run: Run, way: int, taken: NDArray[np.bool_], n: int) -> Run:
        """The run carried on past eaten stretches, forwards or backwards."""
        while len(run.members) < n:
            end = run.members[-1] if way > 0 else run.members[0]
            gap, at = 0.0, end + way
            found = False
            while gap <= self.options.longest_mm * 1.5 and abs(at - end) < n:
                piece = at % n
                if piece in {k % n for k in run.members} or (taken[piece] and self.sound[piece]):
                    break
                if self.sound[piece]:
                    members = [*run.members, at] if way > 0 else [at, *run.members]
                    fit = self.jointly(members)
                    between = range(end + 1, at) if way > 0 else range(at + 1, end)
                    if fit is not None and (
                        not between or self.eaten(fit, [k % n for k in between])
                    ):
                        taken[piece] = True
                        for k in between:
                            taken[k % n] = True
                        run, found = Run(members, fit), True
                        break
                gap += float(self.length[piece])
                at += way
            if not found:
                break
        return run

    def offsets(self, fit: Primitive, points: FloatArray, along: FloatArray) -> FloatArray:
        """Distance of points from a line or circle, positive toward the metal.

        ``along`` is the direction of travel at the stretch.
        """
        if isinstance(fit, LineFit):
            d = fit.distances_mm(points)
            heading = np.array([math.cos(fit.direction_rad), math.sin(fit.direction_rad)])
            left = d if float(heading @ along) >= 0.0 else -d
        else:
            d = fit.distances_mm(points)
            radial = points.mean(axis=0) - np.asarray(fit.centre_mm)
            outward_is_left = radial[1] * along[0] - radial[0] * along[1] > 0.0
            left = d if outward_is_left else -d
        return np.asarray(left * self.metal, dtype=np.float64)

    def travel(self, first: int, last: int) -> FloatArray:
        """Direction of travel from the start of one piece to the start of another."""
        d = self.chain.points_mm[last] - self.chain.points_mm[first]
        return np.asarray(d / max(float(np.hypot(*d)), 1e-9), dtype=np.float64)

    def eaten(self, fit: Primitive, between: list[int]) -> bool:
        """Whether the pieces between two sound ones are where rust has been."""
        if not between:
            return False
        index = np.concatenate([self.index[k] for k in between])
        m = len(self.chain)
        before, after = (index[0] - 1) % m, (index[-1] + 1) % m
        p = self.chain.points_mm[index]
        chord = math.dist(self.chain.points_mm[before], self.chain.points_mm[after])
        off = self.offsets(fit, p, self.travel(before, after))
        depth = float(off.max())
        if chord > self.options.longest_mm or depth > self.options.deepest_mm:
            return False
        if bool((off < -self.allowed[index]).any()):
            return False  # metal stands proud of the line: no edge was there
        if depth <= self.options.shallow_mm:
            return True
        return not self.made(between)

    def ragged(self, between: list[int]) -> bool:
        """Whether pieces scatter more than sound edge does."""
        length, rest = self.length[between], self.rest[between]
        rough = math.sqrt(float((rest**2 * length).sum() / max(length.sum(), 1e-9)))
        return rough > RAGGED * self.usual + 0.005

    def made(self, between: list[int]) -> bool:
        """Whether a dent was cut on purpose.

        Its pieces are then as true as the sound edges, few, and mostly straight (a notch,
        its corners rounded or not), or one deep round (a relief hole open to the edge).
        """
        if self._walled(between):
            return True
        if self.ragged(between):
            return False
        length = self.length[between]
        lines = np.array([self.pieces[k].shape == "line" for k in between])
        if len(between) == 1 and not lines[0]:
            index = self.index[between[0]]
            p = self.chain.points_mm[index]
            return float(length[0]) > MADE_ROUND * math.dist(p[0], p[-1])
        straight = float(length[lines].sum())
        return (
            len(between) <= MADE_PIECES
            and self._steepest(between) >= MADE_SLOPE_RAD
            and bool((length[lines] >= MADE_SIDE_MM).sum() >= 2)
            and straight >= MADE_STRAIGHT * float(length.sum())
        )

    def _walled(self, between: list[int]) -> bool:
        """Whether a dent has two true steep sides, whatever has become of its floor."""
        walls = [
            k
            for k, angle in self._slopes(between, WALL_MM)
            if angle >= WALL_RAD and self.rest[k] <= ALIKE * self.usual + 0.005
        ]
        return len(walls) >= 2

    def _steepest(self, between: list[int]) -> float:
        return max([angle for _, angle in self._slopes(between, MADE_SIDE_MM)], default=0.0)

    def _slopes(self, between: list[int], least_mm: float) -> list[tuple[int, float]]:
        """The straight pieces of a dent and their angles (rad, to pi / 2) to its chord."""
        m, p = len(self.chain), self.chain.points_mm
        before = (self.index[between[0]][0] - 1) % m
        chord = self.travel(before, (self.index[between[-1]][-1] + 1) % m)
        angles = []
        for k in between:
            if self.pieces[k].shape == "line" and self.length[k] >= least_mm:
                d = p[self.index[k][-1]] - p[self.index[k][0]]
                turn = math.atan2(float(chord[0] * d[1] - chord[1] * d[0]), float(chord @ d))
                angles.append((k, min(abs(turn), math.pi - abs(turn))))
        return angles

    def raw(self, first_chain: int, last_chain: int) -> IntArray:
        """Raw indices of chain points first up to and including last, round the edge."""
        n, m = len(self.samples), len(self.chain)
        a = int(self.chain.first_raw[first_chain])
        b = int(self.chain.first_raw[(last_chain + 1) % m])
        return np.arange(a, a + ((b - a) % n or n)) % n
