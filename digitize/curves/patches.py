"""New points for eaten stretches of edge, on the line or circle that the sound ones lie on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.curves.damage import Primitive, WornEdge
from digitize.curves.primitives import LineFit
from digitize.pattern.segments import Point

FloatArray = NDArray[np.float64]


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
class Patch:
    """Raw points ``first`` up to before ``last`` (modulo) to be replaced by new ones."""

    first: int
    last: int
    points: FloatArray
    u: FloatArray
    stretch: Stretch


def patched(edge: WornEdge, fit: Primitive, between: list[int]) -> list[Patch]:
    """The stretches between two sound pieces that fall short of their primitive."""
    index = np.concatenate([edge.index[k] for k in between])
    m, n = len(edge.chain), len(edge.samples)
    before, after = (index[0] - 1) % m, (index[-1] + 1) % m
    travel = edge.travel(before, after)
    # A little into the sound pieces too: their ends may be nibbled within the tolerance.
    wide = edge.raw((index[0] - 20) % m, (index[-1] + 20) % m)
    if len(wide) >= n:
        wide = edge.raw(index[0], index[-1])
    p = edge.samples.points_mm[wide]
    off = edge.offsets(fit, p, travel)
    smooth = np.convolve(np.pad(off, 1, mode="edge"), np.ones(3) / 3.0, "valid")
    deep = smooth > edge.tolerance
    near = smooth > 2.0 * max(edge.usual, 0.02 * edge.tolerance)
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
        q, u = along(edge, fit, edge.samples.points_mm[start], edge.samples.points_mm[end])
        if len(q) == 0:
            continue
        depth = float(off[a:b].max())
        length = float(np.hypot(*np.diff(q, axis=0).T).sum()) if len(q) > 1 else 0.0
        stretch = Stretch(point(q[0]), point(q[-1]), length, depth)
        patches.append(Patch(int(wide[a]), int(wide[b - 1] + 1) % n, q, u, stretch))
    return patches


def along(
    edge: WornEdge, fit: Primitive, start: FloatArray, end: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Points on a primitive between the feet of two points (both left out), with their u."""
    step = edge.samples.length_mm / len(edge.samples)
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
    scatter = max(fit.scatter_mm, edge.usual)
    # The fit's weights count raw points; its covariance is per unit weight.
    return q, np.hypot(u * scatter, 0.2 * edge.tolerance)


def point(p: FloatArray) -> Point:
    """A place (2,) as two numbers."""
    return float(p[0]), float(p[1])
