"""Dashed and dotted lines: short strokes in a row, fitted straight, are bend lines.

Grouping goes by what makes a row look like one line to the eye: the strokes follow one
another on a common straight line, point along it, and their gaps are alike (the cues
reviewed by Plumed et al., Appl. Sci. 14(10), 2024, for drawings without stroke order).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import LinearRing, LineString

from digitize.camera.camera import Camera
from digitize.tracing.closed_line import mm_per_px_along, to_px
from digitize.tracing.shapes import Shapes
from digitize.tracing.stroke_edges import measure
from digitize.tracing.traces import TracedBend

FloatArray = NDArray[np.float64]

_LONGEST_MM = 30.0  # of one dash
_WIDEST_GAP_MM = 12.0
_GAP_SPREAD = 0.6  # of the median gap, that the gaps of one line may vary by
_LEAST_EXTENT_MM = 8.0
_ALIGNED_RAD = np.radians(15.0)


@dataclass(frozen=True, eq=False)
class Row:
    """Strokes that make one dashed line, in order along it."""

    strokes: tuple[int, ...]
    start_mm: FloatArray  # (2,) where the first dash begins
    end_mm: FloatArray  # (2,)
    pitch_mm: float  # median distance from dash to dash


def looks_like_dash(shapes: Shapes, pen_mm: float) -> NDArray[np.bool_]:
    """Strokes (S,) that can be a dash or a dot: short, straight, about a pen wide, no loop."""
    full = shapes.area_mm2 / np.maximum(shapes.long_mm * shapes.short_mm, 1e-9)
    dot = (shapes.long_mm < 2.6 * pen_mm) & (shapes.long_mm < 1.7 * shapes.short_mm)
    dash = (shapes.short_mm < 1.9 * pen_mm) & (shapes.long_mm < _LONGEST_MM)
    fits = (dot | dash) & (full > 0.6) & (shapes.loops == 0) & (shapes.area_mm2 > 0.1)
    fits[0] = False
    return np.asarray(fits)


def find_rows(shapes: Shapes, candidates: NDArray[np.bool_], pen_mm: float) -> list[Row]:
    """Rows of dashes or dots among the candidates, longest first; no stroke in two rows."""
    free = candidates.copy()
    rows: list[Row] = []
    while True:
        best: Row | None = None
        for row in _rows_through_pairs(shapes, np.flatnonzero(free), pen_mm):
            if best is None or len(row.strokes) > len(best.strokes):
                best = row
        if best is None:
            return rows
        rows.append(best)
        free[list(best.strokes)] = False


def _rows_through_pairs(shapes: Shapes, chosen: NDArray[np.intp], pen_mm: float) -> list[Row]:
    if len(chosen) < 2:
        return []
    centre = shapes.centre_mm[chosen]
    reach = _WIDEST_GAP_MM + _LONGEST_MM
    distance, other = cKDTree(centre).query(centre, k=min(7, len(chosen)))
    pairs = {
        (min(i, int(j)), max(i, int(j)))
        for i in range(len(chosen))
        for d, j in zip(distance[i], other[i], strict=True)
        if j != i and np.isfinite(d) and d < reach
    }
    rows, seen = [], set()
    for i, j in sorted(pairs):
        along = centre[j] - centre[i]
        along = along / np.hypot(*along)
        row = _row_on(shapes, chosen, centre[i], along, pen_mm, (i, j))
        if row is not None and row.strokes not in seen:
            seen.add(row.strokes)
            rows.append(row)
    return rows


def _row_on(
    shapes: Shapes,
    chosen: NDArray[np.intp],
    origin: FloatArray,
    along: FloatArray,
    pen_mm: float,
    pair: tuple[int, int],
) -> Row | None:
    across = np.array([-along[1], along[0]])
    long_mm = shapes.long_mm[chosen]
    pointed = long_mm > 2.0 * shapes.short_mm[chosen]
    turn = np.abs(shapes.direction[chosen] @ across)
    limit = np.where(long_mm > 4 * pen_mm, np.sin(_ALIGNED_RAD), np.sin(1.7 * _ALIGNED_RAD))
    member = ~pointed | (turn < limit)
    if not (member[pair[0]] and member[pair[1]]):
        return None
    near = max(0.8 * pen_mm, 0.7)
    for _ in range(3):
        offset = (shapes.centre_mm[chosen] - origin) @ across
        place = (shapes.centre_mm[chosen] - origin) @ along
        half = np.where(pointed, long_mm, (long_mm + shapes.short_mm[chosen]) / 2) / 2
        on = np.flatnonzero(member & (np.abs(offset) < near))
        order = on[np.argsort(place[on])]
        run = _regular_run(order, place, half, pair)
        if len(run) < 2:
            return None
        # Follow the row's own direction, so that a long one is not lost at its far end.
        points = shapes.centre_mm[chosen[run]]
        middle = points.mean(axis=0)
        direction = np.linalg.svd(points - middle)[2][0]
        along = direction if direction @ along > 0 else -direction
        across = np.array([-along[1], along[0]])
        origin = middle
    offset = (shapes.centre_mm[chosen[run]] - origin) @ across
    place = (shapes.centre_mm[chosen[run]] - origin) @ along
    start, end = place - half[run], place + half[run]
    gaps = start[1:] - end[:-1]
    extent = float(end[-1] - start[0])
    long_dashes = bool((long_mm[run] > max(3.0, 2.5 * pen_mm)).all())
    if extent < _LEAST_EXTENT_MM or len(run) < (2 if long_dashes else 3):
        return None
    if len(run) == 2 and (gaps[0] > long_mm[run].max() or np.abs(offset).max() > 0.4 * pen_mm):
        return None
    spread = float(np.std(gaps)) if len(gaps) > 1 else 0.0
    if spread > _GAP_SPREAD * max(float(np.median(gaps)), pen_mm):
        return None
    return Row(
        tuple(int(k) for k in chosen[run]),
        origin + along * start[0],
        origin + along * end[-1],
        float(np.median(np.diff(place))),
    )


def _regular_run(
    order: NDArray[np.intp], place: FloatArray, half: FloatArray, pair: tuple[int, int]
) -> NDArray[np.intp]:
    """The part of an ordered row round ``pair`` in which no gap is out of the common."""
    if len(order) < 2:
        return order
    gaps = (place[order][1:] - half[order][1:]) - (place[order][:-1] + half[order][:-1])
    position = {int(k): i for i, k in enumerate(order)}
    if pair[0] not in position or pair[1] not in position:
        return order[:0]
    first, last = sorted((position[pair[0]], position[pair[1]]))
    own = float(np.median(gaps[first:last]))
    longest = float(2 * np.median(half[order[[first, last]]]))
    if own < 0 or own > min(_WIDEST_GAP_MM, max(3.0 * longest, 3.0)):
        return order[:0]
    broken = np.flatnonzero((gaps > max(2.0 * own, own + 1.0)) | (gaps < 0.3 * own - 0.2))
    inside = broken[(broken >= first) & (broken < last)]
    if len(inside):
        return order[:0]
    start = broken[broken < first].max(initial=-1) + 1
    stop = broken[broken >= last].min(initial=len(order) - 1)
    return order[start : stop + 1]


def fit_bend(
    image: NDArray[np.float32],
    camera: Camera,
    row: Row,
    shapes: Shapes,
    outline_mm: FloatArray,
    height_mm: float,
    pen_mm: float,
    *,
    darker: bool,
) -> tuple[TracedBend, float]:
    """The straight line of a row, carried to the outline; and how far it was carried, mm.

    Total least squares through the measured middles of the dashes, every dash weighing as
    its length.  The dashes' own scatter about the line, hand wobble included, gives the
    uncertainties.
    """
    points, dash, u_px = _middles(image, camera, row, shapes, height_mm, pen_mm, darker=darker)
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle)[2][0]
    along = along if along @ (row.end_mm - row.start_mm) > 0 else -along
    across = np.array([-along[1], along[0]])
    s, e = (points - middle) @ along, (points - middle) @ across
    n = len(row.strokes)
    weight = np.bincount(dash, minlength=n).astype(float)
    used = weight > 0
    place = np.bincount(dash, s, n)[used] / weight[used]
    offset = np.bincount(dash, e, n)[used] / weight[used]
    weight = weight[used] / weight[used].sum()
    free = max(int(used.sum()) - 2, 1)
    scatter = np.sqrt(float(weight @ offset**2) * used.sum() / free)
    # Two dashes always lie on one line: a hand's usual wobble stands in for their scatter.
    scatter = max(scatter, u_px, 0.15 if used.sum() < 3 else 0.0)
    lever = np.sqrt(float(weight @ place**2))
    u_mm = scatter / np.sqrt(used.sum())
    u_deg = float(np.degrees(u_mm / max(lever, 1e-6)))
    start, end, carried = _carry(
        middle + along * min(float(s.min()), float((row.start_mm - middle) @ along)),
        middle + along * max(float(s.max()), float((row.end_mm - middle) @ along)),
        along,
        outline_mm,
        row.pitch_mm,
    )
    bend = TracedBend(
        (float(start[0]), float(start[1])), (float(end[0]), float(end[1])), float(u_mm), u_deg, n
    )
    return bend, carried


def _middles(
    image: NDArray[np.float32],
    camera: Camera,
    row: Row,
    shapes: Shapes,
    height_mm: float,
    pen_mm: float,
    *,
    darker: bool,
) -> tuple[FloatArray, NDArray[np.intp], float]:
    """Middles (N, 2) mm across the dashes, which dash each belongs to, and their u in mm."""
    along = row.end_mm - row.start_mm
    along = along / np.hypot(*along)
    starts, ends = [], []
    for k in row.strokes:
        pointed = shapes.long_mm[k] > 2.0 * shapes.short_mm[k]
        direction = shapes.direction[k] if pointed else along
        direction = direction if direction @ along > 0 else -direction
        half = max(shapes.long_mm[k] / 2 - 0.6 * shapes.short_mm[k], 0.15 * shapes.short_mm[k])
        starts.append(shapes.centre_mm[k] - direction * half)
        ends.append(shapes.centre_mm[k] + direction * half)
    counts = [
        max(3, round(float(np.hypot(*(e - s))) / 0.25)) for s, e in zip(starts, ends, strict=True)
    ]
    mm = np.concatenate(
        [
            s + (e - s) * np.linspace(0, 1, c)[:, None]
            for s, e, c in zip(starts, ends, counts, strict=True)
        ]
    )
    which = np.repeat(np.arange(len(counts)), counts)
    forward = np.repeat(
        [(e - s) / max(np.hypot(*(e - s)), 1e-9) for s, e in zip(starts, ends, strict=True)],
        counts,
        axis=0,
    )
    px = to_px(camera, mm, height_mm)
    step = to_px(camera, mm + 0.1 * forward, height_mm) - px
    step = step / np.hypot(*step.T)[:, None]
    normal = np.column_stack((step[:, 1], -step[:, 0]))
    scale = mm_per_px_along(camera, px, normal, height_mm)
    width = np.repeat([min(shapes.short_mm[k], 2.2 * pen_mm) for k in row.strokes], counts)
    edges = measure(image, px, normal, width / scale, darker=darker)
    seen = edges.both_ok
    if seen.sum() < 0.3 * len(seen):
        return shapes.centre_mm[list(row.strokes)], np.arange(len(row.strokes)), 0.1
    offset = (edges.near_px + edges.far_px) / 2
    on_sheet = camera.to_sheet(px + normal * offset[:, None], height_mm)
    u = np.median(np.hypot(edges.u_near_px, edges.u_far_px)[seen] / 2 * scale[seen])
    return on_sheet[seen], which[seen], float(u)


def _carry(
    start: FloatArray,
    end: FloatArray,
    along: FloatArray,
    outline_mm: FloatArray,
    pitch_mm: float,
) -> tuple[FloatArray, FloatArray, float]:
    """Ends moved to the outline crossings nearest to them, and the farther of the two moves.

    The last dash may overrun the outline a little, or stop short of it by any length.
    """
    ring = LinearRing(outline_mm)
    x0, y0, x1, y1 = ring.bounds
    far = float(np.hypot(x1 - x0, y1 - y0)) + 10.0
    middle = (start + end) / 2
    crossing = ring.intersection(LineString([middle - along * far, middle + along * far]))
    points = [g.coords[0] for g in getattr(crossing, "geoms", [crossing]) if not g.is_empty]
    at = np.sort([(np.asarray(p) - middle) @ along for p in points]) if points else np.empty(0)
    first, last = float((start - middle) @ along), float((end - middle) @ along)
    overrun = min(pitch_mm, 0.25 * (last - first))
    before, after = at[at < first + overrun], at[at > last - overrun]
    s = float(before.max()) if before.size else first
    e = float(after.min()) if after.size else last
    return middle + along * s, middle + along * e, max(first - s, e - last)
