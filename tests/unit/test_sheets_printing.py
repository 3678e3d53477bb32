"""The printed pages, drawn by another library than the one that wrote them, and measured."""

import io
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest
from numpy.typing import NDArray
from PIL import Image

from digitize.errors import DigitizeError
from digitize.files.atomic import NotWritten
from digitize.files.units import Unit
from digitize.shared_file import shared
from digitize.sheets import catalogue, marks, page, printing, ready_made
from digitize.sheets.page import Bar, Page, Placed

EVERY = [
    (form, paper, units)
    for form in catalogue.FORMS
    for paper in catalogue.PAPER_MM
    for units in ("mm", "in")
]
PIXELS_PER_MM = 300 / 25.4  # squares do not fall on whole pixels
TOLERANCE_MM = 0.02
Darkness = NDArray[np.float64]


def drawn(pdf: bytes, number: int = 0, pixels_per_mm: float = PIXELS_PER_MM) -> Darkness:
    document = pdfium.PdfDocument(pdf)
    try:
        # A hair less, lest a rounding error add a row of pixels.
        scale = pixels_per_mm * 25.4 / 72 * (1.0 - 1e-7)
        bitmap = document[number].render(scale=scale, grayscale=True)
        return np.asarray(1.0 - bitmap.to_numpy().reshape(bitmap.height, bitmap.width) / 255.0)
    finally:
        document.close()


class Paper:
    """A drawn page, read along lines at millimetre places."""

    def __init__(self, darkness: Darkness, page: Page) -> None:
        self.darkness = darkness
        self.width_mm, self.height_mm = page.size_mm
        # The drawing library stretches a page over the next whole number of pixels.
        rows, columns = darkness.shape
        self.per_mm = columns / self.width_mm, rows / self.height_mm
        assert self.per_mm == pytest.approx((PIXELS_PER_MM, PIXELS_PER_MM), rel=5e-4)

    def pixels(
        self, at_mm: float, from_mm: float, to_mm: float, *, upward: bool
    ) -> tuple[Darkness, Darkness]:
        """Places (mm, middles of pixels) and darkness along a line in x or y."""
        x, y = self.per_mm
        if upward:
            first, last = (round((self.height_mm - end) * y) for end in (to_mm, from_mm))
            places = self.height_mm - (np.arange(first, last) + 0.5) / y
            return places, self.darkness[first:last, int(at_mm * x)]
        first, last = round(from_mm * x), round(to_mm * x)
        places = (np.arange(first, last) + 0.5) / x
        return places, self.darkness[int((self.height_mm - at_mm) * y), first:last]

    def middle_and_width_mm(
        self, at_mm: float, about_mm: float, reach_mm: float, *, upward: bool
    ) -> tuple[float, float]:
        """Centre and width of the dark thing near a place, along a line in x or y."""
        places, dark = self.pixels(at_mm, about_mm - reach_mm, about_mm + reach_mm, upward=upward)
        assert dark.max() > 0.5, "nothing is drawn there"
        return float((dark * places).sum() / dark.sum()), float(dark.sum()) / self.per_mm[upward]


@pytest.fixture(scope="module", params=EVERY, ids="-".join)
def printed(request: pytest.FixtureRequest) -> tuple[Page, Paper]:
    made = page.page(request.param[0], request.param[1], 5, request.param[2])
    return made, Paper(drawn(printing.pdf_bytes([made])), made)


def bar_length_mm(paper: Paper, bar: Bar) -> float:
    along, beside = (1, 0) if bar.upward else (0, 1)
    at = bar.start_mm[beside] + 1.4  # clear of the bar and of the small lines
    ends = [
        paper.middle_and_width_mm(at, bar.start_mm[along] + offset, 0.6, upward=bar.upward)[0]
        for offset in (0.0, bar.length_mm)
    ]
    return ends[1] - ends[0]


def test_bars_are_as_long_as_they_say(printed: tuple[Page, Paper]) -> None:
    made, paper = printed
    unit = 25.4 if made.units == "in" else 10.0
    for target in made.targets:
        for bar in (target.across, target.up):
            assert bar_length_mm(paper, bar) == pytest.approx(bar.length_mm, abs=TOLERANCE_MM)
            assert bar.length_mm % unit == pytest.approx(0.0, abs=1e-9) or (
                unit - bar.length_mm % unit == pytest.approx(0.0, abs=1e-9)
            )
            said = float(bar.label.split()[1]) * (25.4 if made.units == "in" else 1.0)
            assert said == pytest.approx(bar.length_mm)


def test_squares_lie_where_the_catalogue_says(printed: tuple[Page, Paper]) -> None:
    made, paper = printed
    for target in made.targets:
        sheet, (x, y), s = target.sheet, target.origin_mm, target.sheet.square_mm
        for column, row in [
            (0, 0),
            (sheet.columns - 1, (sheet.columns - 1) % 2),
            ((sheet.rows - 1) % 2, sheet.rows - 1),
            (10, 2),
            (1, 9),
        ]:
            assert sheet.black(column, row)
            centre = x + (column + 0.5) * s, y + (row + 0.5) * s
            for axis, upward in ((0, False), (1, True)):
                middle, width = paper.middle_and_width_mm(
                    centre[1 - axis], centre[axis], 0.55 * s, upward=upward
                )
                assert middle == pytest.approx(centre[axis], abs=TOLERANCE_MM)
                assert width == pytest.approx(s, abs=TOLERANCE_MM)


def seen_words(darkness: Darkness, made: Page, target: Placed, pixels_per_mm: float) -> list[int]:
    """Words read off a drawn page at the middles of the modules."""
    s, origin = target.sheet.square_mm, np.array(target.origin_mm)
    found = []
    for place in marks.words(target.sheet):
        at = origin + s * (np.array(place) + marks.module_centres_squares())
        rows = ((made.size_mm[1] - at[..., 1]) * pixels_per_mm).astype(int)
        columns = (at[..., 0] * pixels_per_mm).astype(int)
        found.append(marks.word_of_grid(darkness[rows, columns] > 0.5))
    return found


def test_every_mark_reads_off_the_page(printed: tuple[Page, Paper]) -> None:
    made, paper = printed
    for target in made.targets:
        seen = seen_words(paper.darkness, made, target, PIXELS_PER_MM)
        assert seen == list(marks.words(target.sheet).values())


def test_nothing_within_the_margin_and_the_field_is_plain(printed: tuple[Page, Paper]) -> None:
    made, paper = printed
    free = int((catalogue.MARGIN_MM - page.LINE_MM) * PIXELS_PER_MM)
    dark = paper.darkness > 0.02
    assert not dark[:free].any()
    assert not dark[-free:].any()
    assert not dark[:, :free].any()
    assert not dark[:, -free:].any()
    for target in made.targets:
        if target.sheet.work_area_mm is not None:
            x0, y0, x1, y1 = target.sheet.work_area_mm
            x, y = target.origin_mm
            rows = slice(
                int((made.size_mm[1] - y - y1) * PIXELS_PER_MM) + 2,
                int((made.size_mm[1] - y - y0) * PIXELS_PER_MM) - 2,
            )
            columns = slice(int((x + x0) * PIXELS_PER_MM) + 2, int((x + x1) * PIXELS_PER_MM) - 2)
            assert not dark[rows, columns].any()


@pytest.mark.parametrize(("form", "paper", "units"), EVERY)
def test_things_on_a_page_keep_clear_of_each_other(form: str, paper: str, units: Unit) -> None:
    made = page.page(form, paper, 1, units)
    margin, (width, height) = catalogue.MARGIN_MM - page.LINE_MM, made.size_mm
    for text in page.texts(made):
        length = printing.text_width_mm(text)
        start = {"start": 0.0, "middle": 0.5}[text.anchor] * length
        first = (text.y_mm if text.upward else text.x_mm) - start
        assert first >= margin
        assert first + length <= (height if text.upward else width) - margin
        assert text.size_mm >= 2.4
    for target in made.targets:
        x, y = target.origin_mm
        for bar, lattice in ((target.across, y), (target.up, x)):
            gap = lattice - bar.start_mm[0 if bar.upward else 1]
            assert gap >= 4.0
            label = next(text for text in page.texts(made) if text.text == bar.label)
            assert printing.text_width_mm(label) / 2 < page._label_gap_mm(bar)
        assert target.foot_mm >= catalogue.MARGIN_MM
        assert y - target.foot_mm >= catalogue.FOOT_STRIP_MM


def test_the_page_says_what_it_is_and_what_to_do() -> None:
    document = pdfium.PdfDocument(printing.pdf_bytes([page.page("card", "A4", 11)]))
    try:
        assert document[0].get_size() == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=1e-3)
        words = document[0].get_textpage().get_text_range()
        meta = document.get_metadata_dict()
    finally:
        document.close()
    for phrase in ("CARD A4", "sheet 11", "sheet 12", "across: 190 mm", "up: 110 mm", "cut here"):
        assert phrase in words
    for phrase in (
        "Print at 100 %",
        "fit to page",
        "steel rule",
        "digitize printer NAME --form card --paper A4 --across",
    ):
        assert words.count(phrase) == 2
    assert meta["Title"] == "Printed targets: card A4, sheets 11 and 12"
    assert meta["Author"] == meta["Creator"] == "digitize"


def test_viewers_are_asked_not_to_scale_and_bytes_repeat() -> None:
    pages = [page.page("ring", "A3", 1), page.page("ring", "A3", 2)]
    pdf = printing.pdf_bytes(pages)
    assert b"/PrintScaling /None" in pdf
    assert pdf == printing.pdf_bytes(pages)
    document = pdfium.PdfDocument(pdf)
    assert len(document) == 2
    document.close()


def test_units_change_the_bars_only() -> None:
    metric, inch = page.page("ring", "Letter", 1, "mm"), page.page("ring", "Letter", 1, "in")
    assert metric.targets[0].origin_mm == inch.targets[0].origin_mm
    assert metric.targets[0].sheet == inch.targets[0].sheet
    assert page.bars_mm("ring", "Letter", "mm") == (190.0, 240.0)
    assert page.bars_mm("ring", "Letter", "in") == pytest.approx((7 * 25.4, 9 * 25.4))


@pytest.mark.parametrize(("form", "paper"), [("ring", "Letter"), ("card", "A4"), ("ring", "A2")])
def test_the_png_is_crisp_and_states_its_size(form: str, paper: str) -> None:
    made = page.page(form, paper, 3)
    with Image.open(io.BytesIO(printing.png_bytes(made, 254.0))) as image:
        assert image.info["dpi"] == pytest.approx((254.0, 254.0), abs=0.01)
        grey = np.asarray(image)
    assert grey.shape == (round(made.size_mm[1] * 10), round(made.size_mm[0] * 10))
    for target in made.targets:
        assert seen_words(1.0 - grey / 255.0, made, target, 10.0) == list(
            marks.words(target.sheet).values()
        )
        (x, y), (width, height) = target.origin_mm, target.sheet.size_mm
        top = round((made.size_mm[1] - y - height) * 10)
        lattice = grey[top : round(top + height * 10), round(x * 10) : round((x + width) * 10)]
        assert set(np.unique(lattice)) == {0, 255}


def test_off_the_grid_the_png_gives_the_covered_share() -> None:
    made = page.page("ring", "A4", 1)
    pixels_per_mm = 97.0 / 25.4
    inked = printing.ink(made, 97.0) / 255.0
    # Total ink of the lattice does not depend on how pixels fall.
    target = made.targets[0]
    (x, y), (width, height) = target.origin_mm, target.sheet.size_mm
    part = inked[
        int((297 - y - height - 1) * pixels_per_mm) : int((297 - y + 1) * pixels_per_mm),
        int((x - 1) * pixels_per_mm) : int((x + width + 1) * pixels_per_mm),
    ]
    black = sum(target.sheet.black(c, r) for c in range(25) for r in range(37)) * 49.0
    modules = sum(word.bit_count() for word in marks.words(target.sheet).values()) * 0.49
    assert part.sum() / pixels_per_mm**2 == pytest.approx(black + modules, rel=1e-3)


def test_pdf_and_png_draw_the_same_page() -> None:
    made = page.page("card", "Letter", 9, "in")
    from_pdf = drawn(printing.pdf_bytes([made]))
    from_png = printing.ink(made, 300.0) / 255.0
    assert from_pdf.shape == from_png.shape
    assert from_pdf.sum() == pytest.approx(from_png.sum(), rel=0.002)
    for target in made.targets:  # text is drawn by two engines; all else must agree
        (x, y), (_, height) = target.origin_mm, target.sheet.size_mm
        first = int((made.size_mm[1] - y - height - 1) * PIXELS_PER_MM)
        last = int((made.size_mm[1] - y + 1) * PIXELS_PER_MM)
        apart = np.abs(from_pdf - from_png)[first:last, int(x * PIXELS_PER_MM) - 5 :]
        assert apart.max() < 0.05


def test_files_are_written_once(tmp_path: Path) -> None:
    made = page.page("ring", "A4", 1)
    pdf = printing.write_pdf(tmp_path / "ring.pdf", [made])
    png = printing.write_png(tmp_path / "ring.png", made, dpi=100.0)
    assert pdf.read_bytes().startswith(b"%PDF")
    assert png.read_bytes().startswith(b"\x89PNG")
    with pytest.raises(NotWritten):
        printing.write_pdf(pdf, [made])


def test_the_last_card_needs_a_number_too() -> None:
    assert page.page("card", "A4", 62).title == "card A4, sheets 62 and 63"
    with pytest.raises(DigitizeError, match="choose a number from 1 to 62"):
        page.page("card", "A4", 63)


@pytest.mark.parametrize("name", sorted(ready_made.READY_MADE))
def test_ready_made_sheets_are_what_the_code_draws(name: str) -> None:
    shipped, made = shared(name).read_bytes(), ready_made.draw(name)
    if shipped != made:  # another version of the PDF library may write other bytes
        np.testing.assert_array_equal(drawn(shipped), drawn(made))


def test_a_missing_shared_file_is_an_error() -> None:
    with pytest.raises(DigitizeError, match=r"lacks its file shared/nothing\.pdf"):
        shared("nothing.pdf")
