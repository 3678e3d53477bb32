"""A closed drawn line as the edge of a piece: measured across, mended, put on its side.

The centre line comes first.  Where the width is the pen's width it is midway between the
two measured edges.  Where something touches or crosses the line the width departs, and the
edge that still runs true carries it on at half a width; round a sharp turn that is the
outer edge, which a round nib draws exactly half a width from its centre.  The piece's edge,
if it is not the centre, is then measured once more along its own normals.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (  # type: ignore[attr-defined]
    binary_closing,
    gaussian_filter1d,
    median_filter,
)
from scipy.spatial import KDTree
from shapely import Polygon

from digitize.tracing.ink.drawn_surface import DrawnSurface
from digitize.tracing.ink.stroke_edges import StrokeEdges, measure, measure_one
from digitize.tracing.traces import BRIDGED, MEASURED, TracedLoop

FloatArray = NDArray[np.float64]
LineSide = Literal["inside", "centre", "outside"]

_SPACING_PX = 2.0
_MOST_POINTS = 8000
_AVERAGED_MM = 0.5  # along the line, at most, where a rough surface makes the edges noisy
_TURN_RAD = np.radians(25.0)


@dataclass(frozen=True, eq=False)
class ClosedLine:
    """The measured centre line of a closed stroke, counter-clockwise in sheet mm."""

    points_px: FloatArray  # (N, 2)
    points_mm: FloatArray  # (N, 2)
    u_mm: FloatArray  # (N,) of the centre
    width_mm: FloatArray  # (N,) smoothed width of the stroke
    measured: NDArray[np.bool_]  # (N,) at least one edge was seen
    blur_px: float
    contrast: FloatArray  # (N,) linear light that the ink takes away
    mm_per_px: float

    def hidden(self) -> list[tuple[FloatArray, float]]:
        """Middle (2,) mm and length mm of every stretch without a measured edge."""
        stretches = []
        for run in _runs(~self.measured):
            points = self.points_mm[run]
            length = float(np.hypot(*np.diff(points, axis=0).T).sum())
            stretches.append((points[len(points) // 2], length))
        return stretches


def measure_closed(
    surface: DrawnSurface, coarse_mm: FloatArray, width_mm: float
) -> ClosedLine | None:
    """The centre line of a stroke near a coarse closed line (N, 2); None if it is no stroke."""
    mm = _smoothed(resampled(anticlockwise(coarse_mm), 0.15), 2.0)
    px = surface.to_px(mm)
    length_px = float(np.hypot(*(np.roll(px, -1, axis=0) - px).T).sum())
    px = resampled(px, max(_SPACING_PX, length_px / _MOST_POINTS))
    normal = outward_normals(px)
    scale = surface.mm_per_px(px, normal)
    edges = measure(
        surface.image,
        px,
        normal,
        width_mm / scale,
        darker=surface.darker,
        slack_px=6.0,
        average=_AVERAGED_MM / (_SPACING_PX * float(np.median(scale))),
    )
    if edges.both_ok.mean() < 0.25:
        return None
    centre, width_px, u, measured = _centre(edges, px, scale)
    points = px + normal * centre[:, None]
    if measured.any():
        points, u = _carried_over(points, u, measured, float(np.median(width_px)))
    points_mm = surface.to_mm(points)
    return ClosedLine(
        points,
        points_mm,
        u * scale,
        width_px * scale,
        measured,
        edges.blur_px,
        edges.expected,
        float(np.median(scale)),
    )


def put_on_side(
    surface: DrawnSurface, line: ClosedLine, toward: Literal["in", "centre", "out"]
) -> TracedLoop:
    """The closed line's inner edge, centre or outer edge as a traced loop.

    "in" and "out" are as seen from the middle of the loop, whatever the loop stands for.
    """
    width = float(np.median(line.width_mm))

    def loop(points_px: FloatArray, u_mm: FloatArray, measured: NDArray[np.bool_]) -> TracedLoop:
        evidence = np.where(measured, MEASURED, BRIDGED).astype(np.uint8)
        blur_mm = line.blur_px * line.mm_per_px
        return TracedLoop(surface.to_mm(points_px), points_px, u_mm, evidence, blur_mm, width)

    if toward == "centre":
        return loop(line.points_px, line.u_mm, line.measured)
    half = width / 2
    polygon = Polygon(line.points_mm).buffer(0)
    moved = (
        polygon.buffer(-half, join_style="mitre", mitre_limit=3.0)
        if toward == "in"
        else polygon.buffer(half)
    )
    if moved.geom_type == "MultiPolygon":
        moved = max(moved.geoms, key=lambda g: g.area)
    if moved.is_empty:
        moved = polygon
    ring = anticlockwise(np.asarray(moved.exterior.coords)[:-1])
    px = surface.to_px(resampled(ring, 0.1))
    length_px = float(np.hypot(*(np.roll(px, -1, axis=0) - px).T).sum())
    px = resampled(px, max(_SPACING_PX, length_px / _MOST_POINTS))
    normal = outward_normals(px)
    scale = surface.mm_per_px(px, normal)
    _, nearest = KDTree(line.points_mm).query(surface.to_mm(px))
    seen, u = line.measured[nearest], line.u_mm[nearest]
    expected = (line.width_mm[nearest] / 2 - half) / scale * (-1.0 if toward == "in" else 1.0)
    width_px = width / line.mm_per_px
    if width_px > 4.0 * line.blur_px:
        reach = float(np.clip(0.6 * width_px, 3.0 * line.blur_px, 4.0 * line.blur_px + 3.0))
        offset, u_edge, ok = measure_one(
            surface.image,
            px + normal * expected[:, None],
            normal,
            blur_px=line.blur_px,
            contrast=line.contrast[nearest],
            reach_px=reach,
            darker=surface.darker,
            ink_behind=toward == "out",
            average=_AVERAGED_MM / (_SPACING_PX * line.mm_per_px),
        )
        around = max(5, 2 * round(2.0 * width_px / _SPACING_PX) + 1)
        trend = median_filter(np.where(ok, offset, 0.0), min(around, len(ok) | 1), mode="wrap")
        tolerance = np.maximum(0.12 * width_px, 0.08 / scale)
        true = ok & (np.abs(offset - trend) < tolerance) & seen
        expected = expected + np.where(true, offset, np.clip(trend, -tolerance, tolerance))
        u = np.where(true, u_edge * scale, np.hypot(u, 0.1 * width))
    return loop(px + normal * expected[:, None], u, seen)


def _centre(
    edges: StrokeEdges, px: FloatArray, scale: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Offset (N,) px of the centre line, width px, the centre's deviation, where it was seen."""
    n = len(px)
    usual = float(np.median(edges.width_px[edges.both_ok]))
    width = _trend(np.where(edges.both_ok, edges.width_px, usual), usual, 12.0)
    width = gaussian_filter1d(width, 2.0 * usual / _SPACING_PX, mode="wrap")
    middle = (edges.near_px + edges.far_px) / 2
    u_middle = np.hypot(edges.u_near_px, edges.u_far_px) / 2
    # What touches the line widens it on one side and pulls the middle over.  A hand that
    # presses unevenly widens it on both sides and leaves the middle where it is.
    pen_wide = np.abs(edges.width_px - width) < np.maximum(0.15 * width, 0.06 / scale)
    calm = np.abs(middle - _trend(np.where(edges.both_ok, middle, 0.0), usual, 8.0))
    balanced = (calm < np.maximum(0.06 * width, 0.03 / scale)) & (
        np.abs(edges.width_px - width) < 0.45 * width
    )
    even = edges.both_ok & (pen_wide | balanced)
    if even.sum() < 3:
        return np.where(edges.both_ok, middle, 0.0), width, u_middle, edges.both_ok
    turn = _turn(px, float(np.median(width)))
    straight = even & (np.abs(turn) < _TURN_RAD)
    base = straight if straight.sum() >= 3 else even
    index = np.arange(n)
    trend = np.interp(index, index[base], middle[base], period=n)
    from_near, from_far = edges.near_px + width / 2, edges.far_px - width / 2
    loose = 0.3 * width + 1.0
    near_fits = edges.near_ok & (np.abs(from_near - trend) < loose)
    far_fits = edges.far_ok & (np.abs(from_far - trend) < loose)
    near_is_better = np.abs(from_near - trend) <= np.abs(from_far - trend)
    use_near = near_fits & (near_is_better | ~far_fits)
    use_far = far_fits & ~use_near
    centre = np.where(use_near, from_near, np.where(use_far, from_far, trend))
    u = np.where(use_near, edges.u_near_px, edges.u_far_px)
    u = np.where(use_near | use_far, np.hypot(u, 0.05 * width), 0.15 * width)
    measured = use_near | use_far
    centre, u = np.where(even, middle, centre), np.where(even, u_middle, u)
    measured |= even
    # Round a sharp turn the outer edge is half a nib from the centre; the inner one is not.
    sharp = np.abs(turn) >= _TURN_RAD
    left = sharp & (turn > 0) & edges.far_ok  # a convex corner: the far edge is outside
    right = sharp & (turn < 0) & edges.near_ok
    wide = np.abs(edges.width_px - width) < width
    for chosen, value, deviation in (
        (left & wide, from_far, edges.u_far_px),
        (right & wide, from_near, edges.u_near_px),
    ):
        # Farther off than a corner's rounding, it is the edge of something that joins there.
        chosen = chosen & ~even & (np.abs(value - trend) < loose)  # noqa: PLW2901
        centre[chosen] = value[chosen]
        u[chosen] = np.hypot(deviation, 0.05 * width)[chosen]
        measured |= chosen
    # Between two clean arms of a corner the ink is there to see, though neither edge is half
    # a nib from its centre.
    arm = max(3, round(usual / _SPACING_PX))
    inked = edges.contrast > 0.5 * edges.expected
    for run in _runs(~measured):
        beside = np.concatenate((run[0] - 1 - np.arange(arm), run[-1] + 1 + np.arange(arm))) % n
        corner = sharp[run].mean() > 0.5 and len(run) < 2 * arm
        if corner and (even | sharp)[beside].all() and inked[run].mean() > 0.5:
            measured[run] = True
    # A jump of a few points is the edge of something else, taken for the stroke's.
    calm = median_filter(centre, 9, mode="wrap")
    jump = np.abs(centre - calm) > np.maximum(0.2 * width, 1.0)
    centre[jump], u[jump] = calm[jump], np.hypot(u, 0.15 * width)[jump]
    return centre, width, u, measured


def _runs(chosen: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Indices of every unbroken run of chosen points round a closed line."""
    n = len(chosen)
    if chosen.all() or not chosen.any():
        return [np.arange(n)] if chosen.any() else []
    first = int(np.flatnonzero(~chosen)[0])
    turned = np.roll(chosen, -first).astype(int)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], turned, [0])))).reshape(-1, 2)
    return [(np.arange(a, b) + first) % n for a, b in edges]


def _carried_over(
    points: FloatArray, u: FloatArray, measured: NDArray[np.bool_], width_px: float
) -> tuple[FloatArray, FloatArray]:
    """Points and deviations with unseen stretches carried over as smooth cubics.

    The coarse line under them may follow whatever hid the stroke; the measured line on
    either side does not.  A stretch that turns too much to be one smooth curve stays, and a
    point or two between measured ones lie on the line between those.
    """
    points, u = points.copy(), u.copy()
    n, back = len(points), max(3, round(2.0 * width_px / _SPACING_PX))
    # Specks of sure edge between long unseen stretches are most likely no edge of the stroke.
    gap = max(1, round(0.5 * width_px / _SPACING_PX))
    turned = -int(np.flatnonzero(measured)[0])
    closed = binary_closing(np.roll(~measured, turned), np.ones(gap + 1), border_value=0)
    hidden = np.roll(closed, -turned)
    for run in _runs(hidden):
        u[run] = np.hypot(u[run], 0.15 * _SPACING_PX * _from_ends(len(run)))
        before, after = (run[0] - 1 - np.arange(back)) % n, (run[-1] + 1 + np.arange(back)) % n
        if len(run) < 3:
            t = (np.arange(1, len(run) + 1) / (len(run) + 1))[:, None]
            points[run] = (1 - t) * points[before[0]] + t * points[after[0]]
            continue
        before, after = before[measured[before]], after[measured[after]]
        if min(len(before), len(after)) < 0.6 * back:
            continue
        p, q = points[before[0]], points[after[0]]
        chord = float(np.hypot(*(q - p)))
        leave, arrive = points[before[0]] - points[before[-1]], points[after[-1]] - points[after[0]]
        leave, arrive = leave / np.hypot(*leave), arrive / np.hypot(*arrive)
        if min(leave @ (q - p), arrive @ (q - p)) < 0.7 * chord:
            continue
        t = (np.arange(1, len(run) + 1) / (len(run) + 1))[:, None]
        points[run] = (
            (2 * t**3 - 3 * t**2 + 1) * p
            + (t**3 - 2 * t**2 + t) * chord * leave
            + (3 * t**2 - 2 * t**3) * q
            + (t**3 - t**2) * chord * arrive
        )
    return points, u


def _from_ends(n: int) -> FloatArray:
    """Steps (n,) from each point of a stretch to the nearer measured point beside it."""
    return np.minimum(np.arange(1, n + 1), np.arange(n, 0, -1)).astype(np.float64)


def _trend(values: FloatArray, width_px: float, widths: float) -> FloatArray:
    """Running median (N,) over some stroke widths round a closed line."""
    window = 2 * round(widths * width_px / _SPACING_PX / 2) + 1
    return np.asarray(median_filter(values, int(np.clip(window, 7, len(values) | 1)), mode="wrap"))


def _turn(px: FloatArray, width_px: float) -> FloatArray:
    """Angle (N,) turned through over about one pen width each way, positive outward-convex."""
    k = max(2, round(0.8 * width_px / _SPACING_PX) + 1)
    ahead = np.roll(px, -k, axis=0) - px
    behind = px - np.roll(px, k, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    angle = np.arctan2(cross, (behind * ahead).sum(axis=1))
    return np.asarray(angle * np.sign(signed_area(px)))


def signed_area(points: FloatArray) -> float:
    """Shoelace area of a closed line (N, 2), positive when it runs counter-clockwise."""
    x, y = points[:, 0], points[:, 1]
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)


def anticlockwise(points: FloatArray) -> FloatArray:
    """The same closed line (N, 2), counter-clockwise."""
    return points if signed_area(points) > 0 else points[::-1]


def resampled(points: FloatArray, spacing: float) -> FloatArray:
    """A closed line (N, 2) with points evenly spaced along it."""
    closed = np.vstack((points, points[:1]))
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))))
    n = max(8, round(along[-1] / spacing))
    at = np.arange(n) * along[-1] / n
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in (0, 1)])


def _smoothed(points: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(gaussian_filter1d(points, sigma, axis=0, mode="wrap"))


def outward_normals(px: FloatArray, sigma: float = 1.5) -> FloatArray:
    """Unit normals (N, 2) of a closed line, pointing away from what it encloses."""
    smooth = _smoothed(px, sigma)
    along = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
    normal = np.column_stack((along[:, 1], -along[:, 0])) * np.sign(signed_area(px))
    return np.asarray(normal / np.maximum(np.hypot(*normal.T), 1e-12)[:, None])
