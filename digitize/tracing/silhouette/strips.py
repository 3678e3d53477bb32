"""Contours unrolled: a picture with one row per contour point, running across the edge.

A rough contour becomes evenly spaced points with normals out of the metal.  Along every
normal the photo's light over paper white is sampled, outside at the left.  In this
picture a piece's edge is a line running down, and so is the end of its cast shadow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d  # type: ignore[attr-defined]

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.photo.tone import linear
from digitize.tracing.light import PaperLight

FloatArray = NDArray[np.float64]

_DEPTH_COST = 0.012  # of a clear edge, per pixel farther in
_JUMP_COST = 0.25  # of a clear edge, per pixel that the line moves sideways from row to row
_STEEP = 3  # pixels that it can
_MOST_ROWS = 30_000


@dataclass(frozen=True, eq=False)
class Contours:
    """Closed loops end to end; metal always on the left, so openings run clockwise."""

    points_mm: FloatArray  # (N, 2) on the paper plane, where they seem to be
    normals: FloatArray  # (N, 2) unit, out of the metal, on the paper plane
    curvature_per_mm: FloatArray  # (N,) positive where the metal is convex
    starts: tuple[int, ...]  # first point of each loop, and N

    @property
    def loops(self) -> tuple[slice, ...]:
        """The points of each loop."""
        return tuple(slice(a, b) for a, b in zip(self.starts, self.starts[1:], strict=False))

    @property
    def loop_of(self) -> NDArray[np.intp]:
        """Loop number (N,) of each point."""
        return np.repeat(np.arange(len(self.starts) - 1), np.diff(self.starts))


def contours_of(
    loops_mm: list[FloatArray], spacing_mm: float, smoothing_mm: float, normal_mm: float = 0.6
) -> Contours:
    """Evenly spaced contours of rough loops (N, 2), smoothed by a Gaussian along the loop.

    Normals and curvature are taken over ``normal_mm`` (one sigma) of the loop.
    """
    points, normals, bends, starts = [], [], [], [0]
    for loop in loops_mm:
        even = evenly(loop, spacing_mm)
        step = perimeter(even) / len(even)
        if smoothing_mm > 0:
            even = gaussian_filter1d(even, smoothing_mm / step, axis=0, mode="wrap")
        shape = _shape(even, normal_mm)
        normals.append(shape[0])
        bends.append(shape[1])
        points.append(even)
        starts.append(starts[-1] + len(even))
    return Contours(
        np.concatenate(points), np.concatenate(normals), np.concatenate(bends), tuple(starts)
    )


def contours_like(contours: Contours, points_mm: FloatArray, normal_mm: float = 0.6) -> Contours:
    """The same loops with every point (N, 2) moved, and normals and curvature to match."""
    normals, bends = np.empty_like(points_mm), np.empty(len(points_mm))
    for loop in contours.loops:
        normals[loop], bends[loop] = _shape(points_mm[loop], normal_mm)
    return Contours(points_mm, normals, bends, contours.starts)


def _shape(points: FloatArray, reach_mm: float) -> tuple[FloatArray, FloatArray]:
    """Outward normals (N, 2) and curvature (N,) of a closed loop with metal on its left."""
    reach = min(reach_mm / (perimeter(points) / len(points)), len(points) / 14)
    first = gaussian_filter1d(points, reach, axis=0, order=1, mode="wrap")
    second = gaussian_filter1d(points, reach, axis=0, order=2, mode="wrap")
    speed = np.maximum(np.hypot(first[:, 0], first[:, 1]), 1e-9)
    normals = np.column_stack([first[:, 1], -first[:, 0]]) / speed[:, None]
    return normals, (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / speed**3


def evenly(loop: FloatArray, spacing: float) -> FloatArray:
    """Points about ``spacing`` apart along a closed loop (N, 2), at least twelve."""
    closed = np.vstack([loop, loop[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(12, round(along[-1] / spacing))
    at = np.arange(count) * along[-1] / count
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in (0, 1)])


def perimeter(loop: FloatArray) -> float:
    """Length of a closed loop (N, 2)."""
    return float(np.hypot(*(np.roll(loop, -1, axis=0) - loop).T).sum())


@dataclass(frozen=True, eq=False)
class Strips:
    """The unrolled picture."""

    ratio: NDArray[np.float32]  # (N, K, 3) linear light over paper white; from outside inward
    outside_mm: float  # where column 0 lies, along the normal
    step_mm: float  # from column to column, inward
    seen: NDArray[np.bool_]  # (N,) the whole row lies in the photo

    def offset_mm(self, column: FloatArray) -> FloatArray:
        """Place along the normal of a column."""
        return self.outside_mm - self.step_mm * column


def unroll(
    photo: Photo,
    camera: Camera,
    light: PaperLight,
    contours: Contours,
    *,
    outside_mm: float,
    inside_mm: float,
    step_mm: float,
) -> Strips:
    """Sample the photo along every normal, ``outside_mm`` out to ``inside_mm`` in."""
    count = round((outside_mm + inside_mm) / step_mm) + 1
    depth = outside_mm - step_mm * np.arange(count)
    # The camera is asked at both ends and the middle only: a parabola is exact enough.
    knots = np.array([depth[0], (depth[0] + depth[-1]) / 2, depth[-1]])
    p = contours.points_mm[:, None, :] + knots[None, :, None] * contours.normals[:, None, :]
    px = camera.to_px(p.reshape(-1, 2)).reshape(-1, 3, 2)
    t = np.linspace(0.0, 1.0, count)
    blend = np.stack([(1 - t) * (1 - 2 * t), 4 * t * (1 - t), t * (2 * t - 1)], axis=1)
    at = np.einsum("kj,njc->nkc", blend, px)
    width, height = camera.size_px
    seen = np.isfinite(at).all(axis=(1, 2))
    at = np.nan_to_num(at, nan=-10.0)
    seen &= ((at >= 0) & (at <= np.array([width - 1, height - 1]))).all(axis=(1, 2))
    x0, y0 = np.maximum(np.floor(at.min(axis=(0, 1))).astype(int) - 2, 0)
    x1, y1 = np.ceil(at.max(axis=(0, 1))).astype(int) + 3
    window = photo.rgb[y0:y1, x0:x1]
    # remap holds at most 32767 rows and columns: a long contour is taken piece by piece.
    coded = np.concatenate(
        [
            cv2.remap(
                window,
                (at[a : a + _MOST_ROWS, :, 0] - x0).astype(np.float32),
                (at[a : a + _MOST_ROWS, :, 1] - y0).astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            for a in range(0, len(at), _MOST_ROWS)
        ]
    )
    white = light.white_at(px[:, 1]).astype(np.float32)
    return Strips(linear(coded) / white[:, None, :], outside_mm, step_mm, seen)


def along_loops(values: NDArray[Any], contours: Contours, sigma: float) -> NDArray[Any]:
    """Values (N, ...) smoothed along each loop by a Gaussian of ``sigma`` points."""
    out = np.empty_like(values)
    for loop in contours.loops:
        reach = min(sigma, (loop.stop - loop.start) / 12)
        out[loop] = gaussian_filter1d(values[loop], reach, axis=0, mode="wrap", truncate=3.0)
    return out


def sharpness(
    strips: Strips, contours: Contours, blur_px: float, afar: float = 4.0
) -> NDArray[np.float32]:
    """How abruptly light changes across (N, K), in paper whites per pixel.

    Sharp means steep over the photo's own blur but not over ``afar`` times as much: contact
    shadow is steep at both scales and cancels.
    """
    ratio = along_loops(strips.ratio, contours, 2.0)
    near = gaussian_filter1d(ratio, 1.2 * blur_px, axis=1, order=1, mode="nearest")
    far = gaussian_filter1d(ratio, afar * blur_px, axis=1, order=1, mode="nearest")
    return np.asarray((np.abs(near) - 1.3 * np.abs(far)).max(axis=2))


def outermost_edge(
    strips: Strips, sharp: NDArray[np.float32], contours: Contours, deepest_mm: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The outermost sharp edge as a line down the picture: offset (N,) mm, and where it shows.

    Every place counts for how sharp it is, but a clear edge never for more than one, so
    that the first clear one coming from the paper wins over a stronger one behind it.  The
    best line that does not jump is found by dynamic programming (Viterbi 1967), and runs
    straight on where no edge shows, as under glare as bright as paper.
    """
    count = min(sharp.shape[1], int((strips.outside_mm + deepest_mm) / strips.step_mm))
    held, enough = _held(strips, sharp[:, :count])
    worth = np.clip(held / enough[:, None], 0.0, 1.0) - _DEPTH_COST * np.arange(count)
    path = best_line(worth.astype(np.float32), contours)
    clear = held[np.arange(len(held)), path] >= enough
    return strips.offset_mm(_finer(sharp, path)), clear


def edge_behind(
    strips: Strips,
    sharp: NDArray[np.float32],
    contours: Contours,
    soft: NDArray[np.bool_],
    margin_mm: FloatArray,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The first sharp edge behind a soft one, such as the metal behind its own half shadow.

    ``soft`` (N,) are the rows whose present edge is soft; there, edges are looked for
    ``margin_mm`` (N,) and more inside it.  The others keep theirs and anchor the line.
    Offsets (N,) mm, and where such an edge shows.
    """
    held, enough = _held(strips, sharp)
    depth = -strips.offset_mm(np.arange(sharp.shape[1]).astype(np.float64))
    worth = np.clip(held / enough[:, None], 0.0, 1.0) - _DEPTH_COST * np.arange(sharp.shape[1])
    worth = np.where(depth > margin_mm[:, None], worth, 0.0)
    anchor = np.where(np.abs(depth) < 2.0 * strips.step_mm, 1.0, -1.0)
    worth = np.where(soft[:, None], worth, anchor)
    path = best_line(worth.astype(np.float32), contours)
    offset = strips.offset_mm(_finer(sharp, path))
    clear = held[np.arange(len(held)), path] >= enough
    return offset, soft & clear & (-offset > margin_mm)


def _held(strips: Strips, sharp: NDArray[np.float32]) -> tuple[NDArray[np.float32], FloatArray]:
    """Sharpness with peaks standing out (N, K), and how much makes a clear edge (N,)."""
    # What is left of the paper's noise after smoothing over two rows and 1.2 blurs.
    rows = np.diff(strips.ratio[:, :3].mean(axis=2), axis=0)
    noise = 1.4826 * float(np.median(np.abs(rows))) / np.sqrt(2.0) if len(rows) else 0.0
    held = np.where(_peaks(sharp), sharp, 0.25 * sharp)
    least = max(0.012, 0.75 * noise)
    return held, np.maximum(least, 0.25 * np.minimum(sharp.max(axis=1), 0.2))


def best_line(worth: NDArray[np.float32], contours: Contours) -> NDArray[np.intp]:
    """Column (N,) of the line down (N, K) that is worth most, closed in each loop (Viterbi)."""
    n, count = worth.shape
    steps = np.arange(-_STEEP, _STEEP + 1)
    cost = (_JUMP_COST * np.abs(steps)).astype(np.float32)[:, None]
    path = np.zeros(n, dtype=np.intp)
    for loop in contours.loops:
        own = np.arange(loop.start, loop.stop)
        lap = min(len(own), 40)
        order = np.concatenate([own[-lap:], own, own[:lap]])
        back = np.zeros((len(order), count), dtype=np.int8)
        padded = np.full(count + 2 * _STEEP, -np.inf, dtype=np.float32)
        windows = np.lib.stride_tricks.sliding_window_view(padded, count)
        total = worth[order[0]].copy()
        columns = np.arange(count)
        for i, row in enumerate(order[1:], 1):
            padded[_STEEP : _STEEP + count] = total
            options = windows - cost
            choice = options.argmax(axis=0)
            total = options[choice, columns] + worth[row]
            back[i] = choice
        line = np.empty(len(order), dtype=np.intp)
        line[-1] = int(total.argmax())
        for i in range(len(order) - 1, 0, -1):
            line[i - 1] = line[i] + steps[back[i, line[i]]]
        path[own] = line[lap : lap + len(own)]
    return path


def _peaks(sharp: NDArray[np.float32]) -> NDArray[np.bool_]:
    peak = np.zeros(sharp.shape, dtype=bool)
    peak[:, 1:-1] = (sharp[:, 1:-1] >= sharp[:, :-2]) & (sharp[:, 1:-1] > sharp[:, 2:])
    return peak


def _finer(sharp: NDArray[np.float32], column: NDArray[np.intp]) -> FloatArray:
    """Vertex of the parabola through each row's three values about a column (N,)."""
    rows, c = np.arange(len(sharp)), np.clip(column, 1, sharp.shape[1] - 2)
    a, b, d = sharp[rows, c - 1], sharp[rows, c], sharp[rows, c + 1]
    return np.asarray(c + np.clip(0.5 * (a - d) / np.minimum(a - 2 * b + d, -1e-9), -0.5, 0.5))
