"""Collision of convex bodies, held against linear programming (scipy, HiGHS).

Two convex bodies are apart exactly if a plane separates their corners; whether there is
one is a linear programme that shares nothing with the separating axis test.
"""

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.spatial.transform import Rotation

from digitize.bending_plan.collision import depths_between, depths_with_prism


def gap(a, b):
    """Half the width of the widest slab between two bodies in the largest component, or <= 0."""
    rows = np.vstack(
        [
            np.column_stack([a, -np.ones(len(a)), np.ones(len(a))]),
            np.column_stack([-b, np.ones(len(b)), np.ones(len(b))]),
        ]
    )
    found = linprog(
        [0, 0, 0, 0, -1],
        A_ub=rows,
        b_ub=np.zeros(len(rows)),
        bounds=[(-1, 1)] * 3 + [(None, None), (None, None)],
    )
    assert found.status == 0
    return -found.fun


def plate(random, size, corners):
    angles = np.sort(random.uniform(0, 2 * np.pi, corners))
    while np.diff(np.append(angles, angles[0] + 2 * np.pi)).max() > np.pi * 0.95:
        angles = np.sort(random.uniform(0, 2 * np.pi, corners))
    rim = np.column_stack([np.cos(angles), np.sin(angles)]) * size
    both = np.vstack([np.column_stack([rim, np.full(corners, z)]) for z in (0.0, -1.2)])
    turn = Rotation.random(random_state=int(random.integers(1 << 30)))
    return turn.apply(both) + random.uniform(-1, 1, 3) * size


def test_bodies_overlap_exactly_where_no_plane_separates_them():
    random = np.random.default_rng(5)
    pairs = [(plate(random, 20.0, 5), plate(random, 30.0, 5)) for _ in range(300)]
    depth = depths_between(np.array([a for a, _ in pairs]), np.array([b for _, b in pairs]))
    apart = np.array([gap(a, b) > 1e-9 for a, b in pairs])
    assert 50 < apart.sum() < 250  # both kinds are there
    assert np.array_equal(apart, depth <= 0)


def test_the_depth_is_how_far_a_body_must_be_moved_to_be_clear():
    random = np.random.default_rng(8)
    prism = plate(random, 25.0, 4)
    plates = np.array([plate(random, 20.0, 6) for _ in range(120)])
    depth = depths_with_prism(plates, prism)
    hit = np.flatnonzero(depth > 0.05)
    assert len(hit) > 20
    for i in hit:
        # No shorter move in any of many directions frees the body.
        ways = Rotation.random(6, random_state=int(i)).apply([0, 0, 0.98 * depth[i]])
        assert all(gap(plates[i] + way, prism) < 1e-7 for way in ways)


def test_a_box_stuck_in_a_box_by_a_known_depth():
    box = np.array([[x, y, z] for z in (10.0, 0.0) for x, y in ((0, 0), (5, 0), (5, 5), (0, 5))])
    other = box + np.array([4.2, 0.5, 1.0])
    assert depths_between(box[None], other[None])[0] == pytest.approx(0.8)
    assert depths_between(box[None], (box + np.array([5.0, 0, 0]))[None])[0] <= 0
