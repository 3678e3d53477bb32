"""Random trees of up to twelve bends, folded up as one solid.

What is traced outside comes out again, the mesh stays closed at any state of bending, and no
metal is lost: trimesh, which knows nothing of sheet metal, measures.
"""

import math

import folded_pieces as pieces
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.bending.facts import Said
from digitize.bending.laws import Din6935, Faa, Handbook, NeutralLine
from digitize.folding.sizes import folded_sizes
from digitize.folding.solid import fold_up
from digitize.pattern.model import Pattern
from digitize.pattern.region import metal

WITHIN_MM = 0.01
LAWS = st.sampled_from([NeutralLine(0.33), Din6935(), Handbook(), Faa()])


@st.composite
def trees(draw):
    """A base of four sides, a chain of up to three flanges with slanted ends on each."""
    w, d = draw(st.floats(150.0, 250.0)), draw(st.floats(150.0, 250.0))
    corners = [(0.0, 0.0), (w, 0.0), (w, d), (0.0, d)]
    points, bends = [], []
    for (x0, y0), (x1, y1) in zip(corners, corners[1:] + corners[:1], strict=True):
        span = math.dist((x0, y0), (x1, y1))
        ux, uy = (x1 - x0) / span, (y1 - y0) / span

        def at(along, out, start=(x0, y0), u=(ux, uy)):
            return start[0] + along * u[0] + out * u[1], start[1] + along * u[1] - out * u[0]

        points.append((x0, y0))
        a, b, out = draw(st.floats(15.0, 25.0)), span - draw(st.floats(15.0, 25.0)), 0.0
        left, right = [at(a, 0.0)], [at(b, 0.0)]
        for _ in range(draw(st.integers(0, 3))):
            bends.append(pieces.bend(*left[-1], *right[-1]))
            out += draw(st.floats(25.0, 40.0))
            a, b = a + draw(st.floats(0.0, 4.0)), b - draw(st.floats(0.0, 4.0))
            left.append(at(a, out))
            right.append(at(b, out))
        if out:
            points += [*left, *right[::-1]]
    return Pattern("tree", pieces.outline(points), bends=tuple(bends))


@settings(deadline=None, max_examples=20, derandomize=True)
@given(trees(), st.data())
def test_what_is_folded_measures_outside_what_was_traced(pattern, data):
    if not pattern.bends:
        return
    t = data.draw(st.floats(0.5, 2.0))
    bend = st.tuples(st.floats(8.0, 120.0), st.booleans(), st.floats(0.0, 2.5))
    said = {f"B{i + 1}": Said(*data.draw(bend)) for i in range(len(pattern.bends))}
    blank = pieces.developed(pattern, said, t, data.draw(LAWS))
    solid = fold_up(blank)
    sizes = folded_sizes(blank, solid)
    ends = {(s.start, s.end) for s in sizes}
    assert {b for pair in ends for b in pair} >= {f.name for f in blank.facts}
    for size in sizes:
        assert size.off_mm == pytest.approx(0.0, abs=WITHIN_MM)


@settings(deadline=None, max_examples=20, derandomize=True)
@given(trees(), st.data())
def test_the_mesh_is_closed_and_keeps_its_metal_at_any_state(pattern, data):
    if not pattern.bends:
        return
    t = data.draw(st.floats(0.5, 2.0))
    said = {"all": Said(90.0, data.draw(st.booleans()), data.draw(st.floats(0.5, 2.5)))}
    blank = pieces.developed(pattern, said, t, NeutralLine(0.5))
    share = st.floats(0.0, 1.05)
    shares = [data.draw(share) for _ in blank.tree.folds]
    solid = fold_up(blank, shares)
    mesh = trimesh.Trimesh(solid.vertices_mm, solid.triangles, process=False)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    # About a neutral line in the middle a bend keeps its volume, but for the chords of its arcs.
    assert mesh.volume == pytest.approx(metal(blank.pattern, 0.02).area * t, rel=2e-3)


@st.composite
def lugged(draw):
    """A plate, turned anyhow, with lugs cut free in it and a flange on one side or none."""
    turn = math.radians(draw(st.floats(0.0, 360.0)))
    c, s = math.cos(turn), math.sin(turn)

    def at(x, y):
        return c * x - s * y, s * x + c * y

    openings, bends = [], []
    for left in (20.0, 110.0)[: draw(st.integers(1, 2))]:
        width, taper = draw(st.floats(25.0, 45.0)), draw(st.floats(0.0, 6.0))
        slot = draw(st.floats(1.0, 6.0))
        past = draw(st.just(0.0) | st.floats(1.0, 9.0))
        foot, tip = draw(st.floats(85.0, 100.0)), draw(st.floats(25.0, 40.0))
        a, b, top = left + slot, left + slot + width, foot + past
        right = b + slot
        outer = [(left, top), (left, tip - slot), (right, tip - slot), (right, top)]
        inner = [(b, top), (b, foot), (b - taper, tip), (a + taper, tip), (a, foot), (a, top)]
        inner = [p for i, p in enumerate(inner) if past or i not in (1, 4)]
        openings.append(pieces.outline([at(*p) for p in [*outer, *inner]]))
        lean = draw(st.floats(-0.6, 0.6)) if past else 0.0
        bends.append(pieces.bend(*at(a, foot - lean), *at(b, foot + lean)))
    if draw(st.booleans()):
        bends.append(pieces.bend(*at(0, 14), *at(200, 14)))
    corners = [at(*p) for p in [(0, 0), (200, 0), (200, 130), (0, 130)]]
    return Pattern("lugged", pieces.outline(corners), tuple(openings), tuple(bends))


@settings(deadline=None, max_examples=25, derandomize=True)
@given(lugged(), st.data())
def test_lugs_bent_out_of_a_sheet_measure_what_was_traced(pattern, data):
    t = data.draw(st.floats(0.5, 2.0))
    bend = st.tuples(st.floats(8.0, 120.0), st.booleans(), st.floats(0.0, 2.0))
    said = {f"B{i + 1}": Said(*data.draw(bend)) for i in range(len(pattern.bends))}
    blank = pieces.developed(
        pattern, said, t, data.draw(LAWS), data.draw(st.sampled_from([None, 0, 1]))
    )
    solid = fold_up(blank)
    mesh = trimesh.Trimesh(solid.vertices_mm, solid.triangles, process=False)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    assert mesh.euler_number == 2 - 2 * len(pattern.openings)
    sizes = folded_sizes(blank, solid)
    assert {b for s in sizes for b in (s.start, s.end)} >= {f.name for f in blank.facts}
    for size in sizes:
        assert size.off_mm == pytest.approx(0.0, abs=WITHIN_MM)
