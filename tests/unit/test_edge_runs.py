"""Outline edges that cannot be told apart: straight on, or uneven."""

import json
import math

import pytest

from digitize.cli import show
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.dimensions import dimensions
from digitize.pattern.edge_names import named_edges
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.placement import placed
from digitize.pattern.segments import Arc, Line

SURE = Precision(0.02, 0.0)
TEETH = [(60 + k, 0.8 * (-1) ** k) for k in range(20)]  # 60, 0.8 ... 79, -0.8


def plate(bottom, precision=SURE):
    """120 x 50, its bottom edge through the places given; E1 starts at its lower left."""
    places = [(0.0, 0.0), *((float(x), float(y)) for x, y in bottom)]
    places += [(120.0, 0.0), (120.0, 50.0), (0.0, 50.0)]
    lines = [Line(a, b) for a, b in zip(places, places[1:] + places[:1], strict=True)]
    return Pattern("plate", Contour.of(lines), precision=precision)


def rows(pattern):
    return {(d.name, d.kind): d for d in dimensions(pattern).dimensions if d.name[0] in "EA"}


@pytest.mark.parametrize("turn_rad", [0.0, 0.4])
def test_teeth_smaller_than_their_u_are_one_uneven_stretch(turn_rad):
    pattern = placed(plate(TEETH, Precision(0.3, 0.0)), turn_rad, (7.0, 3.0))
    got = rows(pattern)
    assert len(named_edges(pattern.outline)) == 24
    uneven = [d for d in got.values() if d.kind == "end to end"]
    assert [d.name for d in uneven] == ["E2-E20"]
    assert uneven[0].value == pytest.approx(math.hypot(19.0, 1.6))
    assert {name for name, kind in got if kind == "length"} == {"E1", "E21", "E22", "E23", "E24"}
    assert got["E23", "length"].value == pytest.approx(120.0)
    assert all(d.expanded <= d.value / 2 for d in got.values())
    angles = [d for d in got.values() if d.kind == "angle"]
    assert len(angles) == 4
    assert all(abs(d.value - 90.0) < d.expanded for d in angles)


def test_the_same_teeth_known_well_are_edges_of_their_own():
    got = rows(plate(TEETH, SURE))
    assert sum(kind == "length" for _, kind in got) == 24
    assert sum(kind == "angle" for _, kind in got) == 24


def test_a_corner_that_is_not_known_does_not_part_a_straight_edge():
    got = rows(plate([(50.0, 0.01), (90.0, -0.01)]))
    whole = got["E1-E3", "length"]
    assert whole.value == pytest.approx(120.0)
    square = rows(plate([]))["E1", "length"]
    assert whole.expanded == pytest.approx(square.expanded, rel=1e-3)
    assert [d.other for d in got.values() if d.kind == "angle"][:2] == ["E1-E3 E4", "E4 E5"]


def test_a_corner_that_is_known_parts_it_and_says_how_well():
    """1° at a place known to 0.02 mm across: along the edge the place is known to 60 times less."""
    got = rows(plate([(60.0, -60.0 * math.tan(math.radians(0.5)))]))
    assert got["A1", "angle"].value == pytest.approx(179.0)
    edge = got["E1", "length"]
    # Both lines at the corner are off by u each; the other end, at a right angle, by one u.
    u = 0.02 / math.sin(math.radians(1.0)) * math.sqrt(2.0)
    assert edge.expanded == pytest.approx(2 * math.hypot(u, 0.02), rel=0.02)


def test_a_bow_drawn_in_short_lines_is_not_straight():
    bow = [(x, -3.0 * math.sin(math.pi * x / 120)) for x in range(2, 120, 2)]
    run = dimensions(plate(bow, Precision(0.05, 0.0))).runs[0]
    assert (run.name, run.uneven) == ("E1-E60", True)
    flat = [(x, y / 60) for x, y in bow]
    run = dimensions(plate(flat, Precision(0.05, 0.0))).runs[0]
    assert (run.name, run.uneven) == ("E1-E60", False)


def test_an_outline_of_which_no_edge_is_known_has_its_overall_sizes_only():
    listed = dimensions(plate(TEETH, Precision(40.0, 0.0)))
    assert {d.kind for d in listed.dimensions} == {"overall"}
    assert listed.unsized == ("E1-E24",)
    assert sum(len(run.edges) for run in listed.runs) == 24


def test_a_radius_that_may_as_well_be_another_is_not_stated():
    """An arc 0.02 mm deep under a chord of 4 mm, seen to 0.02 mm."""
    edges = list(plate([(58.0, 0.0), (62.0, 0.0)]).outline.edges)
    edges[1] = Edge(Arc((58.0, 0.0), (62.0, 0.0), 0.01))
    listed = dimensions(Pattern("plate", Contour(tuple(edges)), precision=SURE))
    assert "radius" not in {d.kind for d in listed.dimensions}


def test_without_a_stated_precision_every_edge_is_listed():
    got = rows(plate(TEETH, None))
    assert sum(kind == "length" for _, kind in got) == 24


def test_the_table_says_how_many_edges_an_uneven_stretch_has(capsys):
    show.sizes(plate(TEETH, Precision(0.3, 0.0)), inch=False)
    printed = capsys.readouterr().out
    assert "uneven stretch, end to end, 19 edges" in printed
    show.sizes(plate(TEETH, Precision(40.0, 0.0)), inch=False)
    assert "No size, because their ± is more than half of it: E1" in capsys.readouterr().out


def test_scripts_learn_which_edges_have_no_size():
    out = json.loads(json.dumps(show.pattern_json(plate(TEETH, Precision(40.0, 0.0)))))
    assert out["unsized"] == list(dimensions(plate(TEETH, Precision(40.0, 0.0))).unsized)
