"""The fewest lines and arcs through a closed chain of points, none farther off than allowed.

Among all ways to cut the closed chain into least-squares lines and arcs whose every point
lies within the tolerance, the result has the smallest number of pieces, and among those
the smallest sum of squared distances, with an arc charged for its extra parameter (BIC).
Nothing is greedy about the answer: farthest reach from every possible start gives the
least number and, forwards and backwards, the window in which each break must lie; dynamic
programming over all break positions in those windows gives the best breaks.  The closed
chain is handled exactly, since every possible start in one window is tried at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.curves.chain import Chain
from digitize.curves.primitives import taubin_cubic, taubin_mean_square

FloatArray = NDArray[np.float64]
Shape = Literal["line", "arc"]

LINE_SAGITTA = 1.0 / 3.0  # of the tolerance: a bend shallower than this is not worth an arc
MORE_SCATTER = 1.3
MOST_FIRST = 200
MOST_STARTS = 16
MOST_BREAKS = 60  # positions tried at once for one break
MOST_TRIED = 1200  # and for all of them together
LEAST_ARC_POINTS = 4
# The half-level line of a square corner under a Gaussian blur of sigma s runs 0.545 s inside
# either edge at the corner and 0.03 s at 2 s from it (from Phi(a/s) Phi(b/s) = 1/2).
CORNER_REACH = 2.0
CORNER_DEPTH = 0.8  # a little over 0.545, for corners sharper than square
MOST_SWEEP_RAD = math.radians(350.0)  # an arc is no full circle
_INFEASIBLE = 1e30
_SHALLOW = 1e9


@dataclass(frozen=True, slots=True)
class Limits:
    """What a piece may be."""

    tolerance_mm: float
    blur_mm: float = 0.0  # one sigma; rounds a true corner off
    line_sagitta_mm: float | None = None  # LINE_SAGITTA of the tolerance unless given


@dataclass(frozen=True, slots=True)
class Piece:
    """Chain points from ``first`` up to before ``last``, round the closed chain."""

    first: int
    last: int
    shape: Shape


def _thin(values: list[int], most: int) -> list[int]:
    """At most so many of the values, evenly."""
    step = math.ceil(len(values) / most)
    return values[::step]


def correlation(r: FloatArray) -> float:
    """How much more a mean of neighbouring residuals scatters than independent ones would.

    1 + 2 times the sum of autocorrelations round the closed chain, up to the first that
    does not stand out of chance.
    """
    r = np.clip(r, *np.percentile(r, (2.0, 98.0)))
    r = r - r.mean()
    power = float(r @ r)
    if not power > 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, min(len(r) // 4, 60)):
        rho = float(r @ np.roll(r, lag)) / power
        if rho <= 2.0 / math.sqrt(len(r)):
            break
        total += 2.0 * rho
    return total


def residuals(chain: Chain, pieces: list[Piece]) -> FloatArray:
    """Distance of every chain point from its own piece, times the root of its weight."""
    m = len(chain)
    found = np.zeros(m)
    for piece in pieces:
        index = np.arange(piece.first, piece.first + ((piece.last - piece.first) % m or m)) % m
        d = chain.points_mm[index]
        w = chain.weight[index]
        if len(index) <= 2:
            continue
        d = d - d.mean(axis=0)
        form = _circle(d, w) if piece.shape == "arc" and len(index) > 3 else None
        if form is None:
            e = d - (w @ d) / w.sum()
            xx, yy, xy = w @ (e[:, 0] ** 2), w @ (e[:, 1] ** 2), w @ (e[:, 0] * e[:, 1])
            angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
            off = e[:, 1] * math.cos(angle) - e[:, 0] * math.sin(angle)
        else:
            off = np.hypot(d[:, 0] - form[0], d[:, 1] - form[1]) - form[2]
        found[index] = off * np.sqrt(w)
    return found


class Cutter:
    """Cuts one chain, which it lays out three times over, within limits."""

    def __init__(self, chain: Chain, limits: Limits) -> None:
        """Prepare; every answer is remembered for the next cut."""
        self._chain = chain
        self._m = m = len(chain)
        self._limits = limits
        shallow = limits.line_sagitta_mm
        self._shallow = LINE_SAGITTA * limits.tolerance_mm if shallow is None else shallow
        self._points = np.tile(chain.points_mm, (3, 1))
        self._weight = np.tile(chain.weight, 3)
        allowed = chain.allowed_mm(limits.tolerance_mm)
        self._most_square = float(allowed.max() + CORNER_DEPTH * limits.blur_mm) ** 2
        if not chain.counted.all():
            self._most_square = np.inf
        allowed[~chain.counted] = np.inf
        self._allowed = np.tile(allowed, 3)
        total = chain.length_mm
        along = np.concatenate([chain.along_mm + k * total for k in range(3)])
        self._variance = float(np.median(chain.noise_mm) ** 2 * np.median(chain.weight))
        # One parameter costs ln(m)/1 in BIC; where its ends are chosen too, twice that.
        self._arc_charge = 2.0 * math.log(max(m, 8))
        # Points from a break up to after[break], and down to before[break], may be rounded off.
        zone = CORNER_REACH * limits.blur_mm
        self._after = np.searchsorted(along, along + zone, side="left")
        self._before = np.searchsorted(along, along - zone, side="right") - 1
        self._farthest: dict[int, int] = {}
        self._farthest_back: dict[int, int] = {}
        self._held: dict[tuple[int, int, Shape], bool] = {}

    # -------------------------------------------------------------- feasibility

    def _fits(self, i: int, j: int) -> bool:
        """Whether one line or arc carries the points from break i up to before break j."""
        if j - i <= 2:
            return True
        d, w, allowed = self._piece(i, j)
        return self._line_holds(d, w, allowed) or self._arc_holds(d, w, allowed)

    def _piece(self, i: int, j: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Points about their middle, weights, and the distance each may lie off."""
        p = self._points[i:j]
        allowed = self._allowed[i:j]
        if self._limits.blur_mm > 0.0:
            allowed = allowed.copy()
            allowed[: self._after[i] - i] += CORNER_DEPTH * self._limits.blur_mm
            allowed[max(self._before[j] - i + 1, 0) :] += CORNER_DEPTH * self._limits.blur_mm
        return p - (p[0] + p[-1]) / 2, self._weight[i:j], allowed

    def _line_holds(self, d: FloatArray, w: FloatArray, allowed: FloatArray) -> bool:
        chord = d[-1] - d[0]
        size = math.hypot(chord[0], chord[1])
        if size > 0.0:
            # Far off the chord: no line will do, and most candidates end here.
            k = len(d) // 2
            if abs(chord[0] * d[k, 1] - chord[1] * d[k, 0]) > 4.0 * allowed[k] * size:
                return False
        total = w.sum()
        c = (w @ d) / total
        e = d - c
        xx, yy, xy = w @ (e[:, 0] ** 2), w @ (e[:, 1] ** 2), w @ (e[:, 0] * e[:, 1])
        angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
        r = np.abs(e[:, 1] * math.cos(angle) - e[:, 0] * math.sin(angle))
        return bool((r <= allowed).all())

    def _arc_holds(self, d: FloatArray, w: FloatArray, allowed: FloatArray) -> bool:
        if len(d) < LEAST_ARC_POINTS:
            return len(d) == 3
        form = _circle(d, w)
        if form is None:
            return False
        cx, cy, radius = form
        x, y = d[:, 0] - cx, d[:, 1] - cy
        r = np.abs(np.hypot(x, y) - radius)
        if not (r <= allowed).all():
            return False
        return _sweep(x, y) < MOST_SWEEP_RAD

    def _reach(self, i: int) -> int:
        """The farthest break j > i such that the piece from i to j fits."""
        i0, lap = i % self._m, i - i % self._m
        if i0 not in self._farthest:
            self._farthest[i0] = self._gallop(i0, 1)
        return self._farthest[i0] + lap

    def _reach_back(self, j: int) -> int:
        """The farthest break i < j such that the piece from i to j fits."""
        j0 = j % self._m + self._m  # the middle copy, so that looking back stays inside
        if j0 not in self._farthest_back:
            self._farthest_back[j0] = self._gallop(j0, -1)
        return self._farthest_back[j0] + j - j0

    def _gallop(self, at: int, way: int) -> int:
        def fits(n: int) -> bool:
            return self._fits(at, at + n) if way > 0 else self._fits(at - n, at)

        good, step = 2, 2
        most = self._m
        while good < most and fits(min(good + step, most)):
            good = min(good + step, most)
            step *= 2
        bad = min(good + step, most + 1)
        while bad - good > 1:
            middle = (good + bad) // 2
            if fits(middle):
                good = middle
            else:
                bad = middle
        return at + way * good

    def _tightest(self) -> int:
        """A break position with a short reach: somewhere just before the sharpest feature."""
        m, p = self._m, self._points
        half = max(2, min(m // 8, 6))
        i = np.arange(m) + m
        bent = np.abs(_cross(p[i] - p[i - half], p[i + half] - p[i]))
        size = np.hypot(*(p[i + half] - p[i - half]).T)
        sharpest = int(np.argmax(bent / np.maximum(size, 1e-9)))
        candidates = {(sharpest - k) % m for k in (half, half + 4, 2 * half + 8)}
        return min(sorted(candidates), key=lambda c: self._reach(c) - c)

    def _forward(self, start: int) -> list[int]:
        """Greedy breaks from a start round to it; each as far as it can be."""
        start %= self._m
        breaks = [start]
        while breaks[-1] < start + self._m:
            breaks.append(min(self._reach(breaks[-1]), start + self._m))
        return breaks

    def _backward(self, start: int) -> list[int]:
        start %= self._m
        breaks = [start + self._m]
        while breaks[-1] > start:
            breaks.append(max(self._reach_back(breaks[-1]), start))
        return breaks[::-1]

    # -------------------------------------------------------------- best breaks

    def cut(self, more: int = 0) -> list[Piece]:
        """The fewest pieces and so many more, and of those the cheapest.

        Each point belongs to one piece.  Done twice when the points turn out to err more, or
        more alike, than their differences showed: the scatter decides what is straight and
        where breaks lie, not how many there are.  A chain that one arc of up to a full circle
        covers gives two pieces at least, since an arc cannot close on itself.
        """
        pieces = self._cut(more)
        r = residuals(self._chain, pieces)
        variance = float(r @ r) / len(r) * correlation(r)
        if variance > MORE_SCATTER * self._variance:
            self._variance = variance
            pieces = self._cut(more)
        return pieces

    def _cut(self, more: int) -> list[Piece]:
        anchor = self._tightest()
        starts = list(range(anchor + 1, self._reach(anchor) + 1)) or [anchor]
        counted: dict[int, list[int]] = {}
        for start in _thin(starts, MOST_FIRST):
            counted.setdefault(len(self._forward(start)) - 1, []).append(start)
        count = min(counted)
        if count < 2 or more:
            return self._best(starts, max(count, 2) + more)
        return self._best(counted[count], count)

    def _best(self, starts: list[int], count: int) -> list[Piece]:
        """The cheapest ``count`` pieces from any of the starts.

        Windows too wide to search whole are searched at even steps first, and wholly about
        the breaks found so.
        """
        m = self._m
        starts = sorted(s % m for s in starts)
        if starts[-1] - starts[0] > m // 2:
            starts = sorted(s + m if s < m // 2 else s for s in starts)
        starts = _thin(starts, MOST_STARTS)
        low, high = np.full(count + 1, 3 * m), np.full(count + 1, -1)
        greedy: list[set[int]] = [set() for _ in range(count + 1)]
        for s in starts:
            lap = s - s % m
            up, down = self._forward(s), self._backward(s)
            up = up + [up[-1]] * (count + 1 - len(up))
            down = [down[0]] * (count + 1 - len(down)) + down
            for k in range(count + 1):
                low[k] = min(low[k], down[k] + lap, up[k] + lap)
                high[k] = max(high[k], up[k] + lap, down[k] + lap)
                greedy[k].add(up[k] + lap)
        most = min(max(MOST_TRIED // count, 12), MOST_BREAKS)
        step = max(1, math.ceil(float((high - low)[1:-1].max(initial=0)) / most))
        windows = [
            np.array(sorted({*range(lo, hi + 1, step), *greedy[k]}))
            for k, (lo, hi) in enumerate(zip(low, high, strict=True))
        ]
        windows[0] = np.array(starts)
        windows[count] = windows[0] + m
        path = self._path(windows) or self._greedy(starts[0])
        if step > 1:
            about = [np.arange(max(i - step, 0), i + step + 1) for i, _ in path]
            near = [a[(a >= low[k]) & (a <= high[k])] if k else a for k, a in enumerate(about)]
            path = self._path([*near, near[0] + m]) or path
        breaks = [i % m for i, _ in path]
        ends = [*breaks[1:], breaks[0]]
        return [Piece(i, j, shape) for i, j, (_, shape) in zip(breaks, ends, path, strict=True)]

    def _greedy(self, start: int) -> list[tuple[int, Shape]]:
        """The cut by farthest reach, when rounding bars every other."""
        return [
            (i, "line" if self._holds(i, j, "line") else "arc")
            for i, j in pairwise(self._forward(start))
        ]

    def _path(self, windows: list[NDArray[np.int64]]) -> list[tuple[int, Shape]] | None:
        """Breaks and shapes of the cheapest way through the windows that holds everywhere."""
        costs = [self._costs(a, b) for a, b in pairwise(windows)]
        while True:
            path = self._cheapest(windows, costs)
            if path is None:
                return None
            found: list[tuple[int, Shape]] = []
            sound = True
            for (line, arc), window, after, i, j in zip(
                costs, windows, windows[1:], path, path[1:], strict=False
            ):
                row, column = int(np.searchsorted(window, i)), int(np.searchsorted(after, j))
                shape: Shape = "line" if line[row, column] <= arc[row, column] else "arc"
                if not self._holds(i, j, shape):
                    # Nor will one that carries more points.
                    (line if shape == "line" else arc)[: row + 1, column:] = _INFEASIBLE
                    beyond = int(np.searchsorted(after, self._reach(i), side="right"))
                    if beyond <= column:
                        line[: row + 1, beyond:] = arc[: row + 1, beyond:] = _INFEASIBLE
                    sound = False
                found.append((i, shape))
            if sound:
                return found

    def _holds(self, i: int, j: int, shape: Shape) -> bool:
        if j - i <= 2:
            return shape == "line"
        asked = i, j, shape
        if asked not in self._held:
            d, w, allowed = self._piece(i, j)
            holds = self._line_holds if shape == "line" else self._arc_holds
            self._held[asked] = holds(d, w, allowed)
        return self._held[asked]

    def _cheapest(
        self, windows: list[NDArray[np.int64]], costs: list[tuple[FloatArray, FloatArray]]
    ) -> list[int] | None:
        """Shortest path through the windows for every start at once, ending where it began."""
        n = len(windows[0])
        value = np.where(np.eye(n, dtype=bool), 0.0, _INFEASIBLE)
        back: list[NDArray[np.int64]] = []
        for line, arc in costs:
            step = np.minimum(line, arc)
            # (starts, from) + (from, to): the smallest over "from"
            sums = value[:, None, :] + step.T[None, :, :]
            came = np.argmin(sums, axis=2)
            value = np.take_along_axis(sums, came[:, :, None], axis=2)[:, :, 0]
            back.append(came)
        s = int(np.argmin(np.diag(value)))
        if value[s, s] >= _INFEASIBLE:
            return None
        column, path = s, [int(windows[-1][s])]
        for k in range(len(costs) - 1, -1, -1):
            column = int(back[k][s, column])
            path.append(int(windows[k][column]))
        return path[::-1]

    def _costs(
        self, starts: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> tuple[FloatArray, FloatArray]:
        """Cost of the line and of the arc between every start and every end break."""
        i, j = starts[:, None], ends[None, :]
        low, high = int(starts.min()), max(int(ends.max()) - 1, int(starts.min()))
        empty = _INFEASIBLE
        p, w = self._points[low : high + 1], self._weight[low : high + 1]
        d = p - (p[0] + p[-1]) / 2
        size = max(float(np.abs(d).max()), 1e-9)
        d = d / size
        x, y = d.T
        z = x * x + y * y
        rows = np.stack((np.ones_like(x), x, y, z, x * x, y * y, x * y, x * z, y * z, z * z)) * w
        sums = np.concatenate((np.zeros((10, 1)), np.cumsum(rows, axis=1)), axis=1)
        first, last = np.broadcast_arrays(i - low, j - low)
        number = last - first
        use = number >= 1
        last = np.where(use, last, 1)
        first = np.where(use, first, 0)
        s = sums[:, last] - sums[:, first]
        mean = s / s[0]
        _, mx, my, mz, mxx, myy, mxy, mxz, myz, mzz = mean
        # moments about the centroid, z' = z - 2 x mx - 2 y my + (mx^2 + my^2)
        cxx, cyy, cxy = mxx - mx * mx, myy - my * my, mxy - mx * my
        q = mx * mx + my * my
        # sums of (x - mx)(z - ...) from raw moments
        zx = mxz - 2 * mx * mxx - 2 * my * mxy + q * mx
        zy = myz - 2 * mx * mxy - 2 * my * myy + q * my
        zm = mz - 2 * mx * mx - 2 * my * my + q
        cxz, cyz = zx - mx * zm, zy - my * zm
        zz = (
            mzz - 4 * mx * mxz - 4 * my * myz + 4 * mx * mx * mxx + 8 * mx * my * mxy
            + 4 * my * my * myy + 2 * q * mz - 4 * q * q + q * q
        )  # fmt: skip
        line_square = np.maximum((cxx + cyy) / 2 - np.sqrt(((cxx - cyy) / 2) ** 2 + cxy * cxy), 0.0)
        arc_square = np.minimum(
            taubin_mean_square(np.stack((cxx, cyy, cxy, cxz, cyz, zz))), line_square
        )
        total = s[0]
        area = size * size
        line = total * line_square * area / self._variance
        arc = total * arc_square * area / self._variance + self._arc_charge
        # A parabola of sagitta h has variance 4 h^2 / 45 about its best line.
        sagitta = np.sqrt(11.25 * np.maximum(line_square - arc_square, 0.0) * area)
        # A shallow arc is the last resort, for points that no line holds.
        arc = np.where(sagitta < self._shallow, arc + _SHALLOW, arc)
        arc = np.where(number < 3, empty, arc)
        line = np.where(line_square * area > self._most_square, empty, line)
        arc = np.where(arc_square * area > self._most_square, empty, arc)
        return np.where(use, line, empty), np.where(use, arc, empty)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _circle(d: FloatArray, w: FloatArray) -> tuple[float, float, float] | None:
    """Taubin's circle of points near the origin; None when they are straight."""
    total = w.sum()
    mx, my = (w @ d) / total
    x, y = d[:, 0] - mx, d[:, 1] - my
    z = x * x + y * y
    rows = np.stack((x * x, y * y, x * y, x * z, y * z, z * z))
    moments: list[float] = ((rows @ w) / total).tolist()
    mxx, myy, mxy, mxz, myz, _ = moments
    mz = mxx + myy
    if not mz > 0.0:
        return None
    a0, a1, a2, a3 = taubin_cubic(moments)
    root = 0.0
    for _ in range(12):
        slope = a1 + root * (2.0 * a2 + 3.0 * a3 * root)
        if slope == 0.0:
            break
        change = (a0 + root * (a1 + root * (a2 + a3 * root))) / slope
        root -= change
        if abs(change) <= 1e-14 * mz:
            break
    root = max(root, 0.0)
    det = root * root - root * mz + mxx * myy - mxy * mxy
    if abs(det) < 1e-13 * mz * mz:
        return None
    cx = (mxz * (myy - root) - myz * mxy) / det / 2.0
    cy = (myz * (mxx - root) - mxz * mxy) / det / 2.0
    return float(cx + mx), float(cy + my), math.sqrt(cx * cx + cy * cy + mz)


def _sweep(x: FloatArray, y: FloatArray) -> float:
    """Angle turned through by points round the origin."""
    turn = np.arctan2(x[:-1] * y[1:] - y[:-1] * x[1:], x[:-1] * x[1:] + y[:-1] * y[1:])
    return abs(float(turn.sum()))
