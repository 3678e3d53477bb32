"""Where pages of a pattern join, and the lay marks by which they are laid on one another."""

from __future__ import annotations

import math

import shapely
from shapely.geometry.base import BaseGeometry

from digitize.files.paper.tiling import Page, Tiling
from digitize.pattern.segments import Point

LAY_MARK_MM = 3.0  # radius


def seams(tiling: Tiling) -> list[tuple[Point, Point]]:
    """The stretches where two printed pages meet, lower or left end first."""
    pages = set(tiling.pages)
    found = []
    for page in tiling.pages:
        x0, y0, x1, y1 = tiling.core(page)
        if Page(page.row, page.column + 1) in pages:
            found.append(((x1, y0), (x1, y1)))
        if Page(page.row + 1, page.column) in pages:
            found.append(((x0, y0), (x1, y0)))
    return found


def lay_marks(tiling: Tiling, lines: BaseGeometry) -> list[Point]:
    """Where every lay mark of a tiling goes."""
    return [p for start, end in seams(tiling) for p in seam_marks(start, end, lines)]


def seam_marks(start: Point, end: Point, lines: BaseGeometry) -> list[Point]:
    """Two lay marks on a seam, toward its ends, where they keep clear of the part's lines."""
    span = math.dist(start, end)
    marks = []
    for nominal, low, high in ((0.15, 0.05, 0.45), (0.85, 0.55, 0.95)):
        candidates = [low + (high - low) * i / 20 for i in range(21)]

        def merit(t: float, nominal: float = nominal) -> tuple[float, float]:
            at = _along(start, end, t)
            return min(lines.distance(shapely.Point(at)), 7.0), -abs(t - nominal) * span

        marks.append(_along(start, end, max(candidates, key=merit)))
    return marks


def _along(start: Point, end: Point, t: float) -> Point:
    return start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1])
