"""The budget: what displaces, what moves edges, and how dimensions answer."""

import math
from dataclasses import replace

import numpy as np
import pytest

from digitize.errors import Notice
from digitize.files.notes import limit_line, precision_line
from digitize.pattern.budget import POWERS, Budget, Field, Part
from digitize.pattern.contour import Circle, Contour, Edge
from digitize.pattern.dimensions import dimensions
from digitize.pattern.general_tolerance import grade
from digitize.pattern.limiting import limiting
from digitize.pattern.model import Pattern, Precision, Provenance
from digitize.pattern.placement import placed
from digitize.pattern.segments import Arc, Line
from digitize.uncertainty.modes import Grid, by_camera, by_height, by_scale, root
from digitize.uncertainty.tone import shift_px

CORNERS = [(0.0, 0.0), (120.0, 0.0), (120.0, 50.0), (80.0, 50.0), (80.0, 90.0), (0.0, 90.0)]


def term(**at):
    """Coefficients by power: term(u=0.1) is 0.1 mm per unit of u."""
    names = {"c": (0, 0), "u": (1, 0), "v": (0, 1), "uv": (1, 1)}
    return tuple(next((x for n, x in at.items() if names[n] == p), 0.0) for p in POWERS)


def plate(*parts, fillet=False, shift=0.0):
    """An L of 120 x 90 with a hole; every edge ``shift`` further out."""
    grown = [(-1, -1), (1, -1), (1, 1), (1, 1), (1, 1), (-1, 1)]
    p = [(x + sx * shift, y + sy * shift) for (x, y), (sx, sy) in zip(CORNERS, grown, strict=True)]
    segments = [Line(a, b) for a, b in zip(p, p[1:] + p[:1], strict=True)]
    if fillet:
        r = 10.0 + shift
        (x, y), e = p[1], p[2]
        arc = Arc((x - r, y), (x, y + r), math.tan(math.pi / 8))
        segments[0:2] = [Line(p[0], arc.start_mm), arc, Line(arc.end_mm, e)]
    budget = Budget((60.0, 45.0), 0.0, 60.0, parts)
    return Pattern(
        "plate",
        Contour.of(segments),
        (Circle((30.0, 30.0), 8.0 - shift),),
        precision=Precision(0.05, 0.0005, budget),
    )


def rows(pattern):
    return {(d.name, d.kind): d for d in dimensions(pattern).dimensions}


@pytest.mark.parametrize("fillet", [False, True])
@pytest.mark.parametrize("turn_deg", [0.0, 31.0])
def test_edges_that_all_move_outward_change_each_dimension_as_drawing_them_anew_does(
    fillet, turn_deg
):
    part = Part("tone curve", outward_mm=0.01)
    turn = math.radians(turn_deg)
    before = rows(placed(plate(part, fillet=fillet), turn, (200.0, 70.0)))
    after = rows(placed(plate(part, fillet=fillet, shift=0.01), turn, (200.0, 70.0)))
    assert before.keys() == after.keys()
    for key, row in before.items():
        if key[0] in ("OX", "OY"):
            continue  # a turned corner's move is tested by the sharp ones
        change = abs(after[key].value - row.value)
        assert row.expanded == pytest.approx(2 * change, abs=2e-6), key
    assert before["H1", "diameter"].expanded == pytest.approx(0.04)
    assert before["E3" if not fillet else "E4", "length"].expanded == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("field", "boxed"),
    [
        (Field(term(u=0.02), term(v=0.02)), True),
        (Field(term(u=0.02), term()), True),
        # A box touches a side that is no longer square at one end, and counts it by its middle.
        (Field(term(c=0.3, v=-0.01), term(uv=0.03)), False),
    ],
)
def test_a_displacement_changes_each_dimension_as_moving_its_points_does(field, boxed):
    pattern = placed(plate(Part("camera", (field,))), math.radians(20.0), (5.0, -8.0))
    budget = pattern.precision.budget

    def moved(points):
        at = np.atleast_2d(points)
        return [tuple(p) for p in at + budget.displacement_mm(field, at)]

    ends = moved([e.segment.start_mm for e in pattern.outline.edges])
    lines = [Line(a, b) for a, b in zip(ends, ends[1:] + ends[:1], strict=True)]
    hole = pattern.openings[0]
    other = replace(
        pattern,
        outline=Contour.of(lines),
        openings=(replace(hole, centre_mm=moved(hole.centre_mm)[0]),),
    )
    before, after = rows(pattern), rows(other)
    for key, row in before.items():
        if row.kind == "diameter" or (row.kind in ("overall", "x", "y") and not boxed):
            continue
        change = abs(after[key].value - row.value)
        slack = 0.012 if row.kind in ("overall", "x", "y") else 2e-4
        assert row.expanded == pytest.approx(2 * change, abs=2 * slack), key


def test_what_two_ends_have_in_common_cancels():
    shared = rows(plate(Part("camera", (Field(term(c=5.0), term(c=-3.0)),))))
    assert all(row.expanded == pytest.approx(0.0, abs=1e-9) for row in shared.values())
    turning = Field(term(v=-0.05), term(u=0.05))
    turned = rows(plate(Part("camera", (turning,))))
    assert all(
        row.expanded == pytest.approx(0.0, abs=1e-9)
        for (name, _), row in turned.items()
        if name not in ("OX", "OY")
    )


def test_a_mirrored_pattern_is_as_sure_as_it_was():
    from digitize.blank.hand import opposite_hand

    lopsided = Field(term(u=0.02, uv=0.01), term(v=-0.03, uv=0.02))
    pattern = placed(plate(Part("camera", (lopsided,)), fillet=True), 0.3, (40.0, 7.0))
    there = rows(opposite_hand(pattern))
    back = rows(opposite_hand(opposite_hand(pattern)))
    for key, row in rows(pattern).items():
        assert back[key].expanded == pytest.approx(row.expanded, abs=1e-9), key
    for key in (("OX", "overall"), ("OY", "overall"), ("H1", "diameter")):
        assert there[key].expanded == pytest.approx(rows(pattern)[key].expanded, abs=1e-9)


def test_one_more_cause_widens_every_edge():
    precision = plate(Part("camera")).precision.widened("bend allowance", 0.12)
    got = rows(replace(plate(), precision=precision))
    assert got["E1", "length"].expanded == pytest.approx(2 * math.hypot(0.12, 0.12))
    assert precision.edge_u_mm == pytest.approx(0.13)
    assert Precision(0.05, 0.0).widened("bend allowance", 0.12) == Precision(0.13, 0.0)


def test_edges_on_their_own_add_up_in_squares_and_corners_count_both():
    own = rows(plate(Part("edge detection", each_mm=0.03)))
    assert own["E1", "length"].expanded == pytest.approx(2 * math.hypot(0.03, 0.03))
    assert own["H1", "diameter"].expanded == pytest.approx(2 * math.hypot(0.03, 0.03))
    # A corner of 45 degrees runs out sqrt(2) as far for the edge that crosses slantwise.
    bevel = Contour.of(
        [
            Line((0.0, 0.0), (100.0, 0.0)),
            Line((100.0, 0.0), (60.0, 40.0)),
            Line((60.0, 40.0), (0.0, 40.0)),
            Line((0.0, 40.0), (0.0, 0.0)),
        ]
    )
    slanted = rows(replace(plate(Part("edge detection", each_mm=0.03)), outline=bevel))
    expected = 2 * 0.03 * math.sqrt(1 + 2 + 1)  # left edge, slanted edge, the edge itself
    assert slanted["E1", "length"].expanded == pytest.approx(expected)


def test_an_edge_known_worse_than_others_counts_where_it_matters():
    sound = plate(Part("edge detection", each_mm=0.01))
    edges = list(sound.outline.edges)
    edges[1] = Edge(edges[1].segment, "bridged", 0.4)
    got = rows(replace(sound, outline=Contour(tuple(edges))))
    assert got["E1", "length"].expanded > 0.8
    assert got["E4", "length"].expanded < 0.1
    assert got["H1", "x"].expanded < 0.1


def test_the_fields_of_a_covariance_give_it_back(over):
    """Distances between random places, by fields and by the camera's own covariance."""
    from digitize.sheets.catalogue import sheet

    view = over(sheet("ring", "A4", 1), 20.0)
    rng = np.random.default_rng(5)
    mixing = rng.normal(size=(11, 11)) * np.array(
        [1e-4, 1e-4, 1e-4, 0.05, 0.05, 0.3, 1e-3, 2.0, 2.0, 1e-3, 1e-3]
    )
    covariance = mixing.T @ mixing
    assert np.allclose(root(covariance) @ root(covariance).T, covariance)
    places, px = view.grid(2.0, inset=0.25)
    grid = Grid.over(places)
    fields = by_camera(grid, view.camera, 2.0, covariance)
    budget = Budget(grid.origin_mm, 0.0, grid.size_mm, (Part("camera", fields),))
    rows_of = view.camera.moves_on_sheet(px, 2.0)
    for i, j in rng.integers(len(places), size=(30, 2)):
        if i == j:
            continue
        way = (places[j] - places[i]) / np.linalg.norm(places[j] - places[i])
        both = way @ (rows_of[j] - rows_of[i])
        expected = math.sqrt(both @ covariance @ both)
        moves = [budget.displacement_mm(f, places[[i, j]]) for f in fields]
        got = math.sqrt(sum(float((m[1] - m[0]) @ way) ** 2 for m in moves))
        assert got == pytest.approx(expected, rel=0.03, abs=2e-4)
        apart = [way @ rows_of[k] @ covariance @ rows_of[k].T @ way for k in (i, j)]
        assert got != pytest.approx(math.sqrt(sum(apart)), rel=0.05)  # not two lone points


def test_height_and_scale_stretch_a_face(over):
    from digitize.sheets.catalogue import sheet

    view = over(sheet("ring", "A4", 1), 12.0)
    places, _ = view.grid(inset=0.2)
    grid = Grid.over(places)
    ends = np.array([places.min(axis=0), places.max(axis=0)])
    length = float(np.linalg.norm(ends[1] - ends[0]))

    def u(fields):
        budget = Budget(grid.origin_mm, 0.0, grid.size_mm, (Part("any", fields),))
        return math.sqrt(
            sum(
                float((m[1] - m[0]) @ (ends[1] - ends[0]) / length) ** 2
                for m in (budget.displacement_mm(f, ends) for f in fields)
            )
        )

    assert u(by_scale(grid, 1e-3)) == pytest.approx(1e-3 * length, rel=1e-3)
    # A face dh higher looks H / (H - h) larger (shared/ notes on height; plain similar triangles).
    over_face = float(view.camera.centre_mm[2]) - 2.0
    assert u(by_height(grid, view.camera, 2.0, (0.05, 0.0, 0.0))) == pytest.approx(
        0.05 * length / over_face, rel=1e-3
    )


@pytest.mark.parametrize(
    ("dark", "bright", "half_level_px"), [(0.02, 0.80, 0.46), (0.10, 0.50, 0.23), (0.2, 0.6, 0.16)]
)
def test_reading_coded_light_moves_an_edge_as_simulated(dark, bright, half_level_px):
    """sRGB coding read as light, blur 0.8 px: found by simulation, independent of this formula.

    The coding is a power of 2.2 only about, so that dark steps differ most.
    """
    (got,) = shift_px(np.array([dark]), np.array([bright]), 0.8, -math.log(2.2))
    assert got == pytest.approx(half_level_px, rel=0.15)
    (other,) = shift_px(np.array([dark]), np.array([bright]), 0.8, math.log(2.2))
    assert other < 0 < got


def test_the_cause_that_limits_is_named_with_what_is_gained():
    parts = (
        Part("print scale", (Field(term(u=0.3), term(v=0.3)),)),
        Part("thickness", (Field(term(u=0.04), term(v=0.04)),)),
    )
    pattern = replace(plate(*parts), provenance=Provenance("x", print_scale=(1.0, 1.0)))
    limit = limiting(pattern)
    assert limit.cause == "print scale"
    # 120 mm across: u = 1 to -1, so the scale moves its ends 0.6 mm apart.
    assert limit.expanded_mm == pytest.approx(2 * math.hypot(0.6, 0.08))
    # A measured print still leaves nine parts in ten thousand.
    assert limit.without_mm == pytest.approx(2 * math.hypot(0.08, 0.108))
    assert limit_line(pattern, "mm") == (
        "Limited by print scale: measure the printed bars with a steel rule "
        "(± on 120 mm falls from 1.3 to 0.27 mm)"
    )
    assert precision_line(pattern, "mm") == "± 1.3 mm on 120 mm (95 %), outline ± 0.10 mm"
    measured = Provenance("x", print_scale=(1.0, 1.0), print_measured=True)
    again = limiting(replace(pattern, provenance=measured))
    assert "again" in again.advice
    assert again.without_mm == pytest.approx(0.16)
    edges = list(pattern.outline.edges)
    for i in (1, 3, 5):  # the upright ones
        edges[i] = Edge(edges[i].segment, "bridged", 2.0)
    bridged = limiting(replace(pattern, outline=Contour(tuple(edges))))
    assert (bridged.cause, "shadow" in bridged.advice) == ("hidden edges", True)
    by_rule = limiting(replace(pattern, provenance=Provenance("x")))
    assert (by_rule.cause, "second rule" in by_rule.advice) == ("reference", True)
    assert limiting(replace(pattern, precision=Precision(0.1, 0.001))) is None
    assert limiting(replace(pattern, precision=None, notices=(Notice("a", "b"),))) is None


@pytest.mark.parametrize(
    ("size_mm", "expanded_mm", "found", "left"),
    [
        (100.0, 0.10, "f", 0.05),  # 0.15 permitted
        (100.0, 0.15, "m", 0.15),  # nothing left of fine
        (100.0, 0.29, "m", 0.01),
        (100.0, 0.50, "c", 0.30),
        (100.0, 0.80, None, 0.0),
        (0.3, 0.01, None, 0.0),  # the standard gives nothing so small
        (3000.0, 0.60, "m", 1.40),  # nor fine so large
    ],
)
def test_a_grade_is_given_only_as_far_as_the_uncertainty_allows(size_mm, expanded_mm, found, left):
    """Limits of ISO 2768-1:1989 table 1; U is taken off them."""
    got = grade(size_mm, expanded_mm)
    if found is None:
        assert got is None
    else:
        assert got.tolerance_class == found
        assert got.left_mm == pytest.approx(left)


def test_the_report_shows_budget_limit_and_grade(capsys):
    from digitize.cli import show

    parts = (
        Part("camera", (Field(term(u=0.03), term(v=0.03)),)),
        Part("tone curve", outward_mm=0.02),
    )
    pattern = plate(*parts)
    show.sizes(pattern, inch=False)
    said = capsys.readouterr().out
    # 120 mm: 0.06 by the camera and twice 0.02; U = 0.14422 is still under the 0.15 of fine.
    (line,) = (line for line in said.splitlines() if line.startswith("│ OL "))
    assert (
        " ".join(line.split())
        == "│ OL │ overall, along the datum's x │ 120.00 mm │ 0.15 mm │ fine │"
    )
    assert "Budget of OL (standard uncertainties, mm): camera 0.06, tone curve 0.04;" in said
    assert "Outline: within ± 0.10 mm" in said
    assert "Limited by camera: " in said
    row = next(d for d in show.pattern_json(pattern)["dimensions"] if d["name"] == "OL")
    assert row["u_by_cause"]["tone curve"] == pytest.approx(0.04)
    assert row["iso2768"] == "fine"
    limited = show.pattern_json(pattern)["limited_by"]
    assert (limited["cause"], limited["without_mm"]) == ("camera", pytest.approx(0.08))
    bare = show.pattern_json(replace(pattern, precision=None))
    assert bare["limited_by"] is bare["outline_expanded_mm"] is None
