"""Which sheet a lattice belongs to, and which corner of it each corner is.

Every white square is read as if it held a coded mark: its 36 modules are sampled through
a local homography and compared with the white margin round the mark and the black squares
beside it, so that shadow and shading cancel.  Each mark that makes sense votes for a
sheet, a quarter turn and a shift; the winner must then explain the other marks too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

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
AMPLE_MARKS = 5  # agreeing with one hypothesis: no other needs to be looked at
INK_RANGE = (0.08, 0.92)  # share of dark modules: a plain or a wholly covered square has none


@dataclass(frozen=True, eq=False)
class MarkReading:
    """The white squares of one lattice as read."""

    ij: IndexArray  # (K, 2) lower left nodes, in the lattice's own coordinates
    words: NDArray[np.int64]  # (K, 4) the mark as read in each of four quarter turns
    mirrored: NDArray[np.int64]  # (K, 4) the same, seen as in a mirror


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
        return MarkReading(squares, np.zeros((0, 4), np.int64), np.zeros((0, 4), np.int64))

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
    grids = dark[legible].reshape(-1, marks.SIDE, marks.SIDE)
    return MarkReading(squares[legible], _words(grids), _words(grids[:, :, ::-1]))


def _words(grids: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Words (K, 4) of grids (K, 6, 6) after 0 to 3 quarter turns (``marks.word_of_grid``)."""
    weight = 1 << np.arange(marks.BITS - 1, -1, -1, dtype=np.int64)
    turned = [np.rot90(grids, turns, axes=(1, 2)).reshape(-1, marks.BITS) for turns in range(4)]
    return np.stack([grid @ weight for grid in turned], axis=1)


def identify(lattice: Lattice, reading: MarkReading) -> Identity | None:
    """The sheet that the marks name, or None when too few of them make sense."""
    votes: Counter[_Vote] = Counter()
    faultless: set[_Vote] = set()
    for square, words in zip(reading.ij.tolist(), reading.words.tolist(), strict=True):
        for turns, word in enumerate(words):
            mark = marks.read(word)
            if mark is None:
                continue
            column, row = _turned_square(square, turns)
            shift = mark.column - column, mark.row - row
            vote = _Vote(mark.form, mark.paper, mark.number, turns, shift)
            votes[vote] += 1
            if mark.errors == 0:
                faultless.add(vote)
    best: Identity | None = None
    for vote, count in votes.most_common(3):
        # A lone mark must be read without any fault: then chance is out of the question.
        if count < 2 and vote not in faultless:
            continue
        identity = _judge(lattice, reading, vote)
        if identity is not None and (best is None or identity.marks_read > best.marks_read):
            best = identity
        if best is not None and best.marks_read >= AMPLE_MARKS:
            break
    return best


def looks_mirrored(reading: MarkReading) -> bool:
    """Whether the marks make sense when each is read as in a mirror."""
    votes: Counter[tuple[str, str, int, int]] = Counter()
    for words in reading.mirrored.tolist():
        for turns, word in enumerate(words):
            mark = marks.read(word)
            if mark is not None:
                votes[mark.form, mark.paper, mark.number, turns] += 1
    return bool(votes) and max(votes.values()) >= 3


class _Vote(NamedTuple):
    """Where one mark says that the lattice lies."""

    form: str
    paper: str
    number: int
    turns: int
    shift: tuple[int, int]


def _turned_square(square: Sequence[int], turns: int) -> tuple[int, int]:
    """Lower left node of a square after the axes turn as ``np.rot90(mark, turns)`` turns it."""
    i, j = square
    for _ in range(turns):
        i, j = -j - 1, i
    return i, j


def _judge(lattice: Lattice, reading: MarkReading, vote: _Vote) -> Identity | None:
    placed = lattice.turned(vote.turns).moved(vote.shift)
    if placed.dark_parity != 0:
        return None
    sheet = catalogue.sheet(vote.form, vote.paper, vote.number)
    words = _words_of(sheet)
    right = wrong = 0
    for square, seen in zip(
        reading.ij.tolist(), reading.words[:, vote.turns].tolist(), strict=True
    ):
        column, row = _turned_square(square, vote.turns)
        expected = words.get((column + vote.shift[0], row + vote.shift[1]))
        if expected is None:
            continue  # outside the lattice or in the blank: paper, words or the piece
        if (seen ^ expected).bit_count() <= AGREEING_MODULES_WRONG:
            right += 1
        else:
            wrong += 1
    # Squares that the piece covers are read wrongly in any number, so the share may be low;
    # a wrong hypothesis explains no mark but those that voted for it.
    if right == 0 or (right < 3 and wrong > 2 * right):
        return None
    nodes = nodes_of(sheet)
    known = np.array([(i, j) in nodes for i, j in placed.ij.tolist()])
    return Identity(sheet, placed.chosen(known), right, wrong)


@cache
def nodes_of(sheet: Sheet) -> frozenset[tuple[int, int]]:
    """The sheet's X-corners."""
    return frozenset((int(i), int(j)) for i, j in sheet.x_corners())


@cache
def _words_of(sheet: Sheet) -> dict[tuple[int, int], int]:
    return marks.words(sheet)


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
    points: FloatArray = (_module_centres()[:, None] + spots).reshape(-1, 2)
    return points


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
