"""Ends of drawn lines, and which small gaps between them are closed.

The rule: two ends are joined when the gap is at most three line widths or 5 mm, whichever
is more, and each end points at the other within 30 degrees; or when the gap is at most one
and a half line widths, whichever way they point (a pen lifted at a corner).  An end is
joined to the side of a line it points at over at most one and a half line widths.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.morphology import skeletonize

from digitize.tracing.ink.loops import Loops
from digitize.tracing.overview import Overview

FloatArray = NDArray[np.float64]

_GAP_WIDTHS, _GAP_MM = 3.0, 5.0
_CORNER_WIDTHS = 1.5
_POINTING_RAD = np.radians(30.0)
_ROUND = np.array([(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)])


@dataclass(frozen=True, eq=False)
class End:
    """Where a drawn line stops."""

    stroke: int
    tip_mm: FloatArray  # (2,) the last of the ink
    outward: FloatArray  # (2,) unit vector on the sheet, the way the pen was going
    cell: tuple[int, int]  # column, row of the centre line's last cell, on the overview


@dataclass(frozen=True, eq=False)
class Bridge:
    """A gap that was closed."""

    start_mm: FloatArray  # (2,)
    end_mm: FloatArray  # (2,)

    @property
    def length_mm(self) -> float:
        """Length of the gap."""
        return float(np.hypot(*(self.end_mm - self.start_mm)))

    @property
    def middle_mm(self) -> FloatArray:
        """Its middle (2,)."""
        return np.asarray((self.start_mm + self.end_mm) / 2)


def longest_gap_mm(pen_mm: float) -> float:
    """The widest gap that is closed between two ends that point at each other."""
    return max(_GAP_WIDTHS * pen_mm, _GAP_MM)


def find_ends(loops: Loops, view: Overview, strokes: list[int], pen_mm: float) -> list[End]:
    """All ends of the given strokes, whiskers shorter than the pen's width left out."""
    ends = []
    look = max(4, round(2.5 * pen_mm / view.pitch_mm))
    for stroke in strokes:
        rows, columns = loops.box(stroke, 2)
        ink = loops.stroke[rows, columns] == stroke
        thin = skeletonize(ink)
        depth = cv2.distanceTransform(ink.astype(np.uint8), cv2.DIST_L2, 5)
        neighbours = cv2.filter2D(thin.astype(np.uint8), -1, np.ones((3, 3), np.uint8)) - 1
        for r, c in np.argwhere(thin & (neighbours == 1)):
            path = _walk(thin, (int(r), int(c)), look)
            if len(path) < min(look, 1.0 * pen_mm / view.pitch_mm):
                continue
            trail = np.array(path, dtype=float)
            back = trail[-1] - trail[0]
            size = float(np.hypot(*back))
            if size < 1.0:
                continue
            outward = np.array([-back[1], back[0]]) / size  # row, column to x, y up
            cell = (int(c) + columns.start - 1, int(r) + rows.start - 1)
            centre = view.to_mm(np.array([cell], dtype=float))[0]
            tip = centre + outward * max(float(depth[r, c]) - 0.5, 0.0) * view.pitch_mm
            ends.append(End(stroke, tip, outward, cell))
    return ends


def _walk(thin: NDArray[np.bool_], start: tuple[int, int], steps: int) -> list[tuple[int, int]]:
    """Cells (row, column) along a skeleton from its end to the first fork."""
    path, before = [start], {start}
    for _ in range(steps):
        r, c = path[-1]
        ahead = [
            (r + int(dr), c + int(dc))
            for dr, dc in _ROUND
            if 0 <= r + dr < thin.shape[0]
            and 0 <= c + dc < thin.shape[1]
            and thin[r + dr, c + dc]
            and (r + dr, c + dc) not in before
        ]
        straight = [p for p in ahead if p[0] == r or p[1] == c] or ahead
        if not straight or len(ahead) > 2:
            break
        path.append(straight[0])
        before.update(ahead)
    return path


def find_bridges(
    loops: Loops, view: Overview, ends: list[End], pen_mm: float
) -> tuple[list[Bridge], list[End]]:
    """Gaps to close by the rule, narrowest first, and the ends that stay open."""
    pairs = []
    for i, a in enumerate(ends):
        for j in range(i + 1, len(ends)):
            b = ends[j]
            between = b.tip_mm - a.tip_mm
            gap = float(np.hypot(*between))
            if gap > longest_gap_mm(pen_mm):
                continue
            toward = between / max(gap, 1e-9)
            pointing = min(float(a.outward @ toward), float(-b.outward @ toward))
            if pointing >= np.cos(_POINTING_RAD) or gap <= _CORNER_WIDTHS * pen_mm:
                pairs.append((gap, i, j))
    bridges, taken = [], set()
    for _, i, j in sorted(pairs):
        if i in taken or j in taken:
            continue
        taken |= {i, j}
        bridges.append(Bridge(ends[i].tip_mm, ends[j].tip_mm))
    still_open = []
    for i, end in enumerate(ends):
        if i in taken:
            continue
        side = _side_ahead(loops, view, end, pen_mm)
        if side is None:
            still_open.append(end)
        else:
            bridges.append(Bridge(end.tip_mm, side))
    return bridges, still_open


def _side_ahead(loops: Loops, view: Overview, end: End, pen_mm: float) -> FloatArray | None:
    far = _CORNER_WIDTHS * pen_mm
    s = np.arange(0.5 * view.pitch_mm, far, 0.5 * view.pitch_mm)
    points = end.tip_mm + end.outward * s[:, None]
    cells = np.rint(view.to_cells(points)).astype(int) + 1
    rows, columns = loops.ink.shape
    inside = (
        (cells[:, 0] >= 0) & (cells[:, 1] >= 0) & (cells[:, 0] < columns) & (cells[:, 1] < rows)
    )
    cells, points = cells[inside], points[inside]
    ink = loops.ink[cells[:, 1], cells[:, 0]] > 0
    bare = np.flatnonzero(~ink)
    if not len(bare):
        return None
    hit = np.flatnonzero(ink[bare[0] :])
    return np.asarray(points[bare[0] + hit[0]]) if len(hit) else None


def closed_over(
    ink: NDArray[np.uint8], view: Overview, bridges: list[Bridge], pen_mm: float
) -> NDArray[np.uint8]:
    """The overview's ink with the bridges drawn in."""
    drawn = ink.copy()
    thick = max(2, round(pen_mm / view.pitch_mm))
    for bridge in bridges:
        along = (bridge.end_mm - bridge.start_mm) / max(bridge.length_mm, 1e-9)
        start, end = bridge.start_mm - along * pen_mm / 2, bridge.end_mm + along * pen_mm / 2
        a, b = np.rint(view.to_cells(np.array([start, end])) * 16).astype(int)
        p, q = (int(a[0]), int(a[1])), (int(b[0]), int(b[1]))
        cv2.line(drawn, p, q, 1, thick, shift=4)
    return drawn
