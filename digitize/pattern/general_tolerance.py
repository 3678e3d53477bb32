"""General tolerances of ISO 2768-1: how far an untoleranced size may be off.

The table lies in ``shared/iso2768-1.json`` with its source.  The first range starts at
0.5 mm inclusive, every other one just over its lower limit (as the standard words it).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from digitize.shared_file import shared

ToleranceClass = Literal["f", "m", "c", "v"]  # fine, medium, coarse, very coarse


def linear_mm(size_mm: float, tolerance_class: ToleranceClass) -> float | None:
    """Permissible deviation (+/-) of a linear size, None where the standard gives none."""
    return _found("linear_mm", size_mm, tolerance_class)


def radius_mm(radius: float, tolerance_class: ToleranceClass) -> float | None:
    """Permissible deviation (+/-) of an external radius or chamfer height."""
    return _found("radius_mm", radius, tolerance_class)


def angle_deg(shorter_leg_mm: float, tolerance_class: ToleranceClass) -> float | None:
    """Permissible deviation (+/-) of an angle, by the length of its shorter leg."""
    return _found("angle_deg", shorter_leg_mm, tolerance_class)


@dataclass(frozen=True, slots=True)
class Grade:
    """The finest class that a measured size supports."""

    tolerance_class: ToleranceClass
    left_mm: float  # of the permissible deviation once U is taken off, for whoever makes it


NAMES: dict[ToleranceClass, str] = {"f": "fine", "m": "medium", "c": "coarse", "v": "very coarse"}


def grade(size_mm: float, expanded_mm: float) -> Grade | None:
    """The finest of fine, medium and coarse to which a size is known, None if to none.

    Decision rule: the expanded uncertainty U (k = 2) of the size is taken off the permissible
    deviation, and something must be left, so that nothing is called conforming that the
    measurement could not tell from non-conforming (as ISO 14253-1 has it).
    """
    classes: tuple[ToleranceClass, ...] = ("f", "m", "c")
    for tolerance_class in classes:
        permitted = linear_mm(size_mm, tolerance_class)
        if permitted is not None and expanded_mm < permitted:
            return Grade(tolerance_class, permitted - expanded_mm)
    return None


def _found(kind: str, size: float, tolerance_class: ToleranceClass) -> float | None:
    table = _table()[kind]
    for i, (over, up_to) in enumerate(table["over_up_to"]):
        reached = size > over or (i == 0 and size == over)
        if reached and (up_to is None or size <= up_to):
            value = table[tolerance_class][i]
            return None if value is None else float(value)
    return None


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(shared("iso2768-1.json").read_text("utf-8"))
    return table
