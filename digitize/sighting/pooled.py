"""All marks of a lattice taken together, where none can be read by itself.

When a module is about a pixel wide, or blurred over, each mark is only faintly like the
word it should be.  Yet over a hundred marks all tell of one sheet, one quarter turn and
one shift: the hypothesis for which the sum of their likenesses stands far above chance
and far above every other.  For each layout and turn, the likeness at every shift is a
correlation, done by Fourier transform; the sheet's number only flips the same modules in
every mark (the code is linear), so that all numbers share that work.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from digitize.sheets import catalogue, marks
from digitize.sheets.layout import Sheet
from digitize.sighting.corners import FloatArray
from digitize.sighting.reading import MarkReading

LEAST_MARKS = 12
LEAST_SCORE = 9.0  # standard deviations over chance; some 10^6 hypotheses reach 5 by luck
RIVAL = 0.8  # of the winner's score: the next best must stay below


@dataclass(frozen=True, slots=True)
class Place:
    """The hypothesis that won."""

    sheet: Sheet
    turns: int
    shift: tuple[int, int]


def place(reading: MarkReading) -> Place | None:
    """The sheet, turn and shift that all marks together name, or None if none stands out."""
    ink = reading.ink - reading.ink.mean(1, keepdims=True)
    size = np.linalg.norm(ink, axis=1)
    telling = size > 0.3
    if telling.sum() < LEAST_MARKS:
        return None
    alike = MarkReading(reading.ij[telling], ink[telling] / size[telling, None])
    best: tuple[float, Place] | None = None
    rival = 0.0
    for form in catalogue.FORMS:
        for paper in catalogue.PAPER_MM:
            for turns in range(4):
                score, second, number, shift = _best_of(alike.turned(turns), form, paper)
                if best is None or score > best[0]:
                    rival = max(rival, second, best[0] if best else 0.0)
                    sheet = catalogue.sheet(form, paper, number)
                    best = score, Place(sheet, turns, shift)
                else:
                    rival = max(rival, score)
    if best is None or best[0] < LEAST_SCORE or rival > RIVAL * best[0]:
        return None
    return best[1]


def _best_of(
    reading: MarkReading, form: catalogue.CodedForm, paper: str
) -> tuple[float, float, int, tuple[int, int]]:
    """Best score and the next best, with the number and the shift of the best."""
    patterns = _patterns(form, paper)
    low = reading.ij.min(0)
    columns, rows = (reading.ij.max(0) - low + 1).tolist()
    wide, high = patterns.shape[1], patterns.shape[2]
    shape = fft.next_fast_len(wide + columns), fft.next_fast_len(high + rows)
    seen = np.zeros((marks.BITS + 1, columns, rows), np.float32)
    at = reading.ij - low
    seen[:-1, at[:, 0], at[:, 1]] = reading.ink.T
    seen[-1, at[:, 0], at[:, 1]] = 1.0
    # sum over squares of seen(square) * pattern(square + shift), at every shift at once
    spectrum = fft.rfft2(patterns, shape) * np.conj(fft.rfft2(seen, shape))
    likeness = fft.irfft2(spectrum, shape)
    overlap = np.maximum(likeness[-1].ravel(), 0.0)
    scores = _flips(form, paper) @ likeness[:-1].reshape(marks.BITS, -1)
    # Each mark has unit length, so by chance its likeness has a variance of one.
    scores = np.where(overlap > LEAST_MARKS - 0.5, scores / np.sqrt(np.maximum(overlap, 1.0)), 0.0)
    number, spot = np.unravel_index(int(scores.argmax()), scores.shape)
    score = float(scores[number, spot])
    scores[number, spot] = 0.0
    dx, dy = np.unravel_index(int(spot), shape)
    # A transform counts shifts round and round: those past the sheet's size are negative.
    x = int(dx) - shape[0] if dx >= wide else int(dx)
    y = int(dy) - shape[1] if dy >= high else int(dy)
    shift = x - int(low[0]), y - int(low[1])
    return score, float(scores.max()), int(number) + 1, shift


@cache
def _patterns(form: catalogue.CodedForm, paper: str) -> NDArray[np.float32]:
    """Marks (37, columns, rows) of sheet 1 as -1 and 1, 0 where there is none; last: 1 where is."""
    sheet = catalogue.sheet(form, paper, 1)
    patterns = np.zeros((marks.BITS + 1, sheet.columns, sheet.rows), np.float32)
    for (column, row), word in marks.words(sheet).items():
        patterns[:-1, column, row] = 2.0 * marks.module_grid(word).ravel() - 1.0
        patterns[-1, column, row] = 1.0
    return patterns


@cache
def _flips(form: catalogue.CodedForm, paper: str) -> FloatArray:
    """-1 where a sheet's number flips a module of sheet 1's marks (numbers, 36), else 1."""
    square = next(iter(marks.words(catalogue.sheet(form, paper, 1))))
    first = marks.word(catalogue.sheet(form, paper, 1), *square)
    rows = []
    for number in range(1, catalogue.MAX_NUMBER + 1):
        word = marks.word(catalogue.sheet(form, paper, number), *square)
        rows.append(1.0 - 2.0 * marks.module_grid(first ^ word).ravel())
    return np.array(rows, np.float32)
