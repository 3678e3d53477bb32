"""K from a bent test strip: the user's own sheet, tools and radius beat every table.

Measure a strip flat, bend it, and measure its two legs outside, to the mould line (that is,
over the outside of the other leg at 90 degrees; beyond 90 to the outermost point).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from digitize.bending.setback import BadBend, reach_mm
from digitize.errors import Notice

USUAL_K = (0.25, 0.5)  # beyond, something was measured wrongly: common practice, no source


@dataclass(frozen=True, slots=True)
class Coupon:
    """A strip before and after: its flat length, the two legs, how it was bent."""

    flat_mm: float
    leg_a_mm: float
    leg_b_mm: float
    thickness_mm: float
    radius_mm: float
    angle_deg: float = 90.0


@dataclass(frozen=True, slots=True)
class CouponResult:
    """The K found, and how much it moves for 0.1 mm on a measured length."""

    k: float
    k_per_tenth_mm: float

    @property
    def usual(self) -> bool:
        """Whether K lies where sheet bent cold has it."""
        return USUAL_K[0] <= self.k <= USUAL_K[1]

    @property
    def notice(self) -> Notice:
        """What to know about it, a doubt where it is unusual."""
        text = (
            f"K is {self.k:.3f} by the test strip; 0.1 mm on one of its lengths moves it by "
            f"{self.k_per_tenth_mm:.3f}"
        )
        if self.usual:
            return Notice("k-from-strip", text)
        low, high = USUAL_K
        text += f"; {low:g} to {high:g} is usual (common practice), so measure the strip again"
        return Notice("k-from-strip", text, "doubt")


def k_from(coupon: Coupon) -> CouponResult:
    """K of a test strip: the allowance is what the legs leave, K = (BA / angle - R) / T.

    Raises BadBend where the lengths put the neutral line outside the sheet, or the strip is
    too little bent to tell.
    """
    if not 30.0 <= coupon.angle_deg <= 180.0:
        raise BadBend(
            f"a test strip bent through {coupon.angle_deg:g}° says too little",
            do="bend it through 90°",
        )
    lengths = (coupon.flat_mm, coupon.leg_a_mm, coupon.leg_b_mm, coupon.thickness_mm)
    if min(lengths) <= 0.0 or coupon.radius_mm < 0.0:
        raise BadBend("a length of the test strip is not above zero", do="measure it again")
    reach = reach_mm("outermost", coupon.angle_deg, coupon.radius_mm, coupon.thickness_mm)
    turn = math.radians(coupon.angle_deg)
    allowance = coupon.flat_mm - coupon.leg_a_mm - coupon.leg_b_mm + 2 * reach
    k = (allowance / turn - coupon.radius_mm) / coupon.thickness_mm
    if not 0.0 < k < 1.0:
        raise BadBend(
            f"by the test strip's lengths K would be {k:.2f}, outside the sheet",
            do="measure flat length, both legs (outside), radius and thickness again",
        )
    return CouponResult(k, 0.1 / (turn * coupon.thickness_mm))
