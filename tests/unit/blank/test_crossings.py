"""Bend lines that openings interrupt, lugs bent out of the sheet, and lines that end in it."""

import math
from dataclasses import replace

import folded_pieces as pieces
import pytest
import shapely
import trimesh

from digitize.bending.facts import Said
from digitize.bending.materials import material
from digitize.blank.crossings import crossings
from digitize.blank.edges import EdgeWork, worked
from digitize.blank.errors import NotDeveloped
from digitize.blank.mitre import mitred
from digitize.blank.relief import relieved
from digitize.folding.from_pattern import blank_of
from digitize.folding.sizes import folded_sizes
from digitize.folding.solid import fold_up
from digitize.pattern import document
from digitize.pattern.contour import Circle, Slot
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon
from digitize.pattern.soundness import fault

PLATE = pieces.outline([(0, 0), (120, 0), (120, 80), (0, 80)])
DEDUCTION = 2 * 2.4 - math.pi / 2 * 1.68  # R 1.2, T 1.2, K 0.4: what pieces.developed takes


def plate(*bends, openings=()):
    return Pattern("plate", PLATE, openings=openings, bends=tuple(pieces.bend(*b) for b in bends))


def slot_about_lug(x0=40.0, x1=80.0, foot=60.0, top=20.0, wide=3.0):
    """A slot of three sides; the lug between hangs on a line near ``foot``."""
    outer = [(x0, top), (x1, top), (x1, foot), (x1 - wide, foot)]
    inner = [(x1 - wide, top + wide), (x0 + wide, top + wide), (x0 + wide, foot), (x0, foot)]
    return pieces.outline([*outer, *inner])


def codes(blank):
    return [n.code for n in blank.pattern.notices]


def mesh(blank):
    solid = fold_up(blank)
    return trimesh.Trimesh(solid.vertices_mm, solid.triangles, process=False)


def off_mm(blank):
    sizes = folded_sizes(blank, fold_up(blank))
    return [s.off_mm for s in sizes]


INTERRUPTED = plate((0, 30, 50, 30), (70, 30, 120, 30), openings=(Circle((60, 30), 10),))


def test_a_bend_line_that_a_hole_interrupts_is_one_bend():
    blank = pieces.developed(INTERRUPTED)
    assert [f.facts.name for f in blank.tree.folds] == ["B1+B2"]
    assert closed_extent_mm(blank.pattern.outline) == pytest.approx((0, DEDUCTION, 120, 80))
    y = 30 + DEDUCTION / 2
    drawn = [(b.start_mm, b.end_mm) for b in blank.pattern.bends]
    assert drawn[0] == (pytest.approx((0, y)), pytest.approx((50, y)))
    assert drawn[1] == (pytest.approx((70, y)), pytest.approx((120, y)))
    assert off_mm(blank) == pytest.approx([0.0, 0.0], abs=1e-6)
    assert mesh(blank).is_watertight


def test_trimming_an_edge_leaves_ends_at_a_hole_where_they_are():
    from digitize.pattern.datum import datum_of
    from digitize.pattern.edge_names import named_edges

    edges = named_edges(PLATE, datum_of(INTERRUPTED).origin_mm)
    names = {e.segment.start_mm: e.name for e in edges}
    side, bottom = names[120.0, 0.0], names[0.0, 0.0]
    wider = worked(INTERRUPTED, EdgeWork(trim_mm={side: 3.0, bottom: 2.0}))
    assert [(b.start_mm, b.end_mm) for b in wider.bends] == [
        ((0.0, 30.0), (50.0, 30.0)),
        ((70.0, 30.0), (123.0, 30.0)),
    ]


def test_such_a_blank_is_read_again_as_it_was_written():
    blank = pieces.developed(INTERRUPTED)
    read, _ = blank_of(document.loads(document.dumps(blank.pattern)), material("steel"))
    assert read.tree.faces.count == 2
    assert read.pattern.bends == blank.pattern.bends


def test_lines_drawn_by_hand_between_slots_need_not_lie_on_one_quite():
    bends = [(0, 30, 33, 30), (67, 30.6, 69, 30.6), (96, 29.5, 120, 29.6)]
    slots = (Slot((40, 30), (60, 30), 4), Slot((75, 30), (90, 30), 4))
    found = crossings(plate(*bends, openings=slots))
    assert [c.bends for c in found] == [(0, 1, 2)]


def test_both_sides_of_a_hole_must_be_bent_alike():
    said = {"B1": Said(90.0, True, 1.2), "B2": Said(45.0, True, 1.2)}
    with pytest.raises(NotDeveloped, match=r"B1\+B2 is one bend.*not bent alike"):
        pieces.developed(INTERRUPTED, said)


def test_a_line_that_ends_at_a_hole_for_good_is_refused_with_what_to_do():
    lonely = replace(INTERRUPTED, bends=INTERRUPTED.bends[:1])
    with pytest.raises(NotDeveloped, match=r"B1 ends at an opening.*near 50\.0, 30\.0.*draw it on"):
        pieces.developed(lonely)
    aside = replace(INTERRUPTED, bends=(lonely.bends[0], pieces.bend(70, 33, 120, 33)))
    with pytest.raises(NotDeveloped, match="B1 ends at an opening"):
        pieces.developed(aside)


def test_relief_holes_near_the_edges_end_a_bend_line_as_the_edges_do():
    """Between each hole and the edge 4 mm of sheet are left."""
    holes = tuple(Circle((x, 30), 5) for x in (9, 111))
    blank = pieces.developed(plate((14, 30, 106, 30), openings=holes))
    assert closed_extent_mm(blank.pattern.outline) == pytest.approx((0, DEDUCTION, 120, 80))


def test_every_tab_of_one_bend_line_has_its_line_on_the_blank():
    points = [(0, 0), (100, 0), (100, 60), (60, 60), (60, 30), (40, 30), (40, 60), (0, 60)]
    pattern = Pattern("tabs", pieces.outline(points), bends=(pieces.bend(0, 40, 100, 40),))
    blank = pieces.developed(pattern)
    (line,) = blank.pattern.bends
    assert sorted((line.start_mm[0], line.end_mm[0])) == pytest.approx([0, 100])
    read, _ = blank_of(document.loads(document.dumps(blank.pattern)), material("steel"))
    assert read.tree.faces.count == 3


@pytest.mark.parametrize("away", [False, True])
def test_a_lug_is_bent_out_of_the_sheet(away):
    """Its slots go on past the bend, so nothing tears; the slot grows by the deduction."""
    pattern = plate((43, 62, 77, 62), openings=(slot_about_lug(foot=68.0),))
    blank = pieces.developed(pattern, {"all": Said(90.0, not away, 1.2)})
    assert not codes(blank)
    assert blank.pattern.outline == PLATE
    (opening,) = blank.pattern.openings
    was, now = (polygon(o).area for o in (*pattern.openings, opening))
    assert now - was == pytest.approx(34 * DEDUCTION, rel=1e-3)
    assert closed_extent_mm(opening) == closed_extent_mm(pattern.openings[0])
    assert off_mm(blank) == pytest.approx([0.0, 0.0], abs=1e-6)
    solid = mesh(blank)
    assert solid.is_watertight
    assert solid.euler_number == 0  # one hole through
    low, high = solid.bounds[:, 2]
    tall = 62.0 - 23.0  # over outside, from the line to the slot
    assert (low, high) == pytest.approx((-tall, 0.0) if away else (-1.2, tall - 1.2), abs=1e-6)


def test_a_lug_whose_slots_stop_at_the_bend_tears_there_until_relieved():
    pattern = plate((43, 58, 77, 58), openings=(slot_about_lug(foot=60.0),))
    blank = pieces.developed(pattern)
    assert codes(blank) == ["bend-unrelieved", "bend-unrelieved"]
    for style in ("round", "square"):
        done = relieved(mitred(blank, 0.5), style)
        assert codes(done) == ["relief-cut"]
        assert fault(done.pattern) is None
        assert mesh(done).is_watertight
        before, after = (closed_extent_mm(b.pattern.openings[0])[3] for b in (blank, done))
        assert after == pytest.approx(58.0 + 2.4 + 25.4 / 32 + (0.75 if style == "round" else 0.0))
        assert before == 60.0


def test_lugs_side_by_side_and_within_a_flanged_plate_are_bends_of_their_own():
    openings = (slot_about_lug(20, 50, 68.0), slot_about_lug(54, 84, 68.0))
    bends = [(23, 62, 47, 62), (57, 62, 81, 62), (0, 10, 120, 10)]
    blank = pieces.developed(plate(*bends, openings=openings))
    assert sorted(f.facts.name for f in blank.tree.folds) == ["B1", "B2", "B3"]
    assert not codes(blank)
    assert off_mm(blank) == pytest.approx([0.0] * 4, abs=1e-6)
    assert mesh(blank).is_watertight


def test_a_lug_may_be_bent_twice_and_may_be_the_face_that_stays():
    pattern = plate((43, 62, 77, 62), (43, 40, 77, 40), openings=(slot_about_lug(foot=68.0),))
    sizes = []
    for base in range(3):
        blank = pieces.developed(pattern, base=base)
        assert mesh(blank).is_watertight
        sizes.append(sorted(round(o, 6) for o in off_mm(blank)))
    assert sizes == [[0.0, 0.0, 0.0]] * 3


def test_a_slot_that_reaches_over_another_bend_is_refused():
    pattern = plate((43, 62, 77, 62), (0, 30, 120, 30), openings=(slot_about_lug(foot=68.0),))
    with pytest.raises(NotDeveloped, match="opening of B1 reaches over another bend"):
        pieces.developed(pattern)


def test_nothing_is_scribed_across_an_opening():
    blank = pieces.developed(INTERRUPTED)
    hole = polygon(blank.pattern.openings[0])
    assert len(blank.pattern.scribes) == 2 * 3
    for scribe in blank.pattern.scribes:
        line = shapely.LineString([scribe.start_mm, scribe.end_mm])
        assert line.intersection(hole).length < 0.1


def coaming(corner=15.0, tip=17.0):
    """A hatch opening with flanges all round, their ends cut back so that none meets another."""
    (x0, y0, x1, y1), h = (60, 50, 240, 150), corner
    window = [(x0, y0), (x0 + h, y0 + tip), (x0 + h, y1 - tip), (x0, y1)]
    window += [(x0 + tip, y1 - h), (x1 - tip, y1 - h), (x1, y1), (x1 - h, y1 - tip)]
    window += [(x1 - h, y0 + tip), (x1, y0), (x1 - tip, y0 + h), (x0 + tip, y0 + h)]
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    bends = [pieces.bend(*p, *q) for p, q in zip(corners, corners[1:] + corners[:1], strict=True)]
    return Pattern(
        "coaming",
        pieces.outline([(0, 0), (300, 0), (300, 200), (0, 200)]),
        openings=(pieces.outline(window),),
        bends=tuple(bends),
    )


@pytest.mark.parametrize("base", [None, 3])
def test_a_hatch_with_flanges_all_round_has_its_bends_meet_in_its_corners(base):
    blank = pieces.developed(coaming(), base=base)
    assert blank.tree.faces.count == 5
    assert codes(blank) == ["bend-unrelieved"] * 4
    (window,) = blank.pattern.openings
    x0, y0, x1, y1 = closed_extent_mm(window)
    half = DEDUCTION / 2  # corners are pulled half way by either bend
    assert (x1 - x0, y1 - y0) == pytest.approx((180 + 2 * half, 100 + 2 * half))
    assert off_mm(blank) == pytest.approx([0.0] * len(off_mm(blank)), abs=1e-6)
    assert len(off_mm(blank)) == 4 + 2
    done = relieved(mitred(blank), "round")
    assert codes(done) == ["relief-cut"]
    assert fault(done.pattern) is None
    solid = mesh(done)
    assert solid.is_watertight
    assert solid.euler_number == 0
    assert sorted(solid.extents) == pytest.approx([15.0, 200.0, 300.0], abs=1e-6)
