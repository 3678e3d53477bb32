"""How a gap between piece and opening can be welded, by sheet thickness and process.

The bands lie in ``shared/weld-gaps.json`` with their source: guidance for fitting up, not a
welding procedure.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from digitize.shared_file import shared

Process = Literal["mig", "tig"]

_READ_MM = 0.005  # nobody reads a gap finer than to a hundredth


@dataclass(frozen=True, slots=True)
class Band:
    """A range of gaps: over ``over_mm`` and up to ``up_to_mm`` (None: without end)."""

    rank: int  # 0 is the best
    word: str
    over_mm: float
    up_to_mm: float | None


def bands(thickness_mm: float, process: Process) -> tuple[Band, ...]:
    """The bands for a sheet, the best first."""
    found: list[Band] = []
    over = 0.0
    for rank, (share, word) in enumerate(_table()["bands"][process]):
        up_to = None if share is None else share * thickness_mm
        found.append(Band(rank, word, over, up_to))
        over = up_to or over
    return tuple(found)


def band_of(gap_mm: float, thickness_mm: float, process: Process) -> Band:
    """The band a gap falls into; touching and overlap count as no gap."""
    listed = bands(thickness_mm, process)
    return next(b for b in listed if b.up_to_mm is None or gap_mm <= b.up_to_mm + _READ_MM)


def root_gap_mm(thickness_mm: float, process: Process) -> float | None:
    """The widest root gap of the published butt weld, where it holds for the sheet."""
    table = _table()
    value = table["root_gap_mm"].get(process)
    return value if value is not None and thickness_mm <= table["root_gap_up_to_sheet_mm"] else None


def source() -> str:
    """Where the bands come from."""
    return str(_table()["source"])


def caution() -> str:
    """What to be careful of."""
    return str(_table()["caution"])


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(shared("weld-gaps.json").read_text("utf-8"))
    return table
