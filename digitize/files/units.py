"""Millimetres or inches in a written file."""

from __future__ import annotations

import math
from typing import Literal, assert_never

Unit = Literal["mm", "in"]

MM_PER_INCH = 25.4  # exactly, by the international yard and pound agreement of 1959


def mm_per(unit: Unit) -> float:
    """Millimetres in one unit."""
    match unit:
        case "mm":
            return 1.0
        case "in":
            return MM_PER_INCH
        case _:
            assert_never(unit)


def length(value_mm: float, unit: Unit, digits: int = 1) -> str:
    """A length for people; inches get two digits more, since 0.001 in is 0.025 mm."""
    if unit == "in":
        return f"{value_mm / MM_PER_INCH:.{digits + 2}f} in"
    return f"{value_mm:.{digits}f} mm"


def rounded(value: float, expanded: float | None, unit: Unit | Literal["deg"]) -> tuple[str, str]:
    """A dimension and its expanded uncertainty to the same decimals, without the unit.

    Both come in mm, or in degrees for ``"deg"``.  The uncertainty is rounded up: two
    decimals below 1 mm, one from there on, three in inches, two in degrees.  Where it is
    not known it is empty, and the value has the decimals of ``length``.
    """
    digits = {"mm": 1, "in": 3, "deg": 2}[unit]
    per = 1.0 if unit == "deg" else mm_per(unit)
    if expanded is None:
        return f"{round(value / per, digits) + 0.0:.{digits}f}", ""
    if unit == "mm" and expanded < 1.0:
        digits = 2
    up = math.ceil(expanded / per * 10**digits - 1e-6) / 10**digits
    # Adding nothing takes the minus from a nought.
    return f"{round(value / per, digits) + 0.0:.{digits}f}", f"{up:.{digits}f}"


def check_length_mm(unit: Unit) -> float:
    """Length of the bar by which a person checks the scale: 100 mm, or 4 in."""
    return 100.0 if unit == "mm" else 4 * MM_PER_INCH


def check_text(unit: Unit) -> str:
    """That length in words."""
    return "100 mm" if unit == "mm" else "4 in"
