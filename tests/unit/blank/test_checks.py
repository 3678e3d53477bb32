"""Warnings about radii and holes, against the tables' own limits."""

import pytest

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.materials import material
from digitize.blank.checks import too_tight
from digitize.blank.develop import develop
from digitize.pattern.contour import Circle


@pytest.fixture
def plate(make, contour):
    """A plate 100 by 40 with one bend 30 from its left end."""
    outline = contour((0, 0), (100, 0), (100, 40), (0, 40))
    return lambda *holes: make(outline, ((30, 0), (30, 40)), openings=holes)


def facts(pattern, metal, radius_mm):
    found, _ = resolve(pattern, Stock(metal, 1.5), {"all": Said(90.0, True, radius_mm)})
    return found


def near_bends(pattern):
    blank = develop(pattern, facts(pattern, material("mild-steel"), 1.5))
    return [n.code for n in blank.pattern.notices if "hole" in n.code]


@pytest.mark.parametrize("name", ["mild-steel", "aluminium-6061-t6"])
def test_a_radius_below_the_metal_s_least_is_doubted_with_its_source(plate, name):
    metal = material(name)
    least = metal.least_radius.radius_mm(1.5)
    assert least > 0.2
    (tight,) = too_tight(facts(plate(), metal, least - 0.1), metal)
    assert (tight.code, tight.level) == ("radius-small", "doubt")
    assert f"wants {least:.1f} mm" in tight.text
    assert tight.text.endswith(metal.least_radius.source)
    assert not too_tight(facts(plate(), metal, least), metal)


def test_only_holes_near_a_bend_are_flagged(plate):
    """Two thicknesses from the start of the bend: 3 mm and some 1.7 mm of bend on its side."""
    assert near_bends(plate(Circle((40.0, 20.0), 6.0))) == ["hole-near-bend"]
    assert near_bends(plate(Circle((44.0, 20.0), 6.0))) == []
