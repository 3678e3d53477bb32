import math

import pytest

from digitize.bending.coupon import Coupon, k_from
from digitize.bending.laws import Din6935, Faa, Handbook, NeutralLine, allowance_mm, k_of, law_name
from digitize.bending.setback import (
    BadBend,
    deduction_mm,
    inside_setback_mm,
    outside_setback_mm,
    reach_mm,
)

LAWS = (NeutralLine(0.44), Din6935(), Handbook("soft"), Handbook("hard"), Faa())


@pytest.mark.parametrize("law", LAWS)
def test_no_bend_takes_no_sheet(law):
    assert allowance_mm(law, 0.0, 2.0, 1.0) == 0.0
    assert allowance_mm(law, 1e-6, 2.0, 1.0) == pytest.approx(0.0, abs=1e-7)
    for traced in ("outside", "outermost", "inside", "rolled"):
        assert reach_mm(traced, 0.0, 2.0, 1.0) == 0.0


@pytest.mark.parametrize("law", LAWS)
def test_allowance_grows_with_angle_and_k_stays(law):
    half, whole = (allowance_mm(law, a, 1.5, 1.2) for a in (45.0, 90.0))
    assert whole == pytest.approx(2 * half)
    k = k_of(law, 1.5, 1.2)
    assert allowance_mm(NeutralLine(k), 70.0, 1.5, 1.2) == pytest.approx(
        allowance_mm(law, 70.0, 1.5, 1.2)
    )


def test_k_runs_from_the_inside_face_to_the_outside():
    quarter = math.pi / 2
    assert allowance_mm(NeutralLine(0.0), 90, 2, 1) == pytest.approx(quarter * 2)
    assert allowance_mm(NeutralLine(1.0), 90, 2, 1) == pytest.approx(quarter * 3)


@pytest.mark.parametrize("angle", [10.0, 45.0, 90.0, 135.0, 165.0])
def test_deduction_is_two_setbacks_less_allowance(angle):
    allowance = allowance_mm(Faa(), angle, 1.5, 1.2)
    expected = 2 * math.tan(math.radians(angle) / 2) * 2.7 - allowance
    assert deduction_mm(reach_mm("outside", angle, 1.5, 1.2), allowance) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("angle", "r", "t", "k", "ba", "ossb", "bd"),
    [
        (90, 1.0, 1.0, 0.44, 2.2619, 2.0000, 1.7381),
        (45, 1.0, 1.0, 0.44, 1.1310, 0.8284, 0.5259),
        (135, 1.0, 1.0, 0.44, 3.3929, 4.8284, 6.2639),
        (90, 1.5, 1.2, 0.44, 3.1856, 2.7000, 2.2144),
        (90, 0.8, 0.8, 0.40, 1.7593, 1.6000, 1.4407),
    ],
)
def test_worked_by_hand(angle, r, t, k, ba, ossb, bd):  # noqa: PLR0917
    allowance = allowance_mm(NeutralLine(k), angle, r, t)
    setback = outside_setback_mm(angle, r, t)
    assert (allowance, setback) == pytest.approx((ba, ossb), abs=6e-5)
    assert deduction_mm(setback, allowance) == pytest.approx(bd, abs=6e-5)


def test_the_traced_surfaces_differ_as_geometry_has_them():
    r, t = 1.5, 1.0
    assert reach_mm("outermost", 90, r, t) == pytest.approx(reach_mm("outside", 90, r, t))
    assert reach_mm("outermost", 180, r, t) == pytest.approx(r + t)  # a hem: half a cylinder
    assert reach_mm("inside", 90, r, t) == pytest.approx(inside_setback_mm(90, r)) == r
    assert reach_mm("rolled", 90, r, t) == pytest.approx(math.pi / 4 * (r + t))


def test_a_hem_has_no_mould_line():
    with pytest.raises(BadBend, match="outermost"):
        reach_mm("outside", 180, 1.0, 1.0)
    with pytest.raises(BadBend, match="no mould lines"):
        reach_mm("blank", 90, 1.0, 1.0)


@pytest.mark.parametrize(("angle", "r", "t"), [(-1, 1, 1), (181, 1, 1), (90, -1, 1), (90, 1, 0)])
def test_impossible_bends_are_refused(angle, r, t):
    with pytest.raises(BadBend):
        allowance_mm(Faa(), angle, r, t)


def test_k_outside_the_sheet_is_refused():
    with pytest.raises(BadBend, match="outside the sheet"):
        NeutralLine(1.2)


def test_laws_are_named_for_tables():
    assert [law_name(law) for law in LAWS] == [
        "neutral line, K 0.44", "DIN 6935", "handbook, soft", "handbook, hard", "FAA",
    ]  # fmt: skip


@pytest.mark.parametrize("angle", [60.0, 90.0, 120.0, 180.0])
def test_a_strip_gives_back_the_k_it_was_bent_with(angle):
    t, r, k = 1.2, 1.5, 0.41
    reach = reach_mm("outermost", angle, r, t)
    flat = 100.0
    legs = flat + deduction_mm(reach, allowance_mm(NeutralLine(k), angle, r, t))
    found = k_from(Coupon(flat, 0.4 * legs, 0.6 * legs, t, r, angle))
    assert found.k == pytest.approx(k)
    assert found.usual
    longer = k_from(Coupon(flat + 0.1, 0.4 * legs, 0.6 * legs, t, r, angle))
    assert longer.k - found.k == pytest.approx(found.k_per_tenth_mm)


def test_a_strip_that_cannot_be_is_refused():
    with pytest.raises(BadBend, match="measure"):
        k_from(Coupon(100.0, 60.0, 60.0, 1.0, 1.0))
    with pytest.raises(BadBend, match="too little"):
        k_from(Coupon(100.0, 50.0, 50.0, 1.0, 1.0, 5.0))
    with pytest.raises(BadBend, match="above zero"):
        k_from(Coupon(100.0, -1.0, 50.0, 1.0, 1.0))
    assert not k_from(Coupon(100.0, 50.9, 50.5, 1.0, 1.0)).usual
