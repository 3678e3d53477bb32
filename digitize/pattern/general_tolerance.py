"""General tolerances of ISO 2768-1: how far an untoleranced size may be off.

The table lies in ``shared/iso2768-1.json`` with its source.  The first range starts at
0.5 mm inclusive, every other one just over its lower limit (as the standard words it).
"""

from __future__ import annotations

import json
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
