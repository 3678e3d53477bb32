"""Whole parts from published worked examples, drawn as patterns and developed.

The same examples as in test_bending_examples.py, here through faces, folds and outline.
"""

import math
from itertools import accumulate

import pytest

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.laws import Din6935, Faa
from digitize.bending.materials import material
from digitize.blank.develop import develop
from digitize.pattern.contour import Contour
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line

INCH = 25.4


def flat_length_mm(legs_mm, said, thickness_mm, law):
    """Length of the blank of a strip with these legs, one bend between any two of them."""
    stations = list(accumulate(legs_mm))
    length, width = stations[-1], 40.0
    corners = [(0.0, 0.0), (length, 0.0), (length, width), (0.0, width)]
    outline = Contour.of(
        [Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    )
    bends = tuple(BendLine((x, 0.0), (x, width)) for x in stations[:-1])
    pattern = Pattern("strip", outline, bends=bends)
    facts, _ = resolve(pattern, Stock(material("aluminium"), thickness_mm, law), {"all": said})
    x0, y0, x1, y1 = closed_extent_mm(develop(pattern, facts).pattern.outline)
    assert y1 - y0 == pytest.approx(width)
    return x1 - x0


def test_e5_faa_channel():
    """FAA-H-8083-31: T 0.040, R 0.156 in, legs 1.00, 2.00, 1.00 in: 3.74 in.

    The book rounds to 0.01 in on its way: the setback, taken off four times, and the allowance,
    added twice, by up to 0.005 each.  Unrounded it is 3.762.
    """
    said = Said(90.0, True, 0.156 * INCH)
    flat = flat_length_mm([INCH, 2 * INCH, INCH], said, 0.040 * INCH, Faa())
    assert flat / INCH == pytest.approx(3.74, abs=6 * 0.005)


def test_e6_din_6935_acute_flange():
    """German metal-trades table book: legs 16 and 21 mm, flanges at 60 degrees, r 6, s 5."""
    said = Said(120.0, True, 6.0, "outermost")
    flat = flat_length_mm([16.0, 21.0], said, 5.0, Din6935())
    assert math.ceil(flat) == 32


def test_e9_sheet_metal_workbook_part_with_three_bends():
    """sheetmetalworkbook.com: T 0.050, R 0.032 in, legs 0.740, 0.420, 1.050, 1.000: 2.973 in."""
    said = Said(90.0, True, 0.032 * INCH)
    legs = [leg * INCH for leg in (0.740, 0.420, 1.050, 1.000)]
    flat = flat_length_mm(legs, said, 0.050 * INCH, Faa())
    assert flat / INCH == pytest.approx(2.973, abs=3 * 0.0005)


@pytest.mark.parametrize(
    ("angle", "radius", "thickness", "legs", "flat"),
    [
        (120, 3 / 32, 0.063, (2.125, 1.750), 3.5871),
        (45, 3 / 32, 0.063, (2.000, 2.000), 3.9658),
        (90, 1 / 8, 0.075, (1.750, 1.875), 3.4737),
        (15, 1 / 16, 0.048, (0.750, 1.000), 1.7429),
        (95, 1 / 16, 0.048, (1.625, 3.000), 4.5229),
    ],
)
def test_problems_of_the_workbook_worked_by_hand(angle, radius, thickness, legs, flat):
    """Inputs from the same workbook's problems; it prints no answers, these were worked by hand."""
    said = Said(angle, True, radius * INCH)
    found = flat_length_mm([leg * INCH for leg in legs], said, thickness * INCH, Faa())
    assert found / INCH == pytest.approx(flat, abs=6e-5)
