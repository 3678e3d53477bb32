import json
import re

import pytest

from digitize.bending import gauges, materials
from digitize.bending.laws import Handbook
from digitize.bending.setback import BadBend
from digitize.shared_file import shared


def test_gauges_of_several_metals_differ():
    """18 gauge: machinecalcs.com/sheet-metal-gauge-chart, to 0.01 mm."""
    of = gauges.thickness_of_gauge_mm
    assert of(18, "steel") == pytest.approx(1.21, abs=0.006)
    assert of(18, "galvanised") == pytest.approx(1.31, abs=0.006)
    assert of(18, "aluminium") == pytest.approx(1.02, abs=0.006)


def test_aluminium_gauges_follow_their_definition():
    """Brown and Sharpe: 0.005 in times the 39th root of 92, 36 - n times."""
    for n in range(10, 27):
        inch = 0.005 * 92 ** ((36 - n) / 39)
        assert gauges.thickness_of_gauge_mm(n, "aluminium") == pytest.approx(
            25.4 * inch, abs=25.4 * 0.00006
        )


def test_steel_gauges_follow_their_weight():
    """MSG: 41.82 lb per square foot and inch; 18 gauge is 2 lb, 16 gauge 2.5 (from memory)."""
    for n, pounds in ((18, 2.0), (16, 2.5), (20, 1.5), (11, 5.0)):
        assert gauges.thickness_of_gauge_mm(n, "steel") == pytest.approx(
            25.4 * pounds / 41.82, abs=25.4 * 0.0001
        )


def test_every_series_gets_thinner_with_the_number():
    for name in gauges.series():
        of = [gauges.thickness_of_gauge_mm(n, name) for n in range(10, 27)]
        assert of == sorted(of, reverse=True)
        assert len(set(of)) == len(of)


def test_the_british_wire_gauge_is_called_so():
    assert gauges.Gauge(18, "swg").title == "18 SWG"
    assert gauges.Gauge(18, "steel").title == "18 gauge steel"
    assert gauges.Gauge(18, "swg").thickness_mm == pytest.approx(1.219, abs=0.001)


def test_unknown_gauges_are_refused():
    with pytest.raises(BadBend, match="steel"):
        gauges.thickness_of_gauge_mm(18, "tin")
    with pytest.raises(BadBend, match="10 to 26"):
        gauges.thickness_of_gauge_mm(3, "steel")


def test_metals_answer_to_their_by_names():
    assert materials.material("Mild steel").name == "mild-steel"
    assert materials.material("galvanized").title == "galvanised mild steel"
    assert materials.material("304").law == Handbook("hard")
    with pytest.raises(BadBend, match="mild-steel"):
        materials.material("unobtainium")


def test_no_by_name_stands_for_two_metals():
    names = [n for m in materials.materials() for n in (m.name, *m.also)]
    assert len(names) == len(set(names))


def test_default_radius_is_never_below_the_least():
    for metal in materials.materials():
        for t in (0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0):
            assert metal.radius_mm(t) >= metal.least_radius.radius_mm(t) - 1e-9


def test_least_radius_of_low_carbon_sheet():
    """npd-solutions.com/sheetmetal.html: half the thickness, at least 0.8 mm."""
    least = materials.material("mild-steel").least_radius
    assert least.radius_mm(1.0) == 0.8
    assert least.radius_mm(3.0) == 1.5


def test_every_figure_has_a_source_and_its_address_lies_beside_it():
    """What is printed beside a figure names a book or a page; where it was read, the file says."""
    for file, table, figures in (
        ("bend-materials.json", "materials", ("temper", "radius", "least_radius")),
        ("sheet-metals.json", "metals", ("density", "spring_back")),
    ):
        for row in json.loads(shared(file).read_text("utf-8"))[table].values():
            for figure in figures:
                assert row[f"{figure}_source"]
                assert not re.search(r"\w\.(com|cn|in|mx|jp|org)\b", row[f"{figure}_source"])
