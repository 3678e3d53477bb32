"""Lengths as people type them: ``1.2``, ``1.2mm``, ``0.048in``, ``3/64in``, ``7 1/8"``."""

from __future__ import annotations

import re
from fractions import Fraction

from digitize.files.units import MM_PER_INCH

_NUMBER = r"(?:(?P<whole>\d+)[ -])?(?P<part>\d+/\d+|\d+[.,]?\d*|[.,]\d+)"
_LENGTH = re.compile(rf"\s*{_NUMBER}\s*(?P<unit>mm|cm|in|inch|\")?\s*", re.IGNORECASE)
_MM_PER = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, "inch": MM_PER_INCH, '"': MM_PER_INCH}


def length_mm(text: str, default_unit: str = "mm") -> float:
    """Millimetres of a typed length; a bare number is in ``default_unit``.

    Raises ValueError with a sentence where the text is no length.
    """
    match = _LENGTH.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        value = Fraction(match["part"].replace(",", ".")) + Fraction(match["whole"] or 0)
    except (ValueError, ZeroDivisionError):
        raise ValueError(f"{text!r} is not a length; write it like 1.2, 1.2mm or 3/64in") from None
    return float(value) * _MM_PER[(match["unit"] or default_unit).lower()]


def place_mm(text: str, default_unit: str = "mm") -> float:
    """A coordinate: a length that may carry a sign."""
    text = text.strip()
    return -length_mm(text[1:], default_unit) if text[:1] == "-" else length_mm(text, default_unit)
