"""Notices as a person reads them: the weightiest first, of one kind together, none twice."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from digitize.errors import Notice
from digitize.pattern.segments import Point

SAME_PLACE_MM = 5.0  # one spot of a blank, though worked out twice

_DRAWN = (
    "blank-opposite-hand",
    "blank-from-behind",
    "blank-kerf",
    "blank-bead",
    "flanges-mitred",
)
_SIZE_ASSUMED = ("traced-assumed", "radius-assumed", "gauge-nominal")
_WARNS = (
    "bend-unrelieved",
    "bend-along-grain",
    "hole-near-bend",
    "flange-short",
    "flange-low",
    "hem-outermost",
)
_LITTLE = ("law-assumed",)  # tenths of a millimetre to a bend
_BY_THE_WAY = ("mode-chosen",)

_NAMES = re.compile(r"\b[BF]\d+(?:\+B\d+)*\b")
_PLACE = re.compile(r"near x (-?\d+), y (-?\d+)")
_MEASURE = re.compile(r"(?<![\d,.] )\b\d+\.\d+ mm")


def distinct(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """The notices without those that say the same of the same spot."""
    kept: list[Notice] = []
    for notice in notices:
        if not any(_same(notice, other) for other in kept):
            kept.append(notice)
    return tuple(kept)


def grouped(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """One notice for all of a kind, naming every place; what decides the size comes first.

    Doubts lead, then in what the drawing differs from the traced piece, then what nobody said
    and decides sizes, then warnings, then what was done.
    """
    kinds: dict[tuple[str, str], list[Notice]] = {}
    for notice in distinct(notices):
        kinds.setdefault((notice.level, notice.code), []).append(notice)
    told = [one for alike in kinds.values() for one in _together(alike)]
    return tuple(sorted(told, key=_rank))


def at_the_bench(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """The notices without what matters only to who traced the piece."""
    return tuple(n for n in notices if n.level == "doubt" or n.code not in _BY_THE_WAY)


def _same(a: Notice, b: Notice) -> bool:
    if a == b:
        return True
    if (a.code, a.level) != (b.code, b.level) or _NAMES.findall(a.text) != _NAMES.findall(b.text):
        return False
    here, there = _place(a), _place(b)
    return here is not None and there is not None and math.dist(here, there) <= SAME_PLACE_MM


def _together(alike: Sequence[Notice]) -> Sequence[Notice]:
    """The first, and where else; all of them where a text names no place."""
    first, *others = alike
    wheres = [_where(notice) for notice in others]
    if not others or not all(wheres):
        return alike
    return [replace(first, text=f"{first.text}; likewise {'; '.join(wheres)}")]


def _where(notice: Notice) -> str:
    """What a text is about: bends and faces, a place, a measure."""
    names = " and ".join(dict.fromkeys(_NAMES.findall(notice.text)))
    place = _PLACE.search(notice.text)
    words = [names, place[0] if place else ""]
    if not place:
        words += _MEASURE.findall(notice.text)[:1]
    return " ".join(w for w in words if w)


def _place(notice: Notice) -> Point | None:
    found = _PLACE.search(notice.text)
    return None if found is None else (float(found[1]), float(found[2]))


def _rank(notice: Notice) -> tuple[int, int]:
    if notice.level == "doubt":
        return 0, 0
    ranked = ((1, _DRAWN), (2, _SIZE_ASSUMED), (3, _WARNS), (5, _LITTLE), (6, _BY_THE_WAY))
    for rank, codes in ranked:
        if notice.code in codes:
            return rank, codes.index(notice.code)
    return 4, 0
