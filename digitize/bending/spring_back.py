"""How much farther a sheet must be bent than it shall stay, and what it weighs.

The spring-back factor is the angle that stays over the angle bent through under load.  The
table lies in ``shared/sheet-metals.json`` with its sources.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from digitize.bending.setback import BadBend
from digitize.shared_file import shared


@dataclass(frozen=True, slots=True)
class Overbend:
    """The angle to bend through under load, and where the spring-back comes from."""

    angle_deg: float
    factor: float
    source: str


def overbend(metal: str, angle_deg: float, radius_mm: float, thickness_mm: float) -> Overbend:
    """The angle under load after which ``angle_deg`` stays.

    ``metal`` is the name of a Material.  Raises BadBend for one the table lacks.
    """
    row = _row(metal)
    ratio = radius_mm / thickness_mm
    if "spring_back" in row:
        table = row["spring_back"]
        factor = float(np.interp(ratio, table["radius_per_thickness"], table["factor"]))
    else:
        factor = elastic_plastic_factor(ratio, row["yield_mpa"], row["modulus_mpa"])
    return Overbend(angle_deg / factor, factor, row["spring_back_source"])


def elastic_plastic_factor(ratio: float, yield_mpa: float, modulus_mpa: float) -> float:
    """4 X^3 - 3 X + 1 with X = yield x radius / (modulus x thickness), radius under load.

    Boothroyd's form of the elastic-plastic formula (novasolver.jp, spring-back).  It takes the
    sheet as bent by a pure moment and tells less than is seen at sharp bends.
    """
    x = min(yield_mpa * ratio / modulus_mpa, 0.5)  # at 0.5 the sheet is elastic: all springs back
    return 4 * x**3 - 3 * x + 1


def density_kg_m3(metal: str) -> tuple[float, str]:
    """Density of a metal and its source; raises BadBend for one the table lacks."""
    row = _row(metal)
    return float(row["density_kg_m3"]), str(row["density_source"])


def _row(metal: str) -> dict[str, Any]:
    rows = _table()["metals"]
    if metal not in rows:
        raise BadBend(f"no figures for a metal called {metal!r}", do="choose " + ", ".join(rows))
    row: dict[str, Any] = rows[metal]
    return row


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(shared("sheet-metals.json").read_text("utf-8"))
    return table
