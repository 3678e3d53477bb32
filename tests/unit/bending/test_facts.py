from dataclasses import replace

import pytest

from digitize.bending.facts import Said, Stock, resolve, stock_thickness_mm, told
from digitize.bending.gauges import Gauge
from digitize.bending.laws import Din6935, NeutralLine
from digitize.bending.materials import material
from digitize.bending.setback import BadBend
from digitize.pattern.contour import Circle
from digitize.pattern.model import BendLine, Pattern

STEEL = material("mild-steel")
STOCK = Stock(STEEL, 1.5)
PLATE = Pattern(
    "plate", Circle((0, 0), 50), bends=(BendLine((0, -50), (0, 50)), BendLine((20, -40), (20, 40)))
)


def test_a_bend_s_own_words_go_before_the_pattern_and_that_before_all():
    drawn = replace(PLATE, bends=(replace(PLATE.bends[0], angle_deg=60.0), PLATE.bends[1]))
    said = {"all": Said(90.0, True, 2.0), "B2": Said(angle_deg=30.0, toward_face=False)}
    (one, two), _ = resolve(drawn, STOCK, said)
    assert (one.angle_deg, one.toward_face, one.radius_mm) == (60.0, True, 2.0)
    assert (two.angle_deg, two.toward_face, two.radius_mm) == (30.0, False, 2.0)


def test_defaults_are_said_to_be_defaults():
    facts, notices = resolve(PLATE, STOCK, {"all": Said(90.0, True)})
    assert facts[0].defaults == ("radius", "traced", "law")
    assert facts[0].radius_mm == STEEL.radius_mm(1.5)
    assert {n.code for n in notices} == {"radius-assumed", "traced-assumed", "law-assumed"}
    assert all("B1, B2" in n.text for n in notices)
    said = {"all": Said(90.0, True, 2.0, "outside")}
    _, notices = resolve(PLATE, replace(STOCK, law=Din6935()), said)
    assert not notices


def test_a_k_of_its_own_replaces_the_law():
    facts, _ = resolve(PLATE, STOCK, {"all": Said(90.0, True), "B1": Said(k=0.4)})
    assert facts[0].law == NeutralLine(0.4)
    assert facts[0].k == 0.4
    assert facts[1].law == STEEL.law


def test_a_hem_is_measured_over_its_outermost_point():
    (hem, _), notices = resolve(PLATE, STOCK, {"all": Said(90.0, True), "B1": Said(180.0)})
    assert hem.traced == "outermost"
    assert "hem-outermost" in {n.code for n in notices}


def test_a_bend_that_nobody_described_is_refused():
    with pytest.raises(BadBend, match="nobody said the angle B1 is bent"):
        resolve(PLATE, STOCK, {"all": Said(toward_face=True)})
    with pytest.raises(BadBend, match="nobody said which way B1 is bent"):
        resolve(PLATE, STOCK, {"all": Said(90.0)})
    with pytest.raises(BadBend, match=r"no bend called B7.*B1 to B2"):
        resolve(PLATE, STOCK, {"B7": Said()})
    with pytest.raises(BadBend, match="no bends"):
        resolve(replace(PLATE, bends=()), STOCK, {"B1": Said()})


def test_what_is_known_is_written_into_the_pattern():
    facts, _ = resolve(PLATE, STOCK, {"all": Said(90.0, False, 2.0, "inside")})
    bend = told(PLATE, facts).bends[0]
    assert (bend.angle_deg, bend.toward_face, bend.inside_radius_mm) == (90.0, False, 2.0)
    assert bend.traced == "inside"
    assert told(PLATE, facts).thickness_mm == 1.5


def test_a_measured_thickness_wins():
    assert stock_thickness_mm(1.4, replace(PLATE, thickness_mm=1.6), None) == (1.4, ())
    assert stock_thickness_mm(None, replace(PLATE, thickness_mm=1.6), None) == (1.6, ())
    thickness, notices = stock_thickness_mm(None, PLATE, Gauge(18, "steel"))
    assert thickness == pytest.approx(1.214, abs=0.001)
    assert [n.code for n in notices] == ["gauge-nominal"]
    thickness, notices = stock_thickness_mm(0.9, PLATE, Gauge(18, "steel"))
    assert thickness == 0.9
    assert [n.code for n in notices] == ["gauge-contradicted"]
    assert stock_thickness_mm(1.2, PLATE, Gauge(18, "steel")) == (1.2, ())
    with pytest.raises(BadBend, match="how thick"):
        stock_thickness_mm(None, PLATE, None)


def test_the_marked_face_is_inside_one_bend_and_outside_the_other():
    said = {"all": Said(90.0, True, 2.0, "face"), "B2": Said(toward_face=False)}
    (one, two), notices = resolve(PLATE, STOCK, said)
    assert (one.traced, two.traced) == ("inside", "outside")
    assert "traced-assumed" not in {n.code for n in notices}
