"""The one typeface of printed pages and pictures, and what to do about letters it lacks.

Bitstream Vera comes with reportlab under a free licence, so pages and pictures look alike
on every machine and need no font installed.
"""

from __future__ import annotations

import unicodedata
from functools import cache
from importlib.resources import files
from pathlib import Path

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD = "Vera", "VeraBd"


def font_path(name: str = REGULAR) -> Path:
    """File of the typeface."""
    return Path(str(files("reportlab") / "fonts" / f"{name}.ttf"))


@cache
def registered(name: str = REGULAR) -> str:
    """The typeface's name, known to reportlab from now on."""
    pdfmetrics.registerFont(TTFont(name, str(font_path(name))))
    return name


@cache
def _glyphs() -> frozenset[int]:
    return frozenset(pdfmetrics.getFont(registered()).face.charToGlyph)


def drawable(text: str) -> str:
    """The text in letters the typeface has: accents dropped where need be, else ``?``."""

    def letter(c: str) -> str:
        if ord(c) in _glyphs():
            return c
        bare = unicodedata.normalize("NFKD", c)
        return "".join(b for b in bare if ord(b) in _glyphs()) or "?"

    return "".join(letter(c) for c in unicodedata.normalize("NFC", text))


def width(text: str, size: float, name: str = REGULAR) -> float:
    """Width of a line of drawable text, in the unit of ``size``."""
    return float(pdfmetrics.stringWidth(text, registered(name), size))


def shortened(text: str, size: float, room: float, name: str = REGULAR) -> str:
    """Drawable text that fits the room, cut off with dots if it must be."""
    text = drawable(text)
    if width(text, size, name) <= room:
        return text
    while text and width(text + "...", size, name) > room:
        text = text[:-1]
    return text.rstrip() + "..."


def broken(text: str, size: float, room: float, name: str = REGULAR) -> list[str]:
    """Drawable text in lines that fit the room; a word that is too long is broken too."""
    lines = [""]
    for word in drawable(text).split():
        longer = f"{lines[-1]} {word}".strip()
        if width(longer, size, name) <= room:
            lines[-1] = longer
            continue
        pieces = _pieces(word, size, room, name)
        lines = [*lines, *pieces] if lines[-1] else pieces
    return lines


def _pieces(word: str, size: float, room: float, name: str) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and width(pieces[-1] + letter, size, name) > room:
            pieces.append("")
        pieces[-1] += letter
    return pieces
