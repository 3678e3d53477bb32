"""Which sheet a lattice belongs to, and which corner of it each corner is.

Every white square is read as if it held a coded mark: its 36 modules are sampled through
a local homography and compared with the white margin round the mark and the black squares
beside it, so that shadow and shading cancel.  Each mark that makes sense votes for a
sheet, a quarter turn and a shift; the winner must then explain the other marks too.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from digitize.photo.tone import linear_table
from digitize.sheets import catalogue, marks
from digitize.sheets.layout import Sheet
from digitize.sighting.corners import FloatArray, sample
from digitize.sighting.lattice import IndexArray, Lattice
from digitize.sighting.local import local_maps

LEAST_CONTRAST = 0.012  # linear light between white and black: below, noise is read
AGREEING_MODULES_WRONG = 4  # of 36: a random word is as near as this in 1 of 10^6 cases
SINGLE_MARK_WRONG = 0  # a lone mark must be read without any fault
INK_RANGE = (0.08, 0.92)  # share of dark modules: a plain or a wholly covered square has none


@dataclass(frozen=True, eq=False)
class MarkReading:
    """The white squares of one lattice as read."""

    ij: IndexArray  # (K, 2) lower left nodes, in the lattice's own coordinates
    dark: NDArray[np.bool_]  # (K, 6, 6) modules, top row first


@dataclass(frozen=True, eq=False)
class Identity:
    """A lattice in sheet coordinates."""

    sheet: Sheet
    lattice: Lattice  # ij are the sheet's nodes; corners that the sheet has not are left out
    marks_read: int
    marks_wrong: int  # legible squares that do not hold the mark they should


def read_marks(lattice: Lattice, grey: NDArray[np.uint8]) -> MarkReading:
    """Sample every white square that touches the lattice in a coded grey picture."""
    corners_of = np.array([(0, 0), (-1, 0), (0, -1), (-1, -1)], np.intp)
    squares = np.unique((lattice.ij[:, None] + corners_of).reshape(-1, 2), axis=0)
    squares = squares[~lattice.dark(squares)]
    maps = local_maps(lattice, squares + 0.5)
    whole = maps.px(squares[:, None] + _WHITE_SQUARE)
    height, width = grey.shape
    inside = ((whole > -0.5) & (whole < (width - 0.5, height - 0.5))).all((1, 2))
    inside &= (maps.reach < 1.0) & (maps.sides_px > 6.0)
    squares, maps = squares[inside], local_maps(lattice, squares[inside] + 0.5)
    if len(squares) == 0:
        return MarkReading(squares, np.zeros((0, 6, 6), bool))

    modules = _light(grey, maps.px(squares[:, None] + _module_points()))
    modules = modules.reshape(len(squares), marks.BITS, -1).mean(2)
    margin = _light(grey, maps.px(squares[:, None] + _margin_points()))
    black = _light(grey, maps.px(squares[:, None] + _black_points()))
    # The margin's plane follows shading; the squares beside a border square may be paper,
    # so black is what the darker two of the four neighbours show.
    plane = margin @ np.linalg.pinv(_affine(_margin_points())).T
    white = plane @ _affine(_module_centres()).T
    level = np.median(margin, axis=1)
    black_level = np.sort(black.reshape(len(squares), 4, -1).mean(2), axis=1)[:, :2].mean(1)
    threshold = white * ((level + black_level) / (2 * np.maximum(level, 1e-6)))[:, None]
    dark = modules < threshold
    legible = level - black_level > LEAST_CONTRAST
    legible &= margin.std(1) < 0.5 * (level - black_level)
    share = dark.mean(1)
    legible &= (share > INK_RANGE[0]) & (share < INK_RANGE[1])
    return MarkReading(squares[legible], dark[legible].reshape(-1, marks.SIDE, marks.SIDE))


def identify(lattice: Lattice, reading: MarkReading) -> Identity | None:
    """The sheet that the marks name, or None when too few of them make sense."""
    votes: Counter[tuple[str, str, int, int, int, int]] = Counter()
    faultless: set[tuple[str, str, int, int, int, int]] = set()
    for (i, j), dark in zip(reading.ij.tolist(), reading.dark, strict=True):
        for turns in range(4):
            mark = marks.read(marks.word_of_grid(np.rot90(dark, turns)))
            if mark is None:
                continue
            column, row = _turned_square((i, j), turns)
            vote = (mark.form, mark.paper, mark.number, turns, mark.column - column, mark.row - row)
            votes[vote] += 1
            if mark.errors <= SINGLE_MARK_WRONG:
                faultless.add(vote)
    best: Identity | None = None
    for vote, count in votes.most_common(4):
        if count < 2 and vote not in faultless:
            continue
        form, paper, number, turns, di, dj = vote
        sheet = catalogue.sheet(form, paper, number)
        identity = _judge(lattice, reading, sheet, turns, (di, dj))
        if identity is not None and (best is None or identity.marks_read > best.marks_read):
            best = identity
    return best


def looks_mirrored(reading: MarkReading) -> bool:
    """Whether the marks make sense when each is read as in a looking glass."""
    votes: Counter[tuple[str, str, int, int]] = Counter()
    for dark in reading.dark:
        for turns in range(4):
            mark = marks.read(marks.word_of_grid(np.rot90(dark[:, ::-1], turns)))
            if mark is not None and mark.errors <= 1:
                votes[mark.form, mark.paper, mark.number, turns] += 1
    return bool(votes) and max(votes.values()) >= 3


def _turned_square(square: tuple[int, int], turns: int) -> tuple[int, int]:
    """Lower left node of a square after the axes turn as ``np.rot90(mark, turns)`` turns it."""
    i, j = square
    for _ in range(turns):
        i, j = -j - 1, i
    return i, j


def _judge(
    lattice: Lattice, reading: MarkReading, sheet: Sheet, turns: int, shift: tuple[int, int]
) -> Identity | None:
    placed = lattice.turned(turns).moved(shift)
    if placed.dark_parity != 0:
        return None
    words = marks.words(sheet)
    right = wrong = 0
    for square, dark in zip(reading.ij.tolist(), reading.dark, strict=True):
        column, row = _turned_square((square[0], square[1]), turns)
        expected = words.get((column + shift[0], row + shift[1]))
        if expected is None:
            continue  # outside the lattice or in the blank: paper, words or the piece
        seen = marks.word_of_grid(np.rot90(dark, turns))
        if (seen ^ expected).bit_count() <= AGREEING_MODULES_WRONG:
            right += 1
        else:
            wrong += 1
    # Squares that the piece covers are read wrongly in any number, so the share may be low;
    # a wrong hypothesis explains no mark but those that voted for it.
    if right == 0 or (right < 3 and wrong > 2 * right):
        return None
    nodes = set(map(tuple, sheet.x_corners().tolist()))
    known = np.array([(i, j) in nodes for i, j in placed.ij.tolist()])
    return Identity(sheet, placed.chosen(known), right, wrong)


def _light(grey: NDArray[np.uint8], at_px: FloatArray) -> FloatArray:
    """Linear light at pixels: half a module's light is half way only there."""
    table = linear_table(np.dtype(np.uint8))
    return np.asarray(np.interp(sample(grey, at_px), np.arange(256.0), table))


_WHITE_SQUARE = np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)])


@cache
def _module_centres() -> FloatArray:
    return marks.module_centres_squares().reshape(-1, 2)


@cache
def _module_points() -> FloatArray:
    """Nine points (36 * 9, 2) in the middle half of each module."""
    step = 0.22 * marks.MODULE_SQUARES
    spots = np.array([(dx, dy) for dx in (-step, 0, step) for dy in (-step, 0, step)])
    return (_module_centres()[:, None] + spots).reshape(-1, 2)


@cache
def _margin_points() -> FloatArray:
    """Points in the white margin between the mark and the edges of its square."""
    along = np.linspace(0.12, 0.88, 7)
    near, far = np.full(7, 0.1), np.full(7, 0.9)
    return np.concatenate(
        [np.column_stack(p) for p in ((along, near), (along, far), (near, along), (far, along))]
    )


@cache
def _black_points() -> FloatArray:
    """Points (4 * 6, 2) in the four squares beside a white one, not far from it."""
    along = np.linspace(0.25, 0.75, 3)
    depths = (0.15, 0.3)
    below = np.array([(x, -d) for d in depths for x in along])
    turned = [below]
    for _ in range(3):
        last = turned[-1] - 0.5
        turned.append(np.column_stack([-last[:, 1], last[:, 0]]) + 0.5)
    return np.concatenate(turned)


def _affine(points: FloatArray) -> FloatArray:
    return np.column_stack([points, np.ones(len(points))])
