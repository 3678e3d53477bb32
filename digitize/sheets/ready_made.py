"""The ready-made sheets in shared/, which this module draws."""

from __future__ import annotations

from digitize.files.units import Unit
from digitize.sheets import printing
from digitize.sheets.page import page

READY_MADE: dict[str, tuple[str, str, Unit]] = {
    "ring-a4.pdf": ("ring", "A4", "mm"),
    "card-a4.pdf": ("card", "A4", "mm"),
    "ring-letter.pdf": ("ring", "Letter", "in"),
    "card-letter.pdf": ("card", "Letter", "in"),
}
"""Form, paper and units of the ready-made sheets, all numbered from 1."""


def draw(name: str) -> bytes:
    """One of ``READY_MADE``, drawn anew."""
    form, paper, units = READY_MADE[name]
    return printing.pdf_bytes([page(form, paper, 1, units)])
