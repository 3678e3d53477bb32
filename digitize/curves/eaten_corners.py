"""Eaten corners of an edge, brought back to where their two edges cross.

What is left of the metal shows whether the corner was sharp; else it gets the widest fillet
that cuts none of it off.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.curves.damage import Primitive, Run, WornEdge
from digitize.curves.patches import Patch, Stretch, along, point
from digitize.curves.primitives import CircleFit, LineFit

FloatArray = NDArray[np.float64]

FLATTEST_CORNER_RAD = math.radians(10.0)
CORNER_PIECES = 3
LEAST_FILLET_MM = 1.0


def corners(edge: WornEdge, runs: list[Run]) -> list[Patch]:
    """Eaten corners between neighbouring runs, brought to where their edges cross.

    A short run in the middle of damage is damage.
    """
    n = len(edge.pieces)
    long = [
        run
        for run in runs
        if float(edge.length[[k % n for k in run.members]].sum()) >= 2.0 * edge.options.sound_mm
    ]
    ends = sorted(
        ((run.members[0] % n, run.members[-1] % n, run) for run in long), key=lambda e: e[0]
    )
    patches = []
    for (_, last, run), (first, _, nxt) in zip(ends, ends[1:] + ends[:1], strict=True):
        between = [(last + 1 + k) % n for k in range((first - last - 1) % n)]
        if run is nxt or not between or edge.made(between):
            continue
        if len(between) <= CORNER_PIECES and not edge.ragged(between):
            continue  # a fillet or a chamfer
        patch = _corner(edge, run.primitive, nxt.primitive, between)
        if patch is not None:
            patches.append(patch)
    return patches


def _corner(edge: WornEdge, one: Primitive, two: Primitive, between: list[int]) -> Patch | None:
    """The way from one primitive to the next over where they meet, if rust explains it."""
    index = np.concatenate([edge.index[k] for k in between])
    m, n = len(edge.chain), len(edge.samples)
    raw = edge.raw(index[0], index[-1])
    start = edge.samples.points_mm[(raw[0] - 1) % n]
    end = edge.samples.points_mm[(raw[-1] + 1) % n]
    corner = _meeting(one, two, (start + end) / 2.0, 2.0 * edge.tolerance)
    if corner is None:
        return None
    t1 = _tangent(one, corner, edge.travel((index[0] - 12) % m, index[0]))
    t2 = _tangent(two, corner, edge.travel(index[-1], (index[-1] + 12) % m))
    ahead, back = float((corner - start) @ t1), float((end - corner) @ t2)
    if min(ahead, back) < -0.5 or not 0.0 < ahead + back <= edge.options.longest_mm:
        return None
    p = edge.chain.points_mm[index]
    off1, off2 = edge.offsets(one, p, t1), edge.offsets(two, p, t2)
    turn = t1[0] * t2[1] - t1[1] * t2[0]
    # Metal is where both are positive at a corner that sticks out, either at one that
    # goes in.
    out = turn * edge.metal > 0.0
    inside = np.minimum(off1, off2) if out else np.maximum(off1, off2)
    depth = float(inside.max())
    if depth > edge.options.deepest_mm or depth < 2.0 * edge.tolerance:
        return None
    if bool((inside < -edge.allowed[index]).any()):
        return None
    before, after, top = corner, corner, corner[None, :]
    if float(np.hypot(*(p - corner).T).min()) > edge.options.corner_mm:
        # It may well have been round.
        both_lines = isinstance(one, LineFit) and isinstance(two, LineFit)
        raw_points = edge.samples.points_mm[raw]
        top = _fillet(edge, corner, (t1, t2), (ahead, back), raw_points) if out else top[:0]
        if not both_lines or len(top) == 0:
            return None
        before, after = top[0], top[-1]
    q1, u1 = along(edge, one, start, before)
    q2, u2 = along(edge, two, after, end)
    q = np.vstack((q1, top, q2))
    least_sure = max(u1.max(initial=0.0), u2.max(initial=0.0), 0.2 * edge.tolerance)
    if len(top) > 1:
        least_sure = max(least_sure, edge.tolerance)  # its radius is the largest possible
    u = np.concatenate((u1, np.full(len(top), least_sure), u2))
    if float(u.max()) > 4.0 * edge.tolerance:
        return None  # too far from what is known of the edges
    length = max(ahead, 0.0) + max(back, 0.0)
    if len(top) > 1:
        rebuilt = shapely.LineString(q)
        length = float(rebuilt.length)
        depth = float(shapely.distance(shapely.points(p), rebuilt).max())
    rounded = len(top) > 1
    room = float(np.hypot(*(top - corner).T).min()) if rounded else 0.0
    stretch = Stretch(point(q[0]), point(q[-1]), length, depth, True, rounded, room)
    return Patch(int(raw[0]), int(raw[-1] + 1) % n, q, u, stretch)


def _fillet(
    edge: WornEdge,
    corner: FloatArray,
    tangents: tuple[FloatArray, FloatArray],
    room_mm: tuple[float, float],
    points: FloatArray,
) -> FloatArray:
    """Points of the widest tangent fillet of an outer corner that cuts no metal off.

    Rust only takes away: the true radius is no larger, and the true edge lies between
    this arc and the corner.  None (0, 2) when the metal left stands in a sharper corner
    than any fillet worth the name.
    """
    t1, t2 = tangents
    turn = math.atan2(float(t1[0] * t2[1] - t1[1] * t2[0]), float(t1 @ t2))
    slope = math.tan(abs(turn) / 2.0)
    normal = np.array([-t1[1], t1[0]]) * math.copysign(1.0, turn)
    e = points - corner
    # The sound edges run up to where the damage begins: the arc begins no earlier.
    widest = min(room_mm) / max(slope, 1e-9)
    slack = max(3.0 * edge.usual, 0.2 * edge.tolerance)

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
    step = edge.samples.length_mm / len(edge.samples)
    angles = np.linspace(0.0, abs(turn), max(int(low * abs(turn) / step), 3) + 1)[:, None]
    centre = corner - reach * t1 + low * normal
    return np.asarray(centre - low * normal * np.cos(angles) + low * t1 * np.sin(angles))


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
