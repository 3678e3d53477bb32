"""How much sheet a bend takes: four published laws for the bend allowance.

The allowance is the length of flat sheet between the two tangent lines.  Each law gives it
for the angle bent through, the inside radius and the thickness, in one unit in and out;
``k_of`` says at which part of the thickness, from the inside, the neutral line would lie.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, assert_never

from digitize.bending.setback import BadBend

Temper = Literal["soft", "medium", "hard"]
_HANDBOOK: dict[Temper, float] = {"soft": 0.55, "medium": 0.64, "hard": 0.71}
DIN_LEAST_RATIO = 0.25
"""Radius over thickness below which DIN 6935's formula runs off: at 0.05 it gives zero."""


@dataclass(frozen=True, slots=True)
class NeutralLine:
    """The arc of a neutral line that lies K thicknesses from the inside."""

    k: float

    def __post_init__(self) -> None:
        """Refuse a line outside the sheet."""
        if not 0.0 <= self.k <= 1.0:
            raise BadBend(
                f"K is {self.k:g}, so the neutral line would lie outside the sheet",
                do="give 0 to 1; 0.3 to 0.5 is usual",
            )


@dataclass(frozen=True, slots=True)
class Din6935:
    """DIN 6935, cold bending of flat steel: k = 0.65 + 0.5 log10(R / T), at most 1.

    The neutral line lies k / 2 thicknesses from the inside.
    """


@dataclass(frozen=True, slots=True)
class Handbook:
    """Machinery's Handbook, 31st ed., p. 1421, eqs. 32-34: bends made with simple tools.

    For 90 degrees 0.55, 0.64 or 0.71 T, by how hard the metal is, plus 1.57 R.
    """

    temper: Temper = "medium"


@dataclass(frozen=True, slots=True)
class Faa:
    """FAA-H-8083-31, ch. 4: (0.01743 R + 0.0078 T) for every degree."""


Law = NeutralLine | Din6935 | Handbook | Faa


def allowance_mm(law: Law, angle_deg: float, radius_mm: float, thickness_mm: float) -> float:
    """Flat length between the tangent lines of a bend.

    Raises BadBend for an angle outside 0 to 180, a negative radius, no thickness.
    """
    if not 0.0 <= angle_deg <= 180.0:
        raise BadBend(f"a sheet is not bent through {angle_deg:g}°", do="give 0 to 180")
    if not radius_mm >= 0.0 or not thickness_mm > 0.0:
        raise BadBend(
            f"no sheet {thickness_mm:g} thick is bent to a radius of {radius_mm:g}",
            do="give a thickness above zero and a radius of zero or more",
        )
    match law:
        case NeutralLine():
            return math.radians(angle_deg) * (radius_mm + law.k * thickness_mm)
        case Din6935():
            k = din_k(radius_mm / thickness_mm) / 2
            return math.radians(angle_deg) * (radius_mm + k * thickness_mm)
        case Handbook():
            per_90 = _HANDBOOK[law.temper] * thickness_mm + 1.57 * radius_mm
            return per_90 * angle_deg / 90.0
        case Faa():
            return angle_deg * (0.01743 * radius_mm + 0.0078 * thickness_mm)
        case _:
            assert_never(law)


def din_k(ratio: float) -> float:
    """DIN 6935's correction factor for radius over thickness; half of it is the usual K."""
    return min(0.65 + 0.5 * math.log10(max(ratio, DIN_LEAST_RATIO)), 1.0)


def k_of(law: Law, radius_mm: float, thickness_mm: float) -> float:
    """The K that a neutral line would need to take the same length of sheet."""
    if isinstance(law, NeutralLine):
        return law.k
    per_radian = allowance_mm(law, 90.0, radius_mm, thickness_mm) / (math.pi / 2)
    return (per_radian - radius_mm) / thickness_mm


def law_name(law: Law) -> str:
    """A law in a few words, for tables."""
    match law:
        case NeutralLine():
            return f"neutral line, K {law.k:.3g}"
        case Din6935():
            return "DIN 6935"
        case Handbook():
            return f"handbook, {law.temper}"
        case Faa():
            return "FAA"
        case _:
            assert_never(law)
