"""Faces cut from a whole by hand, laid anyhow, and joined again."""

import math
import random
import re
from dataclasses import replace
from itertools import pairwise

import pytest
import shapely

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.materials import material
from digitize.bending.setback import BadBend
from digitize.blank.develop import develop
from digitize.blank.hand import from_behind
from digitize.joining.faces import NotJoined, sides_of, turned_over
from digitize.joining.join import join
from digitize.joining.options import JoinOptions, JointSaid
from digitize.pattern import document
from digitize.pattern.budget import POWERS, Budget, Field, Part
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern, PointMark, Precision, Provenance
from digitize.pattern.placement import placed
from digitize.pattern.region import polygon
from digitize.pattern.segments import Arc, Line
from digitize.pattern.soundness import fault

SEEN = Precision(0.05, 0.0003)
UP = {"all": Said(90, True, 1.5)}


def outline(*points):
    return Contour.of([Line(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True)])


def face(name, *points, **more):
    return Pattern(name, outline(*points), **{"precision": SEEN, **more})


def lying(pattern, turn_deg, x, y):
    return placed(pattern, math.radians(turn_deg), (x, y))


@pytest.fixture
def faces():
    """A large face, a chain of two at its right, a flange with round corners below it."""
    a = face(
        "a", (0, 0), (112, 0), (112, 170), (40, 170), (0, 138),
        openings=(Circle((30, 40), 8.0),), marks=(PointMark((56, 110)),),
    )  # fmt: skip
    b = face("b", (112, 0), (172, 6), (172, 158), (112, 170))
    c = face("c", (172, 6), (206, 18), (206, 150), (172, 158), openings=(Circle((191, 128), 4.25),))
    bulge = math.tan(math.radians(90) / 4)
    d = Pattern(
        "d",
        Contour.of(
            [
                Line((112, 0), (0, 0)),
                Line((0, 0), (0, -20)),
                Arc((0, -20), (6, -26), bulge),
                Line((6, -26), (106, -26)),
                Arc((106, -26), (112, -20), bulge),
                Line((112, -20), (112, 0)),
            ]
        ),
        precision=SEEN,
        marks=(PointMark((20, -13)),),
    )
    return a, lying(b, 100, 5, 5), lying(c, -70, 50, 5), lying(d, 17, 50, -80)


@pytest.fixture
def whole():
    """The same piece drawn by hand in one."""
    bulge = math.tan(math.radians(90) / 4)
    corners = [
        (112, -20), (112, 0), (172, 6), (206, 18), (206, 150), (172, 158), (112, 170), (40, 170),
        (0, 138), (0, 0), (0, -20),
    ]  # fmt: skip
    return Contour.of(
        [
            *(Line(a, b) for a, b in pairwise(corners)),
            Arc((0, -20), (6, -26), bulge),
            Line((6, -26), (106, -26)),
            Arc((106, -26), (112, -20), bulge),
        ]
    )


def test_faces_laid_anyhow_become_the_whole_again(faces, whole):
    done = join(faces, JoinOptions(said=UP))
    made = done.pattern
    assert fault(made) is None
    assert polygon(made.outline).symmetric_difference(polygon(whole)).area < 1e-6
    arcs = [e.segment for e in made.outline.edges if isinstance(e.segment, Arc)]
    assert [arc.radius_mm for arc in arcs] == pytest.approx([6.0, 6.0])
    assert [(j.one, j.other) for j in done.joints] == [
        ("A.E2", "B.E1"), ("A.E1", "D.E5"), ("B.E3", "C.E3"),
    ]  # fmt: skip
    assert [o.centre_mm for o in made.openings] == [
        pytest.approx((30, 40)),
        pytest.approx((191, 128)),
    ]
    assert [m.at_mm for m in made.marks] == [pytest.approx((56, 110)), pytest.approx((20, -13))]
    ends = [sorted((b.start_mm, b.end_mm), key=lambda p: (round(p[0]), p[1])) for b in made.bends]
    for found, true in zip(
        ends,
        [[(112, 0), (112, 170)], [(0, 0), (112, 0)], [(172, 6), (172, 158)]],
        strict=True,
    ):
        for p, q in zip(found, true, strict=True):
            assert math.dist(p, q) < 1e-6
    assert {(b.angle_deg, b.toward_face, b.traced) for b in made.bends} == {(90, True, "outside")}
    assert document.loads(document.dumps(made)) == made


def test_one_print_does_not_count_in_the_difference_of_two_sides(faces):
    """Both faces measured by one printer profile, its scale known to 0.1 %, the paper's to 0.035 %.

    The scale makes both sides of 170 mm too long alike; what is left are edges and paper.
    """
    common, paper = 0.001, 0.0005 / math.sqrt(2)
    growth = math.hypot(common, paper)
    coefficients = [tuple(growth if p == q else 0.0 for p in POWERS) for q in ((1, 0), (0, 1))]
    parts = (Part("print scale", (Field(*coefficients),)),)
    seen = Precision(0.03, growth, Budget((0.0, 0.0), 0.0, 1.0, parts))

    def told(factors):
        return [
            replace(
                f,
                precision=seen,
                provenance=Provenance(
                    "hand", print_scale=s, print_measured=True, target="ring A4, sheet 1"
                ),
            )
            for f, s in zip(faces, factors, strict=True)
        ]

    own = 2 * 2 * 0.03**2  # each length has two ends
    one, (first, *_) = 170.0, join(told([(0.998, 1.001)] * 4)).joints
    assert first.u_difference_mm == pytest.approx(math.sqrt(own + 2 * (paper * one) ** 2), rel=1e-3)
    other = [(0.998, 1.001), (0.997, 1.001), (0.998, 1.001), (0.998, 1.001)]
    (first, *_) = join(told(other)).joints
    assert first.u_difference_mm == pytest.approx(
        math.sqrt(own + 2 * (growth * one) ** 2), rel=1e-3
    )


def test_an_error_at_a_joint_is_told_and_leaves_no_sliver(faces):
    a, _, c, d = faces
    long = lying(face("b", (112, -0.2), (172, 6), (172, 158), (112, 170.2)), 30, 0, 9)
    done = join((a, long, c, d))
    first = done.joints[0]
    assert first.difference_mm == pytest.approx(-0.4)
    assert (first.start_off_mm, first.end_off_mm) == (pytest.approx(0.2), pytest.approx(0.2))
    assert first.residual_mm == pytest.approx(0.2)
    assert "joint-mismatch" in {n.code for n in done.pattern.notices}
    blended = next(n for n in done.pattern.notices if n.code == "joints-blended")
    # The lower corner is shared by three faces: off by 0.2 mm in one of them, 0.133 from the mean.
    assert "0.13 mm" in blended.text
    assert fault(done.pattern) is None
    shortest = min(e.segment.length_mm for e in done.pattern.outline.edges)
    assert shortest > 9.0  # the arcs; no short piece at a joint
    upper = max(
        e.segment.start_mm for e in done.pattern.outline.edges if e.segment.start_mm[1] > 165
    )
    assert upper == pytest.approx((112, 170.1), abs=1e-6)
    plain = join(faces)
    assert done.pattern.precision.edge_u_mm > plain.pattern.precision.edge_u_mm > SEEN.edge_u_mm


def test_the_stated_error_is_that_of_faces_with_drawn_errors():
    """Every edge of four faces in a row off on its own: where does the far edge come to lie?"""
    lot = random.Random(4)
    sigma, off, stated = 0.05, [], 0.0
    heights = (100.0, 80.0, 60.0, 45.0, 30.0)

    def drawn(i):
        h0, h1 = heights[i], heights[i + 1]
        lines = [
            shapely.LineString([(0, -500), (0, 500)]),
            shapely.LineString([(60, -500), (60, 500)]),
        ]
        slant = math.atan2((h0 - h1) / 2, 60)
        lines += [
            shapely.LineString(
                [(s * -500, k * (h0 / 2) + k * s * 500 * math.tan(slant)) for s in (1, -1)]
            )
            for k in (-1, 1)
        ]
        left, right, below, above = (
            line.parallel_offset(lot.gauss(0, sigma), lot.choice(("left", "right")))
            for line in lines
        )
        corners = [
            left.intersection(below), right.intersection(below),
            right.intersection(above), left.intersection(above),
        ]  # fmt: skip
        return face(str(i), *((p.x, p.y) for p in corners), precision=Precision(sigma, 0.0))

    joints = tuple((f"{a}.R", f"{b}.L") for a, b in ("AB", "BC", "CD"))
    for _ in range(60):
        four = [drawn(i) for i in range(4)]
        named = tuple((_side(four, one, 60.0), _side(four, other, 0.0)) for one, other in joints)
        done = join(four, JoinOptions(joints=named))
        edges = [e.segment for e in done.pattern.outline.edges]
        far = max(edges, key=lambda s: s.start_mm[0] + s.end_mm[0])
        off.append((far.start_mm[0] + far.end_mm[0]) / 2 - 240.0)
        stated = done.pattern.precision.expanded_mm(240.0) / 2
    scatter = math.sqrt(sum(x * x for x in off) / len(off))
    assert abs(sum(off) / len(off)) < 3 * stated / math.sqrt(len(off))
    assert stated / 3 < scatter < stated


def _side(faces, name, x):
    """The edge of an upright side at x, by the names of the dimension list."""
    number = ord(name[0]) - ord("A")
    side = min(
        sides_of(number, faces[number]),
        key=lambda s: abs(s.line.start_mm[0] - x) + abs(s.line.end_mm[0] - x),
    )
    return side.full_name


def test_two_sides_of_one_length_are_for_the_person_to_tell_apart():
    plate = face("plate", (0, 0), (100, 0), (100, 60), (0, 60))
    flange = face("flange", (0, 0), (60, 0), (55, 20), (5, 20))
    with pytest.raises(NotJoined, match="more than one way") as refused:
        join((plate, flange))
    assert re.search(r"A\.E[24] to B\.E1, or A\.E[24] to B\.E1", str(refused.value))
    left = join((plate, flange), JoinOptions(joints=(("A.E4", "B.E1"),)))
    right = join((plate, flange), JoinOptions(joints=(("b.e1", "a.e2"),)))
    assert closed_extent_mm(left.pattern.outline)[:3:2] == pytest.approx((-20, 100))
    assert closed_extent_mm(right.pattern.outline)[:3:2] == pytest.approx((0, 120))


def test_a_plain_rectangle_may_be_joined_by_either_long_side():
    plate = face("plate", (0, 0), (100, 0), (104, 60), (0, 70))
    strip = face("strip", (0, 0), (100, 0), (100, 25), (0, 25.05))
    made = join((plate, strip)).pattern
    assert closed_extent_mm(made.outline)[1] == pytest.approx(-25, abs=0.1)
    drilled = replace(strip, openings=(Circle((50, 8), 3.0),))
    marked = replace(strip, marks=(PointMark((50, 8)),))
    for told_apart in (drilled, marked):
        with pytest.raises(NotJoined, match="more than one way"):
            join((plate, told_apart))


def test_many_faces_all_alike_are_refused_soon():
    square = face("square", (0, 0), (50, 0), (50, 50), (0, 50))
    with pytest.raises(NotJoined, match="more than one way"):
        join([square] * 12)


def test_of_two_sides_of_one_length_the_one_whose_edges_run_on_is_taken():
    plate = face(
        "plate", (0, 0), (40, -30), (60, -30), (60, 0), (100, 0), (100, 60), (60, 60), (60, 90),
        (40, 90), (0, 60),
    )  # fmt: skip
    flange = face("flange", (0, 0), (60, 0), (60, 20), (30, 26), (0, 20))
    done = join((plate, flange))
    assert closed_extent_mm(done.pattern.outline)[:3:2] == pytest.approx((0, 126))


def test_faces_that_match_nowhere_are_refused_with_the_nearest():
    with pytest.raises(
        NotJoined, match=r"nearest are (A\.E\d) and (B\.E\d), 8\.00 mm apart.*--joint \"\1 \2\""
    ):
        join(
            (face("a", (0, 0), (100, 0), (100, 60), (0, 60)), face("b", (0, 0), (52, 0), (20, 15)))
        )


def test_a_loop_that_does_not_close_is_a_seam(faces):
    square = [face(n, (0, 0), (50, 0), (50, 50), (0, 50)) for n in "abc"]
    corner = (("A.E2", "B.E4"), ("A.E3", "C.E1"), ("B.E3", "C.E2"))
    with pytest.raises(NotJoined, match=r"open by 70\.7 mm .*B\.E3 to C\.E2.*seam"):
        join(square, JoinOptions(joints=corner))


def test_a_loop_that_closes_leaves_an_opening():
    side = ((0, 0), (100, 0), (80, 20), (20, 20))
    four = [lying(face(str(k), *side), 31 * k, k, -k) for k in range(4)]
    ring = tuple((f"{a}.E2", f"{b}.E4") for a, b in ("AB", "BC", "CD", "DA"))
    made = join(four, JoinOptions(joints=ring)).pattern
    assert polygon(made.outline).area == pytest.approx(100 * 100)
    assert [polygon(o).area for o in made.openings] == [pytest.approx(60 * 60)]
    assert fault(made) is None
    assert len(made.bends) == 4


def test_what_the_tangent_lines_leave_out_is_put_back():
    """A blank of faces that end at their tangent lines: their widths and an allowance between.

    Allowance of 90 degrees in medium steel: 0.64 T + 1.57 R (Machinery's Handbook, p. 1421).
    """
    a, b = (
        face("a", (0, 0), (80, 0), (80, 50), (0, 40)),
        face("b", (0, 0), (30, 0), (30, 50), (0, 50), precision=None),
    )
    options = JoinOptions(joints=(("A.E2", "B.E4"),), said=UP, ends="tangent", thickness_mm=1.5)
    made = join((a, b), options).pattern
    assert closed_extent_mm(made.outline)[2] == pytest.approx(80 + 2 * 3.0 + 30)
    assert {e.evidence for e in made.outline.edges} == {"measured", "restored"}
    assert made.precision is None
    facts, _ = resolve(made, Stock(material("mild-steel"), 1.5))
    flat = develop(made, facts, base=0).pattern
    x0, _, x1, _ = closed_extent_mm(flat.outline)
    assert x1 - x0 == pytest.approx(80 + 30 + 0.64 * 1.5 + 1.57 * 1.5, abs=0.005)
    with pytest.raises(BadBend, match="lack the width of B1"):
        join((a, b), replace(options, thickness_mm=None))


@pytest.mark.parametrize(("toward", "surface"), [(True, "inside"), (False, "outside")])
def test_sides_on_the_seen_face_depend_on_the_way_of_the_bend(faces, toward, surface):
    made = join(faces, JoinOptions(said={"all": Said(90, toward)}, ends="face")).pattern
    assert {b.traced for b in made.bends} == {surface}
    with pytest.raises(BadBend, match="which way"):
        join(faces, JoinOptions(ends="face"))


def test_a_face_seen_from_the_other_side_is_turned_over(faces, whole):
    seen = list(faces)
    seen[1] = from_behind(faces[1])
    side = _side_of_length(seen[1], 152.0)
    straight = join(faces)
    done = join(seen, JoinOptions(turned_over=frozenset({1}), joints=((f"B.{side}", "C.E3"),)))
    assert polygon(done.pattern.outline).symmetric_difference(polygon(whole)).area < 1e-6
    assert len(done.joints) == len(straight.joints)
    with pytest.raises(NotJoined, match="no face 8"):
        join(seen, JoinOptions(turned_over=frozenset({7})))


def test_sides_of_a_face_turned_over_are_those_of_its_mirror_image(faces):
    skewed = face("skewed", (0, 0), (90, 0), (70, 50), (10, 30))
    mirrored = from_behind(skewed)
    afresh = {s.line: s for s in sides_of(0, mirrored)}
    for side in turned_over(sides_of(0, skewed), mirrored):
        same = afresh[side.line]
        assert (side.first, side.last) == (same.first, same.last)
        assert (side.before_deg, side.after_deg) == pytest.approx((same.before_deg, same.after_deg))


def _side_of_length(pattern, length_mm):
    return min(sides_of(0, pattern), key=lambda s: abs(s.line.length_mm - length_mm)).names[0]


def test_two_flanges_on_parts_of_one_side():
    plate = face("plate", (0, 0), (100, 0), (100, 60), (0, 60))
    low, high = (
        face(n, (0, 0), (0, -20), (k, -20), (k, 0)) for n, k in (("low", 30), ("high", 22))
    )
    top = _side_of_level(low, 0.0)
    joints = (
        JointSaid("A.E2", f"B.{top}", 5.0),
        JointSaid(f"C.{_side_of_level(high, 0.0)}", "A.E2", 38.0),
    )
    made = join((plate, low, high), JoinOptions(joints=joints)).pattern
    true = shapely.union_all(
        [shapely.box(0, 0, 100, 60), shapely.box(100, 5, 120, 35), shapely.box(100, 38, 120, 60)]
    )
    assert polygon(made.outline).symmetric_difference(true).area < 1e-6
    assert fault(made) is None
    assert "joint-as-said" in {n.code for n in made.notices if n.level == "doubt"}
    with pytest.raises(NotJoined, match=r"reaches 20\.0 mm beyond the end of A\.E2"):
        join((plate, low), JoinOptions(joints=(JointSaid("A.E2", f"B.{top}", 50.0),)))
    with pytest.raises(NotJoined, match="no bend begins at -3 mm"):
        join((plate, low), JoinOptions(joints=(JointSaid("A.E2", f"B.{top}", -3.0),)))
    with pytest.raises(NotJoined, match="joined twice"):
        join((plate, low, low), JoinOptions(joints=(joints[0], JointSaid("C.E1", f"B.{top}", 1.0))))


def _side_of_level(pattern, y):
    return min(
        sides_of(0, pattern), key=lambda s: abs(s.line.start_mm[1] - y) + abs(s.line.end_mm[1] - y)
    ).names[0]


def test_a_side_fitted_in_several_pieces_is_one_side(faces, whole):
    bent = face("a", (0, 0), (112, 0), (112.05, 60), (112, 170), (40, 170), (0, 138))
    made = join((bent, *faces[1:]), JoinOptions(joints=(("A.E3", "B.E1"),))).pattern
    assert polygon(made.outline).symmetric_difference(polygon(whole)).area < 1e-6


def test_a_side_fitted_as_an_arc_of_many_metres_is_a_side(faces, whole):
    """As a side comes out that is uncertain for a stretch: 0.05 mm of bow in 112 mm."""
    a, b, c, d = faces
    first = a.outline.edges[0]
    line = first.segment
    bowed = replace(first, segment=Arc(line.start_mm, line.end_mm, -4 * 0.05 / 112 / 2))
    arched = replace(a, outline=Contour((bowed, *a.outline.edges[1:])))
    made = join((arched, b, c, d)).pattern
    assert polygon(made.outline).symmetric_difference(polygon(whole)).area < 1e-6


def test_sides_that_are_likelier_alike_by_chance_are_not_joined():
    """All that these two have alike is a short side, 0.5 mm longer in one, with ends that turn."""
    plate = face("plate", (0, 0), (112, 0), (112, 170), (40, 170), (0, 138))
    tab = face("tab", (0, 0), (50.7, 0), (60, 30), (-11, 33))
    with pytest.raises(NotJoined, match=r"no side of face A is clearly one of another"):
        join((plate, tab))


def test_a_joint_found_by_length_alone_is_doubted():
    plate = face("plate", (0, 0), (112, 0), (112, 170), (40, 170), (0, 138))
    flange = face("flange", (0, 0), (112, 0), (80, 20), (32, 20))
    done = join((plate, flange))
    assert done.joints[0].one == "A.E1"
    assert {n.code for n in done.pattern.notices if n.level == "doubt"} == {"joint-by-length"}
    said = join((plate, flange), JoinOptions(joints=(("A.E1", "B.E1"),)))
    assert not [n for n in said.pattern.notices if n.level == "doubt"]


@pytest.mark.parametrize(
    ("joints", "sentence"),
    [
        ([("A.E2", "E1")], "'E1' is no side of a face"),
        ([("A.E2", "Z.E1")], "there is no face Z: there are A to D"),
        ([("A.E22", "B.E1")], "face A has no straight edge E22: it has E1"),
        ([("A.E1", "A.E2")], "not joined to itself"),
        ([("A.E2", "B.E1"), ("A.E2", "C.E3")], r"A\.E2 is joined twice|mm long"),
        ([("A.E1", "B.E1")], r"112\.0 mm long and B\.E1 170\.\d mm"),
    ],
)
def test_joints_that_make_no_sense_are_refused(faces, joints, sentence):
    with pytest.raises(NotJoined, match=sentence):
        join(faces, JoinOptions(joints=tuple(joints)))


def test_faces_that_come_to_lie_over_each_other_are_refused():
    big = face("big", (0, 0), (100, 0), (100, 20), (20, 20), (20, 100), (0, 100))
    one = face("one", (0, 0), (80, 0), (80, 90), (0, 90))
    two = face("two", (0, 0), (80, 0), (80, 70), (0, 70))
    joints = (("A.E3", "B.E1"), ("A.E4", "C.E1"))
    with pytest.raises(NotJoined, match=r"face B lies over face C"):
        join((big, one, two), JoinOptions(joints=joints))


def test_what_the_faces_say_is_kept_and_thickness_must_agree(faces):
    a, b, c, d = faces
    thin, thick = replace(a, thickness_mm=1.2), replace(b, thickness_mm=2.0)
    made = join((thin, thick, c, d)).pattern
    assert made.thickness_mm == 1.2
    assert {n.code: n.level for n in made.notices}["thickness-differs"] == "doubt"
    assert join((thin, thick, c, d), JoinOptions(thickness_mm=1.5)).pattern.thickness_mm == 1.5
    with pytest.raises(NotJoined, match="one face alone"):
        join((a,))
    with pytest.raises(BadBend, match="no joint is called B9"):
        join(faces, JoinOptions(said={"B9": Said(90)}))
    disc = Pattern("disc", Circle((0, 0), 40.0))
    with pytest.raises(NotJoined, match="no side of face B is clearly"):
        join((a, disc))
