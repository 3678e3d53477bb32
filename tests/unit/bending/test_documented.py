"""The figures and tables of docs/bending.md are what the program gives."""

import re
from pathlib import Path

import pytest

from digitize.bending.laws import Din6935, Faa, Handbook, allowance_mm
from digitize.blank import checks, crossings, relief

TEXT = (Path(__file__).parents[3] / "docs" / "bending.md").read_text("utf-8")


def test_three_laws_for_one_bend():
    found = re.search(r"give\s+([\d.]+), ([\d.]+) and ([\d.]+) mm in that order", TEXT)
    assert found is not None
    laws = (Handbook("medium"), Din6935(), Faa())
    given = [allowance_mm(law, 90.0, 1.5, 1.5) for law in laws]
    assert [float(v) for v in found.groups()] == pytest.approx(given, abs=0.005)


def test_limits_are_those_of_the_table():
    assert (checks.HOLE_THICKNESSES, checks.FLANGE_THICKNESSES, checks.HAND_MM) == (2, 4, 8)
    assert "two thicknesses" in TEXT
    assert "four thicknesses" in TEXT
    assert "| 8 mm |" in TEXT
    assert relief.NARROWEST_MM == 1.5
    assert f"no more than {crossings.REACH_MM:g} mm" in TEXT
