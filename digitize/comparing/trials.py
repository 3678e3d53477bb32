"""The history of one job's trial fits: what was off each time, and what a trial changed.

Kept as a small JSON document beside the files, one entry for each comparison.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from digitize.comparing.comparison import Comparison
from digitize.errors import DigitizeError, Exit

SCHEMA = 1
_SAME_MM = 0.05  # a change no larger than this is none


class TrialsUnreadable(DigitizeError):
    """The history of trial fits is no such document."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial: by how much each place was off, in mm, positive for more metal.

    ``off_mm`` holds only what was more than the measurement could be wrong.
    """

    new: str
    off_mm: Mapping[str, float]
    profile_mm: float
    same_share: float


def trial_of(found: Comparison) -> Trial:
    """The entry for a comparison."""
    off: dict[str, float] = {}
    for stretch in reversed(found.stretches):  # of one place the worst is kept
        edges = f" ({', '.join(stretch.edges)})" if stretch.edges else ""
        sign = 1.0 if stretch.kind == "more" else -1.0
        off[f"{stretch.where}{edges}"] = sign * stretch.largest_mm
    for change in found.changes.both:
        if abs(change.off_mm) > change.off_expanded_mm:
            off[f"{change.kind} {change.old_name}"] = abs(change.off_mm)
        size, expanded = change.size_mm, change.size_expanded_mm
        if size is not None and expanded is not None and abs(size) > expanded:
            off[f"size of {change.kind} {change.old_name}"] = size
    return Trial(found.new.name, off, found.deviation.profile_mm, found.deviation.same_share)


def changed(before: Trial, now: Trial) -> list[str]:
    """What the last trial changed, a sentence for each place."""
    said = []
    for place in dict.fromkeys((*before.off_mm, *now.off_mm)):
        was, is_ = before.off_mm.get(place), now.off_mm.get(place)
        if is_ is None:
            said.append(f"{place}: put right (was {was:+.1f} mm)")
        elif was is None:
            said.append(f"{place}: new, {is_:+.1f} mm")
        elif abs(is_ - was) <= _SAME_MM:
            said.append(f"{place}: still {is_:+.1f} mm")
        else:
            said.append(f"{place}: was {was:+.1f} mm, now {is_:+.1f} mm")
    return said


def dumps(old: str, trials: Sequence[Trial]) -> str:
    """The document."""
    rows = [
        {
            "trial": number,
            "new": t.new,
            "profile_mm": round(t.profile_mm, 4),
            "same_share": round(t.same_share, 4),
            "off_mm": {place: round(v, 4) for place, v in t.off_mm.items()},
        }
        for number, t in enumerate(trials, 1)
    ]
    return json.dumps({"schema": SCHEMA, "old": old, "trials": rows}, indent=1) + "\n"


def loads(text: str) -> tuple[Trial, ...]:
    """The trials in a document; raises ``TrialsUnreadable``."""
    try:
        document: Any = json.loads(text)
        if document["schema"] != SCHEMA:
            raise ValueError
        return tuple(
            Trial(
                str(row["new"]),
                {str(k): float(v) for k, v in row["off_mm"].items()},
                float(row["profile_mm"]),
                float(row["same_share"]),
            )
            for row in document["trials"]
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        raise TrialsUnreadable(
            "the history of trial fits cannot be read",
            do="move it away and a new one is begun",
        ) from None
