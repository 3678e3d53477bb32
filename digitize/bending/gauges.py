"""Sheet gauges: what a gauge number means for a metal.  A measured thickness always wins.

The table lies in ``shared/gauges.json`` with its sources.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

from digitize.bending.setback import BadBend
from digitize.shared_file import shared

SWG = "swg"  # the British wire gauge, by which any metal may be sold
_MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Gauge:
    """A gauge number in one of the series: steel, galvanised, aluminium, stainless, swg."""

    number: int
    series: str

    @property
    def thickness_mm(self) -> float:
        """Its nominal thickness; raises BadBend for one that the table lacks."""
        return thickness_of_gauge_mm(self.number, self.series)

    @property
    def title(self) -> str:
        """What people call it: 18 gauge steel, 18 SWG."""
        return f"{self.number} SWG" if self.series == SWG else f"{self.number} gauge {self.series}"


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


def series() -> tuple[str, ...]:
    """The series there are."""
    return tuple(_table()["inch"])


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(shared("gauges.json").read_text("utf-8"))
    return table
