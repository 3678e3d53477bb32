"""The key of a template: each kind of line or sign that is drawn, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from digitize.files.lettering import width
from digitize.files.paper.fold_marks import FoldMark, Kind
from digitize.files.paper.page import (
    DASHED,
    DASHED_SPACED,
    LONG_DASHED_DOTTED,
    LONG_DASHED_DOUBLE_DOTTED,
    LONG_DASHED_DOUBLE_SHORT_DASHED,
    LONG_DASHED_SHORT_DASHED,
    NARROW_MM,
    SMALL_MM,
    WIDE_MM,
    Pages,
)
from digitize.pattern.model import Pattern

Dashes = tuple[float, ...]

MARK_DASHES: dict[Kind, Dashes] = {
    "bend": LONG_DASHED_DOTTED,
    "bend and tool": LONG_DASHED_SHORT_DASHED,
    "tool": DASHED_SPACED,
    "tangent": DASHED,
    "tangent and tool": LONG_DASHED_DOUBLE_SHORT_DASHED,
}
RESTORED_DASHES = LONG_DASHED_DOUBLE_DOTTED
_MARK_WORDS: dict[Kind, str] = {
    "bend": "bend line, B1, B2...",
    "bend and tool": "bend line = tool line",
    "tangent": "bend begins, ends",
    "tangent and tool": "bend begins = tool line",
    "tool": "tool line: folder, jaws",
}
_PITCH_MM, _SAMPLE_MM = 3.3, 9.0


@dataclass(frozen=True, slots=True)
class KeyRow:
    """A line with its width and dashes, or a sign, and its meaning."""

    words: str
    line_mm: float = NARROW_MM
    dashes: Dashes = ()
    sign: Literal["line", "punch", "none"] = "line"


def key_rows(pattern: Pattern, marks: Sequence[FoldMark], *, trim: bool) -> tuple[KeyRow, ...]:
    """The rows for what is drawn; ``trim``: it is for trimming a piece that is there."""
    evidence = {
        edge.evidence
        for closed in (pattern.outline, *pattern.openings)
        for edge in closed.as_contour().edges
    }
    cut = "trim to here; mark it" if trim else "cut, along its middle"
    if pattern.drawn.kerf_mm is not None:
        cut = "cutter's middle, not the edge"
    rows = [KeyRow(cut, WIDE_MM)]
    if evidence - {"measured"}:
        rows.append(KeyRow("cut; rebuilt edge, check", WIDE_MM, RESTORED_DASHES))
    if trim:
        rows.append(KeyRow("the edge now, comes off"))
    drawn = {mark.kind for mark in marks}
    rows += [
        KeyRow(words, dashes=MARK_DASHES[kind])
        for kind, words in _MARK_WORDS.items()
        if kind in drawn
    ]
    if pattern.marks:
        rows.append(KeyRow("centre-punch", sign="punch"))
    if drawn:
        rows.append(KeyRow("Narrow lines are never cut.", sign="none"))
    return tuple(rows)


def key_height_mm(rows: Sequence[KeyRow]) -> float:
    """Height of the key."""
    return len(rows) * _PITCH_MM + 1.0


def key_width_mm(rows: Sequence[KeyRow]) -> float:
    """Width of the key."""
    return _SAMPLE_MM + 1.5 + max(width(row.words, SMALL_MM) for row in rows if row.sign != "none")


def draw_key(pages: Pages, rows: Sequence[KeyRow], x: float, top: float) -> None:
    """Draw the key under ``top``."""
    for number, row in enumerate(rows):
        y = top - _PITCH_MM * (number + 0.5)
        pages.pen(row.line_mm, row.dashes)
        if row.sign == "line":
            pages.canvas.line(x, y, x + _SAMPLE_MM, y)
        elif row.sign == "punch":
            pages.cross((x + _SAMPLE_MM / 2, y), 1.4)
            pages.canvas.circle(x + _SAMPLE_MM / 2, y, 0.8)
        indent = 0.0 if row.sign == "none" else _SAMPLE_MM + 1.5
        pages.text(x + indent, y - 0.8, row.words, SMALL_MM)
