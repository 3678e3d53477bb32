"""Plain sheets of paper as a reference: their sizes, and how true those are.

ISO 216 lets trimmed sheets be off by 1.5 mm up to 150 mm, 2 mm up to 600 mm and 3 mm above
(clause on tolerances; from memory).  North American sizes (ANSI/ASME Y14.1 for A, B) are
taken to be cut as loosely: 1/16 inch, common practice, no source.  Nothing measured by a
sheet nobody measured is ever finer than that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.errors import DigitizeError, Exit
from digitize.reference.graduation import INCH_MM
from digitize.reference.layout import Places

FloatArray = NDArray[np.float64]

_SQUARE_U_RAD = math.radians(0.1)  # of a corner (judgement, no source)


class PaperUnknown(DigitizeError):
    """A paper size that is not known by name."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class PaperSize:
    """A sheet's two sides, shorter first, with standard uncertainties."""

    name: str
    short_mm: float
    long_mm: float
    u_short_mm: float
    u_long_mm: float


def _trimmed(side_mm: float) -> float:
    """Standard uncertainty of a trimmed side: half width of the tolerance over root three."""
    half = 1.5 if side_mm <= 150 else 2.0 if side_mm <= 600 else 3.0
    return half / math.sqrt(3)


def _iso(name: str, short_mm: float, long_mm: float) -> PaperSize:
    return PaperSize(name, short_mm, long_mm, _trimmed(short_mm), _trimmed(long_mm))


def _american(name: str, short_in: float, long_in: float) -> PaperSize:
    u = INCH_MM / 16 / math.sqrt(3)
    return PaperSize(name, short_in * INCH_MM, long_in * INCH_MM, u, u)


PAPERS = {
    size.name.lower(): size
    for size in (
        _iso("A2", 420, 594),
        _iso("A3", 297, 420),
        _iso("A4", 210, 297),
        _iso("A5", 148, 210),
        _american("Letter", 8.5, 11),
        _american("Legal", 8.5, 14),
        _american("Tabloid", 11, 17),
    )
}


def paper_named(name: str) -> PaperSize:
    """The size of that name; raises ``PaperUnknown``."""
    size = PAPERS.get(name.strip().lower())
    if size is None:
        known = ", ".join(p.name for p in PAPERS.values())
        raise PaperUnknown(f"no paper is called {name!r}", do=f"say one of {known}")
    return size


def measured_paper(short_mm: float, long_mm: float, u_mm: float = 0.3) -> PaperSize:
    """A sheet, or any other flat rectangle, that somebody measured with a rule.

    ``u_mm`` is the standard uncertainty of each side.
    """
    sides = sorted((short_mm, long_mm))
    if not (0 < sides[0] < math.inf and math.isfinite(sides[1]) and 0 < u_mm < sides[0]):
        raise PaperUnknown(
            "a sheet's sides must be more than nothing and known better than themselves",
            where=f"{short_mm:g} x {long_mm:g} mm, give or take {u_mm:g} mm",
        )
    return PaperSize(f"{sides[0]:g} x {sides[1]:g} mm sheet", sides[0], sides[1], u_mm, u_mm)


@dataclass(frozen=True, eq=False)
class PaperLayout:
    """Points on the four edges of a sheet whose lower left corner is the origin.

    ``side`` (N,) is 0 for the lower edge, then the right, the upper and the left one.
    Unknowns: how far width and height are off (mm), and how far the left and right edges
    lean from square (rad).
    """

    size: PaperSize
    portrait: bool  # the frame's y runs along the longer side
    side: NDArray[np.intp]

    @property
    def width_mm(self) -> float:
        """Nominal width in the frame."""
        return self.size.short_mm if self.portrait else self.size.long_mm

    @property
    def height_mm(self) -> float:
        """Nominal height in the frame."""
        return self.size.long_mm if self.portrait else self.size.short_mm

    @property
    def start(self) -> FloatArray:
        """Nothing is off."""
        return np.zeros(3)

    def places(self, own: FloatArray) -> Places:
        """The line of every point's edge."""
        n = len(self.side)
        wide, high, lean = own
        mm, along = np.zeros((n, 3)), np.zeros((n, 3))
        by, along_by = np.zeros((n, 3, 3)), np.zeros((n, 3, 3))
        level = np.isin(self.side, (0, 2))
        along[level, 0] = 1.0
        along[~level, 0], along[~level, 1] = lean, 1.0
        along_by[~level, 0, 2] = 1.0
        right, top = self.side == 1, self.side == 2
        mm[right, 0], by[right, 0, 0] = self.width_mm + wide, 1.0
        mm[top, 1], by[top, 1, 1] = self.height_mm + high, 1.0
        return Places(mm, along, by, along_by)

    def pulls(self, own: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Trimming."""
        u_wide, u_high = self.size.u_short_mm, self.size.u_long_mm
        if not self.portrait:
            u_wide, u_high = u_high, u_wide
        widths = np.array([u_wide, u_high, _SQUARE_U_RAD])
        return own / widths, np.diag(1 / widths)
