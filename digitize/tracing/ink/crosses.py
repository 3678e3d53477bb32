"""Small crosses, upright or slanting: point marks at the crossing of their two arms."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.tracing.ink.drawn_surface import DrawnSurface
from digitize.tracing.ink.loops import Loops
from digitize.tracing.ink.stroke_edges import measure
from digitize.tracing.overview import Overview
from digitize.tracing.traces import TracedMark

FloatArray = NDArray[np.float64]

SMALLEST_MM, LARGEST_MM = 3.0, 15.0
_SQUARE_RAD = np.radians(30.0)  # from a right angle
_UNEVEN = 2.2  # longest over shortest of the four half arms
_LOPSIDED = 1.7  # the same of two half arms that face each other; a t has 2 and more


@dataclass(frozen=True, eq=False)
class Cross:
    """A stroke with four straight half arms about one point."""

    stroke: int
    centre_mm: FloatArray  # (2,) coarse
    tips_mm: FloatArray  # (4, 2) in turn: 0 and 2 are one arm, 1 and 3 the other
    size_mm: float


def as_cross(
    loops: Loops, view: Overview, stroke: int, size_mm: float, pen_mm: float
) -> Cross | None:
    """The cross that a stroke is; None if it is none."""
    if not SMALLEST_MM <= size_mm <= LARGEST_MM * 1.1:
        return None
    rows, columns = loops.box(stroke, 2)
    ink = (loops.stroke[rows, columns] == stroke).astype(np.uint8)
    depth = cv2.distanceTransform(ink, cv2.DIST_L2, 5)
    # Ink is deepest where two strokes cross.
    deep = depth >= 0.92 * depth.max()
    r0, c0 = (float(v.mean()) for v in np.nonzero(deep))
    y, x = np.nonzero(ink)
    dx, dy = x - c0, y - r0
    radius, angle = np.hypot(dx, dy), np.arctan2(-dy, dx)
    clear = radius > 0.8 * pen_mm / view.pitch_mm
    if clear.sum() < 8:
        return None
    tips = _four_arms(radius[clear], angle[clear], pen_mm / view.pitch_mm)
    if tips is None:
        return None
    direction, length = tips
    if length.max() > _UNEVEN * length.min() or length.min() * view.pitch_mm < 1.2:
        return None
    facing = [max(length[k], length[k + 2]) / min(length[k], length[k + 2]) for k in (0, 1)]
    if max(facing) > _LOPSIDED:
        return None
    straight = [abs(_wrapped(direction[k + 2] - direction[k] - np.pi)) for k in (0, 1)]
    first = np.mean([direction[0], _near(direction[2] - np.pi, direction[0])])
    second = np.mean([direction[1], _near(direction[3] - np.pi, direction[1])])
    if (
        max(straight) > np.radians(20.0)
        or abs(abs(_wrapped(second - first)) - np.pi / 2) > _SQUARE_RAD
    ):
        return None
    cells = np.column_stack((c0 + length * np.cos(direction), r0 - length * np.sin(direction)))
    shift = np.array([columns.start - 1.0, rows.start - 1.0])
    centre = view.to_mm(np.array([[c0, r0]]) + shift)[0]
    return Cross(stroke, centre, view.to_mm(cells + shift), size_mm)


def _four_arms(
    radius: FloatArray, angle: FloatArray, pen: float
) -> tuple[FloatArray, FloatArray] | None:
    """Directions and lengths of four half arms in turn, if that is what the ink forms."""
    far = np.percentile(radius, 97)
    outer = radius > max(0.45 * far, 1.2 * pen)
    if outer.sum() < 4:
        return None
    bins = 72
    index = ((angle[outer] + np.pi) / (2 * np.pi) * bins).astype(int) % bins
    filled = np.bincount(index, minlength=bins) > 0
    # Close one-bin holes: thin arms can miss a direction.
    filled |= np.roll(filled, 1) & np.roll(filled, -1)
    if filled.all() or not filled.any():
        return None
    start = int(np.flatnonzero(~filled)[0])
    turned = np.roll(filled, -start)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], turned.astype(int), [0]))))
    runs = edges.reshape(-1, 2)
    if len(runs) != 4:
        return None
    directions, lengths = [], []
    for a, b in runs:
        middle = ((a + b) / 2 + start) / bins * 2 * np.pi - np.pi
        off = np.abs(_wrapped(angle - middle))
        on = off < (b - a + 2) / bins * np.pi
        r = radius[on]
        mean = np.arctan2(np.sum(r * np.sin(angle[on])), np.sum(r * np.cos(angle[on])))
        directions.append(mean)
        lengths.append(r.max())
    d = np.array(directions)
    order = np.argsort(np.mod(d, 2 * np.pi))
    return d[order], np.array(lengths)[order]


def _wrapped(angle: FloatArray | float) -> FloatArray:
    return np.asarray(np.mod(np.asarray(angle) + np.pi, 2 * np.pi) - np.pi)


def _near(angle: float, to: float) -> float:
    return to + float(_wrapped(angle - to))


def fit_mark(surface: DrawnSurface, cross: Cross, pen_mm: float) -> TracedMark:
    """The crossing of the two arms' centre lines, measured clear of the crossing itself."""
    lines = []
    for k in (0, 1):
        a, b = cross.tips_mm[k], cross.tips_mm[k + 2]
        points = []
        for tip in (a, b):
            d = tip - cross.centre_mm
            length = float(np.hypot(*d))
            low, high = min(0.9 * pen_mm, 0.4 * length), length - 0.6 * pen_mm
            if high > low:
                s = np.linspace(low, high, max(4, round((high - low) / 0.15)))
                points.append(cross.centre_mm + d / length * s[:, None])
        along = (b - a) / np.hypot(*(b - a))
        fitted = None
        if points:
            fitted = _arm(surface, np.concatenate(points), along, pen_mm)
        lines.append(fitted or (cross.centre_mm, along, 0.25 * pen_mm))
    (p, d, u_p), (q, e, u_q) = lines
    s = np.linalg.solve(np.column_stack((d, -e)), q - p)
    at = p + d * s[0]
    if np.hypot(*(at - cross.centre_mm)) > pen_mm + 0.5:
        return TracedMark((float(cross.centre_mm[0]), float(cross.centre_mm[1])), 0.3 * pen_mm)
    return TracedMark((float(at[0]), float(at[1])), float(np.hypot(u_p, u_q)))


def _arm(
    surface: DrawnSurface, mm: FloatArray, along: FloatArray, pen_mm: float
) -> tuple[FloatArray, FloatArray, float] | None:
    """A point, the direction and the standard uncertainty of an arm's centre line."""
    px, normal = surface.to_px(mm), surface.normals_px(mm, along)
    width_px = pen_mm / surface.mm_per_px(px, normal)
    edges = measure(surface.image, px, normal, width_px, darker=surface.darker)
    seen = edges.both_ok
    if seen.sum() < 5:
        return None
    offset = (edges.near_px + edges.far_px) / 2
    points = surface.to_mm(px + normal * offset[:, None])[seen]
    for _ in range(3):
        middle = points.mean(axis=0)
        direction = np.linalg.svd(points - middle)[2][0]
        off = (points - middle) @ np.array([-direction[1], direction[0]])
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.01)
        keep = np.abs(off) < 4 * spread
        if keep.all() or keep.sum() < 5:
            break
        points = points[keep]
    # Wobble along an arm is alike over about a pen width, so that far fewer points count.
    independent = max(2.0, np.ptp(points @ direction) / max(pen_mm, 0.5))
    return middle, direction, float(np.std(off) / np.sqrt(independent))
