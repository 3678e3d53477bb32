"""A comparison in words, for tables, captions and drawings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from digitize.comparing.comparison import Comparison
from digitize.comparing.differences import Change
from digitize.comparing.stretches import Kind, Stretch
from digitize.errors import Notice
from digitize.files.units import MM_PER_INCH, Unit, length


def change_words(change: Change, unit: Unit) -> str:
    """A feature's change in a few words, only what is more than the measurement can be wrong."""
    parts = []
    if abs(change.off_mm) > change.off_expanded_mm:
        parts.append(f"{length(abs(change.off_mm), unit)} off")
    if _beyond(change.size_mm, change.size_expanded_mm):
        assert change.size_mm is not None
        word = {"hole": "Ø", "slot": "width"}.get(change.kind, "size")
        parts.append(f"{word} {_signed(change.size_mm, unit)}")
    if change.kind == "slot" and _beyond(change.length_mm, change.size_expanded_mm):
        assert change.length_mm is not None
        parts.append(f"length {_signed(change.length_mm, unit)}")
    if _beyond(change.turn_deg, change.turn_expanded_deg):
        assert change.turn_deg is not None
        parts.append(f"turned {change.turn_deg:+.1f}°")
    return ", ".join(parts) or "same within measurement"


def _beyond(value: float | None, expanded: float | None) -> bool:
    return value is not None and expanded is not None and abs(value) > expanded


def _signed(value_mm: float, unit: Unit) -> str:
    return ("+" if value_mm >= 0 else "-") + length(abs(value_mm), unit)


def headline(found: Comparison, unit: Unit) -> str:
    """The verdict in one line."""
    if found.same:
        return "the same within measurement"
    said = []
    for kind, word in (("more", "trim up to"), ("less", "short by up to")):
        listed = [s for s in found.stretches if s.kind == kind and not s.ragged]
        if listed:
            most = length(max(s.largest_mm for s in listed), unit)
            said.append(f"{word} {most} ({_counted(len(listed), 'place')})")
    ragged = sum(s.ragged for s in found.stretches)
    if ragged:
        said.append(f"ragged old edge ({_counted(ragged, 'place')})")
    changes = found.changes
    moved = sum(not c.same for c in changes.both)
    if moved:
        said.append(f"{_counted(moved, 'feature')} off")
    for names, word in ((changes.only_old, "missing"), (changes.only_new, "extra")):
        if names:
            said.append(f"{_counted(len(names), 'feature')} {word}")
    return ", ".join(said)


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'s' if count != 1 else ''}"


def fine(value_mm: float, unit: Unit) -> str:
    """A length to a hundredth of a millimetre or a thousandth of an inch."""
    return length(value_mm, unit, 2 if unit == "mm" else 1)


def area(signed_mm2: float, unit: Unit) -> str:
    """A difference of area for people: square centimetres or square inches."""
    if unit == "in":
        return f"{signed_mm2 / MM_PER_INCH**2:+.2f} in²"
    return f"{signed_mm2 / 100:+.1f} cm²"


@dataclass(frozen=True, slots=True)
class Words:
    """What the two pieces and the two ways to be off are called, and which of them is positive.

    ``sign`` makes the figure that people see of a deviation, which is positive for more metal:
    between a piece and its opening they see gaps, and an overlap is a negative one.
    """

    old: str
    new: str
    less: str
    more: str
    sign: float = 1.0

    @property
    def positive(self) -> str:
        """What stands on the plus side."""
        return self.more if self.sign > 0 else self.less

    @property
    def negative(self) -> str:
        """What stands on the minus side."""
        return self.less if self.sign > 0 else self.more

    def mark(self, kind: Kind) -> str:
        """Plus or minus for a stretch."""
        return "+" if (kind == "more") == (self.sign > 0) else "-"


def words_for(found: Comparison) -> Words:
    """The words of an old piece and a new one, or of an opening and what is placed in it."""
    if found.lap_mm:
        return Words("opening's edge", "piece's edge", "lap missing", "more lap", -1.0)
    if found.registration.placed:
        return Words("opening's edge", "piece's edge", "gap", "overlap", -1.0)
    return Words("old edge", "new edge", "less metal", "more metal")


def title(found: Comparison, headline: str) -> str:
    """Over a picture: which pieces, and the verdict on them."""
    joint = "in" if found.registration.placed else "over"
    return f"{found.new.name} {joint} {found.old.name}: {headline}"


def caption(found: Comparison, unit: Unit) -> Iterator[str]:
    """What the picture says in words."""
    off = found.deviation
    registration = found.registration
    same = f"{100 * off.same_share:.0f} % of the edge is the same within the measurement"
    if registration.placed:
        how = {"even": "gaps evened out", "smallest": "the largest gap made smallest"}
        lap = f", to lap by {length(found.lap_mm, unit)}" if found.lap_mm else ""
        yield f"placed inside, {how[registration.placed]}{lap}"
    else:
        held = ", ".join(registration.locked)
        ways = {
            "sound": "least squares of the edges that agree",
            "all": "least squares of the whole edge",
            "zone": "minimum zone",
        }
        yield (
            f"laid over by {f'locking {held}' if held else ways[registration.fit]}; profile value "
            f"{fine(off.profile_mm, unit)} (twice the largest deviation, in the manner of "
            f"ISO 1101); {same}"
        )
    for stretch in found.stretches[:6]:
        yield sentence(found, stretch, unit)
    if len(found.stretches) > 6:
        yield f"and {len(found.stretches) - 6} more"
    for notice in found.notices:
        yield notice_words(notice, unit)


_LENGTHS = re.compile(r"(?:[+-]?\d+(?:\.\d+)?(?:, | to | x | × ))*[+-]?\d+(?:\.\d+)?(?= mm\b)")
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


def in_unit(sentence: str, unit: Unit) -> str:
    """A sentence whose lengths are in mm, in the unit asked for."""
    if unit == "mm":
        return sentence

    def number(found: re.Match[str]) -> str:
        whole, _, tenths = found[0].partition(".")
        plus = "+" if whole.startswith("+") else ""
        return f"{plus}{float(found[0]) / MM_PER_INCH:.{2 + min(len(tenths), 2)}f}"

    converted = _LENGTHS.sub(lambda listed: _NUMBER.sub(number, listed[0]) + "\0", sentence)
    return converted.replace("\0 mm", " in")


def notice_words(notice: Notice, unit: Unit) -> str:
    """A note or a doubt, which word comes first."""
    word = "Doubt" if notice.level == "doubt" else "Note"
    return f"{word}: {in_unit(notice.text, unit)}"


def sentence(found: Comparison, stretch: Stretch, unit: Unit) -> str:
    """A stretch's sentence; where the old piece is an opening gaps are not all to be mended."""
    said = stretch_words(stretch, unit)
    if not found.registration.placed:
        return said
    short = "lap short by " if found.lap_mm else "gap of "
    return said.replace("trim ", "overlap of ", 1).replace("short ", short, 1)


def stretch_words(stretch: Stretch, unit: Unit) -> str:
    """A stretch's sentence in the unit asked for."""
    if unit == "mm":
        return stretch.sentence
    mm = f"{stretch.largest_mm:.1f} mm over {stretch.length_mm:.0f} mm"
    inch = f"{length(stretch.largest_mm, 'in')} over {length(stretch.length_mm, 'in', 0)}"
    return stretch.sentence.replace(mm, inch)
