"""The few lines every drawing carries: what it is, how thick, how sure, which way up.

The sheet's line also says in what a drawing differs from the piece: of the other hand, or the
path of a cutter.
"""

from __future__ import annotations

import textwrap
import unicodedata

from digitize.files.units import Unit, length, rounded
from digitize.pattern.dimensions import dimensions
from digitize.pattern.limiting import limiting
from digitize.pattern.model import Pattern

LONGEST_NAME = 120  # letters; a drawing has no room for a story
LONGEST_DOUBT = 240
MOST_DOUBTS = 4


def one_line(text: str) -> str:
    """Text without line breaks or control characters, for a title or a note."""
    return " ".join("".join(" " if unicodedata.category(c)[0] == "C" else c for c in text).split())


def note_lines(pattern: Pattern, unit: Unit) -> list[str]:
    """Name, sheet, precision, what limits it, and then the doubts, a line each."""
    return [
        one_line(pattern.name)[:LONGEST_NAME] or "pattern",
        sheet_line(pattern, unit),
        precision_line(pattern, unit),
        *([limit] if (limit := limit_line(pattern, unit)) else []),
        *doubt_lines(pattern),
    ]


def sheet_line(pattern: Pattern, unit: Unit) -> str:
    """Thickness, the face one looks at, and in what the drawing differs from the piece."""
    thick, drawn = pattern.thickness_mm, pattern.drawn
    sheet = "sheet thickness not given" if thick is None else f"{length(thick, unit)} sheet"
    parts = [f"{sheet}, seen from {drawn.face}"]
    if drawn.opposite_hand:
        parts.append("opposite hand of the traced piece")
    if drawn.kerf_mm is not None:
        parts.append(f"path of a cutter of {length(drawn.kerf_mm, unit, 2)} kerf, not the piece")
    return "; ".join(parts)


def doubt_lines(pattern: Pattern) -> list[str]:
    """What is doubtful, in the words of the notices, shortened and no more than a few."""
    doubts = every_doubt(pattern)
    if len(doubts) <= MOST_DOUBTS:
        return doubts
    shown = doubts[: MOST_DOUBTS - 1]
    return [*shown, f"and {len(doubts) - len(shown)} more doubts, kept with the pattern"]


def every_doubt(pattern: Pattern) -> list[str]:
    """What is doubtful, a line each, long ones shortened."""
    texts = dict.fromkeys(one_line(n.text) or n.code for n in pattern.notices if n.level == "doubt")
    return [f"Doubt: {textwrap.shorten(t, LONGEST_DOUBT, placeholder=' ...')}" for t in texts]


def wrapped_notes(pattern: Pattern, unit: Unit, letters: int = LONGEST_NAME) -> list[str]:
    """The lines of ``note_lines``, broken where they have more than so many letters."""
    return [part for line in note_lines(pattern, unit) for part in textwrap.wrap(line, letters)]


def precision_line(pattern: Pattern, unit: Unit) -> str:
    """The expanded uncertainty of the pattern's longest overall dimension, and of its outline."""
    if pattern.precision is None:
        return "precision not stated"
    listed = dimensions(pattern)
    longest = max((*listed.of("OL"), *listed.of("OW")), key=lambda d: d.value)
    _, u = rounded(longest.value, longest.expanded, unit)
    line = f"± {u} {unit} on {length(longest.value, unit, 0)} (95 %)"
    if pattern.precision.budget is not None:
        _, band = rounded(0.0, 2.0 * pattern.precision.edge_u_mm, unit)
        line += f", outline ± {band} {unit}"
    return line


def limit_line(pattern: Pattern, unit: Unit) -> str | None:
    """What limits the pattern and what to do about it, None where that is not known."""
    limit = limiting(pattern)
    if limit is None:
        return None
    now, then = (rounded(0.0, u, unit)[1] for u in (limit.expanded_mm, limit.without_mm))
    return (
        f"Limited by {limit.cause}: {limit.advice} (± on {length(limit.length_mm, unit, 0)} "
        f"falls from {now} to {then} {unit})"
    )
