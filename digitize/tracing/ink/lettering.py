"""Handwriting told from drawing: small strokes side by side, not round, not regular.

A loop such as o, a or 8 must not become an opening, nor a t a point mark.  What gives
writing away is its company: neighbours of the same height, closer than they are tall.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.tracing.ink.loops import Loops
from digitize.tracing.ink.shapes import Shapes

FloatArray = NDArray[np.float64]

_TALLEST_MM = 14.0
_ALIKE = 2.3  # taller over lower


def in_writing(
    loops: Loops,
    shapes: Shapes,
    stroke: int,
    others: NDArray[np.bool_],
    round_loops: NDArray[np.bool_],
    *,
    pitch_mm: float,
    close: float = 0.7,
) -> bool:
    """Whether a small stroke stands in a line of writing.

    ``others`` (S,) are the strokes that may be letters: neither outline nor dashed line.
    ``round_loops`` (S,) are clean round loops, which keep each other company in rows of
    holes and so do not by themselves make each other letters.  ``close`` is how near a
    letter stands to the next, ink to ink, in heights of the taller.
    """
    # A word written in one go is as tall as its letters, however long it is.
    size = np.where(shapes.size_mm > _TALLEST_MM, shapes.short_mm, shapes.size_mm)
    if shapes.size_mm[stroke] > _TALLEST_MM:
        return False
    x0, y0, x1, y1 = shapes.box_mm[stroke]
    b = shapes.box_mm
    gap = np.maximum(np.maximum(b[:, 0] - x1, x0 - b[:, 2]), np.maximum(b[:, 1] - y1, y0 - b[:, 3]))
    taller, lower = np.maximum(size, size[stroke]), np.minimum(size, size[stroke])
    reach = close * taller
    near = others & (taller < _ALIKE * lower) & (taller < _TALLEST_MM)
    near[stroke] = False
    if round_loops[stroke]:
        near &= ~round_loops
        # A clean circle with a note beside it is a hole unless it is no taller than the note.
        near &= size[stroke] < 1.3 * size
        reach = np.minimum(reach, 0.45 * size[stroke])
    near &= gap < reach
    return any(
        _ink_gap_mm(loops, stroke, int(other), float(reach[other]), pitch_mm) < reach[other]
        for other in np.flatnonzero(near)
    )


def _ink_gap_mm(loops: Loops, stroke: int, other: int, reach_mm: float, pitch_mm: float) -> float:
    """Shortest way from one stroke's ink to another's; infinite beyond ``reach_mm``."""
    rows, columns = loops.box(stroke, int(reach_mm / pitch_mm) + 2)
    label = loops.stroke[rows, columns]
    away = (label != other).astype(np.uint8)
    if away.all():
        return float("inf")
    distance = cv2.distanceTransform(away, cv2.DIST_L2, 5)
    return float(distance[label == stroke].min() - 1.0) * pitch_mm


def is_clean_loop(loops: Loops, shapes: Shapes, stroke: int, pitch_mm: float) -> tuple[bool, bool]:
    """Whether a stroke is one closed line without tails, and whether it is round besides."""
    faces = loops.inner_faces(stroke)
    if not faces:
        return False, False
    area = loops.face_area[faces].astype(float)
    if area[1:].sum() > 0.08 * area[0]:
        return False, False
    rows, columns = loops.box(stroke, 2)
    zone = np.isin(loops.zone[rows, columns], faces).astype(np.uint8)
    contours, _ = cv2.findContours(zone, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(contours, key=len)
    length, inside = cv2.arcLength(line, True), cv2.contourArea(line)
    if inside <= 0 or length <= 0:
        return False, False
    roundness = 4 * np.pi * inside / (0.95 * length) ** 2  # a chain of cells is 5 % too long
    ink = shapes.area_mm2[stroke] / pitch_mm**2
    # Ink that the loop itself does not account for is a tail.
    near_line = np.zeros_like(zone)
    pen = max(ink / max(0.95 * length, 1.0), 1.0)
    cv2.drawContours(near_line, [line], -1, 1, max(1, round(1.5 * pen)))
    tail = np.count_nonzero((loops.stroke[rows, columns] == stroke) & (near_line == 0))
    clean = bool(tail < 0.12 * ink)
    return clean, bool(clean and roundness > 0.85)
