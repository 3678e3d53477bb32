import math
from dataclasses import replace

import pytest

from digitize.bending.bead import ArcBead, TrapezoidBead, VeeBead, drawn_in_mm
from digitize.bending.facts import Said, Stock
from digitize.bending.laws import NeutralLine
from digitize.bending.materials import material
from digitize.bending.setback import BadBend
from digitize.blank.edges import EdgeWork, HoleRow, Joggle, Lap
from digitize.blank.fold import placements
from digitize.blank.making import Order, made_to
from digitize.cli.shaping_words import beads_said, edge_work
from digitize.folding.from_pattern import blank_of
from digitize.pattern.contour import Circle
from digitize.pattern.dimensions import dimensions
from digitize.pattern.document import dumps, loads
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Drawn
from digitize.pattern.placement import placed
from digitize.pattern.soundness import fault

STOCK = Stock(material("mild-steel"), 1.0, NeutralLine(0.44))
RIGHT = {"all": Said(90.0, True, 1.0)}
DEDUCTION = 1.738053289


@pytest.fixture
def panel(make, contour):
    """A flange of 30 (B1) and a bead line (B2) on a plate of 160 by 60."""
    outline = contour((0, 0), (160, 0), (160, 60), (0, 60))
    return make(outline, ((30, 0), (30, 60)), ((100, 0), (100, 60)))


def test_a_bead_drawn_in_widens_the_blank(panel):
    bead = ArcBead(20, 4)
    blank, notices = made_to(panel, Order(STOCK, RIGHT, beads={"B2": (bead, True)}))
    x0, _, x1, _ = closed_extent_mm(blank.pattern.outline)
    assert x1 - x0 == pytest.approx(160 - DEDUCTION + drawn_in_mm(bead))
    assert "bead-drawn-in" in {n.code for n in notices}
    assert [n.text for n in notices if n.code == "blank-bead"] == [
        "B2 is not bent: a bead, arc 20 x 4 mm, drawn in, is rolled along it, between the lines "
        "beside it"
    ]
    assert [b.bead for b in blank.pattern.bends] == [None, "arc 20 x 4 mm, drawn in"]
    assert loads(dumps(blank.pattern)).bends == blank.pattern.bends
    assert not {n.code for n in notices} & {"law-assumed", "radius-assumed"}
    assert len([s for s in blank.pattern.scribes if s.kind == "tangent"]) == 4
    assert [b.angle_deg for b in blank.pattern.bends] == [90.0, 0.0]
    assert blank.pattern.bends[1].toward_face is None
    # Made, the far edge is where the pattern had it.
    base = blank.tree.base
    far = next(f for f in blank.tree.folds if f.facts.name == "B2")
    face = far.child if far.parent == base else far.parent
    at = placements(blank.tree)
    ends = [(at[f] @ (blank.tree.moves_mm[f][0], 0, 0, 1))[0] for f in (face, base)]
    assert ends[0] == pytest.approx(ends[1])


def test_a_bead_held_leaves_the_blank_and_warns_past_the_forming_limit(panel):
    deep, shallow = ArcBead(10, 5), VeeBead(20, 2)
    for bead, code in ((deep, "bead-tears"), (shallow, "bead-held")):
        blank, notices = made_to(panel, Order(STOCK, RIGHT, beads={"B2": (bead, False)}))
        x0, _, x1, _ = closed_extent_mm(blank.pattern.outline)
        assert x1 - x0 == pytest.approx(160 - DEDUCTION)
        assert code in {n.code for n in notices}


def test_a_bead_needs_a_line_of_the_pattern(panel):
    with pytest.raises(BadBend, match="called B7"):
        made_to(panel, Order(STOCK, RIGHT, beads={"B7": (VeeBead(20, 2), True)}))


def test_everything_at_once_is_still_a_sound_pattern(make, contour):
    outline = contour(
        (20, 0), (80, 0), (80, 20), (100, 20), (100, 60), (80, 60),
        (80, 80), (20, 80), (20, 60), (0, 60), (0, 20), (20, 20),
    )  # fmt: skip
    lines = [((20, 20), (80, 20)), ((80, 20), (80, 60)), ((80, 60), (20, 60)), ((20, 60), (20, 20))]
    box = make(outline, *lines)
    from digitize.pattern.datum import datum_of
    from digitize.pattern.edge_names import named_edges

    top = next(
        e.name
        for e in named_edges(outline, datum_of(box).origin_mm)
        if e.segment.start_mm[1] == e.segment.end_mm[1] == 80
    )
    order = Order(
        STOCK,
        RIGHT,
        edges=EdgeWork(
            laps={top: Lap(12.0, Joggle(1.0, 1.0))}, holes={top: HoleRow(5.0, 15.0, 6.0)}
        ),
        relief="round",
        mitre_gap_mm=0.4,
        side="opposite-hand",
        kerf_mm=0.2,
    )
    blank, _ = made_to(box, order)
    pattern = blank.pattern
    assert fault(pattern) is None
    assert len(pattern.bends) == 6
    assert len(pattern.openings) == 4
    codes = {n.code for n in pattern.notices}
    assert {"relief-cut", "flanges-mitred", "blank-opposite-hand", "blank-kerf"} <= codes
    assert pattern.drawn == Drawn(opposite_hand=True, kerf_mm=0.2)
    behind, _ = made_to(box, replace(order, side="from-behind", kerf_mm=None))
    assert {b.toward_face for b in behind.pattern.bends[:4]} == {False}
    assert not behind.facts[0].toward_face


@pytest.mark.parametrize("side", ["traced", "opposite-hand", "from-behind"])
def test_faces_are_found_where_the_drawing_has_them(panel, side):
    """The narrow flange lies on the left as traced, on the right when mirrored."""
    blank, _ = made_to(panel, Order(STOCK, RIGHT | {"B2": Said(45.0)}, side=side))
    (flange,) = [f.child for f in blank.tree.folds if f.facts.name == "B1"]
    x, y = blank.on_face_mm(flange)
    x0, y0, x1, y1 = closed_extent_mm(blank.pattern.outline)
    assert y0 < y < y1
    assert (x0 < x < x0 + 30) if side == "traced" else (x1 - 30 < x < x1)


def test_words_about_edges_and_beads():
    work = edge_work(
        ["e3 2"], ["E4 1/2in joggle 1.2 r1 toward", "E1 8"], ["E4 d8 pitch 40 in 6"], "mm"
    )
    assert work == EdgeWork(
        {"E3": 2.0},
        {"E4": Lap(12.7, Joggle(1.2, 1.0, 45.0, True)), "E1": Lap(8.0)},
        {"E4": HoleRow(8.0, 40.0, 6.0)},
    )
    assert beads_said(["b3 arc 20 4", "B1 trapezoid 20 8 5 held", "B2 v 20 5 drawn"], "mm") == {
        "B3": (ArcBead(20, 4), True),
        "B1": (TrapezoidBead(20, 8, 5), False),
        "B2": (VeeBead(20, 5), True),
    }


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((["3 2"], [], []), "no trim allowance"),
        ((["E3 x"], [], []), "not a length"),
        ((["E3 0"], [], []), "more than zero"),
        (([], ["E4"], []), "no lap"),
        (([], ["E4 12 joggle 1 sideways"], []), "no lap"),
        (([], [], ["E4 8 40 6"]), "no row of holes"),
    ],
)
def test_words_that_make_no_sense(words, says):
    with pytest.raises(BadBend, match=says):
        edge_work(*words, "mm")
    with pytest.raises(BadBend, match="no bead"):
        beads_said(["B1 square 10 4"], "mm")


@pytest.mark.parametrize("side", ["traced", "opposite-hand", "from-behind"])
def test_places_are_told_from_the_datum_corner_of_what_is_drawn(make, contour, side):
    """A tab that tears at both ends, and a hole in its bend, drawn askew and far from (0, 0)."""
    outline = contour((0, 0), (100, 0), (100, 40), (60, 40), (60, 60), (30, 60), (30, 40), (0, 40))
    plate = replace(make(outline, ((30, 40), (60, 40))), openings=(Circle((45, 39), 3.0),))
    told = []
    for turn, move in ((0.0, (0.0, 0.0)), (25.0, (300.0, 200.0))):
        askew = placed(plate, math.radians(turn), move)
        blank, _ = made_to(askew, Order(STOCK, RIGHT, side=side))
        told.append([n for n in blank.pattern.notices if " x " in n.text])
        folded, _ = blank_of(blank.pattern, STOCK.metal)
        again = [n.text for n in folded.pattern.notices if n.code == "bend-unrelieved"]
        assert {n.text for n in told[-1] if n.code == "bend-unrelieved"} <= set(again)
    assert told[0] == told[1]
    texts = " ".join(n.text for n in told[0])
    tab = (30, 60) if side == "traced" else (40, 70)
    assert all(f"near x {x}, y 40 and will tear" in texts for x in tab)
    assert f"the hole near x {sum(tab) // 2}, y " in texts
    assert texts.count("from the datum corner") == 3


def test_a_hole_pulled_out_of_shape_is_sized_over_all_only(make, contour):
    outline = contour((0, 0), (100, 0), (100, 60), (0, 60))
    plate = replace(make(outline, ((30, 0), (30, 60))), openings=(Circle((31, 30), 6.0),))
    blank, _ = made_to(plate, Order(STOCK, RIGHT))
    assert len(blank.pattern.openings[0].edges) > 4
    listed = dimensions(blank.pattern)
    (name,) = {d.name for d in listed.dimensions if d.kind == "length" and d.name[0] in "CHO"} - {
        "OL"
    }
    assert [d.kind for d in listed.of(name)][:2] == ["length", "width"]
    assert "radius" not in {d.kind for d in listed.of(name)}
