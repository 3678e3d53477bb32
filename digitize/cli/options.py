"""Options that several commands share, and how their text becomes a value."""

from __future__ import annotations

import math
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from digitize.cli.lengths import length_mm


class Unit(StrEnum):
    """The unit of bare numbers and of what is written."""

    MM = "mm"
    INCH = "in"


class PaperSize(StrEnum):
    """Paper of a 1:1 template."""

    A4 = "A4"
    LETTER = "Letter"


_THICKEST_MM = 12.7  # half an inch; thicker is plate


def positive_mm(text: str | None, unit: Unit, option: str) -> float | None:
    """A typed length in millimetres; a usage error names the option."""
    if text is None:
        return None
    try:
        value = length_mm(text, unit.value)
    except ValueError as fault:
        raise typer.BadParameter(str(fault), param_hint=option) from None
    if value <= 0:
        raise typer.BadParameter("must be more than zero", param_hint=option)
    return value


def said_thickness_mm(text: str | None, unit: Unit, option: str = "--thickness") -> float | None:
    """A typed thickness of sheet metal in millimetres; a usage error says where it is none."""
    value = positive_mm(text, unit, option)
    if value is not None and value > _THICKEST_MM:
        raise typer.BadParameter(
            f"{value:g} mm is no sheet metal; write it like 1.5mm or 0.06in", param_hint=option
        )
    return value


def plain_name(name: str | None) -> str | None:
    """A name that files can be given; a usage error says what to leave out."""
    if name is not None and (name in ("", ".", "..") or set(name) & set('/\\:*?"<>|')):
        raise typer.BadParameter(
            f'{name!r} cannot name files; leave out / \\ : * ? " < > |', param_hint="--name"
        )
    return name


def finite_deg(angle_deg: float | None) -> float | None:
    """A direction in degrees; a usage error for what is no number."""
    if angle_deg is not None and not math.isfinite(angle_deg):
        raise typer.BadParameter(f"{angle_deg} is no direction; write degrees, as 90")
    return angle_deg


Units = Annotated[
    Unit, typer.Option("--units", "-u", help="Unit of bare numbers, tables and drawings.")
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace files that exist already.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for scripts instead of tables.")]
Into = Annotated[
    Path, typer.Option("--into", "-o", help="Folder for the files; made where missing.")
]
Paper = Annotated[PaperSize, typer.Option("--paper", "-p", help="Paper of the 1:1 template.")]
Printer = Annotated[
    str | None, typer.Option("--printer", help="Profile of the printer that made the target.")
]
Phone = Annotated[
    str | None, typer.Option("--phone", help="Profile of the phone that took the photo.")
]
Checkerboard = Annotated[
    str | None,
    typer.Option(
        "--checkerboard", help="The target is a plain checkerboard with squares of this size."
    ),
]
