"""The doubts of two patterns, said again, in short, of what is compared.

A print whose scale nobody measured, an edge rebuilt through rust, a sheet that was not flat:
whoever reads the comparison has not the two reports of the traces before him.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from digitize.comparing.evidence import length_mm
from digitize.errors import Notice
from digitize.pattern.common_scale import same_photo
from digitize.pattern.model import Pattern

_ASIDE = re.compile(r"\s*\([^()]{24,}\)")  # long enough to be a list of places
_ADVICE = re.compile(r"(;|: ).*$", re.DOTALL)
_REBUILT, _UNMEASURED = "edge-restored", "print-unmeasured"
_ALIKE = "; in one photo it makes both too large or too small alike, so their difference holds"


def carried(old: Pattern, new: Pattern) -> tuple[Notice, ...]:
    """One short doubt for each kind that either pattern has, with the name of the piece."""
    ours, theirs = dict(_doubts(old)), dict(_doubts(new))
    said = []
    for code in dict.fromkeys((*ours, *theirs)):
        if ours.get(code) == theirs.get(code):
            alike = _ALIKE if code == _UNMEASURED and same_photo(old, new) else ""
            said.append(Notice(code, f"both pieces: {ours[code]}{alike}", "doubt"))
            continue
        for name, doubts in zip(_names(old, new), (ours, theirs), strict=True):
            if code in doubts:
                said.append(Notice(code, f"{name}: {doubts[code]}", "doubt"))
    return tuple(said)


def _names(old: Pattern, new: Pattern) -> tuple[str, str]:
    if old.name == new.name:
        return f"{old.name} (old)", f"{new.name} (new)"
    return old.name, new.name


def _doubts(pattern: Pattern) -> Iterator[tuple[str, str]]:
    """Codes and short sentences, those of one kind together."""
    doubts = [n for n in pattern.notices if n.level == "doubt"]
    for code in dict.fromkeys(n.code for n in doubts):
        texts = [n.text for n in doubts if n.code == code]
        rebuilt_mm = length_mm(pattern, "restored")
        if code == _REBUILT and rebuilt_mm > 0.0:
            yield code, f"{rebuilt_mm:.0f} mm of eaten edge are rebuilt, not seen"
            continue
        more = f" (and {len(texts) - 1} more like it)" if len(texts) > 1 else ""
        yield code, _ADVICE.sub("", _ASIDE.sub("", texts[0])) + more
