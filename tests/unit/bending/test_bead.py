import math

import pytest

from digitize.bending.bead import (
    ArcBead,
    TrapezoidBead,
    VeeBead,
    drawn_in_mm,
    forming_limit_strain,
    held_strain,
    section_length_mm,
)
from digitize.bending.setback import BadBend


@pytest.mark.parametrize(
    ("bead", "length"),
    [
        (ArcBead(10, 5), math.pi * 5),  # half a circle
        (ArcBead(20, 4), 22.069),  # radius 14.5
        (ArcBead(20, 0), 20.0),
        (TrapezoidBead(20, 8, 5), 8 + 2 * math.sqrt(61)),
        (VeeBead(20, 5), math.sqrt(500)),
    ],
)
def test_sections_have_the_length_of_their_geometry(bead, length):
    assert section_length_mm(bead) == pytest.approx(length, abs=5e-4)
    assert drawn_in_mm(bead) == pytest.approx(length - bead.base_mm, abs=5e-4)


def test_a_shallow_arc_follows_its_series():
    """b + 8 h^2 / (3 b) for small h."""
    assert section_length_mm(ArcBead(40, 1)) == pytest.approx(40 + 8 / 120, abs=1e-3)


def test_half_a_circle_cannot_be_made_by_stretching_alone():
    """57 % of stretch against 37 % at 1 mm (Keeler and Brazier, from memory)."""
    assert held_strain(ArcBead(10, 5)) == pytest.approx(0.5708, abs=1e-4)
    assert forming_limit_strain(1.0) == pytest.approx(0.374, abs=1e-3)


def test_sections_that_cannot_be_are_refused():
    for bead in (ArcBead(10, 6), TrapezoidBead(10, 12, 3), VeeBead(0, 3), ArcBead(10, -1)):
        with pytest.raises(BadBend):
            section_length_mm(bead)
