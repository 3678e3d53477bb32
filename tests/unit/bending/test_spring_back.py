import pytest

from digitize.bending.materials import materials
from digitize.bending.setback import BadBend
from digitize.bending.spring_back import density_kg_m3, elastic_plastic_factor, overbend


def test_a_tight_right_angle_in_dc01_is_bent_to_nearly_91_degrees():
    """Factor 0.99 at R = T, German metal-trades table book (DIN 6935 page)."""
    found = overbend("mild-steel", 90.0, 1.0, 1.0)
    assert found.angle_deg == pytest.approx(90.0 / 0.99)
    assert "DC01" in found.source


def test_the_factor_lies_between_tabled_ratios_and_never_runs_off():
    assert overbend("stainless", 90.0, 20.5, 1.0).factor == pytest.approx((0.84 + 0.76) / 2)
    assert overbend("stainless", 90.0, 500.0, 1.0).factor == 0.63
    assert overbend("mild-steel", 90.0, 0.1, 1.0).factor == 0.99


def test_the_elastic_plastic_formula_gives_the_published_example():
    """Yield 300 MPa, E 210 GPa, radius 50, thickness 2: Ri / Rf 0.8930 (novasolver.jp)."""
    assert elastic_plastic_factor(25.0, 300.0, 210_000.0) == pytest.approx(0.8930, abs=5e-5)
    assert elastic_plastic_factor(1e6, 300.0, 210_000.0) == pytest.approx(0.0)


def test_every_metal_has_a_density_and_a_spring_back():
    for metal in materials():
        density, source = density_kg_m3(metal.name)
        assert 2600 < density < 8100
        assert source
        assert 0.9 < overbend(metal.name, 90.0, 1.0, 1.0).factor < 1.0
    with pytest.raises(BadBend, match="unobtainium"):
        overbend("unobtainium", 90.0, 1.0, 1.0)
