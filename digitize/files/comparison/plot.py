"""The deviation along the edge as a plot: how far off, from corner to corner, as PNG.

The new edge is rolled out from the corner nearest the old piece's datum, counter-clockwise.
The grey band is what the measurement can be wrong by; the colours are those of the picture.
"""

from __future__ import annotations

import math
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.comparing.comparison import Comparison
from digitize.comparing.evidence import unseen
from digitize.comparing.sides import Sides
from digitize.comparing.stretches import Stretch
from digitize.files.comparison.diverging import SAME, colour, full_scale_mm
from digitize.files.comparison.words import title, words_for
from digitize.files.pictures.palette import Rgb
from digitize.files.pictures.picture import Lettering, Picture, draw_lines, png, text_size, wrapped
from digitize.files.units import Unit, length, mm_per
from digitize.pattern.datum import datum_of
from digitize.pattern.extent import Box

FloatArray = NDArray[np.float64]

WIDE_PX, HIGH_PX = 2000, 700
LEFT, RIGHT, BOTTOM = 170, 40, 150
TITLE_PX, TYPE_PX = 32, 24
MOST_NUMBERS = 12
NARROWEST_PX = 8.0  # an edge that is told from the next by a line
INK: Rgb = (24, 28, 36)
GREY: Rgb = (190, 190, 190)
BAND: Rgb = (228, 228, 224)
WHITE: Rgb = (255, 255, 255)
_LEVELS = (-1.0, -0.5, 0.0, 0.5, 1.0)


def render(found: Comparison, headline: str, unit: Unit = "mm") -> bytes:
    """The plot of a comparison as PNG; ``headline`` is the verdict over it."""
    return png(_Plot(found, headline, unit).draw())


class _Plot:
    """One plot: the rolled-out edge, and what is drawn from the bottom up."""

    def __init__(self, found: Comparison, headline: str, unit: Unit) -> None:
        self.found, self.unit, self.words = found, unit, words_for(found)
        side = found.deviation.new
        datum = np.array(datum_of(found.old).origin_mm)
        self.first_mm = side.along_mm[int(np.argmin(np.hypot(*(side.other_mm - datum).T)))]
        self.whole_mm = side.boundary.perimeter_mm
        rolled = (side.along_mm - self.first_mm) % self.whole_mm
        order = np.argsort(rolled)
        self.along, self.off = rolled[order], self.words.sign * side.signed_mm[order]
        self.expanded = side.expanded_mm[order]
        self.seen = ~unseen(side, found.laid, found.old)[order]
        self.names = np.array(Sides.of(found.old).names)[side.other_segment[order]]
        self.darkest_mm = full_scale_mm(float(np.abs(self.off).max()))
        top = float(max(np.abs(self.off).max(), self.expanded.max()))
        self.full_mm = _rounded_up(1.1 * top / mm_per(unit)) * mm_per(unit)
        self.title = wrapped(
            [title(found, headline)], WIDE_PX - LEFT - RIGHT, round(1.15 * TITLE_PX)
        )
        self.top_px = round(1.3 * TITLE_PX * len(self.title)) + 76

    def px(self, s: FloatArray, d: FloatArray) -> FloatArray:
        """Picture places (N, 2) of deviations along the edge."""
        x = LEFT + s / self.whole_mm * (WIDE_PX - LEFT - RIGHT)
        y = self.top_px + (self.full_mm - d) / (2 * self.full_mm) * (HIGH_PX - BOTTOM - 60)
        return np.column_stack((x, y))

    def draw(self) -> Picture:
        """The whole plot."""
        high = self.top_px + HIGH_PX - 60
        canvas: Picture = np.full((high, WIDE_PX, 3), 255, np.uint8)
        band = np.vstack(
            (self.px(self.along, self.expanded), self.px(self.along, -self.expanded)[::-1])
        )
        cv2.fillPoly(canvas, [np.round(band).astype(np.int32)], BAND)
        self._fill(canvas)
        ends = np.array([0.0, self.whole_mm])
        for share in _LEVELS:
            level = self.px(ends, np.full(2, share * self.full_mm))
            draw_lines(canvas, [level], *((GREY, 1) if share else (INK, 2)), halo=None)
        cuts = self.along[self._cuts()[:-1]]
        apart = np.diff(cuts, append=self.whole_mm) / self.whole_mm * WIDE_PX > NARROWEST_PX
        for s in cuts[apart].tolist():
            upright = self.px(np.array([s, s]), np.array([-self.full_mm, self.full_mm]))
            draw_lines(canvas, [upright], GREY, 1, halo=None)
        line = self.px(self.along, self.off)
        draw_lines(canvas, [line], INK, 3, halo=None)
        for run in _runs(~self.seen):
            draw_lines(canvas, [line[i : i + 2] for i in run[::3].tolist()], WHITE, 2, halo=None)
        with Lettering(canvas) as lettering:
            self._words(lettering)
            self._numbers(lettering)
        return canvas

    def _cuts(self) -> list[int]:
        """Where along the samples one named edge gives way to the next, both ends with it."""
        changes = np.flatnonzero(self.names[1:] != self.names[:-1]) + 1
        return [0, *changes.tolist(), len(self.names)]

    def _fill(self, canvas: Picture) -> None:
        """What lies between the line and zero."""
        top, base = self.px(self.along, self.off), self.px(self.along, np.zeros_like(self.off))
        same = np.abs(self.off) <= self.expanded
        for i in range(len(self.off) - 1):
            shade = (
                SAME if same[i] else colour(self.words.sign * float(self.off[i]), self.darkest_mm)
            )
            quad = np.vstack((top[i : i + 2], base[i : i + 2][::-1]))
            cv2.fillConvexPoly(canvas, np.round(quad).astype(np.int32), shade)

    def _words(self, lettering: Lettering) -> None:
        """Title, axes and the names of the edges."""
        unit, low = self.unit, float(self.px(np.zeros(1), np.array([-self.full_mm]))[0, 1])
        for row, text in enumerate(self.title):
            lettering.line(LEFT, 18 + 1.3 * TITLE_PX * row, text, TITLE_PX, bold=True)
        words = self.words
        said = f"deviation along the edge, {unit}; up: {words.positive}, down: {words.negative}"
        said += "; grey band: within ±"
        if not self.seen.all():
            said += "; broken line: edge that was not seen"
        lettering.line(LEFT, self.top_px - 50, said, TYPE_PX)
        for share in _LEVELS:
            y = float(self.px(np.zeros(1), np.array([share * self.full_mm]))[0, 1])
            text = f"{share * self.full_mm / mm_per(unit):+.{2 if unit == 'mm' else 3}f}"
            lettering.line(LEFT - 14, y, text if share else "0", TYPE_PX, anchor="rm")
        filled = 0.0
        for a, b in pairwise(self._cuts()):
            name, middle = str(self.names[a]), (self.along[a] + self.along[b - 1]) / 2
            x = float(self.px(np.array([middle]), np.zeros(1))[0, 0])
            half = text_size(name, 20)[0] / 2
            if name and x - half > filled:
                lettering.line(x, low + 12, name, 20, anchor="ma")
                filled = x + half + 6
        for s in self._ticks().tolist():
            x = float(self.px(np.array([s]), np.zeros(1))[0, 0])
            digits = 0 if unit == "mm" else 1
            lettering.line(x, low + 46, f"{s / mm_per(unit):.{digits}f}", 22, anchor="ma")
        text = f"along the {words.new} from the datum corner, counter-clockwise, {unit}; "
        text += (
            f"{length(self.whole_mm, unit, 0)} in all; E1, E2...: edges of {self.found.old.name}"
        )
        lettering.line((LEFT + WIDE_PX - RIGHT) / 2, low + 86, text, TYPE_PX, anchor="ma")

    def _numbers(self, lettering: Lettering) -> None:
        """How much it is at the worst places, the worst first, none over another."""
        taken: list[Box] = []
        for stretch in [s for s in self.found.stretches if s.on_new][:MOST_NUMBERS]:
            s, d = self._worst(stretch)
            x, y = self.px(np.array([s]), np.array([d]))[0].tolist()
            text = f"{'+' if d > 0 else '-'}{length(abs(d), self.unit)}"
            half = text_size(text, TYPE_PX)[0] / 2
            x = min(max(x, LEFT + half), WIDE_PX - RIGHT - half)
            y += -22 if d > 0 else 22
            box = (x - half - 4, y - 16, x + half + 4, y + 16)
            if any(
                box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken
            ):
                continue
            taken.append(box)
            lettering.line(x, y, text, TYPE_PX, anchor="mm", outline=WHITE, colour=INK, bold=True)

    def _worst(self, stretch: Stretch) -> tuple[float, float]:
        """Where a stretch of the new edge is farthest off, and by how much."""
        start = (stretch.start_mm - self.first_mm) % self.whole_mm
        passed = (stretch.end_mm - stretch.start_mm) % self.whole_mm or self.whole_mm
        within = (self.along - start) % self.whole_mm <= passed
        off = np.abs(np.where(within, self.off, 0.0))
        high = np.flatnonzero(off >= 0.97 * off.max())
        at = int(high[len(high) // 2])
        return float(self.along[at]), float(self.off[at])

    def _ticks(self) -> FloatArray:
        step = full_scale_mm(self.whole_mm / mm_per(self.unit) / 14) * mm_per(self.unit)
        return np.arange(0.0, self.whole_mm, step)


def _runs(flagged: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Indices of each run of flags."""
    at = np.flatnonzero(flagged)
    return np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(at) else []


def _rounded_up(value: float) -> float:
    """The next of 1, 1.5, 2, 3, 4, 6, 8 times a power of ten: little room is left unused."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(k * power for k in (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0) if k * power >= value)
