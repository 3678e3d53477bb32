"""The coded mark in every white square: which sheet this is, and which square of it.

A mark is 6 x 6 modules, each a tenth of a square wide, in the middle of its white square,
so that 0.2 square stays white all round it and the X-corners keep clean surroundings.

A *word* is the 36 modules read row by row from the top left (largest y, smallest x), as
the sheet lies with its words upright; the first module read is the highest bit, and a
dark module is a 1.  The upper three rows are the payload (4 bits layout, 6 bits sheet
number, 8 bits white square), the lower three rows check it, and a fixed mask is XORed
over all.

The check makes a binary linear code of 36 bits, 18 of them payload, whose words differ in
at least 8 places; no linear code of that size does better (tables of best known codes,
from memory).  It was picked by a seeded random search among the codes that a quarter turn
of the mark maps onto themselves (quasi-cyclic codes).  Turning a whole mark thus adds
only ``mask XOR turned mask``, and the mask was picked so that this, too, lies at least 6
places from every word.  Two wrong modules are therefore always put right; six must be
wrong before a mark is taken for another, and four before one read in a wrong turn is.
The tests go through all words.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from digitize.sheets import catalogue
from digitize.sheets.layout import Sheet

SIDE = 6
"""Modules along one side of a mark."""

BITS = SIDE * SIDE
MODULE_SQUARES = 0.1
"""Width of a module in squares."""

START_SQUARES = 0.2
"""From the edge of the square to the edge of the mark, in squares."""

RADIUS = 2
"""Wrong modules that ``read`` puts right."""

_PAYLOAD_BITS = 18
_CHECK_BITS = BITS - _PAYLOAD_BITS
_NUMBER_BITS, _SQUARE_BITS = 6, 8
_MASK = 0xC0000E108
_CHECKS = (  # check bits of each payload bit, highest first
    *(0x13541, 0x2A740, 0x2605C, 0x09F91, 0x1CE08, 0x0F6B5),
    *(0x00D8D, 0x06EDB, 0x19A56, 0x34E31, 0x2E2E8, 0x0DCA9),
    *(0x003B3, 0x0AB7D, 0x37B43, 0x07C0F, 0x2E8BD, 0x0EC72),
)
_LAYOUTS: tuple[tuple[catalogue.CodedForm, str], ...] = (  # numbers are for ever: append only
    *(("ring", paper) for paper in ("A4", "Letter", "A3", "A2")),
    *(("card", paper) for paper in ("A4", "Letter", "A3", "A2")),
)


@dataclass(frozen=True, slots=True)
class Mark:
    """What one coded mark says."""

    form: catalogue.CodedForm
    paper: str
    number: int
    column: int
    row: int
    errors: int  # modules that were read wrongly and put right


def word(sheet: Sheet, column: int, row: int) -> int:
    """The word printed in a white square; raises KeyError where there is none."""
    index = _index_of(sheet.form, sheet.paper)[column, row]
    layout = _LAYOUTS.index((catalogue.coded_form(sheet.form), sheet.paper))
    return _encoded((layout << _NUMBER_BITS | sheet.number) << _SQUARE_BITS | index)


def words(sheet: Sheet) -> dict[tuple[int, int], int]:
    """The word of every white square (column, row) of a sheet."""
    return {place: word(sheet, *place) for place in _squares(sheet.form, sheet.paper)}


def read(word: int) -> Mark | None:
    """What a word says, read in the right turn; None if it is no word of any sheet."""
    check = _check(word ^ _MASK) ^ ((word ^ _MASK) & (1 << _CHECK_BITS) - 1)
    wrong = _error_by_syndrome().get(check)
    if wrong is None:
        return None
    payload = (word ^ _MASK ^ wrong) >> _CHECK_BITS
    layout, rest = divmod(payload, 1 << _NUMBER_BITS + _SQUARE_BITS)
    number, index = divmod(rest, 1 << _SQUARE_BITS)
    if layout >= len(_LAYOUTS) or not 1 <= number <= catalogue.MAX_NUMBER:
        return None
    form, paper = _LAYOUTS[layout]
    places = _squares(form, paper)
    if index >= len(places):
        return None
    column, row = places[index]
    return Mark(form, paper, number, column, row, wrong.bit_count())


def module_grid(word: int) -> NDArray[np.bool_]:
    """Dark modules (6, 6) of a word: row 0 on top (largest y), column 0 on the left."""
    bits = [word >> (BITS - 1 - k) & 1 for k in range(BITS)]
    return np.array(bits, dtype=np.bool_).reshape(SIDE, SIDE)


def word_of_grid(dark: NDArray[np.bool_]) -> int:
    """The word of dark modules (6, 6); the inverse of ``module_grid``.

    To try the four turns of a mark in a photo, pass ``np.rot90(dark, k)``.
    """
    return int("".join("1" if bit else "0" for bit in np.asarray(dark).ravel()), 2)


def module_centres_squares() -> NDArray[np.float64]:
    """Centres (6, 6, 2) of the modules as x, y in squares from the square's lower left."""
    along = START_SQUARES + MODULE_SQUARES * (np.arange(SIDE) + 0.5)
    x, y = np.meshgrid(along, along[::-1])
    return np.stack([x, y], axis=-1)


@cache
def _squares(form: str, paper: str) -> tuple[tuple[int, int], ...]:
    """White squares (column, row) in the order of their index: row by row from the lowest."""
    sheet = catalogue.sheet(form, paper, 1)
    return tuple(
        (column, row)
        for row in range(sheet.rows)
        for column in range(sheet.columns)
        if sheet.printed(column, row) and not sheet.black(column, row)
    )


@cache
def _index_of(form: str, paper: str) -> dict[tuple[int, int], int]:
    return {place: index for index, place in enumerate(_squares(form, paper))}


def _check(plain: int) -> int:
    """Check bits that the upper 18 bits of an unmasked word ask for."""
    check = 0
    for k, bits in enumerate(_CHECKS):
        if plain >> (BITS - 1 - k) & 1:
            check ^= bits
    return check


def _encoded(payload: int) -> int:
    plain = payload << _CHECK_BITS
    return (plain | _check(plain)) ^ _MASK


@cache
def _error_by_syndrome() -> dict[int, int]:
    """The wrong modules, as a word, that leave a given difference of the check bits."""
    errors = [0]
    for count in range(1, RADIUS + 1):
        errors += [sum(1 << k for k in places) for places in combinations(range(BITS), count)]
    low = (1 << _CHECK_BITS) - 1
    return {_check(error) ^ (error & low): error for error in errors}
