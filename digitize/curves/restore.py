"""Rust-eaten edges made whole again from what is left of them.

Rust only takes metal away: an outline is nibbled inward, a hole outward.  Sound runs that
lie on one line or one circle are found by fitting them jointly, and whatever between them
falls short of that line or circle on the metal's side, raggedly and within stated limits,
is replaced by it and marked as restored.  A corner that rust has rounded off raggedly is
brought back where its two edges cross.  Anything cleanly made (a notch with straight sides
and clear corners, a round relief) stays as measured; in doubt nothing is restored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.curves.chain import RESTORED, Samples, clean, thinned
from digitize.curves.fit import fit_noting
from digitize.curves.primitives import CircleFit, CurveError, LineFit, fit_circle, fit_line
from digitize.curves.segmentation import LINE_SAGITTA, Cutter, Limits
from digitize.errors import Notice
from digitize.pattern.contour import Closed, Contour
from digitize.pattern.segments import Arc, Point

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Primitive = LineFit | CircleFit

FINE = 1.0 / 3.0
FLATTEST_CORNER_RAD = math.radians(10.0)
RAGGED = 1.3
CORNER_PIECES = 3
LEAST_FILLET_MM = 1.0
# Any radius down to half the widest is as likely: half the room over the root of twelve.
ROUND_U = 0.5 / math.sqrt(12.0)
LEFT_PIECES = 4  # short pieces in a row: rust, not a shape
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


@dataclass(frozen=True, slots=True)
class Stretch:
    """One restored stretch of edge."""

    start_mm: Point
    end_mm: Point
    length_mm: float  # of the restored edge
    depth_mm: float  # how far the metal had gone back at most
    corner: bool = False
    rounded: bool = False  # a corner given the widest fillet that the metal left allows
    room_mm: float = 0.0  # from the middle of that fillet to the sharp corner


@dataclass(frozen=True, eq=False)
class Mended:
    """The points of an edge with eaten stretches replaced."""

    points_mm: FloatArray  # (N, 2), counter-clockwise
    u_mm: FloatArray  # (N,); of a restored point, what its line or circle is known to
    evidence: NDArray[np.uint8]  # (N,) 0 measured, 1 bridged, 2 restored
    stretches: tuple[Stretch, ...]
    left: tuple[Stretch, ...]  # ragged, and nothing sound says what it was


def restore(
    points_mm: FloatArray,
    u_mm: FloatArray | None = None,
    evidence: NDArray[np.uint8] | None = None,
    tolerance_mm: float = 0.15,
    blur_mm: float = 0.0,
    *,
    opening: bool = False,
    options: RestoreOptions | None = None,
) -> tuple[Closed, tuple[Notice, ...]]:
    """``fit_closed`` with rust-eaten stretches restored, and a notice for each.

    ``opening`` is true for a hole or cut-out, whose metal lies outside.  Raises
    ``CurveError`` as ``fit_closed`` does.
    """
    mended = mend(
        points_mm, u_mm, evidence, tolerance_mm, blur_mm, opening=opening, options=options
    )
    closed, told = fit_noting(mended.points_mm, mended.u_mm, mended.evidence, tolerance_mm, blur_mm)
    closed = _doubted(closed, [s for s in mended.stretches if s.rounded])
    left = tuple(_left(s) for s in mended.left)
    return closed, (*(_notice(s) for s in mended.stretches), *left, *told)


def _doubted(closed: Closed, rounded: list[Stretch]) -> Closed:
    """The edge with the ± of restored fillets widened to what is known of their radii."""
    if not (rounded and isinstance(closed, Contour)):
        return closed
    edges = []
    for e in closed.edges:
        u = e.u_mm or 0.0
        if e.evidence == "restored" and isinstance(e.segment, Arc):
            middle = shapely.Point(e.segment.points_mm(0.01)[1:-1].mean(axis=0))
            for s in rounded:
                if middle.distance(shapely.LineString([s.start_mm, s.end_mm])) < s.length_mm / 2:
                    u = max(u, ROUND_U * s.room_mm)
        edges.append(e if u == (e.u_mm or 0.0) else replace(e, u_mm=u))
    return Contour(tuple(edges))


def _notice(s: Stretch) -> Notice:
    (x0, y0), (x1, y1) = s.start_mm, s.end_mm
    what = "corner" if s.corner else "stretch"
    how = "; its fillet is the widest that the metal left allows" if s.rounded else ""
    return Notice(
        "edge-restored",
        f"an eaten {what} of edge was restored from {x0:.1f}, {y0:.1f} to {x1:.1f}, {y1:.1f} mm: "
        f"{s.length_mm:.1f} mm long, up to {s.depth_mm:.1f} mm deep{how}",
        "doubt",
    )


def _left(s: Stretch) -> Notice:
    (x0, y0), (x1, y1) = s.start_mm, s.end_mm
    return Notice(
        "edge-left-eaten",
        f"{s.length_mm:.1f} mm of ragged edge from {x0:.1f}, {y0:.1f} to {x1:.1f}, {y1:.1f} mm "
        "is drawn as it is now: too little sound edge beside it says what it was",
        "doubt",
    )


def mend(
    points_mm: FloatArray,
    u_mm: FloatArray | None = None,
    evidence: NDArray[np.uint8] | None = None,
    tolerance_mm: float = 0.15,
    blur_mm: float = 0.0,
    *,
    opening: bool = False,
    options: RestoreOptions | None = None,
) -> Mended:
    """Replace the eaten stretches of a closed edge's points (N, 2); see ``restore``."""
    options = options or RestoreOptions()
    samples = clean(points_mm, u_mm, evidence)
    limits = Limits(tolerance_mm, blur_mm, LINE_SAGITTA * tolerance_mm)
    return _Mending(samples, limits, opening=opening, options=options).done()


@dataclass(frozen=True, eq=False)
class _Run:
    """Sound pieces on one line or circle, in order round the edge."""

    members: list[int]  # piece numbers; may pass the last and go on from 0
    primitive: Primitive


@dataclass(frozen=True, eq=False)
class _Patch:
    """Raw points ``first`` up to before ``last`` (modulo) to be replaced by new ones."""

    first: int
    last: int
    points: FloatArray
    u: FloatArray
    stretch: Stretch


class _Mending:
    """The search for eaten stretches of one edge."""

    def __init__(
        self, samples: Samples, limits: Limits, *, opening: bool, options: RestoreOptions
    ) -> None:
        self._samples, self._options = samples, options
        self._tolerance = tolerance_mm = limits.tolerance_mm
        self._chain = chain = thinned(samples)
        # Cut finely, so that sound edge is not averaged with the first of the damage.
        self._pieces = pieces = Cutter(
            chain, replace(limits, tolerance_mm=FINE * tolerance_mm)
        ).cut()
        # Left of travel (counter-clockwise) is inside: metal for an outline, air for a hole.
        self._metal = -1.0 if opening else 1.0
        m = len(chain)
        self._index = [
            np.arange(p.first, p.first + ((p.last - p.first) % m or m)) % m for p in pieces
        ]
        step = np.diff(np.append(chain.along_mm, chain.length_mm))
        self._length = np.array([float(step[i].sum()) for i in self._index])
        self._allowed = chain.allowed_mm(tolerance_mm)
        self._rest = np.array([self._scatter(i) for i in range(len(pieces))])
        long = self._length >= 2.0 * options.sound_mm
        usual = self._rest[long] if long.any() else self._rest
        self._usual = float(np.median(usual))
        true = self._rest <= ALIKE * self._usual + 0.005
        self._sound = (self._length >= options.sound_mm) & true

    def _scatter(self, piece: int) -> float:
        """RMS of a piece's points about it, as one raw point would scatter."""
        index = self._index[piece]
        if len(index) < 4:
            return 0.0
        p, w = self._chain.points_mm[index], self._chain.weight[index]
        fit = self._fit(index, arc=self._pieces[piece].shape == "arc")
        r = fit.distances_mm(p)
        return math.sqrt(float((w * r * r).sum() / max(len(index) - 3, 1)))

    # ------------------------------------------------------------ sound runs

    def _fit(self, index: IntArray, *, arc: bool) -> Primitive:
        """Robust least squares; what has been nibbled a little must not pull."""
        p = self._chain.points_mm[index]
        w = self._chain.weight[index]
        fit: Primitive
        for _ in range(4):
            u = 1.0 / np.sqrt(w)
            try:
                fit = fit_circle(p, u) if arc else fit_line(p, u)
            except CurveError:
                return fit_line(p, u)
            r = np.abs(fit.distances_mm(p))
            scale = max(1.4826 * float(np.median(r)), 1e-4)
            w = self._chain.weight[index] * np.minimum(1.0, (2.0 * scale / np.maximum(r, 1e-9)))
        return fit

    def _jointly(self, members: list[int]) -> Primitive | None:
        """One line or circle through all members, None when they do not lie on one."""
        index = np.concatenate([self._index[i % len(self._pieces)] for i in members])
        p, allowed = self._chain.points_mm[index], self._allowed[index]
        arcs = any(self._pieces[i % len(self._pieces)].shape == "arc" for i in members)
        for arc in (False, True) if not arcs else (True,):
            fit = self._fit(index, arc=arc)
            if isinstance(fit, LineFit) and arc:
                continue
            r = fit.distances_mm(p)
            w = self._chain.weight[index]
            scatter = math.sqrt(float((w * r * r).sum() / max(len(r) - 3, 1)))
            alike = scatter <= ALIKE * self._usual + 0.005
            if alike and float((np.abs(r) > allowed).mean()) <= 0.02:
                return fit
        return None

    def _runs(self) -> list[_Run]:
        """Sound pieces gathered into runs on common lines and circles, longest first."""
        n = len(self._pieces)
        taken = ~self._sound
        runs = []
        for seed in np.argsort(-self._length).tolist():
            if taken[seed]:
                continue
            taken[seed] = True
            run = _Run([seed], self._fit(self._index[seed], arc=self._pieces[seed].shape == "arc"))
            for way in (1, -1):
                run = self._extended(run, way, taken, n)
            runs.append(run)
        return runs

    def _extended(self, run: _Run, way: int, taken: NDArray[np.bool_], n: int) -> _Run:
        """The run carried on past eaten stretches, forwards or backwards."""
        while len(run.members) < n:
            end = run.members[-1] if way > 0 else run.members[0]
            gap, at = 0.0, end + way
            found = False
            while gap <= self._options.longest_mm * 1.5 and abs(at - end) < n:
                piece = at % n
                if piece in {k % n for k in run.members} or (taken[piece] and self._sound[piece]):
                    break
                if self._sound[piece]:
                    members = [*run.members, at] if way > 0 else [at, *run.members]
                    fit = self._jointly(members)
                    between = range(end + 1, at) if way > 0 else range(at + 1, end)
                    if fit is not None and (
                        not between or self._eaten(fit, [k % n for k in between])
                    ):
                        taken[piece] = True
                        for k in between:
                            taken[k % n] = True
                        run, found = _Run(members, fit), True
                        break
                gap += float(self._length[piece])
                at += way
            if not found:
                break
        return run

    def _offsets(self, fit: Primitive, points: FloatArray, along: FloatArray) -> FloatArray:
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
        return np.asarray(left * self._metal, dtype=np.float64)

    def _travel(self, first: int, last: int) -> FloatArray:
        """Direction of travel from the start of one piece to the start of another."""
        d = self._chain.points_mm[last] - self._chain.points_mm[first]
        return np.asarray(d / max(float(np.hypot(*d)), 1e-9), dtype=np.float64)

    def _eaten(self, fit: Primitive, between: list[int]) -> bool:
        """Whether the pieces between two sound ones are where rust has been."""
        if not between:
            return False
        index = np.concatenate([self._index[k] for k in between])
        m = len(self._chain)
        before, after = (index[0] - 1) % m, (index[-1] + 1) % m
        p = self._chain.points_mm[index]
        chord = math.dist(self._chain.points_mm[before], self._chain.points_mm[after])
        off = self._offsets(fit, p, self._travel(before, after))
        depth = float(off.max())
        if chord > self._options.longest_mm or depth > self._options.deepest_mm:
            return False
        if bool((off < -self._allowed[index]).any()):
            return False  # metal stands proud of the line: no edge was there
        if depth <= self._options.shallow_mm:
            return True
        return not self._made(between)

    def _ragged(self, between: list[int]) -> bool:
        """Whether pieces scatter more than sound edge does."""
        length, rest = self._length[between], self._rest[between]
        rough = math.sqrt(float((rest**2 * length).sum() / max(length.sum(), 1e-9)))
        return rough > RAGGED * self._usual + 0.005

    def _made(self, between: list[int]) -> bool:
        """Whether a dent was cut on purpose.

        Its pieces are then as true as the sound edges, few, and mostly straight (a notch,
        its corners rounded or not), or one deep round (a relief hole open to the edge).
        """
        if self._walled(between):
            return True
        if self._ragged(between):
            return False
        length = self._length[between]
        lines = np.array([self._pieces[k].shape == "line" for k in between])
        if len(between) == 1 and not lines[0]:
            index = self._index[between[0]]
            p = self._chain.points_mm[index]
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
            if angle >= WALL_RAD and self._rest[k] <= ALIKE * self._usual + 0.005
        ]
        return len(walls) >= 2

    def _steepest(self, between: list[int]) -> float:
        return max([angle for _, angle in self._slopes(between, MADE_SIDE_MM)], default=0.0)

    def _slopes(self, between: list[int], least_mm: float) -> list[tuple[int, float]]:
        """The straight pieces of a dent and their angles (rad, to pi / 2) to its chord."""
        m, p = len(self._chain), self._chain.points_mm
        before = (self._index[between[0]][0] - 1) % m
        chord = self._travel(before, (self._index[between[-1]][-1] + 1) % m)
        angles = []
        for k in between:
            if self._pieces[k].shape == "line" and self._length[k] >= least_mm:
                d = p[self._index[k][-1]] - p[self._index[k][0]]
                turn = math.atan2(float(chord[0] * d[1] - chord[1] * d[0]), float(chord @ d))
                angles.append((k, min(abs(turn), math.pi - abs(turn))))
        return angles

    # ------------------------------------------------------------ patches

    def done(self) -> Mended:
        runs = self._runs()
        patches: list[_Patch] = []
        n = len(self._pieces)
        for run in runs:
            pairs = list(zip(run.members, run.members[1:], strict=False))
            first, last = run.members[0], run.members[-1]
            if len(run.members) > 1 or isinstance(run.primitive, CircleFit):
                closing = [k % n for k in range(last + 1, first + n)]
                if closing and self._eaten(run.primitive, closing):
                    pairs.append((last, first + n))
            for a, b in ((a, b) for a, b in pairs if b > a + 1):
                patches += self._patched(run.primitive, [k % n for k in range(a + 1, b)])
        patches += self._corners(runs)
        return self._assembled(patches)

    def _raw(self, first_chain: int, last_chain: int) -> IntArray:
        """Raw indices of chain points first up to and including last, round the edge."""
        n, m = len(self._samples), len(self._chain)
        a = int(self._chain.first_raw[first_chain])
        b = int(self._chain.first_raw[(last_chain + 1) % m])
        return np.arange(a, a + ((b - a) % n or n)) % n

    def _patched(self, fit: Primitive, between: list[int]) -> list[_Patch]:
        """The stretches between two sound pieces that fall short of their primitive."""
        index = np.concatenate([self._index[k] for k in between])
        m, n = len(self._chain), len(self._samples)
        before, after = (index[0] - 1) % m, (index[-1] + 1) % m
        travel = self._travel(before, after)
        # A little into the sound pieces too: their ends may be nibbled within the tolerance.
        wide = self._raw((index[0] - 20) % m, (index[-1] + 20) % m)
        if len(wide) >= n:
            wide = self._raw(index[0], index[-1])
        p = self._samples.points_mm[wide]
        off = self._offsets(fit, p, travel)
        smooth = np.convolve(np.pad(off, 1, mode="edge"), np.ones(3) / 3.0, "valid")
        deep = smooth > self._tolerance
        near = smooth > 2.0 * max(self._usual, 0.02 * self._tolerance)
        # grow every deep stretch over the shoulders that still slope into it
        grown = deep.copy()
        for i in range(1, len(grown)):
            grown[i] |= grown[i - 1] and near[i]
        for i in range(len(grown) - 2, -1, -1):
            grown[i] |= grown[i + 1] and near[i]
        patches = []
        edges = np.flatnonzero(np.diff(np.concatenate(([0], grown.astype(np.int8), [0]))))
        for a, b in edges.reshape(-1, 2).tolist():
            start, end = wide[max(a - 1, 0)], wide[min(b, len(wide) - 1)]
            q, u = self._along(fit, self._samples.points_mm[start], self._samples.points_mm[end])
            if len(q) == 0:
                continue
            depth = float(off[a:b].max())
            length = float(np.hypot(*np.diff(q, axis=0).T).sum()) if len(q) > 1 else 0.0
            stretch = Stretch(_point(q[0]), _point(q[-1]), length, depth)
            patches.append(_Patch(int(wide[a]), int(wide[b - 1] + 1) % n, q, u, stretch))
        return patches

    def _along(
        self, fit: Primitive, start: FloatArray, end: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Points on a primitive between the feet of two points (both left out), with their u."""
        step = self._samples.length_mm / len(self._samples)
        if isinstance(fit, LineFit):
            t = np.array([math.cos(fit.direction_rad), math.sin(fit.direction_rad)])
            c = np.asarray(fit.through_mm)
            a, b = float((start - c) @ t), float((end - c) @ t)
            k = max(int(abs(b - a) / step), 1)
            s = np.linspace(a, b, k + 1)[1:-1]
            q = c + s[:, None] * t
            u = np.sqrt(fit.covariance[0, 0] + s * s * fit.covariance[1, 1])
        else:
            c = np.asarray(fit.centre_mm)
            a0 = math.atan2(*(start - c)[::-1])
            sweep = math.remainder(math.atan2(*(end - c)[::-1]) - a0, math.tau)
            k = max(int(abs(sweep) * fit.radius_mm / step), 1)
            angles = a0 + sweep * np.linspace(0.0, 1.0, k + 1)[1:-1]
            out = np.column_stack((np.cos(angles), np.sin(angles)))
            q = c + fit.radius_mm * out
            j = np.column_stack((out, np.ones(len(out))))
            u = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", j, fit.covariance, j), 0.0))
        scatter = max(fit.scatter_mm, self._usual)
        # The fit's weights count raw points; its covariance is per unit weight.
        return q, np.hypot(u * scatter, 0.2 * self._tolerance)

    # ------------------------------------------------------------ corners

    def _corners(self, runs: list[_Run]) -> list[_Patch]:
        """Eaten corners between neighbouring runs, brought to where their edges cross.

        A short run in the middle of damage is damage.
        """
        n = len(self._pieces)
        long = [
            run
            for run in runs
            if float(self._length[[k % n for k in run.members]].sum())
            >= 2.0 * self._options.sound_mm
        ]
        ends = sorted(
            ((run.members[0] % n, run.members[-1] % n, run) for run in long), key=lambda e: e[0]
        )
        patches = []
        for (_, last, run), (first, _, nxt) in zip(ends, ends[1:] + ends[:1], strict=True):
            between = [(last + 1 + k) % n for k in range((first - last - 1) % n)]
            if run is nxt or not between or self._made(between):
                continue
            if len(between) <= CORNER_PIECES and not self._ragged(between):
                continue  # a fillet or a chamfer
            patch = self._corner(run.primitive, nxt.primitive, between)
            if patch is not None:
                patches.append(patch)
        return patches

    def _corner(self, one: Primitive, two: Primitive, between: list[int]) -> _Patch | None:
        """The way from one primitive to the next over where they meet, if rust explains it."""
        index = np.concatenate([self._index[k] for k in between])
        m, n = len(self._chain), len(self._samples)
        raw = self._raw(index[0], index[-1])
        start = self._samples.points_mm[(raw[0] - 1) % n]
        end = self._samples.points_mm[(raw[-1] + 1) % n]
        corner = _meeting(one, two, (start + end) / 2.0, 2.0 * self._tolerance)
        if corner is None:
            return None
        t1 = _tangent(one, corner, self._travel((index[0] - 12) % m, index[0]))
        t2 = _tangent(two, corner, self._travel(index[-1], (index[-1] + 12) % m))
        ahead, back = float((corner - start) @ t1), float((end - corner) @ t2)
        if min(ahead, back) < -0.5 or not 0.0 < ahead + back <= self._options.longest_mm:
            return None
        p = self._chain.points_mm[index]
        off1, off2 = self._offsets(one, p, t1), self._offsets(two, p, t2)
        turn = t1[0] * t2[1] - t1[1] * t2[0]
        # Metal is where both are positive at a corner that sticks out, either at one that
        # goes in.
        out = turn * self._metal > 0.0
        inside = np.minimum(off1, off2) if out else np.maximum(off1, off2)
        depth = float(inside.max())
        if depth > self._options.deepest_mm or depth < 2.0 * self._tolerance:
            return None
        if bool((inside < -self._allowed[index]).any()):
            return None
        before, after, top = corner, corner, corner[None, :]
        if float(np.hypot(*(p - corner).T).min()) > self._options.corner_mm:
            # It may well have been round.
            both_lines = isinstance(one, LineFit) and isinstance(two, LineFit)
            raw_points = self._samples.points_mm[raw]
            top = self._fillet(corner, t1, t2, (ahead, back), raw_points) if out else top[:0]
            if not both_lines or len(top) == 0:
                return None
            before, after = top[0], top[-1]
        q1, u1 = self._along(one, start, before)
        q2, u2 = self._along(two, after, end)
        q = np.vstack((q1, top, q2))
        least_sure = max(u1.max(initial=0.0), u2.max(initial=0.0), 0.2 * self._tolerance)
        if len(top) > 1:
            least_sure = max(least_sure, self._tolerance)  # its radius is the largest possible
        u = np.concatenate((u1, np.full(len(top), least_sure), u2))
        if float(u.max()) > 4.0 * self._tolerance:
            return None  # too far from what is known of the edges
        length = max(ahead, 0.0) + max(back, 0.0)
        if len(top) > 1:
            rebuilt = shapely.LineString(q)
            length = float(rebuilt.length)
            depth = float(shapely.distance(shapely.points(p), rebuilt).max())
        rounded = len(top) > 1
        room = float(np.hypot(*(top - corner).T).min()) if rounded else 0.0
        stretch = Stretch(_point(q[0]), _point(q[-1]), length, depth, True, rounded, room)
        return _Patch(int(raw[0]), int(raw[-1] + 1) % n, q, u, stretch)

    def _fillet(
        self,
        corner: FloatArray,
        t1: FloatArray,
        t2: FloatArray,
        room_mm: tuple[float, float],
        points: FloatArray,
    ) -> FloatArray:
        """Points of the widest tangent fillet of an outer corner that cuts no metal off.

        Rust only takes away: the true radius is no larger, and the true edge lies between
        this arc and the corner.  None (0, 2) when the metal left stands in a sharper corner
        than any fillet worth the name.
        """
        turn = math.atan2(float(t1[0] * t2[1] - t1[1] * t2[0]), float(t1 @ t2))
        slope = math.tan(abs(turn) / 2.0)
        normal = np.array([-t1[1], t1[0]]) * math.copysign(1.0, turn)
        e = points - corner
        # The sound edges run up to where the damage begins: the arc begins no earlier.
        widest = min(room_mm) / max(slope, 1e-9)
        slack = max(3.0 * self._usual, 0.2 * self._tolerance)

        def cuts(radius: float) -> bool:
            reach = radius * slope
            beyond = (e @ t1 > -reach) & (e @ t2 < reach)
            r = np.hypot(*(e + reach * t1 - radius * normal).T) - radius
            return int((r[beyond] > slack).sum()) > max(2, len(points) // 100)

        low, high = 0.0, max(widest, 0.0)
        if not cuts(high):
            low = high
        for _ in range(40):
            middle = (low + high) / 2.0
            low, high = (low, middle) if cuts(middle) else (middle, high)
        if low < LEAST_FILLET_MM:
            return np.empty((0, 2))
        reach = low * slope
        step = self._samples.length_mm / len(self._samples)
        angles = np.linspace(0.0, abs(turn), max(int(low * abs(turn) / step), 3) + 1)[:, None]
        centre = corner - reach * t1 + low * normal
        return np.asarray(centre - low * normal * np.cos(angles) + low * t1 * np.sin(angles))

    # ------------------------------------------------------------ the result

    def _assembled(self, patches: list[_Patch]) -> Mended:
        s, n = self._samples, len(self._samples)
        keep = np.ones(n, dtype=bool)
        kept: list[_Patch] = []
        for patch in sorted(patches, key=lambda q: -q.stretch.length_mm):
            index = np.arange(patch.first, patch.first + ((patch.last - patch.first) % n)) % n
            if len(index) == 0 or not keep[index].all():
                continue
            keep[index] = False
            kept.append(patch)
        by_first = {patch.first: patch for patch in kept}
        points, u, kinds = [], [], []
        # Start where no patch is under way.
        start = 0
        if kept and not keep[0]:
            start = int(np.flatnonzero(keep)[0]) if keep.any() else 0
        for k in range(n):
            i = (start + k) % n
            if i in by_first:
                patch = by_first[i]
                points.append(patch.points)
                u.append(patch.u)
                kinds.append(np.full(len(patch.points), RESTORED, np.uint8))
            if keep[i]:
                points.append(s.points_mm[i : i + 1])
                u.append(s.u_mm[i : i + 1])
                kinds.append(s.evidence[i : i + 1])
        stretches = tuple(q.stretch for q in sorted(kept, key=lambda q: q.first))
        return Mended(
            np.vstack(points), np.concatenate(u), np.concatenate(kinds), stretches,
            self._left_eaten(keep),
        )  # fmt: skip

    def _left_eaten(self, keep: NDArray[np.bool_]) -> tuple[Stretch, ...]:
        """Ragged stretches that were not replaced."""
        n, m = len(self._pieces), len(self._chain)
        still = keep[self._chain.first_raw]
        whole = [bool(still[i].mean() > 0.5) for i in self._index]
        loose = np.array(whole) & ~self._sound
        if loose.all():
            return ()
        first = int(np.flatnonzero(~loose)[0])
        groups: list[list[int]] = [[]]
        for k in [(first + i) % n for i in range(n)]:
            if loose[k]:
                groups[-1].append(k)
            elif groups[-1]:
                groups.append([])
        left = []
        for group in groups:
            length = float(self._length[group].sum())
            if length < self._options.sound_mm or len(group) < LEFT_PIECES or self._made(group):
                continue
            index = np.concatenate([self._index[k] for k in group])
            p = self._chain.points_mm[index]
            chord = shapely.LineString(np.vstack((p[0], p[-1])))
            depth = float(shapely.distance(shapely.points(p), chord).max())
            end = self._chain.points_mm[(index[-1] + 1) % m]
            left.append(Stretch(_point(p[0]), _point(end), length, depth))
        return tuple(left)


def _point(p: FloatArray) -> Point:
    return float(p[0]), float(p[1])


def _tangent(fit: Primitive, at: FloatArray, travel: FloatArray) -> FloatArray:
    """Unit direction of a primitive at a point, along the travel."""
    if isinstance(fit, LineFit):
        t = np.array([math.cos(fit.direction_rad), math.sin(fit.direction_rad)])
    else:
        d = at - np.asarray(fit.centre_mm)
        t = np.array([-d[1], d[0]]) / max(float(np.hypot(*d)), 1e-9)
    return t if float(t @ travel) >= 0.0 else -t


def _meeting(
    one: Primitive, two: Primitive, near: FloatArray, apart_mm: float
) -> FloatArray | None:
    """Where two primitives cross, nearest to ``near``; where they all but touch, if they do."""
    if isinstance(one, LineFit) and isinstance(two, LineFit):
        t1 = _tangent(one, near, np.ones(2))
        t2 = _tangent(two, near, np.ones(2))
        sine = float(t1[0] * t2[1] - t1[1] * t2[0])
        if abs(sine) < math.sin(FLATTEST_CORNER_RAD):
            return None
        d = np.asarray(two.through_mm) - np.asarray(one.through_mm)
        s = float(d[0] * t2[1] - d[1] * t2[0]) / sine
        return np.asarray(np.asarray(one.through_mm) + s * t1, dtype=np.float64)
    if isinstance(one, LineFit):
        one, two = two, one
    assert isinstance(one, CircleFit)
    c, r = np.asarray(one.centre_mm), one.radius_mm
    if isinstance(two, LineFit):
        t = _tangent(two, near, np.ones(2))
        foot = np.asarray(two.through_mm) + float((c - np.asarray(two.through_mm)) @ t) * t
        off = float(np.hypot(*(foot - c)))
    else:
        d = np.asarray(two.centre_mm) - c
        between = max(float(np.hypot(*d)), 1e-9)
        a = (between**2 + r**2 - two.radius_mm**2) / (2.0 * between)
        foot = c + a * d / between
        t, off = np.array([-d[1], d[0]]) / between, abs(a)
    if off > r + apart_mm:
        return None
    half = math.sqrt(max(r * r - off * off, 0.0))
    candidates = [foot + half * t, foot - half * t]
    return np.asarray(min(candidates, key=lambda q: float(np.hypot(*(q - near)))))
