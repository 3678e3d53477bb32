"""Edges carried across where nothing could be measured.

Short gaps are joined straight.  Where glare is as bright as the paper, or a shadow begins,
the line found wanders off, and a curve between the directions of the clear edge beside the
gap takes its place; what such a bridge is worth is said in its uncertainty.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter  # type: ignore[attr-defined]

from digitize.tracing.silhouette.edge import Bench, Edge, Reading
from digitize.tracing.silhouette.runs import grown, islands, mostly, stretches
from digitize.tracing.silhouette.strips import Contours, perimeter

FloatArray = NDArray[np.float64]

LARGEST_TURN = 0.9  # rad, of a bridge: more may be a corner
LARGEST_BEND = 1.9  # rad, of one where a shadow begins, which no line found can follow
GLARING = 0.8  # of paper white: metal as bright as that may show no edge against it
_SHORT_GAP_MM = 2.0  # joined straight
_BRIDGED_U_MM, _BRIDGED_MOST_MM = 0.1, 0.5
_BRIDGED_U_PER_MM = 0.1  # from the next measured point


def joined(bench: Bench, edge: Edge, reading: Reading) -> Reading:
    """Stretches that could not be measured carried across from the measured ones beside them."""
    points = bench.camera.to_sheet(reading.points_px)
    spacing = bench.spacing_mm
    ok, carried = reading.ok.copy(), points.copy()
    bright = np.nan_to_num(reading.metal) > GLARING
    for s in edge.contours.loops:
        # A little edge in the middle of nothing may be anything, unless it lies on the way.
        alone = islands(ok[s])
        seen = ok[s] & ~alone
        glare = mostly(bright[s] & ~ok[s], ~seen)
        across = carried_across(points[s], seen, spacing, LARGEST_TURN)
        off = np.hypot(*(across - points[s]).T)
        ok[s] &= ~(alone & glare & (off > _BRIDGED_MOST_MM))
        across = carried_across(points[s], ok[s], spacing, LARGEST_TURN)
        carried[s] = np.where(grown(glare, 3)[:, None], across, points[s])
    moved = np.any(carried != points, axis=1)
    px = reading.points_px.copy()
    px[moved] = bench.camera.to_px(carried[moved])
    return replace(reading, points_px=px, ok=ok)


def carried_across(
    points: FloatArray, clear: NDArray[np.bool_], spacing: float, largest_turn: float
) -> FloatArray:
    """A closed loop (N, 2) with stretches that show no edge replaced by smooth curves.

    Where glare is as bright as the paper the line found wanders into the piece.  A cubic
    that leaves and arrives in the directions of the clear edge carries it across, if these
    directions agree that there is no corner to be lost.
    """
    n = len(points)
    clear = median_filter(clear.astype(np.uint8), min(9, n), mode="wrap") > 0
    if n < 60 or clear.all() or clear.sum() < 0.3 * n:
        return points
    out = points.copy()
    for gap in stretches(~clear):
        if (len(gap) - 1) * spacing < _SHORT_GAP_MM:
            continue
        # The longer the gap, the more edge is asked where it was going.
        base = int(np.clip(len(gap) // 2, 12, 40))
        before = (gap[0] - 2 - np.arange(base, -1, -1)) % n
        after = (gap[-1] + 3 + np.arange(base + 1)) % n
        if not clear[before].all() or not clear[after].all():
            continue
        rows = (gap[0] - 2 + np.arange(len(gap) + 5)) % n
        curve = _cubic(points[before], points[after], len(rows), largest_turn)
        if curve is not None:
            out[rows] = curve
    return out


def _cubic(
    before: FloatArray, after: FloatArray, count: int, largest_turn: float
) -> FloatArray | None:
    """``count`` points from the last of ``before`` to the first of ``after``, smoothly.

    Between directions that are those of a circle the cubic is all but that circle.  None if
    it had to turn by more than ``largest_turn``.
    """
    p, q = before[-1], after[0]
    chord = q - p
    length = float(np.hypot(*chord))
    way_in, way_out = _heading(before), _heading(after)
    if length == 0:
        return None
    turn = sum(np.arccos(np.clip(w @ chord / length, -1.0, 1.0)) for w in (way_in, way_out))
    if turn > largest_turn:
        return None
    pull = length * 2.0 * np.tan(turn / 4.0) / np.sin(turn / 2.0) if turn > 0.01 else length
    t = np.linspace(0.0, 1.0, count)[:, None]
    return np.asarray(
        (2 * t**3 - 3 * t**2 + 1) * p
        + (t**3 - 2 * t**2 + t) * pull * way_in
        + (3 * t**2 - 2 * t**3) * q
        + (t**3 - t**2) * pull * way_out
    )


def _heading(points: FloatArray) -> FloatArray:
    """Unit direction (2,) from the first to the last of some points (N, 2) of an edge."""
    middle = points - points.mean(axis=0)
    along = np.linalg.svd(middle, full_matrices=False)[2][0]
    return np.asarray(along * np.copysign(1.0, (points[-1] - points[0]) @ along))


def straight_across(offset: FloatArray, ok: NDArray[np.bool_], contours: Contours) -> FloatArray:
    """Offsets (N,) with those not measured joined straight between those that are."""
    out = np.zeros(len(offset))
    for loop in contours.loops:
        known = np.flatnonzero(ok[loop])
        if len(known):
            n = loop.stop - loop.start
            out[loop] = np.interp(np.arange(n), known, offset[loop][known], period=n)
    return out


def bridged_u_mm(points: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    """What a bridge is known to (N,), by the distance to what was measured."""
    u = _BRIDGED_U_MM + _BRIDGED_U_PER_MM * _distance_to_known(points, known)
    return np.asarray(np.minimum(u, _BRIDGED_MOST_MM))


def _distance_to_known(points: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    """Distance (N,) along a closed loop to the nearest measured point."""
    step = perimeter(points) / len(points)
    if not known.any():
        return np.full(len(points), step * len(points))
    n, at = len(points), np.flatnonzero(known)
    around = np.concatenate([at - n, at, at + n])
    gap = np.abs(np.arange(n)[:, None] - around[np.searchsorted(around, np.arange(n))][:, None])
    before = np.arange(n) - around[np.searchsorted(around, np.arange(n), side="right") - 1]
    return np.asarray(np.minimum(gap[:, 0], before) * step, dtype=np.float64)
