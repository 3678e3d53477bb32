"""The code of the marks, gone through word by word."""

import numpy as np
import pytest
from numpy.typing import NDArray

from digitize.sheets import catalogue, marks

Words = NDArray[np.uint64]
EVERY = [(form, paper) for form in catalogue.FORMS for paper in catalogue.PAPER_MM]
ONES_IN_12 = np.array([n.bit_count() for n in range(1 << 12)], dtype=np.uint8)


def ones(words: Words) -> NDArray[np.uint8]:
    low = np.uint64(0xFFF)
    parts = [ONES_IN_12[(words >> np.uint64(shift)) & low] for shift in (0, 12, 24)]
    return parts[0] + parts[1] + parts[2]


def turned(word: int, quarters: int) -> int:
    return marks.word_of_grid(np.rot90(marks.module_grid(word), quarters))


@pytest.fixture(scope="module")
def all_words() -> Words:
    """Every word of the code, printed or not, masked as printed."""
    words = np.array([marks._encoded(0)], dtype=np.uint64)
    for k in range(18):
        words = np.concatenate([words, words ^ np.uint64(marks._encoded(1 << k) ^ int(words[0]))])
    return words


def test_the_fixture_knows_the_whole_code(all_words: Words) -> None:
    assert len(np.unique(all_words)) == 1 << 18
    rng = np.random.default_rng(1)
    for payload in rng.integers(0, 1 << 18, 200):
        assert marks._encoded(int(payload)) in all_words


def test_two_words_differ_in_eight_modules_or_more(all_words: Words) -> None:
    # The code is linear, so the distances between words are the weights of their sums.
    weights = np.sort(ones(all_words ^ all_words[0]))
    assert weights[0] == 0
    assert weights[1] == 8


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_turned_word_is_six_modules_from_every_word(all_words: Words, quarters: int) -> None:
    first = int(all_words[0])
    # The turned code is the code itself: then the distance is the same for all words.
    unmasked = set((all_words ^ all_words[0]).tolist())
    for k in range(18):
        single = marks._encoded(1 << k) ^ first
        assert turned(single, quarters) in unmasked
    away = ones(all_words ^ np.uint64(turned(first, quarters)))
    assert away.min() == 6
    # ... and, without that argument, for a thousand words taken at random.
    for word in np.random.default_rng(quarters).choice(all_words, 1000):
        assert ones(all_words ^ np.uint64(turned(int(word), quarters))).min() >= 6
        assert marks.read(turned(int(word), quarters)) is None


@pytest.mark.parametrize(("form", "paper"), EVERY)
@pytest.mark.parametrize("number", [1, 2, 63])
def test_every_mark_of_a_sheet_reads_back(form: str, paper: str, number: int) -> None:
    sheet = catalogue.sheet(form, paper, number)
    words = marks.words(sheet)
    white = [
        (column, row)
        for column in range(sheet.columns)
        for row in range(sheet.rows)
        if sheet.printed(column, row) and not sheet.black(column, row)
    ]
    assert sorted(words) == white
    assert len(words) <= 256
    for (column, row), word in words.items():
        assert marks.read(word) == marks.Mark(
            catalogue.coded_form(form), paper, number, column, row, 0
        )


def test_no_word_is_printed_twice_and_none_is_plain() -> None:
    printed = [
        word
        for form, paper in EVERY
        for number in range(1, catalogue.MAX_NUMBER + 1)
        for word in marks.words(catalogue.sheet(form, paper, number)).values()
    ]
    assert len(set(printed)) == len(printed) > 90_000
    dark = ones(np.array(printed, dtype=np.uint64))
    assert dark.min() >= 7
    assert dark.max() <= 29


def test_words_that_no_sheet_has_are_not_read() -> None:
    squares = 1 << 8
    for layout, number, square in [(8, 1, 0), (15, 63, 0), (0, 0, 0), (0, 1, 168), (4, 1, 200)]:
        word = marks._encoded((layout * 64 + number) * squares + square)
        assert marks.read(word) is None
        assert marks._encoded((0 * 64 + 1) * squares + 167) != word


def test_three_wrong_modules_are_noticed() -> None:
    word = marks.word(catalogue.sheet("ring", "A4", 1), 1, 0)
    rng = np.random.default_rng(3)
    for _ in range(500):
        wrong = sum(1 << int(k) for k in rng.choice(36, 3, replace=False))
        assert marks.read(word ^ wrong) is None


def test_black_squares_and_the_blank_have_no_word() -> None:
    sheet = catalogue.sheet("ring", "A4", 1)
    for place in [(0, 0), (10, 11), (25, 0), (-1, 0)]:
        with pytest.raises(KeyError):
            marks.word(sheet, *place)


def test_the_first_module_is_the_highest_bit_at_the_top_left() -> None:
    grid = marks.module_grid(1 << 35)
    assert grid[0, 0]
    assert grid.sum() == 1
    centres = marks.module_centres_squares()
    assert centres.shape == (6, 6, 2)
    np.testing.assert_allclose(centres[0, 0], [0.25, 0.75])
    np.testing.assert_allclose(centres[5, 0], [0.25, 0.25])
    np.testing.assert_allclose(centres[0, 5], [0.75, 0.75])
