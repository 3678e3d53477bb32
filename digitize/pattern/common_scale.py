"""What two patterns have in common of the scale of one print.

Both photos measured by sheets of one printer profile, an error of that profile makes both
pieces too large alike and says nothing about their difference.  Only what the budget states
as a common scale of the print is so shared; its aspect is not, since the sheets lie turned
to the pieces one way or another, and which photo showed how much of it is not on record.
"""

from __future__ import annotations

import math

from digitize.pattern.budget import POWERS, Field
from digitize.pattern.model import Pattern

PRINT = "print scale"  # as the budget calls it
PAPER_U = 0.0005 / math.sqrt(2.0)
"""Relative standard uncertainty that the paper in each photo has for itself, another sheet or
other weather: of ``sheets.printer.SHEET_TO_SHEET_U`` on either axis what is common to both."""

_EVEN = 0.01  # of a field's size, by which it may leave a mere growth


def shared_scale_u(one: Pattern, other: Pattern) -> float:
    """Standard relative uncertainty that two patterns share as one print's scale; 0 if none.

    One print it is where both came from one photo, measured or not, or where both state the
    same two measured factors.  A pattern without a budget does not say which part of its scale
    is the print's, and shares nothing.
    """
    common2 = min(_growth_u(one), _growth_u(other)) ** 2
    if same_photo(one, other):
        return math.sqrt(common2)
    first, second = one.provenance, other.provenance
    measured = first.print_measured and second.print_measured
    if not measured or first.print_scale is None or first.print_scale != second.print_scale:
        return 0.0
    if first.print_scale == (1.0, 1.0) and first.target != second.target:
        return 0.0  # bars read off as they should be say nothing about which printer it was
    return math.sqrt(max(0.0, common2 - PAPER_U**2))


def same_photo(one: Pattern, other: Pattern) -> bool:
    """Whether both patterns were traced from one photo, by one target."""
    first, second = one.provenance, other.provenance
    taken = first.photo_sha256 is not None and first.photo_sha256 == second.photo_sha256
    return taken and first.target == second.target and first.print_scale == second.print_scale


def _growth_u(pattern: Pattern) -> float:
    """Standard relative uncertainty of the scale that the budget states for the print."""
    if pattern.precision is None or pattern.precision.budget is None:
        return 0.0
    budget = pattern.precision.budget
    growths = [_growth(f) for p in budget.parts if p.cause == PRINT for f in p.fields]
    return math.hypot(*growths) / budget.size_mm


def _growth(field: Field) -> float:
    """What a field that merely makes everything larger does at 1 local unit; 0 for others."""
    i, j = POWERS.index((1, 0)), POWERS.index((0, 1))
    growth = (field.x_mm[i] + field.y_mm[j]) / 2
    rest = [c for k, c in enumerate(field.x_mm) if k != i] + [
        c for k, c in enumerate(field.y_mm) if k != j
    ]
    rest.append(field.x_mm[i] - growth)
    return growth if max(map(abs, rest)) <= _EVEN * abs(growth) else 0.0
