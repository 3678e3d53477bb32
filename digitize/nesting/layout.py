"""Several blanks laid out on a sheet or an off-cut of any shape, one after the other.

The largest goes first, each as low and then as far left as it fits, in the best of the turns
allowed (bottom-left placement; Baker, Coffman and Rivest 1980, for rectangles).  Where it
fits is found for all places of a grid at once by a convolution with cells taken too large
rather than too small; the place chosen is then slid down and left on the true shapes.
Packing libraries that are kept up pack boxes; an off-cut with a bite out of it is no box.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray

from digitize.errors import DigitizeError, Exit
from digitize.nesting.need import smallest_rectangle
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.region import metal, polygon
from digitize.pattern.segments import FloatArray, Point

CELLS = 360  # of the grid along the sheet's longer side
MOST_PIECES = 200
_SLIDE_STEPS = 12
_CHORD_MM = 0.05
_SIMPLE_MM = 0.1
_TOUCH_MM2 = 1e-6
_MOST_CORNERS = 6000  # pairs tried

Area = shapely.Polygon | shapely.MultiPolygon


class BadLayout(DigitizeError):
    """A sheet, gap or number of pieces that makes no sense."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class Piece:
    """A blank on the sheet: turned about (0, 0), then moved."""

    pattern: Pattern
    turn_deg: float
    move_mm: Point

    @property
    def on_sheet(self) -> Pattern:
        """The blank in the sheet's coordinates."""
        return placed(self.pattern, math.radians(self.turn_deg), self.move_mm)


@dataclass(frozen=True, slots=True)
class Layout:
    """Blanks on a sheet, and those that did not fit."""

    sheet: Area
    pieces: tuple[Piece, ...]
    left_over: tuple[str, ...]

    @property
    def used(self) -> float:
        """Share of the sheet's area that is blank."""
        blanks = sum(float(metal(p.pattern, _CHORD_MM).area) for p in self.pieces)
        return blanks / float(self.sheet.area)


def rectangle_sheet(width_mm: float, height_mm: float) -> Area:
    """A whole sheet, its lower left corner at (0, 0)."""
    if min(width_mm, height_mm) <= 0:
        raise BadLayout("the sheet has no area", do="give its sides as 1000x500")
    return shapely.Polygon([(0.0, 0.0), (width_mm, 0.0), (width_mm, height_mm), (0.0, height_mm)])


def offcut_sheet(offcut: Pattern) -> Area:
    """The metal of an off-cut, as it was traced."""
    return metal(offcut, _CHORD_MM)


def turns_for(blank: Pattern, grain_on_blank_deg: float | None, grain_deg: float) -> list[float]:
    """The turns a blank may be laid in: along the sheet's grain either way round, or squared up
    to the sheet each way where its grain is free."""
    if grain_on_blank_deg is not None:
        turn = grain_deg - grain_on_blank_deg
        return [turn % 360.0, (turn + 180.0) % 360.0]
    square = -smallest_rectangle(blank).direction_deg
    found = [k * 90.0 + s for s in (0.0, square) for k in range(4)]
    return list(dict.fromkeys(round(t % 360.0, 6) for t in found))


def lay_out(
    blanks: Sequence[tuple[Pattern, Sequence[float]]],
    sheet: Area,
    gap_mm: float = 3.0,
    rim_mm: float = 0.0,
) -> Layout:
    """Blanks, each with the turns it may take, on a sheet.

    ``gap_mm`` stays between blanks (kerf included), ``rim_mm`` to the sheet's edge.  Raises
    BadLayout for negative distances and for more than 200 pieces.
    """
    if gap_mm < 0 or rim_mm < 0:
        raise BadLayout("a distance between blanks is below zero", do="give 0 or more")
    if len(blanks) > MOST_PIECES:
        raise BadLayout(f"{len(blanks)} pieces are too many", do=f"lay out at most {MOST_PIECES}")
    free: Area = sheet.buffer(-rim_mm, join_style="mitre") if rim_mm else sheet
    pieces: list[Piece] = []
    left_over: list[str] = []
    order = sorted(range(len(blanks)), key=lambda i: -_area(blanks[i][0]))
    impossible: set[tuple[int, tuple[float, ...]]] = set()  # what did not fit will not fit later
    for i in order:
        pattern, turns = blanks[i]
        key = (id(pattern), tuple(turns))
        piece = None if key in impossible else _placed(pattern, turns, free)
        if piece is None:
            impossible.add(key)
            left_over.append(pattern.name)
            continue
        pieces.append(piece)
        shape = _turned(pattern, piece.turn_deg)
        taken = shapely.affinity.translate(shape, *piece.move_mm).buffer(gap_mm)
        free = free.difference(taken)
    return Layout(sheet, tuple(pieces), tuple(left_over))


def _area(pattern: Pattern) -> float:
    return pattern.outline.signed_area_mm2


def _turned(pattern: Pattern, turn_deg: float) -> shapely.Polygon:
    whole = polygon(pattern.outline, _CHORD_MM)
    turned: shapely.Polygon = shapely.affinity.rotate(whole, turn_deg, origin=(0, 0))
    return turned


def _placed(pattern: Pattern, turns: Sequence[float], free: Area) -> Piece | None:
    """The lowest, then leftmost place over all turns."""
    if free.is_empty:
        return None
    x0, y0, x1, y1 = free.bounds
    cell = max(x1 - x0, y1 - y0) / CELLS
    blocked = 1.0 - _cells(free, (x0, y0), cell, (x1, y1), inside=True)
    best: tuple[float, float, Piece] | None = None
    for turn in turns:
        shape = _turned(pattern, turn)
        for move in (_lowest(shape, free, blocked, (x0, y0), cell), _cornered(shape, free)):
            if move is None:
                continue
            there = shapely.affinity.translate(shape, *move).bounds
            # As high as its upper edge counts: a long side laid level leaves more room above.
            key = round(there[3], 2), round(there[0], 2)
            if best is None or key < best[:2]:
                best = (*key, Piece(pattern, turn, move))
    return None if best is None else best[2]


def _lowest(
    shape: shapely.Polygon,
    free: Area,
    blocked: NDArray[np.float64],
    origin: Point,
    cell: float,
) -> Point | None:
    """The move to the lowest, then leftmost place on the grid, slid close on the true shapes."""
    sx0, sy0, sx1, sy1 = shape.bounds
    mask = _cells(shape, (sx0, sy0), cell, (sx1, sy1), inside=False)
    if mask.shape[0] > blocked.shape[0] or mask.shape[1] > blocked.shape[1]:
        return None
    hits = _blocked_under(mask, blocked)
    rows, columns = np.nonzero(hits < 0.5)
    for row, column in zip(rows[:50].tolist(), columns[:50].tolist(), strict=True):
        move = origin[0] + column * cell - sx0, origin[1] + row * cell - sy0
        if _fits(shape, free, move):
            return _slid(shape, free, move, cell)
    return None


def _blocked_under(mask: NDArray[np.float64], blocked: NDArray[np.float64]) -> FloatArray:
    """How many blocked cells lie under a mask, for every place of it on the grid."""
    (h, w), (mh, mw) = blocked.shape, mask.shape
    size = (h + mh - 1, w + mw - 1)
    both = np.fft.rfft2(blocked, size) * np.fft.rfft2(mask[::-1, ::-1], size)
    return np.asarray(np.fft.irfft2(both, size)[mh - 1 : h, mw - 1 : w])


def _cornered(shape: shapely.Polygon, free: Area) -> Point | None:
    """The lowest, then leftmost place with a corner of the blank in a corner of what is free.

    So a blank that fills a gap to the last millimetre finds its place, which no grid offers.
    """
    own = np.array(shape.simplify(_SIMPLE_MM).exterior.coords)[:-1]
    theirs = shapely.get_coordinates(free.simplify(_SIMPLE_MM))
    if len(own) * len(theirs) > _MOST_CORNERS:
        own = own[shapely.MultiPoint(own).convex_hull.exterior.distance(shapely.points(own)) < 0.1]
    if len(own) * len(theirs) > _MOST_CORNERS:
        return None
    moves = (theirs[:, None, :] - own[None, :, :]).reshape(-1, 2)
    low, high = moves + shape.bounds[:2], moves + shape.bounds[2:]
    x0, y0, x1, y1 = free.bounds
    inside = ((low >= (x0 - 1e-6, y0 - 1e-6)) & (high <= (x1 + 1e-6, y1 + 1e-6))).all(axis=1)
    order = np.lexsort((low[inside, 0], high[inside, 1]))
    for x, y in moves[inside][order].tolist():
        if _fits(shape, free, (x, y)):
            return x, y
    return None


def _slid(shape: shapely.Polygon, free: Area, move: Point, cell: float) -> Point:
    """Down and left, by halves of two cells, as long as it fits."""
    x, y = move
    for dx, dy in ((0.0, -1.0), (-1.0, 0.0), (0.0, -1.0)):
        step = 2.0 * cell
        for _ in range(_SLIDE_STEPS):
            tried = x + dx * step, y + dy * step
            if _fits(shape, free, tried):
                x, y = tried
            else:
                step /= 2.0
    return x, y


def _fits(shape: shapely.Polygon, free: Area, move: Point) -> bool:
    # Not shapely.covers: GEOS 3.14.1 was seen to say yes for a polygon wholly outside.
    there = shapely.affinity.translate(shape, *move)
    return bool(there.difference(free).area <= _TOUCH_MM2)


def _cells(
    area: Area, low: Point, cell: float, high: Point, *, inside: bool
) -> NDArray[np.float64]:
    """Cells wholly inside an area (1), or touched by it at all; rows upward."""
    w = max(1, math.ceil((high[0] - low[0]) / cell + 1e-9))
    h = max(1, math.ceil((high[1] - low[1]) / cell + 1e-9))
    fine = 4
    image = np.zeros((h * fine, w * fine), np.uint8)
    for part in _polygons(area):
        rings = [part.exterior, *part.interiors]
        points = [
            np.round((np.array(r.coords) - low) / cell * fine * 16 - 8).astype(np.int32)
            for r in rings
        ]
        cv2.fillPoly(image, points, 1, shift=4)
        rim = 0 if inside else 1
        cv2.polylines(image, points, True, rim, 1, shift=4)
    blocks = image.reshape(h, fine, w, fine)
    full = blocks.min(axis=(1, 3)) if inside else blocks.max(axis=(1, 3))
    return np.asarray(full, dtype=np.float64)


def _polygons(area: Area) -> Iterable[shapely.Polygon]:
    parts = getattr(area, "geoms", [area])
    return [p for p in parts if p.geom_type == "Polygon" and not p.is_empty]
