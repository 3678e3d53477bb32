"""A developed blank, folded up again, has the dimensions that were traced.

The folded plates are solids of trimesh, made from the blank alone and measured there: planes
are taken from their facets, and an outside corner is where the outside planes of two plates
meet a side plane.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.laws import Din6935, Faa, Handbook, NeutralLine
from digitize.bending.materials import material
from digitize.blank.develop import develop
from digitize.blank.fold import flat_parts, placements
from digitize.blank.hand import from_behind, opposite_hand
from digitize.pattern.contour import Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import Line

WITHIN_MM = 0.01
LAWS = st.sampled_from([NeutralLine(0.33), NeutralLine(0.44), Din6935(), Handbook(), Faa()])
BENDS = st.tuples(st.floats(8.0, 150.0), st.booleans(), st.floats(0.0, 3.0))
WIDTH = 30.0


def outline(points):
    points = [(float(x), float(y)) for x, y in points]
    return Contour.of([Line(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True)])


def plates(blank):
    """The flat part of each face as a solid of the sheet's thickness, folded to its place."""
    t = blank.facts[0].thickness_mm
    bodies = []
    for face, motion in enumerate(placements(blank.tree)):
        part = flat_parts(blank.tree, face)[0]
        corners = np.array(part.exterior.coords)[:-1]
        prism = [(x, y, z) for x, y in corners for z in (-t, 0.0)]
        body = trimesh.convex.convex_hull(np.array(prism))
        body.apply_transform(motion)
        bodies.append(body)
    return bodies


def planes(body):
    """Outward normal, offset and area of every plane of a solid's triangles, largest first."""
    offsets = np.einsum("ij,ij->i", body.face_normals, body.triangles[:, 0])
    found = []
    for normal, offset, area in zip(body.face_normals, offsets, body.area_faces, strict=True):
        for k, (n, d, known) in enumerate(found):
            if n @ normal > 1 - 1e-9 and abs(d - offset) < 1e-6:
                found[k] = (n, d, known + area)
                break
        else:
            found.append((normal, float(offset), area))
    return sorted(found, key=lambda f: -f[2])


def faces_of_sheet(body, t):
    """The two planes of a plate that lie a thickness apart."""
    found = planes(body)
    for i, (n, d, _) in enumerate(found):
        for m, e, _ in found[i + 1 :]:
            if n @ m < -1 + 1e-9 and abs(d + e - t) < 1e-6:
                return (n, d), (m, e)
    raise AssertionError("not a plate")


def outside(plate, other, t):
    """The face of a plate that looks away from the plate it is bent to."""
    return min(faces_of_sheet(plate, t), key=lambda p: p[0] @ other.centroid - p[1])


def strip_sides(plate):
    """The two side planes of a strip, which lie its width apart."""
    found = planes(plate)
    for i, (n, d, _) in enumerate(found):
        for m, e, _ in found[i + 1 :]:
            if n @ m < -1 + 1e-9 and abs(d + e - WIDTH) < 1e-6:
                return (n, d), (m, e)
    raise AssertionError("no sides")


def meet(*three):
    return np.linalg.solve(np.array([n for n, _ in three]), np.array([d for _, d in three]))


def flat_distance(p, q, normal):
    """Distance seen square to a plate: opposite bends have their corners on opposite faces."""
    off = q - p
    return float(np.linalg.norm(off - (off @ normal) * normal))


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_a_strip_of_up_to_twelve_bends_has_its_outside_corners_again(data):
    n = data.draw(st.integers(1, 12))
    t = data.draw(st.floats(0.5, 2.0))
    legs = data.draw(st.lists(st.floats(55.0, 90.0), min_size=n + 1, max_size=n + 1))
    bends = data.draw(st.lists(BENDS, min_size=n, max_size=n))
    stations = np.cumsum(legs)
    lean = [data.draw(st.floats(-0.12, 0.12)) * WIDTH for _ in bends]  # odd angles
    lines = [((s - k, 0.0), (s + k, WIDTH)) for s, k in zip(stations[:-1], lean, strict=True)]
    total = float(stations[-1])
    strip = Pattern(
        "strip",
        outline([(0, 0), (total, 0), (total, WIDTH), (0, WIDTH)]),
        bends=tuple(BendLine(*line) for line in lines),
    )
    said = {f"B{i + 1}": Said(angle, up, r) for i, (angle, up, r) in enumerate(bends)}
    facts, _ = resolve(strip, Stock(material("steel"), t, data.draw(LAWS)), said)
    blank = develop(strip, facts, data.draw(st.integers(0, n)))
    order = sorted(range(n + 1), key=lambda f: blank.tree.faces.polygon(f).centroid.x)
    bodies = plates(blank)
    row = [bodies[f] for f in order]
    ends = [((0.0, 0.0), (0.0, WIDTH)), *lines, ((total, 0.0), (total, WIDTH))]
    for i, plate in enumerate(row):
        sides = strip_sides(plate)
        normal = faces_of_sheet(plate, t)[0][0]
        found = []
        for j in (i - 1, i + 1):
            if 0 <= j <= n:
                own, other = outside(plate, row[j], t), outside(row[j], plate, t)
                found.append([meet(own, other, side) for side in sides])
        if len(found) == 1:  # the end of the strip: its corners are still there
            (near,) = found
            far = [
                max(
                    (v for v in plate.vertices if abs(v @ side[0] - side[1]) < 1e-6),
                    key=lambda v, p=p: flat_distance(v, p, normal),
                )
                for side, p in zip(sides, near, strict=True)
            ]
            found.append(far)
        (p0, p1), (q0, q1) = found
        (a0, a1), (b0, b1) = ends[i], ends[i + 1]
        measured = [flat_distance(p, q, normal) for p, q in ((p0, q0), (p1, q1), (p0, p1))]
        traced = [math.dist(a, b) for a, b in ((a0, b0), (a1, b1), (a0, a1))]
        if i in (0, n):
            measured[2] = flat_distance(near[0], near[1], normal)
            traced[2] = math.dist(*lines[0 if i == 0 else -1])
        assert sorted(measured[:2]) == pytest.approx(sorted(traced[:2]), abs=WITHIN_MM)
        assert measured[2] == pytest.approx(traced[2], abs=WITHIN_MM)


@st.composite
def trees(draw):
    """A base with four to six sides; on each a chain of flanges, whole sides or part of them."""
    n = draw(st.integers(3, 6))
    turns = [math.tau * (k + draw(st.floats(-0.2, 0.2))) / n for k in range(n)]
    corners = [(180 * math.cos(a), 180 * math.sin(a)) for a in turns]
    points, lines = [], []
    for (x0, y0), (x1, y1) in zip(corners, corners[1:] + corners[:1], strict=True):
        points.append((x0, y0))
        depth = draw(st.integers(0, min(3, 12 - len(lines))))
        if depth == 0:
            continue
        inset = draw(st.sampled_from([0.0, 25.0]))
        span = math.dist((x0, y0), (x1, y1))
        u = np.array([x1 - x0, y1 - y0]) / span
        out = np.array([u[1], -u[0]])
        a, b = np.array([x0, y0]) + inset * u, np.array([x1, y1]) - inset * u
        left, right = [a], [b]
        for _ in range(depth):
            lines.append((tuple(left[-1]), tuple(right[-1])))
            heights = [draw(st.floats(32.0, 45.0)) for _ in range(2)]
            narrower = [draw(st.floats(0.0, 2.0)) for _ in range(2)]
            left.append(left[-1] + heights[0] * out + narrower[0] * u)
            right.append(right[-1] + heights[1] * out - narrower[1] * u)
        points += [*(tuple(p) for p in left[0 if inset else 1 :]), *map(tuple, right[::-1])]
        if not inset:
            points.pop()
    bends = [BendLine(tuple(map(float, p)), tuple(map(float, q))) for p, q in lines]
    return Pattern("tree", outline(points), bends=tuple(bends))


@settings(deadline=None, max_examples=60)
@given(trees(), st.data())
def test_a_tree_of_flanges_at_odd_angles_folds_to_its_mould_lines(pattern, data):
    """Either face beside a bend puts the traced line in the same place outside the sheet."""
    if not pattern.bends:
        return
    t = data.draw(st.floats(0.5, 1.5))
    bend = st.tuples(st.floats(8.0, 120.0), st.booleans(), st.floats(0.0, 2.0))
    said = {
        f"B{i + 1}": Said(*data.draw(bend), data.draw(st.sampled_from(["outside", "inside"])))
        for i in range(len(pattern.bends))
    }
    facts, _ = resolve(pattern, Stock(material("steel"), t, data.draw(LAWS)), said)
    blank = develop(pattern, facts)
    tree = blank.tree
    at = placements(tree)
    for fold in tree.folds:
        f = fold.facts
        z = 0.0 if f.toward_face == (f.traced == "inside") else -t
        for p in (f.line.start_mm, f.line.end_mm):
            seen = []
            for face in (fold.parent, fold.child):
                (x, y), (dx, dy) = p, tree.moves_mm[face]
                seen.append((at[face] @ (x + dx, y + dy, z, 1.0))[:3])
            assert math.dist(*seen) < WITHIN_MM
    # The same measured on solids: the planes outside two plates meet in the traced line.
    bodies = plates(blank)
    for fold in tree.folds:
        f = fold.facts
        if f.traced != "outside":
            continue
        pair = [bodies[fold.parent], bodies[fold.child]]
        own, other = outside(*pair, t), outside(*pair[::-1], t)
        for p in (f.line.start_mm, f.line.end_mm):
            dx, dy = tree.moves_mm[fold.parent]
            z = -t if f.toward_face else 0.0
            corner = (at[fold.parent] @ (p[0] + dx, p[1] + dy, z, 1.0))[:3]
            for normal, offset in (own, other):
                assert normal @ corner == pytest.approx(offset, abs=WITHIN_MM)
    # What flanges at a shared corner overlap by is cut away, within the bends' own width.
    shared = sum(f.facts.reach_mm**2 for f in tree.folds) + 0.05
    area = polygon(blank.pattern.outline)
    flat = [shapely.union_all(flat_parts(tree, f)) for f in range(tree.faces.count)]
    assert shapely.union_all(flat).difference(area).area < shared
    assert shapely.union_all(flat).area == pytest.approx(sum(f.area for f in flat), abs=shared)


@settings(deadline=None, max_examples=40)
@given(trees(), st.data())
def test_the_choice_of_base_moves_the_blank_and_changes_nothing(pattern, data):
    if not pattern.bends:
        return
    said = {"all": Said(80.0, True, 1.2)}
    facts, _ = resolve(pattern, Stock(material("steel"), 1.0, Faa()), said)
    one = develop(pattern, facts)
    two = develop(pattern, facts, data.draw(st.integers(0, len(pattern.bends))))
    a, b = one.pattern.outline, two.pattern.outline
    assert a.signed_area_mm2 == pytest.approx(b.signed_area_mm2, abs=1e-6)
    move = np.array(two.tree.moves_mm[one.tree.base])
    assert np.allclose(a.points_mm(0.01) + move, b.points_mm(0.01), atol=1e-6)


@settings(deadline=None, max_examples=30)
@given(trees(), st.data())
def test_the_order_in_which_bends_are_listed_changes_nothing(pattern, data):
    """Neither along a chain nor round the base does one bend come before another."""
    n = len(pattern.bends)
    bend = st.tuples(st.floats(8.0, 120.0), st.booleans(), st.floats(0.5, 2.0))
    said = [Said(*data.draw(bend)) for _ in range(n)]
    order = data.draw(st.permutations(range(n)))
    stock = Stock(material("steel"), 1.0, Faa())
    blanks = []
    for listed in (range(n), order):
        shuffled = replace(pattern, bends=tuple(pattern.bends[i] for i in listed))
        names = {f"B{k + 1}": said[i] for k, i in enumerate(listed)}
        blanks.append(develop(shuffled, resolve(shuffled, stock, names)[0]).pattern)
    one, two = blanks
    apart = polygon(one.outline).symmetric_difference(polygon(two.outline))
    assert apart.area < 1e-6
    for k, i in enumerate(order):
        a, b = one.bends[i], two.bends[k]
        assert math.dist(a.start_mm, b.start_mm) < 1e-6
        assert math.dist(a.end_mm, b.end_mm) < 1e-6


@settings(deadline=None, max_examples=30)
@given(trees(), st.data())
def test_mirrored_twice_a_blank_is_itself_again(pattern, data):
    said = {"all": Said(80.0, data.draw(st.booleans()), 1.2)}
    facts, _ = resolve(pattern, Stock(material("steel"), 1.0, Faa()), said)
    blank = develop(pattern, facts).pattern
    for turn in (opposite_hand, from_behind):
        there = turn(blank)
        back = turn(there)
        assert there.outline.signed_area_mm2 == pytest.approx(blank.outline.signed_area_mm2)
        assert np.allclose(back.outline.points_mm(0.01), blank.outline.points_mm(0.01))
        for a, b in zip(blank.bends, back.bends, strict=True):
            assert a.toward_face == b.toward_face
            assert np.allclose((a.start_mm, a.end_mm), (b.start_mm, b.end_mm))
        if pattern.bends:
            swapped = [b.toward_face for b in there.bends] != [b.toward_face for b in blank.bends]
            assert swapped is (turn is from_behind)
