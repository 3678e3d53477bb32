"""All pieces of a closed edge adjusted together, so that they meet.

The unknowns are the joints between pieces and the bulge of every arc; a piece therefore
starts exactly where its neighbour ends, and a corner is where two neighbours cross.  All
raw points pull at once (least squares of true distances, robustly weighed).  Joints at an
arc are first held tangent; one that the points reject is let go, the worst first, by the
score test on its Lagrange multiplier (Silvey 1959).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array
from scipy.sparse.linalg import lsqr, splu

from digitize.curves.chain import BRIDGED, Chain, Samples
from digitize.curves.primitives import CurveError, fit_circle, fit_line
from digitize.curves.segmentation import (
    CORNER_REACH,
    LINE_SAGITTA,
    MOST_SWEEP_RAD,
    Limits,
    Piece,
    Shape,
    correlation,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

TANGENT_DEG = 30.0  # a joint turning more than this is a corner whatever the noise
REJECT = 12.0  # chi-square of one degree of freedom, 0.05 % tail
MOST_BULGE = math.tan(MOST_SWEEP_RAD / 4.0)
SLIDE_MM = 0.5
STRAY_MM = 1.0  # a joint farther from the points than this, corners and blur apart, is lost
ROUGH = 1e-3  # nearly tangent pieces slide along each other for ever; not worth following
NEAR_JOINT = 3  # points on either side that may belong to the other piece
WORST = 0.15  # joints rejected this much less than the worst may be sound once it is gone
PATIENT = 4  # rounds of letting only the worst go
_STEPS = 25
_HUBER = 3.0


@dataclass(frozen=True, eq=False)
class Adjusted:
    """Joints, shapes and what the points say about them."""

    joints_mm: FloatArray  # (K, 2); piece k runs from joint k to joint k + 1
    bulges: FloatArray  # (K,) zero for a line
    tangent: NDArray[np.bool_]  # (K,) whether joint k is held tangent
    owner: IntArray  # (N,) the piece each raw point belongs to
    residual_mm: FloatArray  # (N,) signed distance, positive right of travel
    used: NDArray[np.bool_]  # (N,) not in a rounded-off corner, not an outlier
    scatter_mm: float  # of the used points
    correlation: float  # variance of a mean of neighbours over that of independent points


@dataclass(frozen=True, eq=False)
class Draft:
    """Pieces made to meet on the thinned points, and how well they still lie on them."""

    state: _State
    held: NDArray[np.bool_]  # (K,) joints held tangent
    residual: FloatArray  # (M,) by chain point, times the root of its weight; 0 in blurred corners
    excess: float  # the worst distance from a point, over what is allowed there
    unknowns: int

    @property
    def count(self) -> int:
        """Number of pieces."""
        return self.state.pieces

    @property
    def kinks(self) -> int:
        """Joints where two arcs that bend the same way meet untangent."""
        _, bulges = self.state.geometry
        return int((~self.held & (bulges * np.roll(bulges, 1) > 0.0)).sum())


def draft(samples: Samples, chain: Chain, pieces: list[Piece], limits: Limits) -> Draft:
    """Make pieces cut from ``chain``, which is ``samples`` thinned, meet: tangent or not."""
    shapes = [p.shape for p in pieces]
    breaks = np.array([p.first for p in pieces])
    thin = chain.as_samples(samples)
    state = _State(thin, breaks, _seed(thin, breaks, shapes), shapes, limits.blur_mm)
    proves_mm = limits.tolerance_mm / 8.0
    held = _settle(state, proves_mm)
    if state.reconsider(held, proves_mm, LINE_SAGITTA * limits.tolerance_mm):
        held = _settle(state, proves_mm)
    r, corner = state.residuals(held)
    share = np.abs(r) / chain.allowed_mm(limits.tolerance_mm)
    excess = float(share[chain.counted & ~corner].max(initial=0.0))
    weighted = np.where(corner, 0.0, r * np.sqrt(chain.weight))
    arcs = sum(s == "arc" for s in state.shapes)
    unknowns = 3 * len(pieces) + arcs - int(held.sum())
    return Draft(state, held, weighted, excess, unknowns)


def finish(chosen: Draft, samples: Samples, chain: Chain) -> Adjusted:
    """The last adjustment, to all raw points; what is tangent stays so."""
    state, held = chosen.state, chosen.held.copy()
    full = _State(samples, chain.first_raw[state.breaks], state.geometry, state.shapes, state.blur)
    full.solve(held)
    full.reassign()
    full.solve(held)
    if full.hold_strays(held):
        full.solve(held)
    return full.result(held)


def _settle(state: _State, least_mm: float) -> NDArray[np.bool_]:
    """Adjust, hold what may be tangent, let go what the points reject; which joints stay held."""
    held = np.zeros(state.pieces, dtype=bool)
    state.solve(held, ROUGH)
    state.reassign()
    state.solve(held, ROUGH)
    held = state.nearly_tangent()
    free = state.geometry
    rounds = 0
    while held.any():
        settled = state.solve(held, ROUGH / 10.0)
        state.reassign()
        rounds += 1
        share = WORST if rounds < PATIENT else 0.0
        rejected = state.rejected(held, least_mm, settled, share)
        if len(rejected) == 0:
            break
        held[rejected] = False
        if not held.any():
            state.geometry = free
            state.solve(held, ROUGH)
    return held


def _seed(samples: Samples, breaks: IntArray, shapes: list[Shape]) -> tuple[FloatArray, FloatArray]:
    """Joints at the break points and bulges from the arcs' own circles."""
    n, k = len(samples), len(breaks)
    joints = np.array([samples.points_mm[_around(b, 1, n)].mean(axis=0) for b in breaks])
    bulges = np.zeros(k)
    for i, shape in enumerate(shapes):
        if shape == "arc":
            p = samples.points_mm[_run(breaks[i], breaks[(i + 1) % k], n)]
            try:
                centre = np.asarray(fit_circle(p).centre_mm)
            except CurveError:
                centre = p.mean(axis=0) + 1e6
            d = np.vstack((joints[i], p, joints[(i + 1) % k])) - centre
            x, y = d.T
            sweep = np.arctan2(x[:-1] * y[1:] - y[:-1] * x[1:], x[:-1] * x[1:] + y[:-1] * y[1:])
            turned = float(np.clip(sweep.sum(), -6.1, 6.1))
            bulges[i] = math.tan(turned / 4.0) or 1e-9
    return joints, bulges


def _around(i: int, half: int, n: int) -> IntArray:
    return np.arange(i - half, i + half + 1) % n


def _run(first: int, last: int, n: int) -> IntArray:
    """Indices from ``first`` up to before ``last`` round a chain of n."""
    return np.arange(first, first + ((last - first) % n or n)) % n


class _State:
    """The adjustment in progress."""

    def __init__(
        self,
        samples: Samples,
        breaks: IntArray,
        geometry: tuple[FloatArray, FloatArray],
        shapes: list[Shape],
        blur_mm: float,
    ) -> None:
        joints, bulges = geometry
        self._samples, self._blur = samples, blur_mm
        self._joints, self._bulges = joints.copy(), bulges.copy()
        self._k = len(breaks)
        self._shape(shapes)
        self._held = np.zeros(self._k, dtype=bool)
        self._scatter = samples.noise_mm
        self._stiff = np.ones(self._k)
        self._assign(breaks)

    @property
    def pieces(self) -> int:
        return self._k

    @property
    def blur(self) -> float:
        return self._blur

    @property
    def shapes(self) -> list[Shape]:
        return list(self._shapes)

    @property
    def breaks(self) -> IntArray:
        return self._breaks

    @property
    def geometry(self) -> tuple[FloatArray, FloatArray]:
        return self._joints.copy(), self._bulges.copy()

    @geometry.setter
    def geometry(self, geometry: tuple[FloatArray, FloatArray]) -> None:
        self._joints, self._bulges = geometry[0].copy(), geometry[1].copy()

    def _shape(self, shapes: list[Shape]) -> None:
        self._shapes = shapes
        self._arcs = np.array([s == "arc" for s in shapes])
        self._column = np.full(self._k, -1)
        self._column[self._arcs] = 2 * self._k + np.arange(int(self._arcs.sum()))
        self._size = 2 * self._k + int(self._arcs.sum())
        first = np.arange(self._k)
        nxt = (first + 1) % self._k
        # One more unknown than there are takes what lines would say of a bulge.
        bulge = np.where(self._arcs, self._column, self._size)
        own = np.column_stack((2 * first, 2 * first + 1, 2 * nxt, 2 * nxt + 1, bulge))
        self._unknowns = own
        self._entries = own[:, :, None] * (self._size + 1) + own[:, None, :]

    # ------------------------------------------------------------ points to pieces

    def _assign(self, breaks: IntArray) -> None:
        n = len(self._samples)
        self._breaks = breaks
        order = np.arange(breaks[0], breaks[0] + n) % n
        counts = np.array(
            [(breaks[(i + 1) % self._k] - breaks[i]) % n for i in range(self._k)], dtype=np.int64
        )
        if counts.sum() != n:  # breaks have crossed; keep the order they had
            raise AssertionError("breaks are out of order")
        self._order = order
        self._piece = np.repeat(np.arange(self._k), counts)
        self._starts = np.concatenate(([0], np.cumsum(counts)[:-1]))
        self._anchor = np.array(
            [self._samples.points_mm[_around(b, 1, n)].mean(axis=0) for b in breaks]
        )
        self._points = self._samples.points_mm[order]
        self._weight = self._samples.weight[order]

    def reassign(self) -> None:
        """Move every break to its joint, and each point there to the piece it lies on."""
        n, k = len(self._samples), self._k
        counts = np.diff(np.append(self._starts, n))
        new = self._breaks.copy()
        for i in range(k):
            back, ahead = int(counts[i - 1]) // 2, int(counts[i]) // 2
            index = np.arange(self._breaks[i] - back, self._breaks[i] + ahead + 1) % n
            d = self._samples.points_mm[index] - self._joints[i]
            new[i] = index[int(np.argmin((d * d).sum(axis=1)))]
        new = self._split(new)
        gaps = np.diff(np.append(new, new[0])) % n
        if k > 1 and (gaps == 0).any():
            return
        if gaps.sum() == n:
            self._assign(new)
            self._r, _ = self._distances(self._joints, self._bulges, derivatives=False)

    def _split(self, breaks: IntArray) -> IntArray:
        """Breaks moved by up to ``NEAR_JOINT`` points to where either side fits best."""
        near = np.arange(-NEAR_JOINT, NEAR_JOINT)
        index = (breaks[:, None] + near) % len(self._samples)
        p = self._samples.points_mm[index.ravel()]
        piece = np.repeat(np.arange(self._k), len(near))
        squares = []
        for side in ((piece - 1) % self._k, piece):
            r, _ = self._distances(
                self._joints, self._bulges, derivatives=False, points=p, piece=side
            )
            squares.append((r * r).reshape(self._k, -1))
        none = np.zeros((self._k, 1))
        before = np.concatenate((none, np.cumsum(squares[0], axis=1)), axis=1)
        after = np.cumsum(squares[1][:, ::-1], axis=1)[:, ::-1]
        after = np.concatenate((after, none), axis=1)
        moved = np.argmin(before + after, axis=1) - NEAR_JOINT
        return np.asarray((breaks + moved) % len(self._samples), dtype=np.int64)

    # ------------------------------------------------------------ distances

    def _distances(
        self,
        joints: FloatArray,
        bulges: FloatArray,
        *,
        derivatives: bool,
        points: FloatArray | None = None,
        piece: IntArray | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Signed distances (N,), and derivatives (N, 5) by both joints and the bulge.

        With the chord along x from the first joint, L its length and b the bulge, the arc is
        P = (2 b ((x^2 + y^2) / L - x) - (1 - b^2) y) / (1 + b^2) = 0, scaled so that the
        distance d satisfies P = d + A d^2 with A = 2 b / (L (1 + b^2)).  A line is b = 0.
        The blur's inset s^2 A (half curvature times s^2) is what a seen edge must show.
        """
        if points is None or piece is None:
            points, piece = self._points, self._piece
        j, nxt = joints[piece], np.roll(joints, -1, axis=0)[piece]
        b = bulges[piece]
        chord = nxt - j
        length = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-12)
        ux, uy = chord[:, 0] / length, chord[:, 1] / length
        wx, wy = points[:, 0] - j[:, 0], points[:, 1] - j[:, 1]
        x, y = wx * ux + wy * uy, wy * ux - wx * uy
        q = x * x + y * y
        one = 1.0 + b * b
        a = 2.0 * b / (length * one)
        p = (2.0 * b * (q / length - x) - (1.0 - b * b) * y) / one
        root = np.sqrt(np.maximum(1.0 + 4.0 * a * p, 1e-6))
        d = 2.0 * p / (1.0 + root)
        inset = (
            self._blur**2 * np.clip(a, -0.25 / self._blur, 0.25 / self._blur) if self._blur else 0.0
        )
        r = d + inset
        if not derivatives:
            return r, np.empty((0, 5))

        # t is the turn of the chord per unit move of a joint across it
        def along(dl: FloatArray, dt: FloatArray, dwx: FloatArray, dwy: FloatArray) -> FloatArray:
            dx, dy = dwx + y * dt, dwy - x * dt
            dq = 2.0 * (x * dwx + y * dwy)
            dp = (2.0 * b * (dq / length - q / length**2 * dl - dx) - (1.0 - b * b) * dy) / one
            da = -a / length * dl
            return np.asarray((dp - d * d * da) / root, dtype=np.float64)

        zero = np.zeros_like(x)
        inv = 1.0 / length
        # moves along the chord (u) and across it (n), then turned into x and y
        j_u, j_n = along(zero - 1.0, zero, zero - 1.0, zero), along(zero, -inv, zero, zero - 1.0)
        k_u, k_n = along(zero + 1.0, zero, zero, zero), along(zero, inv, zero, zero)
        db = 2.0 * (1.0 - b * b) / one**2
        dp = db * (q / length - x) + 4.0 * b * y / one**2
        da = db / length
        jacobian = np.column_stack(
            (
                j_u * ux - j_n * uy, j_u * uy + j_n * ux,
                k_u * ux - k_n * uy, k_u * uy + k_n * ux,
                (dp - d * d * da) / root,
            )
        )  # fmt: skip
        return r, jacobian

    def _influence(self, r: FloatArray, held: NDArray[np.bool_]) -> FloatArray:
        """Weight of every point: none in a blurred corner, less for an outlier."""
        w = self._weight.copy()
        w[self._cornered(held)] *= 1e-3
        scale = max(self._scatter, 1e-4)
        size = np.abs(r) * np.sqrt(self._weight)
        return np.asarray(w * np.minimum(1.0, _HUBER * scale / np.maximum(size, 1e-12)))

    def _cornered(self, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Points that the blur may have rounded off with a corner."""
        near = np.zeros(len(self._points), dtype=bool)
        if self._blur > 0.0:
            for end in (0, 1):
                joint = (self._piece + end) % self._k
                d = np.hypot(*(self._points - self._joints[joint]).T)
                near |= (d < CORNER_REACH * self._blur) & ~held[joint]
        return near

    def residuals(self, held: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Signed distances (N,) and which points a blurred corner excuses, as they were given."""
        r, corner = np.empty(len(self._r)), np.empty(len(self._r), dtype=bool)
        r[self._order], corner[self._order] = self._r, self._cornered(held)
        return r, corner

    def _turn(self, joints: FloatArray, bulges: FloatArray, held: NDArray[np.bool_]) -> FloatArray:
        """Turn (rad) at each held joint."""
        index = np.flatnonzero(held)
        chord = np.concatenate((joints[1:], joints[:1])) - joints
        heading = np.arctan2(chord[:, 1], chord[:, 0])
        half = 2.0 * np.arctan(bulges)
        value = heading[index] - half[index] - heading[index - 1] - half[index - 1]
        return np.asarray(np.remainder(value + math.pi, math.tau) - math.pi)

    def _turn_slopes(
        self, joints: FloatArray, bulges: FloatArray, held: NDArray[np.bool_]
    ) -> FloatArray:
        """Derivatives of those turns by all unknowns."""
        index = np.flatnonzero(held)
        before, after = (index - 1) % self._k, (index + 1) % self._k
        chord = np.concatenate((joints[1:], joints[:1])) - joints
        length = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-12)
        normal = np.column_stack((-chord[:, 1], chord[:, 0])) / (length**2)[:, None]
        slope = 2.0 / (1.0 + bulges**2)
        row = np.arange(len(index))
        rows = np.zeros((len(index), self._size + 1))
        for axis in (0, 1):
            rows[row, 2 * index + axis] -= normal[index, axis] + normal[before, axis]
            rows[row, 2 * after + axis] += normal[index, axis]
            rows[row, 2 * before + axis] += normal[before, axis]
        for piece in (index, before):
            rows[row, self._unknowns[piece, 4]] -= slope[piece]
        return rows[:, :-1].copy()

    # ------------------------------------------------------------ solving

    def _normal(self, w: FloatArray, r: FloatArray, j: FloatArray) -> tuple[FloatArray, FloatArray]:
        jw = j * w[:, None]
        blocks = np.add.reduceat((jw[:, :, None] * j[:, None, :]).reshape(-1, 25), self._starts)
        sides = np.add.reduceat(jw * r[:, None], self._starts)
        n = self._size + 1
        h = np.asarray(np.bincount(self._entries.ravel(), blocks.ravel(), n * n), np.float64)
        g = np.asarray(np.bincount(self._unknowns.ravel(), sides.ravel(), n), np.float64)
        return h.reshape(n, n)[:-1, :-1].copy(), g[:-1]

    def solve(self, held: NDArray[np.bool_], least: float = 1e-7) -> bool:
        """Gauss-Newton on distances under tangency at the held joints; True when it settled.

        Stops when a step improves the fit by less than the share ``least``.
        """
        self._held = held.copy()
        damping = 1e-9
        r, j = self._distances(self._joints, self._bulges, derivatives=True)
        c = self._turn(self._joints, self._bulges, held)
        rows = self._turn_slopes(self._joints, self._bulges, held)
        for _ in range(_STEPS):
            w = self._influence(r, held)
            h, g = self._normal(w, r, j)
            # A joint may slide where two pieces run almost alike: a weak spring to the break
            # it came from keeps it there and is too weak to bend a true corner.
            spring = self._spring()
            diagonal = np.diag(h).copy()
            h[np.diag_indices_from(h)] += damping * diagonal
            joint = np.arange(2 * self._k)
            h[joint, joint] += spring
            away = self._joints.ravel() - self._anchor.ravel()
            g[joint] += spring * away
            self._h, self._rows = h, rows
            step, multipliers = _constrained(h, g, rows, c)
            self._multipliers = multipliers
            if not np.isfinite(step).all():
                break
            bend = np.abs(step[2 * self._k :]) / (1.0 + np.abs(self._bulges[self._arcs]))
            size = max(float(np.abs(step[: 2 * self._k]).max()), 4.0 * float(bend.max(initial=0.0)))
            if size > 2.0:
                step = step * (2.0 / size)
            merit = (
                float((w * r * r).sum())
                + 1e6 * float((c * c).sum())
                + float((spring * away * away).sum())
            )
            for _ in range(6):
                joints, bulges = self._moved(step)
                r_new, _ = self._distances(joints, bulges, derivatives=False)
                c_new = self._turn(joints, bulges, held)
                away = joints.ravel() - self._anchor.ravel()
                value = (
                    float((w * r_new * r_new).sum())
                    + 1e6 * float((c_new * c_new).sum())
                    + float((spring * away * away).sum())
                )
                if value <= merit * (1.0 + 1e-9) + 1e-12 or size < 1e-6:
                    break
                step = step / 2.0
            else:
                damping = max(damping * 100.0, 1e-6)
                if damping > 1e3:
                    break
                continue
            damping = max(damping / 10.0, 1e-9)
            self._joints, self._bulges = joints, bulges
            r, j = self._distances(joints, bulges, derivatives=True)
            c, rows = c_new, self._turn_slopes(joints, bulges, held)
            still = float(np.abs(c).max(initial=0.0)) < 1e-10 and merit - value < least * merit
            if float(np.abs(step).max()) < 1e-8 or still:
                break
        self._r = r
        self._rescale(r, held)
        return bool(np.abs(c).max(initial=0.0) < 1e-7)

    def _spring(self) -> FloatArray:
        """Stiffness (2K,): one sigma of scatter for a slide of ``SLIDE_MM``.

        Tangency places a joint by itself.
        """
        stiff = self._stiff * np.where(self._held, 1e-4, 1.0)
        return np.repeat((max(self._scatter, 1e-3) / SLIDE_MM) ** 2 * stiff, 2)

    def _moved(self, step: FloatArray) -> tuple[FloatArray, FloatArray]:
        joints = self._joints + step[: 2 * self._k].reshape(-1, 2)
        bulges = self._bulges.copy()
        # An arc that would turn over passes through straight; it is held just short of it.
        bulges[self._arcs] += step[2 * self._k :]
        flipped = self._arcs & (bulges * self._bulges <= 0.0)
        bulges[flipped] = self._bulges[flipped] * 0.1
        bulges = np.clip(bulges, -MOST_BULGE, MOST_BULGE)
        return joints, bulges

    def _rescale(self, r: FloatArray, held: NDArray[np.bool_]) -> None:
        good = self._good(r, held)
        if good.sum() > self._size:
            size = np.abs(r[good]) * np.sqrt(self._weight[good])
            self._scatter = max(1.4826 * float(np.median(size)), 1e-4)

    def _good(self, r: FloatArray, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
        w = self._influence(r, held)
        measured = self._samples.evidence[self._order] != BRIDGED
        return np.asarray(measured & (w > 0.5 * self._weight))

    def hold_strays(self, held: NDArray[np.bool_]) -> bool:
        """Tie joints that have left the points to where they broke, and let go tangency there.

        ``held`` is changed in place.  Whether there were any.
        """
        away = np.hypot(*(self._joints - self._anchor).T)
        stray = away > STRAY_MM + 8.0 * self._blur
        if stray.any():
            self._stiff[stray] = 1e6
            self._joints[stray] = self._anchor[stray]
            near = stray | np.roll(stray, 1) | np.roll(stray, -1)
            held &= ~near
            loose = self._arcs & (stray | np.roll(stray, -1))
            self._bulges[loose] = self._seeded()[loose]
        return bool(stray.any())

    def _seeded(self) -> FloatArray:
        _, bulges = _seed(self._samples, self._breaks, self._shapes)
        return bulges

    # ------------------------------------------------------------ tangent or not

    def nearly_tangent(self) -> NDArray[np.bool_]:
        turn = self._turn(self._joints, self._bulges, np.ones(self._k, dtype=bool))
        arc = self._arcs | np.roll(self._arcs, 1)
        return np.asarray(arc & (np.abs(turn) < math.radians(TANGENT_DEG)))

    def _variance(self, least_mm: float) -> float:
        """Variance of a point of weight 1, with the correlation of its neighbours."""
        good = self._good(self._r, self._held)
        r = self._r[good] * np.sqrt(self._weight[good])
        scatter = float(np.sqrt(np.mean(r * r))) if len(r) else self._scatter
        return max(scatter, least_mm) ** 2 * correlation(self._r * np.sqrt(self._weight))

    def rejected(
        self, held: NDArray[np.bool_], least_mm: float, settled: bool, share: float
    ) -> IntArray:
        """The held joints that the points reject, down to a share of the worst; maybe none."""
        index = np.flatnonzero(held)
        try:
            inner = self._rows @ splu(csc_array(self._h)).solve(self._rows.T.copy())
        except RuntimeError:  # singular: nothing can be said for any of them
            return index
        gain = self._multipliers**2 / np.maximum(
            np.diag(np.linalg.pinv(inner, hermitian=True)), 1e-300
        )
        statistic = gain / self._variance(least_mm)
        worst = float(statistic.max())
        if settled and worst <= REJECT:
            return index[:0]
        return np.asarray(index[statistic >= max(share * worst, REJECT if settled else 0.0)])

    # ------------------------------------------------------------ corner breakers

    def reconsider(self, held: NDArray[np.bool_], least_mm: float, flat_mm: float) -> bool:
        """Choose anew between chamfer and fillet for pieces between two lines.

        An arc less than ``flat_mm`` deep is a line; scatter below ``least_mm`` proves nothing.

        A fillet, tangent both ways, has one unknown to a chamfer's two and a loose arc's
        three; where the points tell them apart by less than that is worth (BIC), the one
        with fewer unknowns is right.  Whether anything changed.
        """
        variance = self._variance(least_mm / 2.0)
        worth = variance * math.log(len(self._r))
        shapes, changed = list(self._shapes), False
        self._held = held.copy()
        chord = np.hypot(*(np.roll(self._joints, -1, axis=0) - self._joints).T)
        flat = self._arcs & (np.abs(self._bulges) * chord / 2.0 < flat_mm)
        for k in np.flatnonzero(flat).tolist():
            self._bulges[k] = 0.0
            shapes[k], changed = "line", True
        for k in range(self._k):
            before, after = (k - 1) % self._k, (k + 1) % self._k
            if self._k < 4 or self._arcs[before] or self._arcs[after] or flat[k]:
                continue
            if held[k] and held[after]:
                continue
            fillet = self._fillet(k, 2.0 * worth if self._arcs[k] else worth)
            if fillet is not None:
                self._joints[k], self._joints[after], self._bulges[k] = fillet
                shapes[k], changed = "arc", True
            elif self._arcs[k] and self._as_straight(k, 2.0 * worth):
                self._bulges[k] = 0.0
                shapes[k], changed = "line", True
        if changed:
            self._shape(shapes)
        return changed

    def _fillet(self, k: int, worth: float) -> tuple[FloatArray, FloatArray, float] | None:
        """Both tangent points and the bulge of a fillet no worse than the chamfer k."""
        a, b, c, d = (self._joints[(k + i) % self._k] for i in (-1, 0, 1, 2))
        u, v = (b - a) / max(math.dist(a, b), 1e-9), (d - c) / max(math.dist(c, d), 1e-9)
        turn = math.atan2(u[0] * v[1] - u[1] * v[0], float(u @ v))
        first = c - b
        along = math.atan2(u[0] * first[1] - u[1] * first[0], float(u @ first))
        if not (math.radians(4.0) < abs(turn) < math.radians(170.0) and 0.0 < along / turn < 1.0):
            return None
        t = ((c - b)[0] * v[1] - (c - b)[1] * v[0]) / math.sin(turn)
        corner = b + t * u
        room = min(math.dist(a, corner), math.dist(corner, d))
        near = max(math.dist(corner, b), math.dist(corner, c))
        e = self._points - corner
        ends = [(k - 1) % self._k, k, (k + 1) % self._k]
        region = np.isin(self._piece, ends) & (np.hypot(e[:, 0], e[:, 1]) < 2.0 * near + 0.5)
        e, w, now = e[region], self._weight[region], self._r[region]
        side = math.copysign(1.0, turn)
        normal = np.array([-u[1], u[0]]) * side
        s1, s2 = e @ u, e @ v
        off1 = e @ normal
        off2 = e @ (np.array([-v[1], v[0]]) * side)
        slope = math.tan(abs(turn) / 2.0)
        least, most = 0.3 * near, min(3.0 * near, 0.95 * room)
        if not 0.0 < least < most:
            return None
        best, reach = math.inf, 0.0
        for size in np.geomspace(least, most, 40):
            radius = size / slope
            arc = np.hypot(*(e + u * size - normal * radius).T) - radius
            r = np.where(s1 < -size, off1, np.where(s2 > size, off2, -arc))
            value = float((w * r * r).sum())
            if value < best:
                best, reach = value, float(size)
        if best > float((w * now * now).sum()) + worth:
            return None
        return corner - u * reach, corner + v * reach, math.tan(turn / 4.0)

    def _as_straight(self, k: int, worth: float) -> bool:
        """Whether a straight line carries the points of arc k about as well."""
        mine = self._piece == k
        if mine.sum() < 3:
            return True
        p, w, now = self._points[mine], self._influence(self._r, self._held)[mine], self._r[mine]
        r = fit_line(p, 1.0 / np.sqrt(w)).distances_mm(p)
        return float((w * r * r).sum()) < float((w * now * now).sum()) + worth

    def result(self, held: NDArray[np.bool_]) -> Adjusted:
        n = len(self._samples)
        owner, residual = np.empty(n, np.int64), np.empty(n)
        used = np.empty(n, dtype=bool)
        good = self._good(self._r, held)
        owner[self._order], residual[self._order] = self._piece, self._r
        used[self._order] = good
        rest = self._r[good]
        dof = max(len(rest) - self._size + int(held.sum()), 1)
        scatter = math.sqrt(float((rest * rest).sum()) / dof) if len(rest) else 0.0
        return Adjusted(
            self._joints, self._bulges, held.copy(), owner, residual, used, scatter,
            correlation(self._r),
        )  # fmt: skip


def _constrained(
    h: FloatArray, g: FloatArray, rows: FloatArray, c: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Minimise g s + s h s / 2 under rows s + c = 0; the step and the multipliers.

    Sparse, because each piece touches its neighbours only.
    """
    n = len(g)
    system = np.zeros((n + len(c), n + len(c)))
    system[:n, :n], system[:n, n:], system[n:, :n] = h, rows.T, rows
    right = np.concatenate((-g, -c))
    try:
        answer = np.asarray(splu(csc_array(system)).solve(right), dtype=np.float64)
    except RuntimeError:  # exactly singular
        answer = np.asarray(lsqr(csc_array(system), right)[0], dtype=np.float64)
    return answer[:n], answer[n:]
