"""Beads and swages: how much sheet a rolled section takes, or how far it is stretched.

Lengths are those of the middle of the sheet over a base of the same width.  Where metal can
be drawn in, a blank must be wider by the difference, across the bead; where it is held, the
blank stays and the sheet is stretched and thinned.  Real beads lie in between, and near
their ends the sheet puckers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import assert_never

from digitize.bending.setback import BadBend


@dataclass(frozen=True, slots=True)
class ArcBead:
    """A round bead: a circular arc over its base, not deeper than a half circle."""

    base_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class TrapezoidBead:
    """A flat-topped swage with straight flanks and sharp corners."""

    base_mm: float
    top_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class VeeBead:
    """A V with a sharp ridge."""

    base_mm: float
    height_mm: float


Bead = ArcBead | TrapezoidBead | VeeBead


def bead_words(bead: Bead) -> str:
    """A bead as a drawing names it: its section, then base, top where it has one, and height."""
    match bead:
        case ArcBead():
            return f"arc {bead.base_mm:g} x {bead.height_mm:g} mm"
        case VeeBead():
            return f"v {bead.base_mm:g} x {bead.height_mm:g} mm"
        case TrapezoidBead():
            return f"trapezoid {bead.base_mm:g} to {bead.top_mm:g} x {bead.height_mm:g} mm"
        case _:
            assert_never(bead)


def section_length_mm(bead: Bead) -> float:
    """Length of sheet in a bead's section; raises BadBend for a section that cannot be."""
    if not (bead.base_mm > 0.0 and bead.height_mm >= 0.0):
        raise BadBend("a bead needs a width, and a height of zero or more")
    match bead:
        case ArcBead():
            if bead.height_mm > bead.base_mm / 2:
                raise BadBend(
                    "a round bead is not deeper than half its width", do="choose a flat-topped one"
                )
            if bead.height_mm == 0.0:
                return bead.base_mm
            radius = (bead.base_mm**2 / 4 + bead.height_mm**2) / (2 * bead.height_mm)
            return 2 * radius * math.asin(min(bead.base_mm / (2 * radius), 1.0))
        case TrapezoidBead():
            if not 0.0 <= bead.top_mm <= bead.base_mm:
                raise BadBend("a swage is not wider at its top than at its base")
            flank = math.hypot((bead.base_mm - bead.top_mm) / 2, bead.height_mm)
            return bead.top_mm + 2 * flank
        case VeeBead():
            return 2 * math.hypot(bead.base_mm / 2, bead.height_mm)
        case _:
            assert_never(bead)


def drawn_in_mm(bead: Bead) -> float:
    """What a blank must be wider by, across the bead, where metal is drawn in."""
    return section_length_mm(bead) - bead.base_mm


def held_strain(bead: Bead) -> float:
    """Mean engineering strain across the bead where no metal is drawn in."""
    return section_length_mm(bead) / bead.base_mm - 1.0


def forming_limit_strain(thickness_mm: float, hardening_n: float = 0.21) -> float:
    """Strain at which plain stretching tears mild steel sheet up to about 3 mm.

    (23.3 + 14.13 T) n / 0.21 per cent: Keeler and Brazier's line (from memory).
    """
    return (23.3 + 14.13 * thickness_mm) * hardening_n / 0.21 / 100
