"""Paper sizes against the rules of the standards and against another library's table."""

import math

import pytest
from reportlab.lib import pagesizes

from digitize.sheets import catalogue


@pytest.mark.parametrize(("paper", "n"), [("A4", 4), ("A3", 3), ("A2", 2)])
def test_iso_216_halving_from_one_square_metre(paper: str, n: int) -> None:
    # ISO 216: A0 has 1 m2 and sides as 1 : sqrt(2), rounded to the millimetre; each size is
    # the one before cut in half across the long side, rounded down.
    long_mm, short_mm = round(1000 * 2**0.25), round(1000 * 2**-0.25)
    assert (long_mm, short_mm) == (1189, 841)
    for _ in range(n):
        long_mm, short_mm = short_mm, math.floor(long_mm / 2)
    assert catalogue.PAPER_MM[paper] == (short_mm, long_mm)


def test_letter_is_eight_and_a_half_by_eleven_inches() -> None:
    # ANSI/ASME Y14.1 size A.
    assert catalogue.PAPER_MM["Letter"] == pytest.approx((8.5 * 25.4, 11 * 25.4))


@pytest.mark.parametrize("paper", sorted(catalogue.PAPER_MM))
def test_the_pdf_librarys_own_table(paper: str) -> None:
    points = getattr(pagesizes, paper.upper())
    assert catalogue.PAPER_MM[paper] == pytest.approx([p / 72 * 25.4 for p in points], abs=1e-6)
