"""Where a bend's tangent lines lie, seen from the line that was traced.

The sheet is flat up to a tangent line, then turns about a cylinder, and is flat again from
the other tangent line on.  ``reach_mm`` is the distance from the traced bend line to either
tangent line as the pattern was drawn; the blank has half the bend allowance instead.  What
lies between, twice the reach less the allowance, is the bend deduction.

Angles are bent through: 0 is flat, 180 a closed hem; radii are inside radii.
"""

from __future__ import annotations

import math
from typing import assert_never

from digitize.errors import DigitizeError, Exit
from digitize.pattern.model import Traced

STEEPEST_DEG = 170.0
"""Beyond it the mould line lies more than 11 (R + T) away, where nobody measures."""


class BadBend(DigitizeError):
    """A bend that is not said fully, or that no sheet can have."""

    exit_code = Exit.ASKED


def outside_setback_mm(angle_deg: float, radius_mm: float, thickness_mm: float) -> float:
    """From a tangent line to the outside mould line: tan(angle / 2) (R + T).

    FAA AC 43.13-1B, par. 4-57 and table 4-7.  Raises BadBend from 180 degrees on, where the
    planes outside never meet.
    """
    return _half_tangent(angle_deg) * (radius_mm + thickness_mm)


def inside_setback_mm(angle_deg: float, radius_mm: float) -> float:
    """From a tangent line to the inside mould line: tan(angle / 2) R, by the same triangle."""
    return _half_tangent(angle_deg) * radius_mm


def reach_mm(traced: Traced, angle_deg: float, radius_mm: float, thickness_mm: float) -> float:
    """From the traced bend line to either tangent line, in the pattern as drawn.

    Raises BadBend where the traced surface has no such line at this angle, and for
    ``blank``, which needs the allowance instead.
    """
    outer = radius_mm + thickness_mm
    match traced:
        case "outside":
            return outside_setback_mm(angle_deg, radius_mm, thickness_mm)
        case "outermost":
            # DIN 6935: to the mould line up to 90 degrees, then to the outermost tangent.
            return outer * math.tan(math.radians(min(angle_deg, 90.0)) / 2)
        case "inside":
            return inside_setback_mm(angle_deg, radius_mm)
        case "rolled":
            return math.radians(angle_deg) * outer / 2
        case "blank":
            raise BadBend("a traced blank has no mould lines", do="leave it as it is")
        case _:
            assert_never(traced)


def deduction_mm(reach: float, allowance_mm: float) -> float:
    """What the blank is shorter than the two legs together, as traced; negative if longer."""
    return 2 * reach - allowance_mm


def _half_tangent(angle_deg: float) -> float:
    if not 0.0 <= angle_deg <= STEEPEST_DEG:
        raise BadBend(
            f"a bend through {angle_deg:g}° has no mould line that can be measured to",
            do=f'give 0 to {STEEPEST_DEG:g}°, or say that legs reach to the "outermost" point',
        )
    return math.tan(math.radians(angle_deg) / 2)
