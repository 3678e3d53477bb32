import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from digitize.bending.facts import Said
from digitize.bending.setback import BadBend
from digitize.blank.edges import EdgeWork, HoleRow, Joggle, Lap, worked
from digitize.blank.errors import NotDeveloped
from digitize.blank.fold import placements
from digitize.blank.hand import from_behind, opposite_hand
from digitize.blank.kerf import cutter_path
from digitize.blank.offset import moved, widened
from digitize.pattern.contour import Circle, Contour, Slot
from digitize.pattern.edge_names import named_edges
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Drawn, Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import Arc, Line
from digitize.pattern.soundness import fault

QUARTER = math.tan(math.pi / 8)


@pytest.fixture
def plate(make, contour):
    """E1 lower, E2 right, E3 upper, E4 left edge."""
    return make(contour((0, 0), (100, 0), (100, 40), (0, 40)), thickness_mm=1.0)


@pytest.fixture
def rounded():
    """A plate with one rounded corner and a round bite."""
    return Contour.of(
        [
            Line((0, 0), (60, 0)),
            Line((60, 0), (60, 30)),
            Arc((60, 30), (50, 40), QUARTER),
            Line((50, 40), (30, 40)),
            Arc((30, 40), (14, 40), -0.4),
            Line((14, 40), (0, 40)),
            Line((0, 40), (0, 0)),
        ]
    )


def test_every_edge_moves_by_its_own_amount(plate):
    wider = worked(plate, EdgeWork(trim_mm={"E1": 2.0, "E2": 3.0, "E4": -1.0}))
    assert closed_extent_mm(wider.outline) == pytest.approx((1, -2, 103, 40))
    assert len(named_edges(wider.outline)) == 4
    assert worked(plate, EdgeWork()) is plate


def test_moved_contours_agree_with_shapely(rounded):
    for out in (1.5, -1.5):
        expected = polygon(rounded, 1e-4).buffer(out, join_style="mitre", mitre_limit=20)
        assert polygon(moved(rounded, [out] * 7), 1e-4).symmetric_difference(
            expected
        ).area == pytest.approx(0.0, abs=0.05)
    arcs = [
        [e.segment for e in c.edges if isinstance(e.segment, Arc)]
        for c in (rounded, moved(rounded, [1.5] * 7))
    ]
    radii, bite = [arc.radius_mm for arc in arcs[1]], arcs[0][1]
    assert radii == pytest.approx([11.5, bite.radius_mm - 1.5])


def test_an_edge_that_goes_on_in_another_moves_with_a_step(contour):
    wider = moved(contour((0, 0), (60, 0), (60, 20), (60, 40), (0, 40)), [0, 2.0, 0, 0, 0])
    assert closed_extent_mm(wider)[2] == pytest.approx(62)
    assert len(wider.edges) == 6
    assert fault_free(wider)


def fault_free(contour):
    return fault(Pattern("x", contour)) is None


def test_what_cannot_be_moved_is_refused(plate, contour, make):
    with pytest.raises(NotDeveloped, match="too small"):
        widened(Circle((0, 0), 1.0), -1.0)
    with pytest.raises(NotDeveloped, match="too small"):
        widened(Slot((0, 0), (5, 0), 1.0), -2.0)
    with pytest.raises(NotDeveloped, match="too short"):
        moved(plate.outline, [-25.0] * 4)
    with pytest.raises(BadBend, match=r"no edge called E9.*E1 to E4"):
        worked(plate, EdgeWork(trim_mm={"E9": 1.0}))
    with pytest.raises(BadBend, match="by name"):
        worked(replace(plate, outline=Circle((0, 0), 9)), EdgeWork(trim_mm={"E1": 1.0}))


def test_a_lap_with_weld_holes(plate):
    work = EdgeWork(laps={"E3": Lap(12.0)}, holes={"E3": HoleRow(8.0, 30.0, 6.0)})
    lapped = worked(plate, work)
    assert closed_extent_mm(lapped.outline)[3] == pytest.approx(52)
    assert [h.centre_mm for h in lapped.openings] == [pytest.approx((x, 46)) for x in (80, 50, 20)]
    assert {h.radius_mm for h in lapped.openings} == {4.0}
    with pytest.raises(BadBend, match="no hole"):
        worked(plate, EdgeWork(holes={"E3": HoleRow(8.0, 30.0, 3.0)}))
    with pytest.raises(BadBend, match="no hole"):
        worked(plate, EdgeWork(holes={"E2": HoleRow(8.0, 30.0, 30.0)}))


def test_round_edges_take_no_lap(make, rounded):
    with pytest.raises(BadBend, match="not straight"):
        worked(make(rounded), EdgeWork(laps={"E3": Lap(12.0)}))


@pytest.mark.parametrize("depth", [1.0, 2.5])
def test_a_joggled_lap_lies_its_depth_off_when_folded(plate, unfold, depth):
    work = EdgeWork(laps={"E3": Lap(12.0, Joggle(depth, 1.0))})
    lapped = worked(plate, work)
    assert [b.toward_face for b in lapped.bends] == [False, True]
    blank = unfold(lapped)
    at = placements(blank.tree)
    last = at[blank.tree.folds[-1].child]
    assert last[:3, 2] == pytest.approx((0, 0, 1))  # parallel to the base again
    off = (last @ (50, 50, 0, 1))[2]
    assert off == pytest.approx(-depth)
    ends = np.array([e.segment.start_mm for e in blank.pattern.outline.edges])
    top = ends[:, 1].max()
    reached = (last @ (50, top, 0, 1))[1]
    # The lap is 12 long from the joggle's last mould line, which lies where the step ends.
    step = (depth + 1 - math.cos(math.pi / 4)) / math.sin(math.pi / 4)
    flat_run = step * math.cos(math.pi / 4) + 12
    back = math.sin(math.pi / 4)  # the second mould line lies on the other face, a T away
    assert reached == pytest.approx(40 + flat_run - back, abs=1e-6)


def test_a_joggle_too_shallow_for_its_radius_is_refused(plate):
    with pytest.raises(BadBend, match="too shallow"):
        worked(plate, EdgeWork(laps={"E3": Lap(12.0, Joggle(0.5, 3.0))}))
    thin = replace(plate, thickness_mm=None)
    with pytest.raises(BadBend, match="thickness"):
        worked(thin, EdgeWork(laps={"E3": Lap(12.0, Joggle(1.0, 1.0))}))


def test_the_rounding_of_a_corner_goes_with_an_edge_that_is_moved(make):
    """A plate of 100 by 40 whose upper corners are rounded by 6 mm: trimmed, one of 100 by 42."""

    def rounded(height):
        corners = [(0, 0), (100, 0), (100, height - 6), (94, height), (6, height), (0, height - 6)]
        sides = list(zip(corners, corners[1:] + corners[:1], strict=True))
        quarter = math.tan(math.pi / 8)
        return Contour.of(
            [Arc(a, b, quarter) if i in (2, 4) else Line(a, b) for i, (a, b) in enumerate(sides)]
        )

    plate = make(rounded(40))
    names = named_edges(plate.outline, (0.0, 0.0))
    (top,) = [e.name for e in names if e.segment.start_mm == (94, 40)]
    trimmed = worked(plate, EdgeWork(trim_mm={top: 2.0}))
    assert len(trimmed.outline.edges) == 6
    for edge, meant in zip(trimmed.outline.edges, rounded(42).edges, strict=True):
        assert edge.segment.start_mm == pytest.approx(meant.segment.start_mm)
        assert getattr(edge.segment, "bulge", 0) == pytest.approx(
            getattr(meant.segment, "bulge", 0)
        )


def test_a_cutter_path_leaves_the_pattern_s_own_sizes(plate):
    holed = replace(plate, openings=(Circle((20, 20), 5), Slot((50, 20), (70, 20), 4)))
    path = cutter_path(holed, 1.2)
    assert closed_extent_mm(path.outline) == pytest.approx((-0.6, -0.6, 100.6, 40.6))
    hole, slot = path.openings
    assert (hole.radius_mm, slot.radius_mm) == pytest.approx((4.4, 3.4))
    assert path.notices[-1].code == "blank-kerf"
    assert "the path of a cutter of 1.20 mm kerf, not the piece" in path.notices[-1].text
    assert "holes are 1.20 mm smaller" in path.notices[-1].text
    assert path.drawn == Drawn(kerf_mm=1.2)
    with pytest.raises(NotDeveloped, match="already"):  # else it would be allowed for twice
        cutter_path(path, 1.2)
    with pytest.raises(NotDeveloped, match="too small"):
        cutter_path(holed, 11.0)


def test_a_notch_narrower_than_the_kerf_is_refused(make, contour):
    outline = contour(
        (0, 0), (100, 0), (100, 40), (51, 40), (51, 20), (60, 20), (60, 10), (40, 10), (40, 20),
        (50, 20), (50, 40), (0, 40),
    )  # fmt: skip
    assert fault(cutter_path(make(outline), 0.8)) is None
    with pytest.raises(NotDeveloped, match="does not fit"):
        cutter_path(make(outline), 1.2)


@pytest.fixture
def handed(make, contour):
    outline = contour((0, 0), (70, 0), (100, 25), (100, 40), (0, 40))
    return replace(
        make(outline, ((30, 0), (30, 40))),
        openings=(Circle((12, 30), 3), Slot((60, 30), (80, 25), 2)),
    )


def in_space(blank, points, z):
    """Points of the blank, on the traced face or below it, where folding takes them."""
    at, found = placements(blank.tree), []
    for x, y in points:

        def off(face, x=x, y=y):
            dx, dy = blank.tree.moves_mm[face]
            return blank.tree.faces.polygon(face).distance(shapely.Point(x - dx, y - dy))

        face = min(range(blank.tree.faces.count), key=off)
        found.append((at[face] @ (x, y, z, 1))[:3])
    return np.array(found)


def shape(p):
    """Distances between four points, and the signed volume that tells left from right."""
    apart = [math.dist(p[i], p[j]) for i in range(4) for j in range(i)]
    return np.array([*apart, np.linalg.det(p[1:] - p[0]) / 1000])


def four(blank):
    x0, _, x1, y1 = closed_extent_mm(blank.pattern.outline)
    return [(x0, 0), (x0, y1), (70, 0), (x1, y1)]


def mirrored(blank, points):
    x0, _, x1, _ = closed_extent_mm(blank.pattern.outline)
    return [(x0 + x1 - x, y) for x, y in points]


def test_the_opposite_hand_is_the_mirror_image_in_space(handed, unfold):
    said = Said(70.0, True, 2.0)
    one, other = unfold(handed, said), unfold(opposite_hand(handed), said)
    a = shape(in_space(one, four(one), 0.0))
    x0, _, x1, _ = closed_extent_mm(handed.outline)
    points = [(x0 + x1 - x, y) for x, y in four(one)]
    b = shape(in_space(other, points, 0.0))
    assert abs(a[-1]) > 1
    assert b == pytest.approx(a * [1, 1, 1, 1, 1, 1, -1])
    assert other.pattern.name == "piece-opposite-hand"
    assert other.pattern.drawn == Drawn(opposite_hand=True)
    assert "blank-opposite-hand" in {n.code for n in other.pattern.notices}
    assert fault(other.pattern) is None


def test_from_behind_is_the_same_piece(handed, unfold):
    one = unfold(handed, Said(70.0, True, 2.0))
    behind = from_behind(one.pattern)
    assert [b.toward_face for b in behind.bends] == [False]
    assert behind.name == "piece-from-behind"
    assert behind.drawn == Drawn(behind=True)
    assert behind.drawn.face == "the back of the traced face"
    assert "blank-from-behind" in {n.code for n in behind.notices}
    again = from_behind(behind)
    assert again.drawn == Drawn()
    assert again.notices == one.pattern.notices
    other = unfold(behind)
    a = shape(in_space(one, four(one), 0.0))
    b = shape(in_space(other, mirrored(one, four(one)), -1.0))  # the sheet is 1 mm thick
    assert b == pytest.approx(a)
    wrong = unfold(replace(behind, bends=tuple(replace(b, toward_face=True) for b in behind.bends)))
    c = shape(in_space(wrong, mirrored(one, four(one)), -1.0))
    assert abs(c[-1] - a[-1]) > 1


def test_bend_lines_are_drawn_on_to_an_edge_that_moved(make, contour, unfold):
    plate = make(contour((0, 0), (100, 0), (100, 40), (0, 40)), ((30, 0), (30, 40)))
    wider = worked(plate, EdgeWork(trim_mm={"E1": 8.0, "E3": -3.0}))
    (bend,) = wider.bends
    assert (bend.start_mm, bend.end_mm) == ((30, -8), (30, 37))
    assert unfold(wider, Said(90.0, True, 1.0)).tree.faces.count == 2


def test_joints_that_a_fit_left_not_quite_tangent_stay_closed():
    """A corner arc that leaves its edges by 3 degrees, as traced ones do."""
    outline = Contour.of(
        [
            Line((0, 0), (60, 0)),
            Line((60, 0), (60, 30)),
            Arc((60, 30), (50, 40), math.tan(math.radians(84 / 4))),
            Line((50, 40), (0, 40)),
            Line((0, 40), (0, 0)),
        ]
    )
    for out in (0.3, -0.3, 1.0, -1.0):
        path = moved(outline, [out] * 5)
        assert len(path.edges) == 5
        expected = polygon(outline, 1e-4).buffer(out, join_style="mitre")
        assert polygon(path, 1e-4).symmetric_difference(expected).area < 1.0 * abs(out)
        assert fault_free(path)
