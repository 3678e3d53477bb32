"""What a photo check says: one graded finding for each thing that can spoil a measurement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from digitize.errors import Notice

Grade = Literal["good", "usable", "poor"]

GRADES: tuple[Grade, ...] = ("good", "usable", "poor")
"""From best to worst."""


def graded(value: float, good: float, poor: float) -> Grade:
    """The grade of a value that is good up to ``good`` and poor past ``poor``.

    With ``good`` above ``poor`` large values are the good ones.
    """
    sign = 1.0 if good <= poor else -1.0
    if sign * value <= sign * good:
        return "good"
    return "poor" if sign * value > sign * poor else "usable"


def worst(*grades: Grade) -> Grade:
    """The worst of some grades; "good" of none."""
    return max(grades, key=GRADES.index, default="good")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was judged."""

    code: str  # stable word for scripts
    about: str  # for people: "blur"
    grade: Grade
    value: float  # the number that was graded
    unit: str  # "px", "mm", "deg", "share" or ""
    seen: str  # the same for people: "0.8 px, 0.12 mm on the sheet"
    limits: str  # "good to 1.5 px, poor past 3 px"
    advice: str  # what to change, one sentence without its full stop


@dataclass(frozen=True, slots=True)
class PhotoReport:
    """Everything that was judged about one photo."""

    photo: str  # file name
    target: str
    findings: tuple[Finding, ...]
    notes: tuple[Notice, ...] = ()  # what was noticed where several sheets are in the photo

    @property
    def grade(self) -> Grade:
        """The grade of the worst finding."""
        return worst(*(f.grade for f in self.findings))

    def of(self, code: str) -> Finding:
        """The finding of that code; raises ``KeyError`` where it was not judged."""
        for finding in self.findings:
            if finding.code == code:
                return finding
        raise KeyError(code)

    def graded(self, grade: Grade) -> tuple[Finding, ...]:
        """The findings of one grade."""
        return tuple(f for f in self.findings if f.grade == grade)

    def notices(self) -> tuple[Notice, ...]:
        """The poor findings, for a result that is given nevertheless."""
        return tuple(
            Notice(f"photo-{f.code}", f"{f.about}: {f.seen} ({f.limits}); {f.advice}", "doubt")
            for f in self.graded("poor")
        )
