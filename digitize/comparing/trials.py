"""The history of one job's trial fits: what was off each time, and what a trial changed.

Kept as a small JSON document beside the files, one entry for each comparison.  The same piece
held up again as it was is no new trial.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from digitize.comparing.comparison import Comparison
from digitize.comparing.features import FeatureKind
from digitize.errors import DigitizeError, Exit

SCHEMA = 1
_SAME_MM = 0.05  # a change no larger than this is none
_AGAIN = 1e-3  # figures so near are those of a piece measured once
_PIECE = "the old piece"
_SIZE = "size of "
_KINDS = get_args(FeatureKind)


class TrialsUnreadable(DigitizeError):
    """The history of trial fits is no such document."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial: by how much each place was off, in mm.

    ``off_mm`` holds only what was more than the measurement could be wrong: of an edge,
    positive for more metal; how far a feature has moved; by how much an opening is larger.
    ``against`` says what the piece was held against; only trials of one kind are compared.
    """

    new: str
    off_mm: Mapping[str, float]
    profile_mm: float
    same_share: float
    against: str = _PIECE

    @property
    def in_opening(self) -> bool:
        """Whether the piece was placed in an opening, where people see gaps: overlap is minus."""
        return self.against != _PIECE

    def again(self, other: Trial) -> bool:
        """Whether another trial is this one again: the same piece, measured the same."""
        if (self.new, self.against, set(self.off_mm)) != (
            other.new,
            other.against,
            set(other.off_mm),
        ):
            return False
        pairs = [(self.off_mm[place], other.off_mm[place]) for place in self.off_mm]
        pairs += [(self.profile_mm, other.profile_mm), (self.same_share, other.same_share)]
        return all(math.isclose(a, b, abs_tol=_AGAIN) for a, b in pairs)

    def more_metal_mm(self, place: str) -> float | None:
        """What is off at a place, positive for more metal; None of a feature that has moved."""
        if is_move(place):
            return None
        return -self.off_mm[place] if is_size(place) else self.off_mm[place]

    def said_mm(self, place: str) -> str:
        """What is off at a place, to a tenth of a millimetre, without the unit."""
        return f"{self.figure_mm(place):{'' if is_move(place) else '+'}.1f}"

    def figure_mm(self, place: str) -> float:
        """What people see as off at a place: edges in the sign that the pictures have."""
        feature = is_move(place) or is_size(place)
        return self.off_mm[place] * (-1.0 if self.in_opening and not feature else 1.0)


def is_move(place: str) -> bool:
    """Whether a place of a trial is a feature that has moved, which is neither more nor less."""
    return place.split(" ", 1)[0] in _KINDS


def is_size(place: str) -> bool:
    """Whether a place of a trial is the size of a hole, slot or cut-out."""
    return place.startswith(_SIZE)


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
            off[f"{_SIZE}{change.kind} {change.old_name}"] = size
    against = _PIECE
    if found.registration.placed:
        against = f"the opening, lap {found.lap_mm:g} mm" if found.lap_mm else "the opening"
    return Trial(
        found.new.name, off, found.deviation.profile_mm, found.deviation.same_share, against
    )


@dataclass(frozen=True, slots=True)
class History:
    """The trials of one old piece, and which of them is the one now held up."""

    trials: tuple[Trial, ...]
    now: Trial
    repeated: bool = False  # that one is on record already, just like it

    @classmethod
    def with_trial(cls, earlier: Sequence[Trial], now: Trial) -> History:
        """The history once a trial is added, unless it is one of those there."""
        known = next((t for t in earlier if t.again(now)), None)
        if known is not None:
            return cls(tuple(earlier), known, repeated=True)
        return cls((*earlier, now), now)

    @property
    def alike(self) -> tuple[Trial, ...]:
        """The trials up to now, with now, that were held against the same thing."""
        until = self.trials[: self.trials.index(self.now) + 1]
        return tuple(t for t in until if t.against == self.now.against)

    @property
    def before(self) -> Trial | None:
        """The trial before, if there was one."""
        return self.alike[-2] if len(self.alike) > 1 else None


def changed(before: Trial, now: Trial) -> list[str]:
    """What the last trial changed, a sentence for each place."""
    said = []
    for place in dict.fromkeys((*before.off_mm, *now.off_mm)):
        if place not in now.off_mm:
            said.append(f"{place}: put right (was {before.said_mm(place)} mm)")
        elif place not in before.off_mm:
            said.append(f"{place}: new, {now.said_mm(place)} mm")
        elif abs(now.off_mm[place] - before.off_mm[place]) <= _SAME_MM:
            said.append(f"{place}: still {now.said_mm(place)} mm")
        else:
            said.append(f"{place}: was {before.said_mm(place)} mm, now {now.said_mm(place)} mm")
    return said


def dumps(old: str, trials: Sequence[Trial]) -> str:
    """The document."""
    rows = [
        {
            "trial": number,
            "new": t.new,
            "against": t.against,
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
                str(row.get("against", _PIECE)),
            )
            for row in document["trials"]
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        raise TrialsUnreadable(
            "the history of trial fits cannot be read",
            do="move it away and a new one is begun",
        ) from None
