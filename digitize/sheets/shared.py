"""The ready-made files that ship with the program, in a checkout and in a wheel alike."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from digitize.errors import DigitizeError
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


class SharedFileMissing(DigitizeError):
    """The installation lacks a file that ships with the program."""


def shared(name: str) -> Traversable:
    """The file of that name in shared/; raises ``SharedFileMissing``.

    A wheel holds shared/ inside the package; a checkout holds it beside the package.
    """
    package = files("digitize")
    inside = package / "shared" / name
    if inside.is_file():
        return inside
    if isinstance(package, Path):
        beside = package.parent / "shared" / name
        if beside.is_file():
            return beside
    raise SharedFileMissing(
        f"the installation lacks its file shared/{name}", do="install the program again"
    )


def ready_made(name: str) -> bytes:
    """One of ``READY_MADE``, drawn anew."""
    form, paper, units = READY_MADE[name]
    return printing.pdf_bytes([page(form, paper, 1, units)])
