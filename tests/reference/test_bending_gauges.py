"""Gauge tables against tables that others published; numbers 10 to 26, thickness in inches.

SHEET is the table of Wikipedia's article "Sheet metal" (CC BY-SA 4.0) as the steel-sections
library 0.1.0 carries it: steel, galvanised, stainless.  WIRE is that of Machinery's Handbook
(Industrial Press, 2012) as the fluids library 1.3.1 carries it: Brown and Sharpe, by which
aluminium goes, and the British Standard Wire Gauge.
"""

import pytest

from digitize.bending.gauges import thickness_of_gauge_mm

INCH = 25.4
SHEET = {
    10: (0.1345, 0.1382, 0.1406), 11: (0.1196, 0.1233, 0.1250), 12: (0.1046, 0.1084, 0.1094),
    13: (0.0897, 0.0934, 0.0940), 14: (0.0747, 0.0785, 0.0781), 15: (0.0673, 0.0710, 0.0700),
    16: (0.0598, 0.0635, 0.0625), 17: (0.0538, 0.0575, 0.0560), 18: (0.0478, 0.0516, 0.0500),
    19: (0.0418, 0.0456, 0.0440), 20: (0.0359, 0.0396, 0.0375), 21: (0.0329, 0.0366, 0.0340),
    22: (0.0299, 0.0336, 0.0310), 23: (0.0269, 0.0306, 0.0280), 24: (0.0239, 0.0276, 0.0250),
    25: (0.0209, 0.0247, 0.0220), 26: (0.0179, 0.0217, 0.0190),
}  # fmt: skip
WIRE = {
    10: (0.1019, 0.128), 11: (0.0907, 0.116), 12: (0.0808, 0.104), 13: (0.0720, 0.092),
    14: (0.0641, 0.080), 15: (0.0571, 0.072), 16: (0.0508, 0.064), 17: (0.0453, 0.056),
    18: (0.0403, 0.048), 19: (0.0359, 0.040), 20: (0.0320, 0.036), 21: (0.0285, 0.032),
    22: (0.0253, 0.028), 23: (0.0226, 0.024), 24: (0.0201, 0.022), 25: (0.0179, 0.020),
    26: (0.0159, 0.018),
}  # fmt: skip


@pytest.mark.parametrize("number", SHEET)
def test_sheet_gauges_are_the_published_ones(number):
    steel, galvanised, stainless = SHEET[number]
    assert thickness_of_gauge_mm(number, "steel") == pytest.approx(steel * INCH, abs=1e-9)
    assert thickness_of_gauge_mm(number, "galvanised") == pytest.approx(galvanised * INCH, abs=1e-9)
    # Printed there to 0.001 in where it is not a whole fraction.
    found = thickness_of_gauge_mm(number, "stainless")
    assert found == pytest.approx(stainless * INCH, abs=0.0005 * INCH + 1e-9)


@pytest.mark.parametrize("number", WIRE)
def test_aluminium_and_swg_are_the_handbook_s_wire_gauges(number):
    aluminium, swg = WIRE[number]
    assert thickness_of_gauge_mm(number, "aluminium") == pytest.approx(aluminium * INCH, abs=1e-9)
    assert thickness_of_gauge_mm(number, "swg") == pytest.approx(swg * INCH, abs=1e-9)
