"""Sheet gauges: what a gauge number means for a metal.  A measured thickness always wins.

The table lies in ``shared/gauges.json`` with its sources.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from digitize.bending.setback import BadBend
from digitize.shared_file import shared

_MM_PER_INCH = 25.4


def thickness_of_gauge_mm(number: int, series: str) -> float:
    """Nominal thickness of a gauge number in a series: steel, galvanised, aluminium...

    Raises BadBend for a series or a number that the table lacks.
    """
    rows = _table()["inch"]
    if series not in rows:
        raise BadBend(f"no gauge series called {series!r}", do="choose one of " + ", ".join(rows))
    row = rows[series]
    if str(number) not in row:
        raise BadBend(
            f"gauge {number} is not in the {series} table",
            do=f"give {min(map(int, row))} to {max(map(int, row))}, or the measured thickness",
        )
    return float(row[str(number)]) * _MM_PER_INCH


def gauge_of_thickness(thickness_mm: float, series: str) -> tuple[int, float]:
    """The gauge number nearest to a thickness, and its nominal thickness."""
    row = _table()["inch"][series]
    number = min(row, key=lambda n: abs(row[n] * _MM_PER_INCH - thickness_mm))
    return int(number), float(row[number]) * _MM_PER_INCH


def series() -> tuple[str, ...]:
    """The series there are."""
    return tuple(_table()["inch"])


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(shared("gauges.json").read_text("utf-8"))
    return table
