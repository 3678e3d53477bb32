"""A lattice's sheet, turn and shift from marks that are partly covered, wrong or mirrored."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from digitize.sheets import catalogue, marks
from digitize.sheets.layout import Sheet
from digitize.sighting.identify import identify, looks_mirrored
from digitize.sighting.lattice import Lattice
from digitize.sighting.reading import MarkReading

SHEETS = [("ring", "A4", 7), ("card", "Letter", 40), ("ring", "A3", 1), ("card", "A2", 63)]
PITCH = 20.0


def seen_from(sheet: Sheet, turns: int, by: tuple[int, int]) -> tuple[Lattice, MarkReading]:
    """A sheet's corners and marks with axes that mean nothing; pixels tell the true node."""
    nodes = sheet.x_corners()
    lattice = Lattice(nodes * PITCH, nodes, 0).turned(turns).moved(by)
    words = marks.words(sheet)
    places = np.array(list(words), np.intp)
    ink = np.array([np.where(marks.module_grid(w).ravel(), 1.0, -1.0) for w in words.values()])
    turned = MarkReading(places, ink).turned(turns)
    return lattice, MarkReading(turned.ij + by, turned.ink)


def with_wrong_modules(reading: MarkReading, count: int, seed: int = 1) -> MarkReading:
    rng = np.random.default_rng(seed)
    ink = reading.ink.copy()
    for row in ink:
        wrong = rng.choice(marks.BITS, count, replace=False)
        row[wrong] *= -1
    return MarkReading(reading.ij, ink)


def noise_like(reading: MarkReading, which: NDArray[np.bool_], seed: int = 2) -> MarkReading:
    rng = np.random.default_rng(seed)
    ink = reading.ink.copy()
    ink[which] = rng.choice([-1.0, 1.0], (int(which.sum()), marks.BITS))
    return MarkReading(reading.ij, ink)


def assert_placed(lattice: Lattice, reading: MarkReading, sheet: Sheet, least_marks: int) -> None:
    identity = identify(lattice, reading)
    assert identity is not None
    assert identity.sheet == sheet
    assert (identity.lattice.ij * PITCH == identity.lattice.xy_px).all()
    assert len(identity.lattice) == len(lattice)
    assert identity.marks_read >= least_marks


@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("name", SHEETS)
def test_every_turn_and_shift(name: tuple[str, str, int], turns: int) -> None:
    sheet = catalogue.sheet(*name)
    lattice, reading = seen_from(sheet, turns, (5, -3))
    assert_placed(lattice, reading, sheet, len(reading.ij))


@pytest.mark.parametrize("name", SHEETS)
def test_two_wrong_modules_in_every_mark(name: tuple[str, str, int]) -> None:
    sheet = catalogue.sheet(*name)
    lattice, reading = seen_from(sheet, 1, (-2, 9))
    assert_placed(lattice, with_wrong_modules(reading, 2), sheet, len(reading.ij))


def test_eight_wrong_modules_in_every_mark_are_outvoted_together() -> None:
    """No mark can be read by itself; all of them together still stand out."""
    sheet = catalogue.sheet("ring", "A4", 7)
    lattice, reading = seen_from(sheet, 3, (1, 1))
    assert_placed(lattice, with_wrong_modules(reading, 8), sheet, 1)


def test_nine_marks_in_ten_are_something_else() -> None:
    sheet = catalogue.sheet("card", "A4", 3)
    lattice, reading = seen_from(sheet, 2, (0, 4))
    covered = np.random.default_rng(8).permutation(len(reading.ij)) >= 0.1 * len(reading.ij)
    least = int((~covered).sum())
    assert_placed(lattice, noise_like(reading, covered), sheet, least)


@pytest.mark.parametrize("seed", range(2))
def test_chance_names_no_sheet(seed: int) -> None:
    lattice, reading = seen_from(catalogue.sheet("ring", "A4", 7), 0, (0, 0))
    everything = np.ones(len(reading.ij), bool)
    nonsense = noise_like(reading, everything, seed)
    assert identify(lattice, nonsense) is None
    assert not looks_mirrored(nonsense)


def test_plain_squares_name_no_sheet() -> None:
    """A plain checkerboard: every white square is white."""
    lattice, reading = seen_from(catalogue.sheet("card", "A4", 1), 0, (0, 0))
    white = MarkReading(reading.ij, np.full_like(reading.ink, -1.0))
    assert identify(lattice, white) is None


@pytest.mark.parametrize("name", SHEETS)
def test_a_mirrored_sheet_is_refused_and_called_mirrored(name: tuple[str, str, int]) -> None:
    lattice, reading = seen_from(catalogue.sheet(*name), 0, (0, 0))
    assert not looks_mirrored(reading)
    # A mirror turns x about: squares and marks alike.
    mirrored = MarkReading(reading.ij * (-1, 1) - (1, 0), reading.mirrored().ink)
    flipped = Lattice(lattice.xy_px * (-1, 1), lattice.ij * (-1, 1), 1)
    assert identify(flipped, mirrored) is None
    assert looks_mirrored(mirrored)


def test_marks_on_the_wrong_colour_are_refused() -> None:
    """Marks shifted by one square against the lattice would lie in black squares."""
    lattice, reading = seen_from(catalogue.sheet("ring", "A4", 7), 0, (0, 0))
    shifted = MarkReading(reading.ij + np.array([1, 0]), reading.ink)
    assert identify(lattice, shifted) is None
