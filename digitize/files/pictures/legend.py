"""The key to the colours of lines on a picture: a line of each, and what it stands for."""

from __future__ import annotations

from collections.abc import Sequence

from digitize.files.pictures.palette import COLOURS, TITLES, Kind
from digitize.files.pictures.picture import Lettering, text_size

ROW = 1.8
"""Height of a row, in sizes of the type."""


def legend_rows(kinds: Sequence[Kind], room_px: float, type_px: int) -> list[list[Kind]]:
    """The kinds of line row by row, as many in each as there is room for."""
    rows: list[list[Kind]] = []
    used = room_px + 1
    for kind in kinds:
        wide = _wide_px(kind, type_px)
        if used + wide > room_px:
            rows.append([])
            used = 0
        rows[-1].append(kind)
        used += wide
    return rows


def draw_legend(
    lettering: Lettering, x: float, y: float, rows: Sequence[Sequence[Kind]], type_px: int
) -> float:
    """Write the rows from a left top corner on; gives the y below them."""
    for row in rows:
        at = x
        for kind in row:
            lettering.swatch(at, y + 0.6 * type_px, 2.4 * type_px, COLOURS[kind], type_px // 4)
            lettering.line(at + 2.9 * type_px, y, TITLES[kind], type_px)
            at += _wide_px(kind, type_px)
        y += ROW * type_px
    return y


def _wide_px(kind: Kind, type_px: int) -> float:
    return text_size(TITLES[kind], type_px)[0] + 4.5 * type_px
