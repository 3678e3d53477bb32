"""Which sheet a lattice belongs to, and which corner of it each corner is.

Each mark that makes sense by itself votes for a sheet, a quarter turn and a shift; the
winner must then explain other marks too.  Where squares are so small or blurred that
hardly a mark makes sense by itself, all of them are pooled (``pooled``).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np

from digitize.sheets import catalogue, marks
from digitize.sheets.layout import Sheet
from digitize.sighting import pooled
from digitize.sighting.corners import FloatArray
from digitize.sighting.lattice import Lattice
from digitize.sighting.reading import MarkReading

AGREEING = 0.6  # correlation with the word that should be there; chance reaches it once in 3000
AMPLE_MARKS = 5  # agreeing with one hypothesis: no other needs to be looked at
INK_RANGE = (0.08, 0.92)  # share of dark modules: a plain or a wholly covered square has none
MIRRORED_MARKS = 3


@dataclass(frozen=True, eq=False)
class Identity:
    """A lattice in sheet coordinates."""

    sheet: Sheet
    lattice: Lattice  # ij are the sheet's nodes; corners that the sheet has not are left out
    marks_read: int  # squares that hold the mark they should


class _Vote(NamedTuple):
    """Where one mark says that the lattice lies."""

    form: str
    paper: str
    number: int
    turns: int
    shift: tuple[int, int]


def identify(lattice: Lattice, reading: MarkReading) -> Identity | None:
    """The sheet that the marks name, or None when they name none for certain."""
    votes, faultless = _votes(reading)
    best: Identity | None = None
    for vote, count in votes.most_common(3):
        # A lone mark must be read without any fault: then chance is out of the question.
        if count < 2 and vote not in faultless:
            continue
        identity = _judge(lattice, reading, vote)
        if identity is not None and (best is None or identity.marks_read > best.marks_read):
            best = identity
        if best is not None and best.marks_read >= AMPLE_MARKS:
            return best
    place = pooled.place(reading)
    if place is not None:
        vote = _Vote(
            place.sheet.form, place.sheet.paper, place.sheet.number, place.turns, place.shift
        )
        return _placed(lattice, vote, max(_agreeing(reading, vote)[0], 1))
    return best


def looks_mirrored(reading: MarkReading) -> bool:
    """Whether the marks make sense when each is read as in a mirror."""
    votes, _ = _votes(reading.mirrored())
    sheets = Counter[tuple[str, str, int, int]]()
    for vote, count in votes.items():
        sheets[vote[:4]] += count
    return bool(sheets) and max(sheets.values()) >= MIRRORED_MARKS


def _votes(reading: MarkReading) -> tuple[Counter[_Vote], set[_Vote]]:
    """Votes of marks that make sense, and those of them that a faultless mark casts."""
    share = (reading.ink > 0).mean(1)
    inked = (share > INK_RANGE[0]) & (share < INK_RANGE[1])
    reading = MarkReading(reading.ij[inked], reading.ink[inked])
    votes: Counter[_Vote] = Counter()
    faultless: set[_Vote] = set()
    for turns in range(4):
        turned = reading.turned(turns)
        for (column, row), word in zip(turned.ij.tolist(), turned.words(), strict=True):
            mark = marks.read(word)
            if mark is None:
                continue
            shift = mark.column - column, mark.row - row
            vote = _Vote(mark.form, mark.paper, mark.number, turns, shift)
            votes[vote] += 1
            if mark.errors == 0:
                faultless.add(vote)
    return votes, faultless


def _judge(lattice: Lattice, reading: MarkReading, vote: _Vote) -> Identity | None:
    right, wrong = _agreeing(reading, vote)
    # Squares that the piece covers are read wrongly in any number, so the share may be low;
    # a wrong hypothesis explains no mark but those that voted for it.
    if right == 0 or (right < 3 and wrong > 2 * right):
        return None
    return _placed(lattice, vote, right)


def _placed(lattice: Lattice, vote: _Vote, marks_read: int) -> Identity | None:
    placed = lattice.turned(vote.turns).moved(vote.shift)
    if placed.dark_parity != 0:
        return None
    sheet = catalogue.sheet(vote.form, vote.paper, vote.number)
    nodes = nodes_of(sheet)
    known = np.array([(i, j) in nodes for i, j in placed.ij.tolist()])
    return Identity(sheet, placed.chosen(known), marks_read)


def _agreeing(reading: MarkReading, vote: _Vote) -> tuple[int, int]:
    """How many squares hold the mark they should, and how many do not."""
    expected = _ink_of(catalogue.sheet(vote.form, vote.paper, vote.number))
    turned = reading.turned(vote.turns)
    right = wrong = 0
    for square, ink in zip((turned.ij + vote.shift).tolist(), turned.ink, strict=True):
        pattern = expected.get((square[0], square[1]))
        if pattern is None:
            continue  # outside the lattice or in the blank: paper, words or the piece
        seen = ink - ink.mean()
        if pattern @ seen > AGREEING * np.linalg.norm(pattern) * np.linalg.norm(seen):
            right += 1
        else:
            wrong += 1
    return right, wrong


@cache
def nodes_of(sheet: Sheet) -> frozenset[tuple[int, int]]:
    """The sheet's X-corners."""
    return frozenset((int(i), int(j)) for i, j in sheet.x_corners())


@cache
def _ink_of(sheet: Sheet) -> dict[tuple[int, int], FloatArray]:
    """Every mark (36,) of a sheet, its own mean taken off."""
    grids = {place: marks.module_grid(word).ravel() for place, word in marks.words(sheet).items()}
    return {place: grid - grid.mean() for place, grid in grids.items()}
