"""Where everything lies on one page to be printed: lattices, measuring bars and words.

Page coordinates are nominal millimetres from the lower left corner of the paper, x right,
y up.  A page is a list of filled boxes and pieces of text, all black, from which the PDF
and the PNG are drawn alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from digitize.files.units import MM_PER_INCH, Unit
from digitize.sheets import catalogue, marks
from digitize.sheets.catalogue import CodedForm, NoSuchSheet
from digitize.sheets.layout import Sheet

INSTRUCTIONS = (
    "Print at 100 % (“actual size”). Switch off “fit to page” and all other scaling.",
    "Measure both bars with a steel rule, from middle to middle of the end lines; tell the tool:",
)

LINE_MM = 0.2
"""Thickness of a bar and of its end lines: thin enough to set a rule against, thick enough
for every printer."""

_BAR_GAP_MM = 5.0  # from the lattice to the bar
_END_MM = 2.0  # half length of an end line
_STEP_MM = 0.7  # half length of the small lines between
_GROUND_MM = 0.1  # places on the page are whole tenths, so that they can fall on whole pixels


@dataclass(frozen=True, slots=True)
class Bar:
    """A line of known length to lay a rule against; the ends are middles of end lines."""

    start_mm: tuple[float, float]
    length_mm: float
    upward: bool
    label: str
    step_mm: float


@dataclass(frozen=True, slots=True)
class Placed:
    """One target on a page."""

    sheet: Sheet
    origin_mm: tuple[float, float]  # lower left corner of the lattice, in page coordinates
    foot_mm: float  # lowest y that the target's own words may use
    across: Bar
    up: Bar


@dataclass(frozen=True, slots=True)
class Page:
    """One page to be printed."""

    form: CodedForm
    paper: str
    units: Unit
    size_mm: tuple[float, float]
    targets: tuple[Placed, ...]

    @property
    def title(self) -> str:
        """Name of the page for people."""
        numbers = [target.sheet.number for target in self.targets]
        return f"{self.form} {self.paper}, " + (
            f"sheet {numbers[0]}" if len(numbers) == 1 else f"sheets {numbers[0]} and {numbers[1]}"
        )


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle."""

    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float


@dataclass(frozen=True, slots=True)
class Text:
    """A piece of text on its baseline."""

    x_mm: float
    y_mm: float
    size_mm: float
    text: str
    bold: bool = False
    upward: bool = False
    anchor: Literal["start", "middle", "end"] = "start"


def page(form: str, paper: str, number: int, units: Unit = "mm") -> Page:
    """The page that holds sheet ``number``; a page of cards holds ``number + 1`` as well.

    ``units`` chooses only whether the measuring bars are whole centimetres or whole inches
    long.  Raises ``NoSuchSheet``.
    """
    known_form, known_paper = catalogue.coded_form(form), catalogue.paper_name(paper)
    width_mm, height_mm = catalogue.PAPER_MM[known_paper]
    margin_mm = catalogue.MARGIN_MM
    count = catalogue.CARDS_PER_PAGE if known_form == "card" else 1
    if count > 1 and number == catalogue.MAX_NUMBER:
        raise NoSuchSheet(
            f"a page of cards that starts with number {number} has no number for its second card",
            do=f"choose a number from 1 to {catalogue.MAX_NUMBER - 1}",
        )
    feet_mm = [margin_mm]
    if count > 1:
        feet_mm.insert(0, height_mm / 2 + catalogue.CUT_MARGIN_MM)
    targets = tuple(
        _placed(catalogue.sheet(known_form, known_paper, number + k), foot_mm, units)
        for k, foot_mm in enumerate(feet_mm)
    )
    return Page(known_form, known_paper, units, (width_mm, height_mm), targets)


def bars_mm(form: str, paper: str, units: Unit = "mm") -> tuple[float, float]:
    """Nominal lengths of the bars across and up a sheet.  Raises ``NoSuchSheet``."""
    target = page(form, paper, 1, units).targets[0]
    return target.across.length_mm, target.up.length_mm


def boxes(page: Page) -> Iterator[Box]:
    """Everything on the page that is not text."""
    for target in page.targets:
        yield from _lattice(target)
        yield from _bar_lines(target.across)
        yield from _bar_lines(target.up)
    if len(page.targets) > 1:
        yield from _cut_line(page)


def texts(page: Page) -> Iterator[Text]:
    """All words on the page."""
    for target in page.targets:
        yield _bar_label(target.across)
        yield _bar_label(target.up)
        yield from _words(target, page.units)
    if len(page.targets) > 1:
        width_mm, height_mm = page.size_mm
        yield Text(width_mm / 2, height_mm / 2 - 0.8, 2.4, "cut here", anchor="middle")


def _placed(sheet: Sheet, foot_mm: float, units: Unit) -> Placed:
    paper_width_mm, _ = catalogue.PAPER_MM[sheet.paper]
    room_width_mm, room_height_mm = catalogue.room_mm(catalogue.coded_form(sheet.form), sheet.paper)
    width_mm, height_mm = sheet.size_mm
    left_mm, right_mm = catalogue.MARGIN_MM, paper_width_mm - catalogue.MARGIN_MM
    top_mm = foot_mm + catalogue.FOOT_STRIP_MM + room_height_mm
    x_mm = _ground(left_mm + catalogue.LEFT_STRIP_MM + (room_width_mm - width_mm) / 2)
    y_mm = _ground(foot_mm + catalogue.FOOT_STRIP_MM + (room_height_mm - height_mm) / 2)

    across_mm = _whole_length(right_mm - left_mm, units)
    lowest_mm = y_mm - _BAR_GAP_MM + _END_MM + 1.0
    up_mm = _whole_length(top_mm - lowest_mm, units)
    step_mm = MM_PER_INCH if units == "in" else 10.0
    return Placed(
        sheet=sheet,
        origin_mm=(x_mm, y_mm),
        foot_mm=foot_mm,
        across=Bar(
            start_mm=(_ground((left_mm + right_mm - across_mm) / 2), y_mm - _BAR_GAP_MM),
            length_mm=across_mm,
            upward=False,
            label="across: " + _length_words(across_mm, units),
            step_mm=step_mm,
        ),
        up=Bar(
            start_mm=(x_mm - _BAR_GAP_MM, _ground((lowest_mm + top_mm - up_mm) / 2)),
            length_mm=up_mm,
            upward=True,
            label="up: " + _length_words(up_mm, units),
            step_mm=step_mm,
        ),
    )


def _ground(value_mm: float) -> float:
    return round(int(value_mm / _GROUND_MM + 1e-6) * _GROUND_MM, 1)


def _whole_length(room_mm: float, units: Unit) -> float:
    step_mm = MM_PER_INCH if units == "in" else 10.0
    return int(room_mm / step_mm + 1e-9) * step_mm


def _length_words(length_mm: float, units: Unit) -> str:
    return f"{length_mm / MM_PER_INCH:.0f} in" if units == "in" else f"{length_mm:.0f} mm"


def _lattice(target: Placed) -> Iterator[Box]:
    sheet, (x_mm, y_mm), s = target.sheet, target.origin_mm, target.sheet.square_mm
    for row in range(sheet.rows):
        for column in range(sheet.columns):
            if sheet.black(column, row):
                yield Box(
                    x_mm + column * s, y_mm + row * s, x_mm + (column + 1) * s, y_mm + (row + 1) * s
                )
    module_mm = marks.MODULE_SQUARES * s
    for (column, row), word in marks.words(sheet).items():
        left_mm = x_mm + (column + marks.START_SQUARES) * s
        top_mm = y_mm + (row + 1 - marks.START_SQUARES) * s
        for r, modules in enumerate(marks.module_grid(word)):
            for first, last in _runs(list(modules)):
                yield Box(
                    left_mm + first * module_mm,
                    top_mm - (r + 1) * module_mm,
                    left_mm + last * module_mm,
                    top_mm - r * module_mm,
                )


def _runs(dark: list[bool]) -> Iterator[tuple[int, int]]:
    """First and one past the last place of every run of dark modules."""
    start = None
    for k, is_dark in enumerate([*dark, False]):
        if is_dark and start is None:
            start = k
        elif not is_dark and start is not None:
            yield start, k
            start = None


def _bar_lines(bar: Bar) -> Iterator[Box]:
    half = LINE_MM / 2
    middle, gap = bar.length_mm / 2, _label_gap_mm(bar)
    yield _along(bar, 0.0, middle - gap, half)
    yield _along(bar, middle + gap, bar.length_mm, half)
    steps = round(bar.length_mm / bar.step_mm)
    for k in range(steps + 1):
        at_mm = k * bar.step_mm
        if k in (0, steps):
            yield _along(bar, at_mm - half, at_mm + half, _END_MM)
        elif abs(at_mm - middle) > gap + 1.0:
            yield _along(bar, at_mm - half, at_mm + half, _STEP_MM)


def _along(bar: Bar, from_mm: float, to_mm: float, half_mm: float) -> Box:
    x, y = bar.start_mm
    if bar.upward:
        return Box(x - half_mm, y + from_mm, x + half_mm, y + to_mm)
    return Box(x + from_mm, y - half_mm, x + to_mm, y + half_mm)


_LABEL_MM = 3.4


def _label_gap_mm(bar: Bar) -> float:
    return 0.33 * _LABEL_MM * len(bar.label) + 1.0


def _bar_label(bar: Bar) -> Text:
    x, y = bar.start_mm
    middle, drop = bar.length_mm / 2, 0.36 * _LABEL_MM
    if bar.upward:
        return Text(
            x + drop, y + middle, _LABEL_MM, bar.label, bold=True, upward=True, anchor="middle"
        )
    return Text(x + middle, y - drop, _LABEL_MM, bar.label, bold=True, anchor="middle")


_NAME_WIDTH_MM = 44.0


def _words(target: Placed, units: Unit) -> Iterator[Text]:
    left_mm = catalogue.MARGIN_MM
    top_mm = target.origin_mm[1] - _BAR_GAP_MM - _END_MM - 1.0
    sheet = target.sheet
    yield Text(left_mm, top_mm - 3.4, 3.6, f"{sheet.form.upper()} {sheet.paper}", bold=True)
    yield Text(left_mm, top_mm - 9.2, 6.6, f"sheet {sheet.number}", bold=True)
    command = f"digitize printer NAME --form {sheet.form} --paper {sheet.paper}"
    if units == "in":
        command += " --units in"
    for k, line in enumerate([*INSTRUCTIONS, f"{command} --across ………… --up …………"]):
        yield Text(left_mm + _NAME_WIDTH_MM, top_mm - 2.6 - 3.3 * k, 2.7, line)


def _cut_line(page: Page) -> Iterator[Box]:
    width_mm, height_mm = page.size_mm
    y, half = height_mm / 2, LINE_MM / 2
    out_mm = 8.0  # leaves the middle to the words
    while out_mm + 2.0 < width_mm / 2 - catalogue.MARGIN_MM:
        for side in (-1.0, 1.0):
            middle_mm = width_mm / 2 + side * (out_mm + 1.0)
            yield Box(middle_mm - 1.0, y - half, middle_mm + 1.0, y + half)
        out_mm += 4.0
