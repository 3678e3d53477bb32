"""A mark survives any two wrong modules and any turn of the picture."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from digitize.sheets import catalogue, marks


@st.composite
def printed_marks(draw: st.DrawFn) -> marks.Mark:
    sheet = catalogue.sheet(
        draw(st.sampled_from(catalogue.FORMS)),
        draw(st.sampled_from(sorted(catalogue.PAPER_MM))),
        draw(st.integers(1, catalogue.MAX_NUMBER)),
    )
    column, row = draw(st.sampled_from(sorted(marks.words(sheet))))
    return marks.Mark(
        catalogue.coded_form(sheet.form), sheet.paper, sheet.number, column, row, errors=0
    )


def word_of(mark: marks.Mark) -> int:
    sheet = catalogue.sheet(mark.form, mark.paper, mark.number)
    return marks.word(sheet, mark.column, mark.row)


@given(printed_marks(), st.sets(st.integers(0, 35), max_size=marks.RADIUS), st.integers(0, 3))
def test_read_in_one_turn_only(mark: marks.Mark, wrong: set[int], quarters: int) -> None:
    seen = marks.module_grid(word_of(mark) ^ sum(1 << k for k in wrong))
    in_photo = np.rot90(seen, quarters)
    read = [marks.read(marks.word_of_grid(np.rot90(in_photo, -turn))) for turn in range(4)]
    expected = marks.Mark(
        mark.form, mark.paper, mark.number, mark.column, mark.row, errors=len(wrong)
    )
    assert read[quarters] == expected
    assert [other for turn, other in enumerate(read) if turn != quarters] == [None] * 3


@given(printed_marks(), st.sets(st.integers(0, 35), min_size=3, max_size=5))
def test_three_to_five_wrong_modules_never_give_the_wrong_sheet(
    mark: marks.Mark, wrong: set[int]
) -> None:
    # Words are 8 apart: up to 5 wrong modules stay at least 3 from every other word.
    assert marks.read(word_of(mark) ^ sum(1 << k for k in wrong)) is None


@given(st.integers(0, (1 << 36) - 1))
def test_grid_and_word_are_inverse(word: int) -> None:
    assert marks.word_of_grid(marks.module_grid(word)) == word
