"""What limits a pattern: the cause that, taken away, lessens the ± most.

Judged on the longest overall dimension, by the budget with and without each cause.
"""

from __future__ import annotations

from dataclasses import dataclass

from digitize.pattern.dimensions import Dimension, dimensions
from digitize.pattern.model import Pattern

_MEASURED_PRINT_U = 0.0009
"""What a measured print still leaves, relative: its bars, 260 mm long, read off a steel rule to
0.2 mm, and one sheet unlike the next by 0.05 % (as a printer's profile counts it)."""


@dataclass(frozen=True, slots=True)
class Limit:
    """The cause that limits a pattern, on one of its lengths."""

    cause: str
    length_mm: float
    expanded_mm: float  # U (k = 2) as it is
    without_mm: float  # U if this cause did not act; if the print were measured
    advice: str  # what to do about it


ADVICE = {
    "print scale": "measure the printed bars with a steel rule",
    "camera": "let the target fill the picture, or make a profile of the phone",
    "target flatness": "tape the sheet down flat on a board",
    "thickness": "measure the thickness to 0.02 mm, or stand straighter over the piece",
    "tone curve": "go nearer, or take more pixels, in soft light without the phone's enhancement",
    "edge detection": "go nearer, or take more pixels, in soft light",
    "curve fit": "go nearer, in better light, and clean the edge",
    "bend allowance": "bend a test strip and say K",
    "pen line": "lead a finer pen upright along the edge",
    "scale": "measure the printed bars with a steel rule",
}
REFERENCE = "reference"
"""What stands in for the print scale where nothing was printed."""
HIDDEN = "hidden edges"
"""What the curve fit suffers from where part of the outline was bridged or restored."""
MEASURE_AGAIN = "measure the printed bars again over a greater length, with a better rule"


def budget_line(pattern: Pattern) -> tuple[Dimension, dict[str, float]] | None:
    """The longest overall dimension and its standard uncertainty by cause, largest first."""
    if pattern.precision is None:
        return None
    listed = dimensions(pattern)
    longest = max((*listed.of("OL"), *listed.of("OW")), key=lambda d: d.value)
    variances = pattern.precision.as_budget.variances(longest.reading)
    ranked = sorted(variances.items(), key=lambda item: -item[1])
    return longest, {cause: variance**0.5 for cause, variance in ranked if variance > 0.0}


def limiting(pattern: Pattern) -> Limit | None:
    """The cause that limits a pattern; None where its precision is not stated by cause."""
    if pattern.precision is None or pattern.precision.budget is None:
        return None
    found = budget_line(pattern)
    if found is None or not found[1]:
        return None
    longest, u_mm = found
    cause = next(iter(u_mm))
    total = sum(u * u for u in u_mm.values())
    left, advice = 0.0, ADVICE.get(cause, "see to it")
    if cause == "print scale":
        if pattern.provenance.print_scale is None:
            cause, advice = REFERENCE, "lay a second rule at a right angle, or a printed target"
        elif pattern.provenance.print_measured:
            advice = MEASURE_AGAIN
        else:
            left = min(_MEASURED_PRINT_U * longest.value, u_mm[cause])
    elif cause == "curve fit" and _hidden(pattern):
        cause, advice = HIDDEN, "let no shadow, glare, dirt or damage hide the edge"
    worst = next(iter(u_mm.values()))
    rest = max(total - worst**2 + left**2, 0.0)
    return Limit(cause, longest.value, 2.0 * total**0.5, 2.0 * rest**0.5, advice)


def _hidden(pattern: Pattern) -> bool:
    return any(e.evidence != "measured" for e in pattern.outline.as_contour().edges)
