"""The sheets that exist, and that any 40 % of one shows enough to know it by."""

import numpy as np
import pytest

from digitize.sheets import catalogue, marks
from digitize.sheets.catalogue import NoSuchSheet

EVERY = [(form, paper) for form in catalogue.FORMS for paper in catalogue.PAPER_MM]


@pytest.mark.parametrize(("form", "paper"), EVERY)
def test_as_many_squares_as_fit(form: str, paper: str) -> None:
    sheet = catalogue.sheet(form, paper, 1)
    room = catalogue.room_mm(catalogue.coded_form(form), paper)
    for size, free in zip(sheet.size_mm, room, strict=True):
        assert free - sheet.square_mm < size <= free


def test_the_a4_ring_leaves_a_wide_field() -> None:
    sheet = catalogue.sheet("ring", "a4", 7)
    assert (sheet.columns, sheet.rows, sheet.square_mm, sheet.band) == (25, 37, 7.0, 3)
    assert sheet.work_area_mm == (21.0, 21.0, 154.0, 238.0)
    assert str(sheet) == "ring A4, sheet 7"


@pytest.mark.parametrize(("form", "paper"), EVERY)
def test_any_two_fifths_of_a_sheet_show_many_marks_and_corners(form: str, paper: str) -> None:
    # Of what is printed, the least that a straight cut leaves when 40 % of the sheet is
    # left in view, whichever side it comes from.
    sheet = catalogue.sheet(form, paper, 1)
    centres = np.array(list(marks.words(sheet))) + 0.5
    corners = sheet.x_corners()
    size = np.array([sheet.columns, sheet.rows])
    for axis in (0, 1):
        for low, high in ((0.0, 0.4), (0.6, 1.0), (0.3, 0.7)):
            inside = [
                np.count_nonzero(
                    (places[:, axis] > low * size[axis]) & (places[:, axis] < high * size[axis])
                )
                for places in (centres, corners)
            ]
            assert inside[0] >= 25
            assert inside[1] >= 36


@pytest.mark.parametrize("number", [-1, 0, 64, 1000])
def test_numbers_out_of_range_are_refused(number: int) -> None:
    with pytest.raises(
        NoSuchSheet, match=f"no sheet number {number}: choose a number from 1 to 63"
    ):
        catalogue.sheet("ring", "A4", number)


def test_unknown_papers_and_forms_are_refused() -> None:
    with pytest.raises(NoSuchSheet, match="no targets for 'A5' paper: choose one of A4, Letter"):
        catalogue.sheet("ring", "A5", 1)
    with pytest.raises(NoSuchSheet, match="choose ring or card"):
        catalogue.sheet("checkerboard", "A4", 1)
