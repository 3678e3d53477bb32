"""The errors a person can act on, and the notices that travel with a result.

Each error is one sentence: what is wrong, where, and what to do about it.  It is raised
where the fault is known and printed only by the command line.  Subclasses belong to the
step that raises them and live beside it.
"""

from dataclasses import dataclass
from typing import Literal


class DigitizeError(Exception):
    """A fault the user can mend.

    Parameters are sentence parts without a closing full stop: ``what`` is wrong,
    ``where`` (may be empty), and what to ``do``.
    """

    exit_code: int = 1

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        self.what, self.where, self.do = what, where, do
        sentence = what + (f" ({where})" if where else "") + (f": {do}" if do else "")
        super().__init__(sentence + ".")


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the user should know about a result that is nevertheless given.

    ``code`` is a stable short word for scripts (``print-unmeasured``, ``sheet-curled``,
    ``edge-restored``...), ``text`` the sentence for people.  A ``doubt`` means that the
    stated uncertainty was widened or part of the result is not certain.
    """

    code: str
    text: str
    level: Literal["note", "doubt"] = "note"
