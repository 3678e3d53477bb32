"""The few lines every drawing carries: what it is, how thick, how sure, which way up."""

from __future__ import annotations

import math
import unicodedata

from digitize.files.units import Unit, length, mm_per
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern


def one_line(text: str) -> str:
    """Text without line breaks or control characters, for a title or a note."""
    return " ".join("".join(" " if unicodedata.category(c)[0] == "C" else c for c in text).split())


def note_lines(pattern: Pattern, unit: Unit) -> list[str]:
    """Name, sheet, precision and doubts of a pattern, a line each."""
    sheet = (
        f"{length(pattern.thickness_mm, unit)} sheet"
        if pattern.thickness_mm is not None
        else "sheet thickness not given"
    )
    lines = [one_line(pattern.name) or "pattern", f"{sheet}, seen from the traced face"]
    lines.append(precision_line(pattern, unit))
    doubts = list(dict.fromkeys(n.code for n in pattern.notices if n.level == "doubt"))
    if doubts:
        lines.append(one_line("doubtful: " + ", ".join(doubts)))
    return lines


def precision_line(pattern: Pattern, unit: Unit) -> str:
    """The expanded uncertainty at the pattern's longest overall dimension."""
    x0, y0, x1, y1 = closed_extent_mm(pattern.outline)
    longest = max(x1 - x0, y1 - y0)
    u = uncertainty(pattern, longest, unit)
    if u is None:
        return "precision not stated"
    return f"± {u} {unit} on {length(longest, unit, 0)} (95 %)"


def uncertainty(pattern: Pattern, value_mm: float, unit: Unit) -> str | None:
    """The expanded uncertainty of a length, rounded up to 0.01 mm (0.1 from 1 mm) or 0.001 in."""
    if pattern.precision is None:
        return None
    u = pattern.precision.expanded_mm(value_mm) / mm_per(unit)
    digits = 3 if unit == "in" else (2 if u < 1 else 1)
    return f"{math.ceil(u * 10**digits - 1e-6) / 10**digits:.{digits}f}"


def with_uncertainty(pattern: Pattern, value_mm: float, unit: Unit) -> str:
    """A length with its expanded uncertainty where that is known, without the unit."""
    text = length(value_mm, unit).split()[0]
    u = uncertainty(pattern, value_mm, unit)
    return text if u is None else f"{text} ± {u}"
