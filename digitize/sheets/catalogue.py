"""The printed targets that exist: which forms, on which papers, with how many squares.

The lattice is as large as the paper allows inside a margin that every common printer can
reach, less a strip on the left and one below for the measuring bars and the words.  The
squares grow with the paper, because a large sheet is photographed from farther away.
"""

from __future__ import annotations

from typing import Literal

from digitize.errors import DigitizeError, Exit
from digitize.sheets.layout import Sheet

CodedForm = Literal["ring", "card"]

FORMS: tuple[CodedForm, ...] = ("ring", "card")

PAPER_MM: dict[str, tuple[float, float]] = {
    "A4": (210.0, 297.0),  # ISO 216:2007, A series
    "Letter": (215.9, 279.4),  # ANSI/ASME Y14.1 size A, 8.5 x 11 in
    "A3": (297.0, 420.0),  # ISO 216:2007, A series
    "A2": (420.0, 594.0),  # ISO 216:2007, A series
}
"""Width and height, upright."""

SQUARE_MM: dict[str, float] = {"A4": 7.0, "Letter": 7.0, "A3": 10.0, "A2": 14.0}

BAND = 3
"""Squares across a ring's border: two lines of X-corners all round, so that every corner
has neighbours to check it against."""

MARGIN_MM = 10.0
"""Kept free at the paper's edge.  Printers leave 1.8 to 6.7 mm unprinted (makers' data
sheets); 10 mm is common practice for safety, no source."""

CUT_MARGIN_MM = 4.0
"""Kept free on either side of the line that two cards are cut along."""

LEFT_STRIP_MM = 10.0
"""For the bar that measures up the sheet."""

FOOT_STRIP_MM = 18.0
"""For the bar that measures across the sheet, and for the words."""

MAX_NUMBER = 63
"""Sheets of one form and paper are numbered 1 to 63: six bits in the coded marks."""

CARDS_PER_PAGE = 2


class NoSuchSheet(DigitizeError):
    """The catalogue has no sheet of that form, paper or number."""

    exit_code = Exit.ASKED


def sheet(form: str, paper: str, number: int) -> Sheet:
    """The lattice of one target.

    ``form`` is "ring" or "card"; ``paper`` one of ``PAPER_MM``, in any case; ``number``
    1 to ``MAX_NUMBER``.  Raises ``NoSuchSheet``.
    """
    known_form, known_paper = coded_form(form), paper_name(paper)
    if not 1 <= number <= MAX_NUMBER:
        raise NoSuchSheet(
            f"there is no sheet number {number}",
            do=f"choose a number from 1 to {MAX_NUMBER}",
        )
    width_mm, height_mm = room_mm(known_form, known_paper)
    square_mm = SQUARE_MM[known_paper]
    return Sheet(
        form=known_form,
        paper=known_paper,
        number=number,
        columns=int(width_mm / square_mm + 1e-9),
        rows=int(height_mm / square_mm + 1e-9),
        square_mm=square_mm,
        band=BAND if known_form == "ring" else 0,
    )


def room_mm(form: CodedForm, paper: str) -> tuple[float, float]:
    """Width and height that the lattice may fill."""
    width_mm, height_mm = PAPER_MM[paper]
    if form == "card":
        height_mm = height_mm / CARDS_PER_PAGE + MARGIN_MM - CUT_MARGIN_MM
    return (
        width_mm - 2 * MARGIN_MM - LEFT_STRIP_MM,
        height_mm - 2 * MARGIN_MM - FOOT_STRIP_MM,
    )


def coded_form(form: str) -> CodedForm:
    """The form of that name; raises ``NoSuchSheet``."""
    for known in FORMS:
        if known == form.strip().lower():
            return known
    raise NoSuchSheet(f"there is no form of target called {form!r}", do="choose ring or card")


def paper_name(paper: str) -> str:
    """The paper's name as the catalogue writes it; raises ``NoSuchSheet``."""
    for known in PAPER_MM:
        if known.lower() == paper.strip().lower():
            return known
    raise NoSuchSheet(
        f"there are no targets for {paper!r} paper", do="choose one of " + ", ".join(PAPER_MM)
    )
