"""How a part is spread over pages of paper.

Each page shows a window of the pattern.  Neighbouring windows overlap; the *seam*, in the
middle of the overlap, is where one page is trimmed and laid on the next.  Rows carry
letters from the top, columns numbers from the left.  Pages that hold nothing of the part
are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from digitize.errors import DigitizeError, Exit
from digitize.pattern.extent import Box, extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.segments import FloatArray

PAPERS_MM: dict[str, tuple[float, float]] = {
    "A4": (210.0, 297.0),  # ISO 216
    "A3": (297.0, 420.0),
    "A2": (420.0, 594.0),
    "A1": (594.0, 841.0),
    "A0": (841.0, 1189.0),
    "Letter": (215.9, 279.4),  # ANSI/ASME Y14.1
    "Legal": (215.9, 355.6),
    "Tabloid": (279.4, 431.8),
}

MARGIN_MM = 10.0  # home printers leave 4 to 7 mm blank (printer manuals)
FOOT_MM = 26.0  # least strip for check bar, notes, key and page map, and the gap over it
AIR_MM = 3.0  # between the part and the end of the outermost windows
MOST_PAGES = 200

Orientation = Literal["portrait", "landscape"]


class TooManyPages(DigitizeError):
    """The part would take an absurd heap of paper."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class Page:
    """One sheet of paper: which row and column it is, counted from the top left."""

    row: int
    column: int

    @property
    def label(self) -> str:
        """Row letter and column number: A1 is the top left page."""
        letters, row = "", self.row
        while row >= 0:
            letters, row = chr(ord("A") + row % 26) + letters, row // 26 - 1
        return f"{letters}{self.column + 1}"


@dataclass(frozen=True, slots=True)
class Tiling:
    """The pages of one part; coordinates are the pattern's."""

    paper_mm: tuple[float, float]  # width, height, as the page is turned
    orientation: Orientation
    rows: int
    columns: int
    left_mm: float  # of the first column's window
    top_mm: float  # of the first row's window
    window_mm: tuple[float, float]
    overlap_mm: float
    pages: tuple[Page, ...]  # in reading order, empty ones left out
    foot_mm: float = FOOT_MM

    def window(self, page: Page) -> Box:
        """What a page shows."""
        w, h = self.window_mm
        x0 = self.left_mm + page.column * (w - self.overlap_mm)
        y1 = self.top_mm - page.row * (h - self.overlap_mm)
        return x0, y1 - h, x0 + w, y1

    def core(self, page: Page) -> Box:
        """The page's own share: its window up to the seams."""
        x0, y0, x1, y1 = self.window(page)
        half = self.overlap_mm / 2
        return (
            x0 + half if page.column > 0 else x0,
            y0 + half if page.row < self.rows - 1 else y0,
            x1 - half if page.column < self.columns - 1 else x1,
            y1 - half if page.row > 0 else y1,
        )


def part_area(pattern: Pattern) -> BaseGeometry:
    """The part with its bend lines and marks, as an area for laying out (not for cutting)."""
    area = shapely.make_valid(shapely.Polygon(pattern.outline.points_mm(0.05)))
    lines = [shapely.LineString([b.start_mm, b.end_mm]) for b in pattern.bends]
    lines += [shapely.LineString([s.start_mm, s.end_mm]) for s in pattern.scribes]
    marks = [shapely.Point(m.at_mm).buffer(3.0) for m in pattern.marks]
    whole: BaseGeometry = shapely.union_all([area, *lines, *marks])
    return whole


def tile(
    pattern: Pattern,
    paper_mm: tuple[float, float],
    overlap_mm: float,
    orientation: Orientation | None = None,
    beyond_mm: Sequence[FloatArray] = (),
    *,
    foot_mm: float = FOOT_MM,
) -> Tiling:
    """The tiling with the fewest pages; upright paper where both ways take the same.

    ``beyond_mm`` are polylines (K, 2) off the part that are to be shown too.
    Raises TooManyPages where more than ``MOST_PAGES`` are needed.
    """
    area, box = part_area(pattern), extent_mm(pattern)
    if beyond_mm:
        area = shapely.union_all([area, *(shapely.LineString(way) for way in beyond_mm)])
        low = np.minimum(box[:2], area.bounds[:2])
        high = np.maximum(box[2:], area.bounds[2:])
        box = float(low[0]), float(low[1]), float(high[0]), float(high[1])
    shapely.prepare(area)
    ways: tuple[Orientation, ...] = ("portrait", "landscape")
    tried = [
        _tile(area, box, paper_mm, overlap_mm, way, foot_mm=foot_mm)
        for way in ways
        if orientation in (None, way)
    ]
    return min(tried, key=lambda tiling: len(tiling.pages))


def _tile(
    area: BaseGeometry,
    box: Box,
    paper_mm: tuple[float, float],
    overlap_mm: float,
    orientation: Orientation,
    *,
    foot_mm: float,
) -> Tiling:
    short, long = sorted(paper_mm)
    width, height = (short, long) if orientation == "portrait" else (long, short)
    window = (width - 2 * MARGIN_MM, height - 2 * MARGIN_MM - foot_mm)
    x0, y0, x1, y1 = box
    columns, spare_x = _count(x1 - x0, window[0], overlap_mm)
    rows, spare_y = _count(y1 - y0, window[1], overlap_mm)
    if rows * columns > 20 * MOST_PAGES:
        _refuse(rows * columns)
    left, top = x0 - spare_x / 2, y1 + spare_y / 2
    empty = Tiling(
        (width, height), orientation, rows, columns, left, top, window, overlap_mm, (), foot_mm
    )
    cells = [Page(row, column) for row in range(rows) for column in range(columns)]
    held = {p for p in cells if area.intersects(shapely.box(*empty.core(p)))}
    if len(held) > MOST_PAGES:
        _refuse(len(held))
    return replace(empty, pages=tuple(p for p in cells if p in held))


def _count(size_mm: float, window_mm: float, overlap_mm: float) -> tuple[int, float]:
    """Windows needed in one direction, and what they reach beyond the part."""
    needed = size_mm + 2 * AIR_MM - overlap_mm
    count = max(1, math.ceil(needed / (window_mm - overlap_mm) - 1e-9))
    return count, count * (window_mm - overlap_mm) + overlap_mm - size_mm


def _refuse(pages: int) -> None:
    raise TooManyPages(
        f"the paper pattern would take {pages} pages",
        do="choose larger paper, or send the DXF to a plotter or a cutter",
    )
