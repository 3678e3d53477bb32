"""What people say is to be done at edges and beads, as words on the command line.

``E3 2`` (trim); ``E4 12 joggle 1.2 r1 toward`` (a lap); ``E4 d8 pitch 40 in 6`` (weld holes);
``B3 arc 20 4 held`` (a bead: arc, v, or trapezoid with base, top and height).
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from digitize.bending.bead import ArcBead, Bead, TrapezoidBead, VeeBead
from digitize.bending.setback import BadBend
from digitize.blank.edges import EdgeWork, HoleRow, Joggle, Lap
from digitize.cli.lengths import length_mm

_EDGE = re.compile(r"[Ee]\d+")
_BEND = re.compile(r"[Bb]\d+")


def edge_work(
    trims: Iterable[str], laps: Iterable[str], holes: Iterable[str], unit: str
) -> EdgeWork:
    """Everything said about edges; raises BadBend with the words that make no sense."""
    return EdgeWork(
        dict(_trim(text, unit) for text in trims),
        dict(_lap(text, unit) for text in laps),
        dict(_holes(text, unit) for text in holes),
    )


def beads_said(texts: Iterable[str], unit: str) -> dict[str, tuple[Bead, bool]]:
    """Beads by the bend line they lie on, and whether metal is drawn in."""
    return dict(_bead(text, unit) for text in texts)


def _trim(text: str, unit: str) -> tuple[str, float]:
    match text.split():
        case [name, width] if _EDGE.fullmatch(name):
            return name.upper(), _length(width, unit)
    raise BadBend(f"{text!r} is no trim allowance", do='write an edge and a width, as "E3 2"')


def _lap(text: str, unit: str) -> tuple[str, Lap]:
    match text.split():
        case [name, width] if _EDGE.fullmatch(name):
            return name.upper(), Lap(_length(width, unit))
        case [name, width, "joggle", depth, *more] if _EDGE.fullmatch(name):
            toward = "toward" in more
            radii = [w[1:] for w in more if w[:1] == "r"]
            others = [w for w in more if w[:1] != "r" and w not in ("toward", "away")]
            if len(radii) <= 1 and not others:
                off = _length(depth, unit)
                radius = _length(radii[0], unit) if radii else off
                return name.upper(), Lap(_length(width, unit), Joggle(off, radius, 45.0, toward))
    raise BadBend(
        f"{text!r} is no lap",
        do='write an edge and a width, as "E4 12", or "E4 12 joggle 1.2 r1 away"',
    )


def _holes(text: str, unit: str) -> tuple[str, HoleRow]:
    match text.split():
        case [name, diameter, "pitch", pitch, "in", inset] if (
            _EDGE.fullmatch(name) and diameter[:1] == "d"
        ):
            sizes = (_length(t, unit) for t in (diameter[1:], pitch, inset))
            return name.upper(), HoleRow(*sizes)
    raise BadBend(f"{text!r} is no row of holes", do='write it as "E4 d8 pitch 40 in 6"')


def _bead(text: str, unit: str) -> tuple[str, tuple[Bead, bool]]:
    words = text.lower().split()
    drawn = words[-1:] != ["held"]
    if words and words[-1] in ("held", "drawn"):
        words.pop()
    if len(words) > 2 and _BEND.fullmatch(words[0]):
        sizes = [_length(t, unit) for t in words[2:]]
        name = words[0].upper()
        match words[1], sizes:
            case "arc", [base, height]:
                return name, (ArcBead(base, height), drawn)
            case "v", [base, height]:
                return name, (VeeBead(base, height), drawn)
            case "trapezoid", [base, top, height]:
                return name, (TrapezoidBead(base, top, height), drawn)
    raise BadBend(
        f"{text!r} is no bead",
        do='write "B3 arc 20 4", "B3 v 20 5" or "B3 trapezoid 20 8 5", then drawn or held',
    )


def _length(text: str, unit: str) -> float:
    try:
        value = length_mm(text, unit)
    except ValueError as fault:
        raise BadBend(str(fault)) from None
    if value <= 0.0:
        raise BadBend(f"{text} must be more than zero")
    return value
