"""Dashed and dotted lines: short strokes in a row, fitted straight, are bend lines.

Grouping goes by what makes a row look like one line to the eye: the strokes follow one
another on a common straight line, point along it, and their gaps are alike (the cues
reviewed by Plumed et al., Appl. Sci. 14(10), 2024, for drawings without stroke order).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely import LinearRing, LineString

from digitize.tracing.ink.drawn_surface import DrawnSurface
from digitize.tracing.ink.shapes import Shapes
from digitize.tracing.ink.stroke_edges import measure
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


@dataclass(frozen=True, eq=False)
class FittedBend:
    """A bend line, and how much of it rests on dashes."""

    bend: TracedBend
    carried_mm: float  # beyond the last dash, at the worse end
    dashed_share: float  # of its length


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
        found = _rows_through_pairs(_Dashes.of(shapes, np.flatnonzero(free)), pen_mm)
        if not found:
            return rows
        for row in sorted(found, key=lambda r: -len(r.strokes)):
            if free[list(row.strokes)].all():
                rows.append(row)
                free[list(row.strokes)] = False


@dataclass(frozen=True, eq=False)
class _Dashes:
    """Candidates (D,) for one search."""

    stroke: NDArray[np.intp]
    centre_mm: FloatArray  # (D, 2)
    direction: FloatArray  # (D, 2)
    long_mm: FloatArray
    half_mm: FloatArray  # half of what one takes up of its row
    pointed: NDArray[np.bool_]  # dashes, that have a direction; dots have none

    @classmethod
    def of(cls, shapes: Shapes, chosen: NDArray[np.intp]) -> _Dashes:
        long_mm, short_mm = shapes.long_mm[chosen], shapes.short_mm[chosen]
        pointed = long_mm > 2.0 * short_mm
        return cls(
            chosen,
            shapes.centre_mm[chosen],
            shapes.direction[chosen],
            long_mm,
            np.where(pointed, long_mm, (long_mm + short_mm) / 2) / 2,
            pointed,
        )


def _rows_through_pairs(dashes: _Dashes, pen_mm: float) -> list[Row]:
    centre = dashes.centre_mm
    if len(centre) < 2:
        return []
    reach = _WIDEST_GAP_MM + _LONGEST_MM
    distance, other = KDTree(centre).query(centre, k=min(7, len(centre)))
    pairs = {
        (min(i, int(j)), max(i, int(j)))
        for i in range(len(centre))
        for d, j in zip(distance[i], other[i], strict=True)
        if j != i and d < reach
    }
    rows: dict[tuple[int, ...], Row] = {}
    for i, j in sorted(pairs):
        both = {int(dashes.stroke[i]), int(dashes.stroke[j])}
        if any(both <= set(strokes) for strokes in rows):
            continue
        row = _row_through(dashes, i, j, pen_mm)
        if row is not None:
            rows[row.strokes] = row
    return list(rows.values())


def _row_through(dashes: _Dashes, i: int, j: int, pen_mm: float) -> Row | None:
    """The regular row that two neighbours belong to, if there is one."""
    origin = dashes.centre_mm[i]
    along = dashes.centre_mm[j] - origin
    along = along / np.hypot(*along)
    # A short dash's direction is known less well.
    limit = np.where(dashes.long_mm > 4 * pen_mm, _ALIGNED_RAD, 1.7 * _ALIGNED_RAD)
    for _ in range(3):
        across = np.array([-along[1], along[0]])
        member = ~dashes.pointed | (np.abs(dashes.direction @ across) < np.sin(limit))
        offset, place = ((dashes.centre_mm - origin) @ axis for axis in (across, along))
        on = np.flatnonzero(member & (np.abs(offset) < max(0.8 * pen_mm, 0.7)))
        run = _regular_run(on[np.argsort(place[on])], place, dashes.half_mm, (i, j))
        if len(run) < 2:
            return None
        # Follow the row's own direction, so that a long one is not lost at its far end.
        points = dashes.centre_mm[run]
        origin = points.mean(axis=0)
        direction = np.linalg.svd(points - origin)[2][0]
        along = direction if direction @ along > 0 else -direction
    offset = (dashes.centre_mm[run] - origin) @ np.array([-along[1], along[0]])
    place = (dashes.centre_mm[run] - origin) @ along
    start, end = place - dashes.half_mm[run], place + dashes.half_mm[run]
    gaps = start[1:] - end[:-1]
    if end[-1] - start[0] < _LEAST_EXTENT_MM:
        return None
    if len(run) == 2:
        long_mm = dashes.long_mm[run]
        if long_mm.min() < max(3.0, 2.5 * pen_mm) or gaps[0] > long_mm.max():
            return None
        if np.abs(offset).max() > 0.4 * pen_mm:
            return None
    elif np.std(gaps) > _GAP_SPREAD * max(float(np.median(gaps)), pen_mm):
        return None
    return Row(
        tuple(int(k) for k in dashes.stroke[run]),
        origin + along * start[0],
        origin + along * end[-1],
        float(np.median(np.diff(place))),
    )


def _regular_run(
    order: NDArray[np.intp], place: FloatArray, half: FloatArray, pair: tuple[int, int]
) -> NDArray[np.intp]:
    """The part of an ordered row round ``pair`` in which no gap is out of the common."""
    at = [int(k) for k in np.flatnonzero(np.isin(order, pair))]
    if len(at) < 2:
        return order[:0]
    first, last = at
    gaps = (place[order][1:] - half[order][1:]) - (place[order][:-1] + half[order][:-1])
    own = float(np.median(gaps[first:last]))
    longest = float(2 * np.median(half[order[[first, last]]]))
    if own < 0 or own > min(_WIDEST_GAP_MM, max(3.0 * longest, 3.0)):
        return order[:0]
    broken = np.flatnonzero((gaps > max(2.0 * own, own + 1.0)) | (gaps < 0.3 * own - 0.2))
    if ((broken >= first) & (broken < last)).any():
        return order[:0]
    start = broken[broken < first].max(initial=-1) + 1
    stop = broken[broken >= last].min(initial=len(order) - 1)
    return order[start : stop + 1]


def joined(rows: list[Row], shapes: Shapes, outline_mm: FloatArray, pen_mm: float) -> list[Row]:
    """Rows of one piece, those that continue each other made one.

    A dash lost at a crossing or a note between the dashes breaks a row in two.  What lies
    on one line with no edge of the piece between belongs together.
    """
    ring = LinearRing(outline_mm)
    merged = list(rows)
    changed = True
    while changed:
        changed = False
        for i, a in enumerate(merged):
            for b in merged[i + 1 :]:
                both = _joined_pair(a, b, shapes, ring, pen_mm)
                if both is not None:
                    merged = [row for row in merged if row is not a and row is not b] + [both]
                    changed = True
                    break
            if changed:
                break
    return merged


def _joined_pair(a: Row, b: Row, shapes: Shapes, ring: LinearRing, pen_mm: float) -> Row | None:
    strokes = np.array(a.strokes + b.strokes)
    points = shapes.centre_mm[strokes]
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle)[2][0]
    off = (points - middle) @ np.array([-along[1], along[0]])
    if np.abs(off).max() > max(0.8 * pen_mm, 0.7):
        return None
    ends = np.array([a.start_mm, a.end_mm, b.start_mm, b.end_mm])
    place = (ends - middle) @ along
    first, second = sorted(
        (tuple(sorted(place[:2])), tuple(sorted(place[2:]))), key=lambda span: span[0]
    )
    if second[0] > first[1]:
        gap = LineString([middle + along * first[1], middle + along * second[0]])
        if gap.length > 0 and ring.intersects(gap):
            return None
    order = np.argsort((points - middle) @ along)
    return Row(
        tuple(int(k) for k in strokes[order]),
        middle + along * place.min(),
        middle + along * place.max(),
        min(a.pitch_mm, b.pitch_mm),
    )


def fit_bend(
    surface: DrawnSurface,
    row: Row,
    others: list[Row],
    shapes: Shapes,
    outline_mm: FloatArray,
    *,
    pen_mm: float,
) -> FittedBend:
    """The straight line of a row, carried to the outline, or to another row that it ends at.

    Total least squares through the measured middles of the dashes, every dash weighing as
    its length.  The dashes' own scatter about the line, hand wobble included, gives the
    uncertainties.
    """
    points, dash, u_px = _middles(surface, row, shapes, pen_mm)
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
    first = min(float(s.min()), float((row.start_mm - middle) @ along))
    last = max(float(s.max()), float((row.end_mm - middle) @ along))
    start, end = _carried((first, last), (middle, along), outline_mm, others, row.pitch_mm)
    p, q = middle + along * start, middle + along * end
    bend = TracedBend((float(p[0]), float(p[1])), (float(q[0]), float(q[1])), float(u_mm), u_deg, n)
    return FittedBend(bend, max(first - start, end - last), (last - first) / (end - start))


def _middles(
    surface: DrawnSurface, row: Row, shapes: Shapes, pen_mm: float
) -> tuple[FloatArray, NDArray[np.intp], float]:
    """Middles (N, 2) mm across the dashes, which dash each belongs to, and their u in mm."""
    strokes = np.array(row.strokes)
    long_mm, short_mm = shapes.long_mm[strokes], shapes.short_mm[strokes]
    whole = (row.end_mm - row.start_mm) / np.hypot(*(row.end_mm - row.start_mm))
    direction = np.where((long_mm > 2.0 * short_mm)[:, None], shapes.direction[strokes], whole)
    direction = direction * np.sign(direction @ whole)[:, None]
    half = np.maximum(long_mm / 2 - 0.6 * short_mm, 0.15 * short_mm)
    counts = np.maximum(3, np.rint(2 * half / 0.25)).astype(int)
    dash = np.repeat(np.arange(len(strokes)), counts)
    step = np.concatenate([np.linspace(-1.0, 1.0, c) for c in counts])
    mm = shapes.centre_mm[strokes][dash] + direction[dash] * (half[dash] * step)[:, None]
    px, normal = surface.to_px(mm), surface.normals_px(mm, direction[dash])
    scale = surface.mm_per_px(px, normal)
    width = np.minimum(short_mm, 2.2 * pen_mm)[dash]
    edges = measure(surface.image, px, normal, width / scale, darker=surface.darker)
    seen = edges.both_ok
    if seen.sum() < 0.3 * len(seen):
        return shapes.centre_mm[strokes], np.arange(len(strokes)), 0.1
    offset = (edges.near_px + edges.far_px) / 2
    on_sheet = surface.to_mm(px + normal * offset[:, None])
    u = np.median(np.hypot(edges.u_near_px, edges.u_far_px)[seen] / 2 * scale[seen])
    return on_sheet[seen], dash[seen], float(u)


def _carried(
    span: tuple[float, float],
    line: tuple[FloatArray, FloatArray],
    outline_mm: FloatArray,
    others: list[Row],
    pitch_mm: float,
) -> tuple[float, float]:
    """Where a row, spanning ``span`` along the line through a point and a direction, ends:
    at the nearest crossing of the outline, or of another row as near as the next dash."""
    (first, last), (middle, along) = span, line
    ring = LinearRing(outline_mm)
    x0, y0, x1, y1 = ring.bounds
    far = float(np.hypot(x1 - x0, y1 - y0)) + 10.0
    endless = LineString([middle - along * far, middle + along * far])

    def crossings(with_line: LineString) -> FloatArray:
        met = with_line.intersection(endless)
        points = [g.coords[0] for g in getattr(met, "geoms", [met]) if not g.is_empty]
        return np.array([(np.asarray(p) - middle) @ along for p in points])

    # The last dash may overrun the outline a little, or stop short of it by any length.
    overrun = min(pitch_mm, 0.25 * (last - first))
    edge = crossings(ring)
    before, after = edge[edge < first + overrun], edge[edge > last - overrun]
    start = float(before.max()) if before.size else first
    end = float(after.min()) if after.size else last
    reach = 1.5 * pitch_mm + 2.0
    for other in others:
        d = (other.end_mm - other.start_mm) / np.hypot(*(other.end_mm - other.start_mm))
        longer = LineString([other.start_mm - d * reach, other.end_mm + d * reach])
        for at in crossings(longer):
            if first - reach < at < first + overrun and at > start:
                start = float(at)
            if last - overrun < at < last + reach and at < end:
                end = float(at)
    return start, end
