"""What people say of bends: words on the command line, or a small TOML file.

Words: ``B1,B2 toward 90 r1.5 inside``; ``all away 45``; ``B3 180 k0.42``.  A file:

    metal = "mild steel"
    thickness = "1.5mm"
    law = "din6935"

    [all]
    direction = "toward"
    angle = 90

    [B2]
    direction = "away"
    radius = "2mm"
    traced = "inside"
    k = 0.42
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, get_args

from digitize.bending.facts import ALL, Drawn, Said
from digitize.bending.setback import BadBend
from digitize.cli.lengths import length_mm
from digitize.pattern.model import Traced

_WAYS = {"toward": True, "towards": True, "up": True, "away": False, "down": False}
_SURFACES = (*get_args(Traced), "face")
_NAME = re.compile(r"[Bb]\d+|all", re.IGNORECASE)
_LARGEST = 1_000_000  # bytes of a bends file


@dataclass(frozen=True, slots=True)
class BendFile:
    """What a bends file says."""

    metal: str | None = None
    thickness: str | None = None
    law: str | None = None
    said: dict[str, Said] = field(default_factory=dict)


def bends_said(texts: Iterable[str], unit: str) -> dict[str, Said]:
    """Words about bends by name; later words about a bend add to earlier ones.

    Raises BadBend with the word that was not understood.
    """
    said: dict[str, Said] = {}
    for text in texts:
        names, one = _words(text, unit)
        for name in names:
            said[name] = merged(said.get(name, Said()), one)
    return said


def merged(first: Said, then: Said) -> Said:
    """What is said last goes before what was said first."""
    return Said(
        angle_deg=first.angle_deg if then.angle_deg is None else then.angle_deg,
        toward_face=first.toward_face if then.toward_face is None else then.toward_face,
        radius_mm=first.radius_mm if then.radius_mm is None else then.radius_mm,
        traced=then.traced or first.traced,
        k=first.k if then.k is None else then.k,
    )


def read_bend_file(path: Path, unit: str) -> BendFile:
    """A bends file; raises BadBend naming the key that is wrong."""
    try:
        if path.stat().st_size > _LARGEST:
            raise BadBend("the file is too large for a list of bends", where=str(path))
        table = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise BadBend(
            "the bends file is not valid TOML", where=str(path), do=str(fault).lower()
        ) from None
    except OSError as fault:
        raise BadBend(
            "the bends file cannot be read", where=str(path), do=(fault.strerror or "").lower()
        ) from None
    plain: dict[str, str] = {}
    said: dict[str, Said] = {}
    for key, value in table.items():
        if key in ("metal", "thickness", "law"):
            plain[key] = str(value)
        elif isinstance(value, dict) and _NAME.fullmatch(key):
            said[_proper(key)] = _of_table(key, value, unit)
        else:
            raise BadBend(
                f"{key} in the bends file is not understood",
                where=str(path),
                do="use metal, thickness, law, [all], [B1]...",
            )
    return BendFile(said=said, **plain)


def _words(text: str, unit: str) -> tuple[list[str], Said]:
    first, *words = text.split() or [""]
    names = first.split(",")
    if not all(_NAME.fullmatch(name) for name in names):
        raise BadBend(
            f"{first!r} is no bend", do='begin with a name, as in "B1 toward 90", or with "all"'
        )
    said = Said()
    for word in words:
        said = merged(said, _word(word.lower(), unit))
    if said == Said():
        raise BadBend(f"nothing is said of {first}", do=f'say for example "{first} toward 90"')
    return [_proper(name) for name in names], said


def _word(word: str, unit: str) -> Said:
    if word in _WAYS:
        return Said(toward_face=_WAYS[word])
    if word in _SURFACES:
        return Said(traced=_traced(word))
    if re.fullmatch(r"\d+(\.\d+)?(°|deg)?", word):
        return Said(angle_deg=float(re.sub("°|deg", "", word)))
    if re.fullmatch(r"k=?\d*\.?\d+", word):
        return Said(k=float(word.lstrip("k=")))
    if word.startswith("r"):
        return Said(radius_mm=_length(word[1:].lstrip("="), unit))
    ways = "toward or away, an angle, r1.5 for a radius, k0.42, " + ", ".join(_SURFACES)
    raise BadBend(f"{word!r} says nothing about a bend", do=f"use {ways}")


def _of_table(name: str, table: dict[str, Any], unit: str) -> Said:
    said = Said()
    for key, value in table.items():
        match key, value:
            case "direction", str() if value in _WAYS:
                said = replace(said, toward_face=_WAYS[value])
            case "angle", int() | float() if not isinstance(value, bool):
                said = replace(said, angle_deg=float(value))
            case "radius", int() | float() | str() if not isinstance(value, bool):
                said = replace(said, radius_mm=_length(str(value), unit))
            case "traced", str() if value in _SURFACES:
                said = replace(said, traced=_traced(value))
            case "k", float() | int() if not isinstance(value, bool):
                said = replace(said, k=float(value))
            case _:
                raise BadBend(
                    f"[{name}] {key} = {value!r} in the bends file is not understood",
                    do="use direction (toward, away), angle, radius, k, traced "
                    f"({', '.join(_SURFACES)})",
                )
    return said


def _traced(word: str) -> Drawn:
    traced: Drawn = word  # type: ignore[assignment]
    return traced


def _length(text: str, unit: str) -> float:
    try:
        return length_mm(text, unit)
    except ValueError as fault:
        raise BadBend(str(fault)) from None


def _proper(name: str) -> str:
    return ALL if name.lower() == ALL else name.upper()
