import math
from dataclasses import replace

import numpy as np
import pytest

from digitize.bending.facts import Said
from digitize.blank.errors import NotDeveloped
from digitize.blank.faces import split
from digitize.blank.fold import placements
from digitize.pattern.contour import Circle, Contour, Slot
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import PointMark, Precision
from digitize.pattern.region import polygon
from digitize.pattern.segments import Arc, Line

RIGHT = Said(90.0, True, 1.0)
ALLOWANCE = math.pi / 2 * 1.44  # R 1, T 1, K 0.44
DEDUCTION = 4.0 - ALLOWANCE


def starts(contour):
    return [e.segment.start_mm for e in contour.edges]


def same_outline(a, b):
    return np.allclose(starts(a), starts(b), rtol=0, atol=1e-9)


def codes(blank):
    return {n.code for n in blank.pattern.notices}


@pytest.fixture
def angle_piece(make, contour):
    """A strip 100 long with one bend 30 from its left end."""
    return make(contour((0, 0), (100, 0), (100, 40), (0, 40)), ((30, 0), (30, 40)))


@pytest.fixture
def box(make, contour):
    """Four flanges of 20 on a base of 60 by 40."""
    outline = contour(
        (20, 0), (80, 0), (80, 20), (100, 20), (100, 60), (80, 60),
        (80, 80), (20, 80), (20, 60), (0, 60), (0, 20), (20, 20),
    )  # fmt: skip
    lines = [((20, 20), (80, 20)), ((80, 20), (80, 60)), ((80, 60), (20, 60)), ((20, 60), (20, 20))]
    return make(outline, *lines)


@pytest.fixture
def tab(make, contour):
    """A plate with a tab in the middle of its upper edge."""
    outline = contour((0, 0), (100, 0), (100, 40), (60, 40), (60, 60), (40, 60), (40, 40), (0, 40))
    return make(outline, ((40, 40), (60, 40)))


def test_a_flange_moves_by_the_deduction_and_the_base_stays(angle_piece, unfold):
    blank = unfold(angle_piece, RIGHT).pattern
    assert closed_extent_mm(blank.outline) == pytest.approx((DEDUCTION, 0, 100, 40))
    assert len(blank.outline.edges) == 4
    (bend,) = blank.bends
    assert bend.start_mm == pytest.approx((32 - ALLOWANCE / 2, 0))
    assert bend.end_mm == pytest.approx((32 - ALLOWANCE / 2, 40))
    assert (bend.angle_deg, bend.toward_face, bend.traced) == (90.0, True, "blank")


def test_the_blank_is_marked_with_tangent_and_tool_lines(angle_piece, unfold):
    blank = unfold(angle_piece, Said(90.0, True, 1.5)).pattern
    allowance = math.pi / 2 * 1.94
    at = {(s.kind, round(s.start_mm[0], 6)) for s in blank.scribes}
    assert at == {
        ("tangent", round(32.5, 6)),
        ("tangent", round(32.5 - allowance, 6)),
        ("tool", round(32.5 - 1.5, 6)),
    }
    assert all(abs(s.start_mm[1] - s.end_mm[1]) == pytest.approx(40) for s in blank.scribes)


def test_the_face_that_is_named_stays(angle_piece, unfold):
    other = split(angle_piece).count - 1
    held = {unfold(angle_piece, RIGHT, base=b).pattern.outline.edges[0] for b in (0, other)}
    assert len(held) == 2
    boxes = sorted(
        closed_extent_mm(unfold(angle_piece, RIGHT, base=b).pattern.outline)[0:3:2] for b in (0, 1)
    )
    assert boxes == [pytest.approx((0, 100 - DEDUCTION)), pytest.approx((DEDUCTION, 100))]
    with pytest.raises(NotDeveloped, match="F1 to F2"):
        unfold(angle_piece, RIGHT, base=2)


def test_a_traced_blank_is_left_alone(box, unfold):
    blank = unfold(box, replace(RIGHT, traced="blank")).pattern
    assert same_outline(blank.outline, box.outline)
    assert np.allclose([b.start_mm for b in blank.bends], [b.start_mm for b in box.bends])


def test_developing_a_blank_once_more_changes_nothing(box, unfold):
    once = unfold(box, RIGHT).pattern
    twice = unfold(once).pattern
    assert same_outline(twice.outline, once.outline)
    for a, b in zip(once.bends, twice.bends, strict=True):
        assert a.start_mm == pytest.approx(b.start_mm, abs=1e-9)


def test_bends_through_nothing_move_nothing(box, unfold):
    blank = unfold(box, Said(0.0, True, 1.0)).pattern
    assert same_outline(blank.outline, box.outline)
    assert not blank.scribes


@pytest.mark.parametrize("traced", ["outside", "outermost", "inside", "rolled"])
def test_as_the_angle_goes_to_nothing_so_does_every_move(box, unfold, traced):
    was = starts(box.outline)
    off = []
    for angle in (2.0, 0.2, 0.02):
        blank = unfold(box, Said(angle, True, 1.0, traced)).pattern
        near = [min(math.dist(p, q) for q in was) for p in starts(blank.outline)]
        off.append(max(near))
    assert off[0] > off[1] > off[2]
    assert off[2] < 2e-3  # a strip is never thinner than 0.002 mm


def test_traced_inside_the_blank_grows(angle_piece, unfold):
    blank = unfold(angle_piece, replace(RIGHT, traced="inside")).pattern
    assert closed_extent_mm(blank.outline)[0] == pytest.approx(2.0 - ALLOWANCE)


def test_paper_rolled_round_the_bend_is_a_little_long(angle_piece, unfold):
    blank = unfold(angle_piece, replace(RIGHT, traced="rolled")).pattern
    assert closed_extent_mm(blank.outline)[0] == pytest.approx(math.pi / 2 * (2.0 - 1.44))


def test_a_box_has_its_corners_where_the_bend_lines_cross(box, unfold):
    blank = unfold(box, RIGHT)
    x0, y0, x1, y1 = closed_extent_mm(blank.pattern.outline)
    assert (x1 - x0, y1 - y0) == pytest.approx((100 - 2 * DEDUCTION, 80 - 2 * DEDUCTION))
    half = DEDUCTION / 2
    assert min(math.dist(p, (20 + half, 20 + half)) for p in starts(blank.pattern.outline)) < 1e-9
    assert "bend-unrelieved" in codes(blank)


def test_edges_beside_a_tab_stay(tab, unfold):
    for radius in (1.0, 0.0):
        blank = unfold(tab, Said(90.0, True, radius))
        deduction = 2 * (radius + 1) - math.pi / 2 * (radius + 0.44)
        got = starts(blank.pattern.outline)
        for corner in ((0, 0), (100, 0), (100, 40), (60, 40), (40, 40), (0, 40)):
            assert min(math.dist(corner, p) for p in got) < 1e-9
        assert closed_extent_mm(blank.pattern.outline)[3] == pytest.approx(60 - deduction)
        assert "bend-unrelieved" in codes(blank)


def test_a_chain_adds_up_along_its_bends(make, contour, unfold):
    strip = make(
        contour((0, 0), (150, 0), (150, 30), (0, 30)),
        *(((x, 0), (x, 30)) for x in (30, 60, 100)),
    )
    said = {"B1": RIGHT, "B2": replace(RIGHT, toward_face=False), "B3": Said(45.0, True, 1.0)}
    one = math.tan(math.pi / 8) * 4 - math.pi / 4 * 1.44
    blank = unfold(strip, said, base=0)
    x0, _, x1, _ = closed_extent_mm(blank.pattern.outline)
    assert x1 - x0 == pytest.approx(150 - 2 * DEDUCTION - one)


def test_a_slanting_bend_moves_its_flange_square_to_itself(make, contour, unfold):
    plate = make(contour((0, 0), (100, 0), (100, 60), (0, 60)), ((60, 0), (100, 40)))
    blank = unfold(plate, RIGHT).pattern
    d = DEDUCTION / math.sqrt(2)
    assert min(math.dist((100 - d, d), p) for p in starts(blank.outline)) < 1e-9
    for corner in ((0, 0), (100, 60), (0, 60)):
        assert min(math.dist(corner, p) for p in starts(blank.outline)) < 1e-9


def test_what_lies_on_a_flange_goes_with_it(angle_piece, unfold):
    pattern = replace(
        angle_piece,
        openings=(Circle((12, 20), 4), Slot((60, 10), (80, 10), 3)),
        marks=(PointMark((10, 5)), PointMark((90, 5))),
    )
    blank = unfold(pattern, RIGHT)
    hole, slot = blank.pattern.openings
    assert hole.centre_mm == pytest.approx((12 + DEDUCTION, 20))
    assert slot == pattern.openings[1]
    assert blank.pattern.marks[0].at_mm == pytest.approx((10 + DEDUCTION, 5))
    assert blank.pattern.marks[1].at_mm == (90, 5)
    assert not codes(blank)


def test_holes_at_a_bend_are_flagged(angle_piece, unfold):
    across = replace(angle_piece, openings=(Circle((30, 20), 5),))
    assert "hole-in-bend" in codes(unfold(across, RIGHT))
    near = replace(angle_piece, openings=(Circle((38, 20), 5),))  # 1 mm from the bend's start
    assert codes(unfold(near, RIGHT)) == {"hole-near-bend"}
    clear = replace(angle_piece, openings=(Circle((39.1, 20), 5),))
    assert not codes(unfold(clear, RIGHT))


def test_a_window_across_a_bend_is_squeezed_with_it(angle_piece, contour, unfold):
    window = contour((20, 10), (45, 10), (45, 30), (20, 30))
    blank = unfold(replace(angle_piece, openings=(window,)), RIGHT)
    (opening,) = blank.pattern.openings
    assert closed_extent_mm(opening) == pytest.approx((20 + DEDUCTION, 10, 45, 30))
    assert "hole-in-bend" in codes(blank)


def test_arcs_stay_arcs_and_those_in_the_bend_stay_close(make, unfold):
    outline = Contour.of(
        [
            Line((0, 0), (60, 0)),
            Arc((60, 0), (60, 40), 0.5),
            Line((60, 40), (20, 40)),
            Arc((20, 40), (0, 20), math.tan(math.pi / 8)),
            Line((0, 20), (0, 0)),
        ]
    )
    # The bend line crosses the large arc at either end.
    blank = unfold(make(outline, ((65, -10), (65, 50))), RIGHT, base=0).pattern
    rounded = [e.segment for e in blank.outline.edges if isinstance(e.segment, Arc)]
    assert any(a.radius_mm == pytest.approx(20) for a in rounded)
    assert sum(a.radius_mm == pytest.approx(25) for a in rounded) == 3  # both sides, and the tip
    lost = polygon(outline).area - polygon(blank.outline).area
    assert lost == pytest.approx(DEDUCTION * 30, rel=0.02)  # the bend is 30 long


def test_a_bend_through_a_notch_is_two_bends_with_one_name(make, contour, unfold):
    outline = contour((0, 0), (100, 0), (100, 60), (60, 60), (60, 30), (40, 30), (40, 60), (0, 60))
    blank = unfold(make(outline, ((0, 40), (100, 40))), RIGHT)
    assert blank.tree.faces.count == 3
    assert len(blank.pattern.bends) == 1
    assert closed_extent_mm(blank.pattern.outline) == pytest.approx((0, 0, 100, 60 - DEDUCTION))


def test_a_bend_line_that_stops_a_little_short_is_carried_on(make, contour, unfold):
    plate = make(contour((0, 0), (100, 0), (100, 40), (0, 40)), ((30, 2), (30, 37)))
    assert closed_extent_mm(unfold(plate, RIGHT).pattern.outline)[0] == pytest.approx(DEDUCTION)


def test_bend_lines_that_do_not_divide_the_piece_are_refused(make, contour, unfold):
    square = contour((0, 0), (100, 0), (100, 100), (0, 100))
    with pytest.raises(NotDeveloped, match=r"B1 ends 20\.0 mm from the outline"):
        unfold(make(square, ((30, 0), (30, 80))), RIGHT)
    with pytest.raises(NotDeveloped, match="B1 and B2 cross"):
        unfold(make(square, ((30, 0), (30, 100)), ((0, 30), (100, 30))), RIGHT)
    with pytest.raises(NotDeveloped, match="B1 has no length"):
        unfold(make(square, ((30, 0), (30, 0))), RIGHT)
    with pytest.raises(NotDeveloped, match="no face at one side"):
        unfold(make(square, ((30, 0), (30, 100)), ((30, 100), (30, 0))), RIGHT)
    with pytest.raises(NotDeveloped, match="B1"):
        unfold(make(square, ((0, 0), (100, 0))), RIGHT)


def test_a_blank_that_would_overlap_is_refused(make, contour, unfold):
    """A slit beside the bend, too narrow for the flange that is pulled over it."""
    outline = contour(
        (0, 0), (100, 0), (100, 39.5), (60, 39.5), (60, 40.0), (100, 40.0),
        (100, 60), (0, 60), (0, 40), (0, 39.5),
    )  # fmt: skip
    with pytest.raises(NotDeveloped, match="cannot be cut"):
        unfold(make(outline, ((0, 39.8), (60, 39.8))), RIGHT)


def test_short_flanges_are_flagged_with_a_source(make, contour, unfold):
    def at(height):
        return unfold(
            make(contour((0, 0), (100, 0), (100, 40), (0, 40)), ((height, 0), (height, 40))), RIGHT
        )

    with pytest.raises(NotDeveloped, match=r"F1 reaches 1.9 mm .* takes up 2.0 mm of that"):
        at(1.9)
    assert codes(at(2.0)) == {"flange-short"}
    assert codes(at(3.9)) == {"flange-short"}
    assert codes(at(6.0)) == {"flange-low"}
    assert not codes(at(8.1))


def test_an_assumed_law_widens_the_precision(angle_piece, unfold):
    from digitize.bending.facts import Stock, resolve
    from digitize.bending.materials import material
    from digitize.blank.develop import U_OF_K, develop

    pattern = replace(angle_piece, precision=Precision(0.1, 1e-3))
    assert unfold(pattern, RIGHT).pattern.precision == pattern.precision  # K was said
    facts, notices = resolve(pattern, Stock(material("mild-steel"), 1.0), {"all": RIGHT})
    wider = develop(pattern, facts).pattern.precision
    assert wider is not None
    u = U_OF_K * math.pi / 2
    assert wider.expanded_mm(0.0) == pytest.approx(2 * math.sqrt(2 * 0.1**2 + u**2))
    assert "law-assumed" in {n.code for n in notices}


@pytest.mark.parametrize("radius", [0.0, 1.5])
def test_a_closed_hem_is_as_long_as_it_was_measured(make, contour, unfold, radius):
    """Legs of a hem reach over the outermost point of its bend."""
    strip = make(contour((0, 0), (60, 0), (60, 30), (0, 30)), ((12, 0), (12, 30)))
    blank = unfold(strip, {"all": Said(180.0, True, radius)}, thickness_mm=1.0)
    x0, _, x1, _ = closed_extent_mm(blank.pattern.outline)
    allowance = math.pi * (radius + 0.44)
    assert x1 - x0 == pytest.approx((12 - radius - 1) + (48 - radius - 1) + allowance)
    fold = blank.tree.folds[0]
    at = placements(blank.tree)[fold.child]
    assert at[:3, 2] == pytest.approx((0, 0, -1))  # turned over
    assert (at @ (0, 0, 0, 1))[2] == pytest.approx(2 * radius)  # inner faces 2 R apart
    end = (at @ (x0, 0, 0, 1))[0]  # the short leg, folded back over the long one
    assert end - 12.0 == pytest.approx(12.0)  # from the outermost point, at 12


def test_a_pattern_without_bends_is_its_own_blank(make, contour, unfold):
    plate = make(contour((0, 0), (60, 0), (60, 30), (0, 30)))
    blank = unfold(plate)
    assert same_outline(blank.pattern.outline, plate.outline)
    assert blank.tree.faces.count == 1
