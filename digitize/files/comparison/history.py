"""The trial fits of one piece beside each other, as PNG: what was off each time, place by place.

A column for each trial, a row for each place, in the colours of the comparison's own picture.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from digitize.comparing.trials import Trial, is_move, is_size
from digitize.files.comparison.diverging import MOVED, SAME, colour, full_scale_mm
from digitize.files.pictures.palette import Rgb
from digitize.files.pictures.picture import Lettering, Picture, png, text_size, wrapped
from digitize.files.units import Unit, mm_per

MOST_TRIALS, MOST_PLACES = 6, 18
TITLE_PX, TYPE_PX = 32, 24
ROW_PX, CELL_PX, MARGIN_PX, LEAST_PX = 46, 190, 30, 1100
_SHARE = "edge the same within ±"
INK: Rgb = (24, 28, 36)
WHITE: Rgb = (255, 255, 255)


def render(old: str, trials: Sequence[Trial], unit: Unit = "mm") -> bytes:
    """The last trials of an old piece, the newest on the right."""
    return png(_Table(old, trials, unit).draw())


class _Table:
    """One table: what its rows and columns are, and where they lie."""

    def __init__(self, old: str, trials: Sequence[Trial], unit: Unit) -> None:
        self.unit, self.first = unit, max(0, len(trials) - MOST_TRIALS)
        self.shown = trials[self.first :]
        self.places = _places(self.shown)
        self.in_opening = trials[-1].in_opening
        off = [abs(v) for t in self.shown for v in t.off_mm.values()]
        self.full_mm = full_scale_mm(max(off, default=0.1))
        widest = max(text_size(p, TYPE_PX)[0] for p in (*self.places, _SHARE))
        self.left = MARGIN_PX + widest + 24
        self.wide = max(self.left + CELL_PX * len(self.shown) + MARGIN_PX, LEAST_PX)
        room = self.wide - 2 * MARGIN_PX
        self.title = wrapped([_title(old, trials)], room, round(1.15 * TITLE_PX))
        self.top = round(1.3 * TITLE_PX * len(self.title)) + 36

    def row_px(self, row: int) -> int:
        """The upper end of a row; the first is that of the headings."""
        return self.top + ROW_PX * row

    def draw(self) -> Picture:
        """The whole picture."""
        high = self.row_px(len(self.places) + 3) + 90
        canvas: Picture = np.full((high, self.wide, 3), 255, np.uint8)
        for row, place in enumerate(self.places, 1):
            for column, trial in enumerate(self.shown):
                x, y = self.left + CELL_PX * column, self.row_px(row)
                shade = _shade(trial, place, self.full_mm)
                canvas[y + 3 : y + ROW_PX - 3, x + 3 : x + CELL_PX - 3] = shade
        with Lettering(canvas) as lettering:
            for row, text in enumerate(self.title):
                y_px = 18 + 1.3 * TITLE_PX * row
                lettering.line(MARGIN_PX, y_px, text, TITLE_PX, bold=True)
            names = ["", *self.places, _SHARE, "piece"]
            for row, name in enumerate(names):
                middle = self.row_px(row) + ROW_PX / 2
                lettering.line(MARGIN_PX, middle, name, TYPE_PX, anchor="lm")
            for column, trial in enumerate(self.shown):
                self._column(lettering, column, trial)
            sides = "+: gap, -: overlap" if self.in_opening else "+: more metal, -: less metal"
            said = f"{self.unit}; edges: {sides}; no sign: moved by so much; "
            said += "same: within the measurement"
            lettering.line(MARGIN_PX, high - 66, said, 20)
            said = "orange: more metal (a hole too small); purple: less (a hole too large)"
            lettering.line(MARGIN_PX, high - 36, said + "; blue-grey: moved", 20)
        return canvas

    def _column(self, lettering: Lettering, column: int, trial: Trial) -> None:
        x, half = self.left + CELL_PX * (column + 0.5), ROW_PX / 2
        number = f"trial {self.first + column + 1}"
        lettering.line(x, self.row_px(0) + half, number, TYPE_PX, anchor="mm", bold=True)
        for row, place in enumerate(self.places, 1):
            text, ink = _cell(trial, place, self.full_mm, self.unit)
            lettering.line(x, self.row_px(row) + half, text, TYPE_PX, anchor="mm", colour=ink)
        below = self.row_px(len(self.places) + 1) + half
        lettering.line(x, below, f"{100 * trial.same_share:.0f} %", TYPE_PX, anchor="mm")
        name = _shortened(trial.new, CELL_PX - 12)
        lettering.line(x, below + ROW_PX, name, 20, anchor="mm")


def _places(shown: Sequence[Trial]) -> list[str]:
    """Every place that was off, those that are off now first, the worst of them on top."""
    now = shown[-1].off_mm
    worst: dict[str, float] = {}
    for trial in shown:
        for place, off in trial.off_mm.items():
            worst[place] = max(worst.get(place, 0.0), abs(off))
    ordered = sorted(worst, key=lambda p: (-abs(now.get(p, 0.0)), -worst[p]))
    return ordered[:MOST_PLACES]


def _title(old: str, trials: Sequence[Trial]) -> str:
    now, before = trials[-1].off_mm, trials[-2].off_mm if len(trials) > 1 else {}
    done = sum(p not in now for p in before)
    off = f"{len(now)} place{'s' if len(now) != 1 else ''} off" if now else "nothing off any more"
    return f"{old}, trial {len(trials)}: {off}" + (
        f", {done} put right since the last" if done else ""
    )


def _shade(trial: Trial, place: str, full_mm: float) -> Rgb:
    if place not in trial.off_mm:
        return (232, 232, 230)
    more_mm = trial.more_metal_mm(place)
    return MOVED if more_mm is None else colour(more_mm, full_mm)


def _cell(trial: Trial, place: str, full_mm: float, unit: Unit) -> tuple[str, Rgb]:
    if place not in trial.off_mm:
        return "same", SAME
    light = sum(_shade(trial, place, full_mm)) > 3 * 140
    off, digits = trial.figure_mm(place) / mm_per(unit), 1 if unit == "mm" else 3
    if is_move(place):
        text = f"{off:.{digits}f}"
    elif is_size(place):
        text = f"{abs(off):.{digits}f} {'larger' if off > 0 else 'smaller'}"
    else:
        text = f"{off:+.{digits}f}"
    return text, INK if light else WHITE


def _shortened(name: str, room_px: float) -> str:
    while len(name) > 4 and text_size(name, 20)[0] > room_px:
        name = name[:-2].rstrip("…") + "…"
    return name
