"""Metals and the defaults they bring: allowance law, inside radius, least radius.

The table lies in ``shared/bend-materials.json``, the source of each figure beside it.  It
gives defaults, never truths: the maker's data sheet and a test strip go before it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from digitize.bending.laws import Handbook, Temper
from digitize.bending.setback import BadBend
from digitize.shared_file import shared


@dataclass(frozen=True, slots=True)
class LeastRadius:
    """The smallest inside radius, as a multiple of thickness that may vary with it."""

    at_mm: tuple[float, ...]
    per_thickness: tuple[float, ...]
    least_mm: float
    source: str

    def radius_mm(self, thickness_mm: float) -> float:
        """Least inside radius at a thickness; between tabled thicknesses the ratio is linear."""
        ratio = float(np.interp(thickness_mm, self.at_mm, self.per_thickness))
        return max(ratio * thickness_mm, self.least_mm)


@dataclass(frozen=True, slots=True)
class Material:
    """A metal: its names, gauge series and bending defaults."""

    name: str
    title: str
    also: tuple[str, ...]
    gauge_series: str
    law: Handbook
    law_source: str
    radius_per_thickness: float
    radius_least_mm: float
    radius_source: str
    least_radius: LeastRadius

    def radius_mm(self, thickness_mm: float) -> float:
        """Default inside radius."""
        return max(self.radius_per_thickness * thickness_mm, self.radius_least_mm)


DEFAULT = "mild-steel"


def material(name: str) -> Material:
    """The metal of that name or by-name; raises BadBend with the names there are."""
    wanted = "-".join(name.lower().replace("_", " ").split())
    for found in materials():
        if wanted == found.name or wanted in found.also:
            return found
    raise BadBend(
        f"no metal called {name!r}", do="choose one of " + ", ".join(m.name for m in materials())
    )


@cache
def materials() -> tuple[Material, ...]:
    """Every metal of the table."""
    table: dict[str, Any] = json.loads(shared("bend-materials.json").read_text("utf-8"))
    return tuple(_of(name, row) for name, row in table["materials"].items())


def _of(name: str, row: dict[str, Any]) -> Material:
    least = row["least_radius"]
    ratios = least["per_thickness"]
    temper: Temper = row["temper"]
    return Material(
        name=name,
        title=row["title"],
        also=tuple(row["also"]),
        gauge_series=row["gauge"],
        law=Handbook(temper),
        law_source=row["temper_source"],
        radius_per_thickness=float(row["radius_per_thickness"]),
        radius_least_mm=float(row["radius_least_mm"]),
        radius_source=row["radius_source"],
        least_radius=LeastRadius(
            at_mm=tuple(map(float, least.get("at_mm", (1.0,)))),
            per_thickness=tuple(map(float, ratios if isinstance(ratios, list) else (ratios,))),
            least_mm=float(least.get("least_mm", 0.0)),
            source=row["least_radius_source"],
        ),
    )
