"""The dimension list of plates whose every size is known."""

import math
from dataclasses import replace

import pytest

from digitize.pattern.contour import Circle, Contour, Edge, Slot
from digitize.pattern.dimensions import dimensions
from digitize.pattern.edge_names import named_edges
from digitize.pattern.model import BendLine, Pattern, PointMark, Precision
from digitize.pattern.placement import placed
from digitize.pattern.segments import Arc, Line

QUARTER = math.tan(math.pi / 8)
# 240 x 100, lower-right corner rounded R 10, upper edge in three pieces: its middle is restored.
OUTLINE = Contour(
    (
        Edge(Line((240.0, 10.0), (240.0, 100.0))),
        Edge(Line((240.0, 100.0), (160.0, 100.0))),
        Edge(Line((160.0, 100.0), (100.0, 100.0)), "restored", 0.2),
        Edge(Line((100.0, 100.0), (0.0, 100.0))),
        Edge(Line((0.0, 100.0), (0.0, 0.0))),
        Edge(Line((0.0, 0.0), (230.0, 0.0))),
        Edge(Arc((230.0, 0.0), (240.0, 10.0), QUARTER)),
    )
)
PLATE = Pattern(
    "plate",
    OUTLINE,
    openings=(
        Circle((40.0, 30.0), 4.0),
        Slot((100.0, 60.0), (130.0, 60.0), 5.0),
        Contour.of(
            [
                Line((180.0, 20.0), (200.0, 20.0)),
                Line((200.0, 20.0), (200.0, 50.0)),
                Line((200.0, 50.0), (180.0, 50.0)),
                Line((180.0, 50.0), (180.0, 20.0)),
            ]
        ),
    ),
    bends=(BendLine((0.0, 80.0), (240.0, 80.0), angle_deg=90.0, u_mm=0.1),),
    marks=(PointMark((12.0, 34.0)),),
    precision=Precision(0.04, 0.0003),
)


def table(pattern):
    return {(d.name, d.kind): d for d in dimensions(pattern).dimensions}


def values(pattern):
    return {key: round(d.value, 6) for key, d in table(pattern).items()}


def test_every_size_of_a_plate():
    assert values(PLATE) == {
        ("OL", "overall"): 240.0,
        ("OW", "overall"): 100.0,
        ("E1", "length"): 230.0,
        ("E2", "length"): round(math.pi * 5, 6),
        ("E2", "radius"): 10.0,
        ("E3", "length"): 90.0,
        ("E4", "length"): 240.0,
        ("E5", "length"): 100.0,
        ("A1", "angle"): 90.0,
        ("A2", "angle"): 90.0,
        ("A3", "angle"): 90.0,
        ("A4", "angle"): 90.0,
        ("H1", "diameter"): 8.0,
        ("H1", "x"): 40.0,
        ("H1", "y"): 30.0,
        ("S1", "width"): 10.0,
        ("S1", "length"): 40.0,
        ("S1", "direction"): 0.0,
        ("S1", "x"): 115.0,
        ("S1", "y"): 60.0,
        ("C1", "length"): 30.0,
        ("C1", "width"): 20.0,
        ("C1", "x"): 180.0,
        ("C1", "y"): 20.0,
        ("B1", "length"): 240.0,
        ("B1", "direction"): 0.0,
        ("B1", "angle"): 90.0,
        ("B1", "to edge"): 80.0,  # the farther of the two edges it faces comes last
        ("M1", "x"): 12.0,
        ("M1", "y"): 34.0,
    }


@pytest.mark.parametrize("turn_deg", [0.0, 20.0, -37.0, 44.0])
def test_sizes_and_positions_do_not_depend_on_how_the_piece_lay(turn_deg):
    turned = placed(PLATE, math.radians(turn_deg), (310.0, -55.0))
    got = values(turned)
    for key, value in values(PLATE).items():
        assert got[key] == pytest.approx(value, abs=2e-6), key
    assert (("OX", "overall") in got) == (turn_deg != 0.0)
    datum = dimensions(turned).datum
    assert math.degrees(datum.direction_rad) == pytest.approx(turn_deg)
    assert datum.edge == "E4"
    assert datum.of(datum.back((3.0, 4.0))) == pytest.approx((3.0, 4.0))


def test_a_bend_is_measured_from_the_edges_it_faces():
    rows = [d for d in dimensions(PLATE).of("B1") if d.kind == "to edge"]
    assert [(d.other, round(d.value, 9)) for d in rows] == [("E4", 20.0), ("E1", 80.0)]
    assert rows[0].evidence == "restored"
    assert rows[0].start_mm[1] == pytest.approx(100.0)


def test_a_bend_that_faces_no_edge_gets_the_places_of_its_ends():
    slanting = replace(PLATE, bends=(BendLine((10.0, 10.0), (60.0, 60.0)),))
    rows = dimensions(slanting).of("B1")
    places = [(d.kind, round(d.value, 6)) for d in rows if d.kind in ("x", "y")]
    assert places == [("x", 10.0), ("y", 10.0), ("x", 60.0), ("y", 60.0)]


def test_drawn_ends_lie_the_stated_distance_apart():
    pattern = placed(PLATE, 0.3)
    for d in dimensions(pattern).dimensions:
        if d.unit == "mm" and not (d.name == "E2" and d.kind == "length"):
            assert math.dist(d.start_mm, d.end_mm) == pytest.approx(d.value, abs=1e-6), d


def test_uncertainty_follows_the_stated_precision():
    t = table(PLATE)
    # A little more than the length alone has: the datum's own edge may be turned.
    for key, length_mm in ((("OL", "overall"), 240.0), (("H1", "x"), 40.0)):
        alone = PLATE.precision.expanded_mm(length_mm)
        assert alone < t[key].expanded < 1.1 * alone
    # An edge known to 0.2 mm spoils the distance to it, not the others.
    spared = math.hypot(0.04, 0.04)  # what every line is off by, bend and edge
    to_restored, to_sound = (d for d in dimensions(PLATE).of("B1") if d.kind == "to edge")
    assert to_restored.expanded == pytest.approx(2 * math.hypot(0.1, 0.2, spared, 0.0003 * 20))
    assert to_sound.expanded == pytest.approx(2 * math.hypot(0.1, spared, 0.0003 * 80))
    assert t["E2", "radius"].expanded > 2 * 0.04 * 2  # a quarter circle shows its radius poorly


def test_radius_uncertainty_of_an_arc_is_what_its_depth_allows():
    # Depth h under chord c: R = c^2 / (8 h) + h / 2, differentiated by hand.
    arc = table(PLATE)["E2", "radius"]
    chord, depth = math.hypot(10, 10), 10 - 10 / math.sqrt(2)
    slope = abs(0.5 - chord**2 / (8 * depth**2))
    expected = 2 * math.hypot(slope * math.sqrt(1.5) * 0.04, 0.0003 * 10)
    assert arc.expanded == pytest.approx(expected)


def test_without_a_stated_precision_no_uncertainty_is_invented():
    assert all(d.expanded is None for d in dimensions(replace(PLATE, precision=None)).dimensions)


def test_a_round_outline_has_a_diameter_and_an_upright_datum():
    disc = Pattern("disc", Circle((50.0, 50.0), 30.0), (Circle((50.0, 60.0), 3.0),))
    got = values(disc)
    assert got["outline", "diameter"] == 60.0
    assert (got["H1", "x"], got["H1", "y"]) == (30.0, 40.0)
    assert dimensions(disc).datum.edge is None
    assert named_edges(disc.outline) == ()


def test_a_slot_outline_lies_along_its_datum():
    got = values(Pattern("link", Slot((0.0, 0.0), (30.0, 40.0), 8.0)))
    assert got["outline", "length"] == got["OW", "overall"] == 66.0
    assert got["outline", "width"] == 16.0


def test_an_arc_that_meets_its_neighbours_at_corners_is_no_fillet():
    outline = Contour.of(
        [
            Line((0.0, 0.0), (50.0, 0.0)),
            Arc((50.0, 0.0), (50.0, 30.0), 0.2),
            Line((50.0, 30.0), (0.0, 30.0)),
            Line((0.0, 30.0), (0.0, 0.0)),
        ]
    )
    angles = [d for d in dimensions(Pattern("x", outline)).dimensions if d.kind == "angle"]
    assert [d.other for d in angles] == ["E3 E4", "E4 E1"]


def test_a_notch_has_reflex_angles():
    points = [(0, 0), (60, 0), (60, 40), (40, 40), (40, 30), (20, 30), (20, 40), (0, 40)]
    outline = Contour.of([Line(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True)])
    angles = [d.value for d in dimensions(Pattern("x", outline)).dimensions if d.kind == "angle"]
    assert sorted(round(a) for a in angles) == [90] * 6 + [270] * 2


def test_an_arc_too_short_to_bulge_is_measured_like_a_line():
    """A sliver of an arc, as trimming leaves, gave no middle point to judge it by."""
    outline = Contour.of(
        (
            Line((0.0, 0.0), (50.0, 0.0)),
            Arc((50.0, 0.0), (50.02, 0.1), 0.02),
            Line((50.02, 0.1), (50.02, 30.0)),
            Line((50.02, 30.0), (0.0, 30.0)),
            Line((0.0, 30.0), (0.0, 0.0)),
        )
    )
    listed = dimensions(Pattern("plate", outline, precision=Precision(0.05, 0.0)))
    assert listed.of("OL")[0].value == pytest.approx(50.02, abs=0.01)


def test_the_longer_side_is_the_length_and_roundings_say_where_they_are() -> None:
    low, high = (40.0, 20.0), (52.0, 68.0)
    corner = Arc((52.0, 64.0), (48.0, 68.0), math.tan(math.pi / 8))
    window = Contour.of(
        [
            Line(low, (52.0, 20.0)),
            Line((52.0, 20.0), (52.0, 64.0)),
            corner,
            Line((48.0, 68.0), (40.0, 68.0)),
            Line((40.0, 68.0), low),
        ]
    )
    outline = Contour.of(
        [
            Line((0.0, 0.0), (200.0, 0.0)),
            Line((200.0, 0.0), (200.0, 100.0)),
            Line((200.0, 100.0), (0.0, 100.0)),
            Line((0.0, 100.0), (0.0, 0.0)),
        ]
    )
    listed = dimensions(Pattern("hatch", outline, (window,)))
    by_kind = {d.kind: d for d in listed.of("C1")}
    assert by_kind["length"].value == pytest.approx(high[1] - low[1])
    assert by_kind["width"].value == pytest.approx(high[0] - low[0])
    assert by_kind["radius"].other == "near x 51, y 67"


@pytest.mark.parametrize(("typed", "listed"), [(89.99, 89.99), (-89.99, 90.01), (-0.01, -0.01)])
def test_an_upright_bend_is_at_ninety_to_whichever_side_a_little_is_missing(
    typed: float, listed: float
) -> None:
    a = math.radians(typed)
    outline = Contour.of(
        [
            Line((0.0, 0.0), (200.0, 0.0)),
            Line((200.0, 0.0), (200.0, 100.0)),
            Line((200.0, 100.0), (0.0, 100.0)),
            Line((0.0, 100.0), (0.0, 0.0)),
        ]
    )
    way = 40 * math.cos(a), 40 * math.sin(a)
    bend = BendLine((100 - way[0], 50 - way[1]), (100 + way[0], 50 + way[1]))
    (found,) = (
        d
        for d in dimensions(Pattern("p", outline, bends=(bend,))).of("B1")
        if d.kind == "direction"
    )
    assert found.value == pytest.approx(listed, abs=1e-6)
