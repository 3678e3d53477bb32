import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh

from digitize.bending.facts import Said
from digitize.blank.fold import placements
from digitize.blank.mitre import mitred
from digitize.blank.relief import relieved
from digitize.pattern.region import metal, polygon
from digitize.pattern.segments import Arc
from digitize.pattern.soundness import fault

RIGHT = Said(90.0, True, 2.0)
ALLOWANCE = math.pi / 2 * 2.44


def codes(blank):
    return {n.code for n in blank.pattern.notices}


@pytest.fixture
def box(make, contour):
    outline = contour(
        (20, 0), (80, 0), (80, 20), (100, 20), (100, 60), (80, 60),
        (80, 80), (20, 80), (20, 60), (0, 60), (0, 20), (20, 20),
    )  # fmt: skip
    lines = [((20, 20), (80, 20)), ((80, 20), (80, 60)), ((80, 60), (20, 60)), ((20, 60), (20, 20))]
    return make(outline, *lines)


@pytest.fixture
def tab(make, contour):
    outline = contour((0, 0), (100, 0), (100, 40), (60, 40), (60, 60), (40, 60), (40, 40), (0, 40))
    return make(outline, ((40, 40), (60, 40)))


@pytest.mark.parametrize("style", ["round", "square"])
def test_nothing_is_left_that_would_be_bent_two_ways(box, unfold, style):
    blank = relieved(unfold(box, RIGHT), style)
    area = polygon(blank.pattern.outline)
    half = ALLOWANCE / 2
    for x, y in ((23, 23), (77, 23), (77, 57), (23, 57)):  # crossings of the tangent lines
        twice = shapely.box(
            min(x, x + math.copysign(half, x - 50)), min(y, y + math.copysign(half, y - 40)),
            max(x, x + math.copysign(half, x - 50)), max(y, y + math.copysign(half, y - 40)),
        )  # fmt: skip
        assert area.intersection(twice).area < 1e-3
    assert fault(blank.pattern) is None
    assert "bend-unrelieved" not in codes(blank)
    assert "relief-cut" in codes(blank)
    assert not blank.open_ends


@pytest.mark.parametrize("style", ["round", "square"])
def test_a_relieved_blank_that_is_developed_again_asks_for_no_relief(box, unfold, style):
    once = relieved(unfold(box, RIGHT), style).pattern
    again = unfold(replace(once, notices=()))
    assert not again.open_ends
    assert "bend-unrelieved" not in codes(again)
    assert "bend-unrelieved" in codes(unfold(replace(unfold(box, RIGHT).pattern, notices=())))


def test_corner_holes_have_the_published_least_diameter(box, unfold):
    """FAA-H-8083-31: twice the radius, at least 1/8 in up to 0.064 in, else 3/16 in."""
    for thickness, least in ((0.8, 25.4 / 8), (2.0, 25.4 * 3 / 16)):
        flat = unfold(box, Said(20.0, True, 0.2), thickness_mm=thickness)
        arcs = [e.segment for e in relieved(flat, "round").pattern.outline.edges]
        radii = {round(a.radius_mm, 6) for a in arcs if isinstance(a, Arc)}
        assert radii == {round(least / 2, 6)}


def test_a_hole_at_a_wide_radius_is_no_larger_than_it_takes_to_open(box, unfold):
    (text,) = (
        n.text
        for n in relieved(unfold(box, Said(90.0, True, 6.0)), "round").pattern.notices
        if n.code == "relief-cut"
    )
    # Middles of bends lie half an allowance beyond the tangent lines; the cut passes by 0.25 mm.
    corner = math.hypot(*[math.pi / 2 * 6.44 / 2] * 2)
    assert (
        f"4 round reliefs cut at B1, B2, B3, B4, corner holes of up to {2 * corner + 0.5:.1f} mm"
        in (text)
    )


def test_one_relief_is_one(make, contour, unfold):
    outline = contour((0, 0), (60, 0), (60, 60), (40, 60), (40, 40), (0, 40))
    blank = relieved(unfold(make(outline, ((40, 40), (60, 40))), RIGHT), "round")
    (text,) = (n.text for n in blank.pattern.notices if n.code == "relief-cut")
    assert text.startswith("1 round relief cut at B1: ")


@pytest.mark.parametrize("style", ["round", "square"])
def test_a_tab_gets_a_notch_at_either_end_past_the_tangent_line(tab, unfold, style):
    blank = relieved(unfold(tab, RIGHT), style)
    area = polygon(blank.pattern.outline)
    for x in (39.25, 60.75):  # notches are 1.5 mm wide
        assert not area.contains(shapely.Point(x, 39.9))
        assert not area.contains(shapely.Point(x, 37.05))  # the tangent line lies at 37
        assert area.contains(shapely.Point(x, 35.0))
    assert area.contains(shapely.Point(38.4, 39.9))
    assert area.contains(shapely.Point(41, 39.9))
    lost = polygon(unfold(tab, RIGHT).pattern.outline).area - area.area
    assert lost == pytest.approx(2 * 1.5 * (3 + 25.4 / 32), abs=2 if style == "round" else 1e-6)
    assert fault(blank.pattern) is None


def test_without_open_ends_nothing_is_cut(make, contour, unfold):
    strip = make(contour((0, 0), (100, 0), (100, 40), (0, 40)), ((30, 0), (30, 40)))
    blank = unfold(strip, RIGHT)
    assert relieved(blank, "round") is blank
    assert mitred(blank) is blank


def overlap_mm3(blank):
    """Volume that folded flanges share, by points on a grid in the solids of both."""
    tree, t = blank.tree, blank.facts[0].thickness_mm
    at = placements(tree)
    solids = []
    area = metal(blank.pattern)
    from digitize.blank.fold import flat_parts

    for fold in tree.folds:
        part = flat_parts(tree, fold.child)[0].intersection(area)
        # Without the thread of metal along the tangent line, where the bend is left wider.
        part = part.buffer(-1e-4, join_style="mitre").buffer(1e-4, join_style="mitre")
        part = max(getattr(part, "geoms", [part]), key=lambda g: g.area)
        corners = np.array(part.exterior.coords)[:-1]
        body = trimesh.convex.convex_hull(
            np.array([(x, y, z) for x, y in corners for z in (-t, 0.0)])
        )
        body.apply_transform(at[fold.child])
        solids.append(body)
    shared = 0.0
    for i, a in enumerate(solids):
        inward = a.face_normals, np.einsum("ij,ij->i", a.face_normals, a.triangles[:, 0])
        for b in solids[:i]:
            lows = np.maximum(a.bounds[0], b.bounds[0])
            highs = np.minimum(a.bounds[1], b.bounds[1])
            if (highs - lows).min() <= 0:
                continue
            steps = [np.linspace(*ends, 26)[1:-1] for ends in zip(lows, highs, strict=True)]
            grid = np.stack(np.meshgrid(*steps), axis=-1).reshape(-1, 3)
            normals = b.face_normals, np.einsum("ij,ij->i", b.face_normals, b.triangles[:, 0])
            inside = np.all(grid @ inward[0].T < inward[1] - 1e-6, axis=1)
            inside &= np.all(grid @ normals[0].T < normals[1] - 1e-6, axis=1)
            shared += float(inside.mean() * np.prod(highs - lows))
    return shared


@pytest.mark.parametrize("angle", [60.0, 90.0, 110.0])
@pytest.mark.parametrize("toward", [True, False])
def test_mitred_flanges_do_not_overlap_when_folded(box, unfold, angle, toward):
    flat = unfold(box, Said(angle, toward, 2.0))
    blank = mitred(flat)
    assert overlap_mm3(blank) < 0.01
    if angle >= 90.0:
        assert overlap_mm3(flat) > 1
        assert "flanges-mitred" in codes(blank)
    assert fault(blank.pattern) is None


def test_a_right_box_loses_a_thickness_and_half_the_gap_at_each_end(box, unfold):
    blank = mitred(unfold(box, RIGHT), gap_mm=0.6)
    xs = [p[0] for p in (e.segment.start_mm for e in blank.pattern.outline.edges) if p[1] < 15]
    assert (min(xs), max(xs)) == pytest.approx((21.3, 78.7))


def test_a_hexagon_tray_meets_along_its_corners(make, contour, unfold):
    ring = [(100 * math.cos(a), 100 * math.sin(a)) for a in np.arange(6) * math.pi / 3]
    points, lines = [], []
    for (x0, y0), (x1, y1) in zip(ring, ring[1:] + ring[:1], strict=True):
        ux, uy = (x1 - x0) / 100, (y1 - y0) / 100
        points += [(x0, y0), (x0 + 25 * uy, y0 - 25 * ux), (x1 + 25 * uy, y1 - 25 * ux)]
        lines.append(((x0, y0), (x1, y1)))
    flat = unfold(make(contour(*points), *lines), RIGHT)
    assert overlap_mm3(flat) > 1
    assert overlap_mm3(relieved(mitred(flat), "round")) < 0.01
