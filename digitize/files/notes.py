"""The few lines every drawing carries: what it is, how thick, how sure, which way up."""

from __future__ import annotations

import math
import unicodedata

from digitize.files.units import Unit, length, mm_per
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern

LONGEST_NAME = 120  # letters; a drawing has no room for a story


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
    lines = [
        one_line(pattern.name)[:LONGEST_NAME] or "pattern",
        f"{sheet}, seen from the traced face",
    ]
    lines.append(precision_line(pattern, unit))
    doubts = list(dict.fromkeys(n.code for n in pattern.notices if n.level == "doubt"))
    if doubts:
        lines.append(one_line("doubtful: " + ", ".join(doubts)))
    return lines


def precision_line(pattern: Pattern, unit: Unit) -> str:
    """The expanded uncertainty at the pattern's longest overall dimension."""
    if pattern.precision is None:
        return "precision not stated"
    x0, y0, x1, y1 = closed_extent_mm(pattern.outline)
    longest = max(x1 - x0, y1 - y0)
    u = rounded_up(pattern.precision.expanded_mm(longest), unit)
    return f"± {u} {unit} on {length(longest, unit, 0)} (95 %)"


def rounded_up(expanded_mm: float, unit: Unit) -> str:
    """An expanded uncertainty without its unit, to the next 0.01 mm (0.1 from 1 mm) or 0.001 in."""
    u = expanded_mm / mm_per(unit)
    digits = 3 if unit == "in" else (2 if u < 1 else 1)
    return f"{math.ceil(u * 10**digits - 1e-6) / 10**digits:.{digits}f}"
