"""Bend allowance against worked examples that were published by others.

Each is checked to the rounding it was printed with; lengths are in the unit of the source.
"""

import math

import pytest

from digitize.bending.laws import Din6935, Faa, Handbook, NeutralLine, allowance_mm, din_k, k_of
from digitize.bending.setback import deduction_mm, outside_setback_mm, reach_mm


def deducted(law, angle_deg, radius, thickness):
    """Bend deduction for legs to the mould line."""
    reach = reach_mm("outside", angle_deg, radius, thickness)
    return deduction_mm(reach, allowance_mm(law, angle_deg, radius, thickness))


def test_e1_machinerys_handbook_half_turn():
    """Machinery's Handbook, 31st ed., p. 1421: soft steel, T 0.125, R 0.375 in, 180 degrees."""
    assert allowance_mm(Handbook("medium"), 180, 0.375, 0.125) == pytest.approx(1.338, abs=0.00051)


def test_e2_machinerys_handbook_sixty_degrees():
    """Same page, the other end: R 0.625 in, 60 degrees."""
    assert allowance_mm(Handbook("medium"), 60, 0.625, 0.125) == pytest.approx(0.707, abs=0.00051)


def test_e3_machinerys_handbook_whole_part():
    """Same page: 3.5 in straight between the two ends."""
    ends = [(180, 0.375), (60, 0.625)]
    bent = sum(allowance_mm(Handbook("medium"), angle, r, 0.125) for angle, r in ends)
    assert 3.5 + bent == pytest.approx(5.545, abs=0.0005)


def test_e4_faa_bracket_with_flanges_at_120_degrees():
    """FAA-H-8083-31, L-bracket: T 0.040, R 5/32 in (printed 0.156), bent through 60 degrees.

    The book takes 0.003034 a degree from its chart, which cuts 0.0030346 off at six places.
    """
    assert allowance_mm(Faa(), 1, 0.1562, 0.040) == pytest.approx(0.003034, abs=1e-6)
    assert allowance_mm(Faa(), 60, 0.1562, 0.040) == pytest.approx(0.18204, abs=60e-6)


def test_e5_faa_channel():
    """FAA-H-8083-31, U-channel: T 0.040, R 0.156 in (rounded to 0.16), legs 1, 2 and 1 in."""
    setback = outside_setback_mm(90, 0.156, 0.040)
    assert setback == pytest.approx(0.20, abs=0.005)
    allowance = allowance_mm(Faa(), 90, 0.156, 0.040)
    assert allowance == pytest.approx(0.27, abs=0.005)
    flats = (1.0 - 0.2) + (2.0 - 0.4) + (1.0 - 0.2)
    assert flats + 2 * allowance == pytest.approx(3.74, abs=0.01)  # two roundings of 0.005


def test_e6_din_6935_acute_flange():
    """A German metal-trades table book on DIN 6935: flanges at 60 degrees, r 6, s 5 mm."""
    assert din_k(6 / 5) == pytest.approx(0.7, abs=0.05)  # read from a chart there
    turned, outer = 120, reach_mm("outermost", 120, 6, 5)
    by_chart = deduction_mm(outer, allowance_mm(NeutralLine(0.7 / 2), turned, 6, 5))
    assert by_chart == pytest.approx(5.77, abs=0.005)
    by_formula = deduction_mm(outer, allowance_mm(Din6935(), turned, 6, 5))
    assert math.ceil(16 + 21 - by_formula) == 32  # the book goes up to whole millimetres


def test_e7_din_6935_right_angle():
    """DIN 6935 table value as a teacher's page gives it (gestreckte Laenge): r 6, s 5: v 9.9."""
    allowance = allowance_mm(Din6935(), 90, 6, 5)
    assert deduction_mm(reach_mm("outermost", 90, 6, 5), allowance) == pytest.approx(9.9, abs=0.05)


def test_e8_sheet_metal_workbook_right_angle():
    """sheetmetalworkbook.com, 90-degree bends: T 0.050, R 0.032 in."""
    assert allowance_mm(Faa(), 90, 0.032, 0.050) == pytest.approx(0.085, abs=0.0005)
    assert deducted(Faa(), 90, 0.032, 0.050) == pytest.approx(0.079, abs=0.0005)


def test_e9_sheet_metal_workbook_part_with_three_bends():
    """Same workbook: outside legs 0.740, 0.420, 1.050 and 1.000 in."""
    legs = 0.740 + 0.420 + 1.050 + 1.000
    one = deducted(Faa(), 90, 0.032, 0.050)
    assert legs - 3 * one == pytest.approx(2.973, abs=3 * 0.0005)
    assert legs - 3 * round(one, 3) == pytest.approx(2.973, abs=0.0005)


@pytest.mark.parametrize(
    ("degrees", "printed"),
    [
        (5, 0.0436), (10, 0.0874), (20, 0.1763), (30, 0.2679), (45, 0.4142), (60, 0.5773),
        (75, 0.7673), (90, 1.000), (105, 1.303), (120, 1.732), (135, 2.414), (150, 3.732),
        (165, 7.595),
    ],
)  # fmt: skip
def test_setback_follows_the_faa_chart(degrees, printed):
    """AC 43.13-1B, table 4-7; it cuts off rather than rounds, so 1.5e-3 of the value."""
    assert outside_setback_mm(degrees, 0.6, 0.4) == pytest.approx(printed, rel=1.5e-3)


@pytest.mark.parametrize(
    ("beta", "v"), [(30, 0.531), (60, 1.225), (90, 1.919), (120, 0.922), (150, 0.378)]
)
def test_din_6935_takes_off_what_its_formula_says(beta, v):
    """DIN 6935 for r = s = 1, the formula worked by hand: legs to outer tangents up to 90."""
    turned = 180 - beta
    allowance = allowance_mm(Din6935(), turned, 1, 1)
    assert deduction_mm(reach_mm("outermost", turned, 1, 1), allowance) == pytest.approx(
        v, abs=6e-4
    )


@pytest.mark.parametrize(("temper", "k"), [("soft", 0.350), ("medium", 0.407), ("hard", 0.452)])
def test_handbook_formulas_have_the_k_they_are_known_by(temper, k):
    """From 0.55, 0.64 and 0.71 T over a quarter turn; 1.57 R is short of pi/2 R by 0.05 %."""
    assert k_of(Handbook(temper), 1.0, 1.0) == pytest.approx(k, abs=0.001)


def test_faa_formula_puts_the_neutral_line_at_0_447():
    """0.0078 over a degree in radians, for a sharp bend."""
    assert k_of(Faa(), 0.0, 1.0) == pytest.approx(0.447, abs=0.0005)
