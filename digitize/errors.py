"""The errors a person can act on, and the notices that travel with a result.

Each error is one sentence: what is wrong, where, and what to do about it.  It is raised
where the fault is known and printed only by the command line.  Subclasses belong to the
step that raises them and live beside it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Exit(IntEnum):
    """Exit codes of the command line: which step could not do its part."""

    OTHER = 1
    ASKED = 2  # what was asked for makes no sense or lacks something (also wrong usage)
    PHOTO = 3  # the file is no usable photograph
    TARGET = 4  # no target seen, or not the one wanted
    CAMERA = 5  # the target does not tell where the camera stood
    TRACE = 6  # nothing to trace, or the outline is open
    PATTERN = 7  # a pattern document that is missing or wrong
    FILE = 8  # a file cannot be written, or stands there already
    POOR = 9  # not a fault: the photo was judged, and something about it is poor
    DIFFERS = 10  # not a fault: further off than allowed, or no order or room was found


class DigitizeError(Exception):
    """A fault the user can mend.

    Parameters are sentence parts without a closing full stop: ``what`` is wrong,
    ``where`` (may be empty), and what to ``do``.
    """

    exit_code: Exit = Exit.OTHER

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        """Join the parts into the sentence."""
        super().__init__()
        self._say(what, where, do)

    def within(self, place: str, do: str | None = None) -> None:
        """Say of which file the fault speaks, before the place in it; ``do`` if another remedy."""
        where = f"{place}, {self.where}" if self.where else place
        self._say(self.what, where, self.do if do is None else do)

    def _say(self, what: str, where: str, do: str) -> None:
        self.what, self.where, self.do = what, where, do
        sentence = what + (f" ({where})" if where else "") + (f": {do}" if do else "")
        self.args = (sentence + ".",)


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the user should know about a result that is nevertheless given.

    ``code`` is a stable short word for scripts (``print-unmeasured``, ``sheet-curled``,
    ``edge-restored``...), ``text`` the sentence for people.  A ``doubt`` means that the
    stated uncertainty was widened or part of the result is not certain.  ``at_mm`` are the
    places that the text names, each spelled by ``place_words``, while they still count on the
    sheet: a finished pattern names them as its pictures do (``pattern.datum.told_from``).
    """

    code: str
    text: str
    level: Literal["note", "doubt"] = "note"
    at_mm: tuple[tuple[float, float], ...] = ()

    def moved(self, move: Callable[[tuple[float, float]], tuple[float, float]]) -> Notice:
        """The notice with the places that it names moved, in its text as well."""
        there = {place_words(at): move(at) for at in self.at_mm}
        # Longest first: "x 1, y 20" begins with "x 1, y 2".
        spelled = "|".join(re.escape(words) for words in sorted(there, key=len, reverse=True))
        if not there:
            return self
        text = re.sub(spelled, lambda found: place_words(there[found[0]]), self.text)
        return replace(self, text=text, at_mm=tuple(move(at) for at in self.at_mm))


def place_words(at_mm: Sequence[float] | NDArray[np.float64]) -> str:
    """A place (2,) as notices spell it, to the millimetre."""
    x, y = (round(float(v)) for v in at_mm)
    return f"x {x}, y {y}"
