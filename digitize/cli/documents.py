"""Reading a pattern document named on the command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from digitize.errors import DigitizeError, Exit

if TYPE_CHECKING:
    from digitize.pattern.model import Pattern

_LARGEST = 50_000_000  # bytes; a metre of raw polyline takes two million


class NoPattern(DigitizeError):
    """The file named is not there or cannot be a pattern document."""

    exit_code = Exit.PATTERN


def read_pattern(path: Path) -> Pattern:
    """The pattern in a file; raises ``NoPattern`` or the document's own error."""
    from digitize.pattern import document

    try:
        if path.stat().st_size > _LARGEST:
            raise NoPattern("the file is too large for a pattern document", where=str(path))
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise NoPattern("the file is no pattern document", where=str(path)) from None
    except OSError as fault:
        raise NoPattern(
            "the pattern cannot be read", where=str(path), do=(fault.strerror or "").lower()
        ) from fault
    try:
        return document.loads(text)
    except DigitizeError as fault:
        fault.within(str(path))
        raise
