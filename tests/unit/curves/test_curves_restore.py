"""Rust-eaten edges: what sound metal determines comes back, what was made stays."""

import numpy as np
import pytest
import shapely

from digitize.curves.fit import fit_closed
from digitize.curves.restore import restore
from digitize.pattern.segments import Arc


def bitten(true, centres, seed=1):
    """Points of an outline with overlapping round bites at places just outside it."""
    rng = np.random.default_rng(seed)
    metal = shapely.Polygon(true.points_mm(0.002))
    bites = []
    for x, y in centres:
        radius = rng.uniform(0.8, 2.2)
        p = shapely.Point(x, y)
        bite = rng.uniform(0.4, 1.0)
        foot = metal.exterior.interpolate(metal.exterior.project(p))
        away = np.array([p.x - foot.x, p.y - foot.y])
        away /= np.hypot(*away)
        middle = np.array([foot.x, foot.y]) + away * (radius - bite)
        bites.append(shapely.Point(middle).buffer(radius, quad_segs=64))
    left = metal.difference(shapely.union_all(bites)).buffer(-0.1).buffer(0.2).buffer(-0.1)
    edge = shapely.Polygon(left.exterior).exterior
    along = np.arange(0.0, edge.length, 0.15)
    p = np.array([edge.interpolate(s).coords[0] for s in along])
    return p + rng.normal(0, 0.01, p.shape)


def mended(p, **how):
    return restore(p, np.full(len(p), 0.01), None, 0.15, **how)


def codes(notices):
    return [n.code for n in notices]


def round_corner(radius=10.0):
    """Places outside the rounded top right corner of a 120 x 80 plate, and along its edges."""
    turn = np.radians(np.arange(0.0, 91.0, 7.0))
    middle = np.array([120.0 - radius, 80.0 - radius])
    arc = middle + (radius + 3.0) * np.column_stack((np.cos(turn), np.sin(turn)))
    top = [(x, 83.0) for x in np.arange(104.0, 110.0, 1.3)]
    right = [(123.0, y) for y in np.arange(65.0, 70.0, 1.3)]
    return [*arc, *top, *right]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_eaten_fillet_comes_back_between_the_metal_left_and_the_true_edge(shapes, seed):
    true = shapes.rounded([(0, 0), (120, 0), (120, 80), (0, 80)], [5, 0, 10, 0])
    p = bitten(true, round_corner(), seed)
    plain = fit_closed(p, np.full(len(p), 0.01), None, 0.15)
    found, notices = mended(p)
    assert codes(notices) == ["edge-restored"]
    assert "the widest that the metal left allows" in notices[0].text
    before, after = (shapes.deviations_mm(c, true) for c in (plain, found))
    assert np.percentile(after, 98) < 0.6 * np.percentile(before, 98)
    sound = shapely.Polygon(true.points_mm(0.002)).buffer(0.08)
    whole = shapely.Polygon(found.points_mm(0.002))
    assert sound.contains(whole)  # rust takes away: no metal may be made up beyond the true edge
    assert {e.evidence for e in found.edges} == {"measured", "restored"}
    # How wide the fillet was is a guess within what the metal allows, and its ± says so.
    edge = shapely.LinearRing(true.points_mm(0.002))
    arcs = [e for e in found.edges if e.evidence == "restored" and isinstance(e.segment, Arc)]
    assert arcs
    for arc in arcs:
        off = shapely.distance(edge, shapely.points(arc.segment.points_mm(0.01))).max()
        assert off < 2.0 * arc.u_mm < 2.5


def test_a_flat_dent_in_a_straight_edge_is_bridged(shapes):
    # 0.9 mm deep and running out flat over 16 mm: nobody cuts a notch like it.
    true = shapes.rounded([(0, 0), (120, 0), (120, 80), (0, 80)], [0] * 4)
    p = shapes.measured(true, 0.01, np.random.default_rng(2))
    dent = (p[:, 1] < 0.1) & (np.abs(p[:, 0] - 60) < 8)
    p[dent, 1] += np.interp(p[dent, 0], [52, 56, 63, 68], [0, 0.9, 0.8, 0])
    found, notices = mended(p)
    assert codes(notices) == ["edge-restored"]
    assert shapes.deviations_mm(found, true).max() < 0.05


MADE = {
    "square notch": [(0, 0), (50, 0), (50, 6), (65, 6), (65, 0), (120, 0), (120, 80), (0, 80)],
    "vee of 30 degrees": [(0, 0), (50, 0), (60, 6), (70, 0), (120, 0), (120, 80), (0, 80)],
    "chamfer": [(0, 0), (120, 0), (120, 70), (110, 80), (0, 80)],
}


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("radius", [0.0, 2.0])
def test_what_was_made_stays(shapes, name, radius):
    corners = MADE[name]
    true = shapes.rounded(corners, [radius] * len(corners))
    p = shapes.measured(true, 0.01, np.random.default_rng(2))
    found, notices = mended(p)
    assert notices == ()
    assert shapes.deviations_mm(found, true).max() < 0.06


def test_what_cannot_be_told_is_left_and_said(shapes):
    corners = [(0, 0), (45, 0), (45, 9), (70, 9), (70, 0), (120, 0), (120, 80), (0, 80)]
    true = shapes.rounded(corners, [0] * 8)
    p = bitten(true, [(x, 8.0) for x in np.arange(46.0, 69.5, 1.1)])
    found, notices = mended(p)
    assert codes(notices) == ["edge-left-eaten"]
    assert "drawn as it is now" in notices[0].text
    whole = shapely.Polygon(true.points_mm(0.002)).buffer(0.1)
    assert whole.contains(shapely.Polygon(found.points_mm(0.002)))


@pytest.mark.parametrize("opening", [False, True])
def test_restoring_never_makes_eaten_plates_worse(shapes, opening):
    rng = np.random.default_rng(8)
    gains = []
    for _ in range(2):
        true = shapes.random_plate(rng)
        p = shapes.eaten(true, 0.25, 0.01, rng, opening=opening)
        plain = fit_closed(p, np.full(len(p), 0.01), None, 0.15)
        found, _ = mended(p, opening=opening)
        before, after = (shapes.deviations_mm(c, true) for c in (plain, found))
        assert np.percentile(after, 95) <= np.percentile(before, 95) + 0.02
        gains.append(after.mean() / before.mean())
    assert np.median(gains) < 0.6
