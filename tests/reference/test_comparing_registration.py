"""Registration against constructions with a known answer and a general optimiser.

The exact generator (accuracy notes, section 6, worked out and checked there): points at radius
R + A cos(m phi) leave the centre of the least-squares circle and of the minimum zone where
they are, and the zone is exactly 2 A.  Second opinions: scipy.optimize on the distance as
shapely (GEOS) tells it, GEOS's smallest enclosing circle, and trimesh's iterative closest point,
none of which shares a line with our own.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy.optimize import least_squares, minimize
from trimesh.registration import icp

from digitize.comparing.boundary import Boundary
from digitize.comparing.least_squares import settle
from digitize.comparing.minimum_zone import least_zone
from digitize.comparing.pose import Pose
from digitize.comparing.registration import FitOptions, register_edges
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.segments import Arc, Line

FloatArray = NDArray[np.float64]


def flanged_bracket() -> Contour:
    """A tractor footplate bracket: straight edges, a round end, a notch."""
    return Contour.of(
        (
            Line((0.0, 0.0), (180.0, 0.0)),
            Line((180.0, 0.0), (180.0, 40.0)),
            Line((180.0, 40.0), (150.0, 40.0)),
            Line((150.0, 40.0), (150.0, 55.0)),
            Line((150.0, 55.0), (180.0, 55.0)),
            Line((180.0, 55.0), (170.0, 110.0)),
            Line((170.0, 110.0), (60.0, 130.0)),
            Arc((60.0, 130.0), (0.0, 70.0), math.tan(math.pi / 8)),
            Line((0.0, 70.0), (0.0, 0.0)),
        )
    )


def along(boundary: Boundary, spacing_mm: float = 1.0) -> tuple[FloatArray, FloatArray, FloatArray]:
    samples = boundary.samples(spacing_mm)
    return samples.points_mm, samples.normal, samples.weight_mm


def offset_truth(pose: Pose, points_mm: FloatArray, true: Pose) -> tuple[float, float]:
    """How far a pose is off: turn in degrees, farthest place in mm."""
    turn = math.degrees(math.remainder(pose.turn_rad - true.turn_rad, math.tau))
    return abs(turn), float(np.hypot(*(pose.of(points_mm) - true.of(points_mm)).T).max())


@pytest.mark.parametrize("m", [2, 3, 4])
def test_lobed_circle_has_the_zone_it_was_made_with(m: int) -> None:
    phi = np.arange(24) * math.tau / 24
    a, radius = 0.7, 40.0
    points = (radius + a * np.cos(m * phi))[:, None] * np.column_stack((np.cos(phi), np.sin(phi)))
    circle = Boundary.of_closed(Circle((12.0, -5.0), radius))
    start = Pose(0.4, (12.3, -4.6))
    settled = settle(circle, points, np.ones(24), start, sound_only=False)
    assert settled.pose.move_mm == pytest.approx((12.0, -5.0), abs=1e-8)
    zone = least_zone(circle, points, settled.pose)
    assert 2 * zone.largest_mm == pytest.approx(2 * a, abs=1e-6)
    # From a start that least squares has not tidied up, too.
    assert least_zone(circle, points, start).largest_mm == pytest.approx(a, abs=1e-6)


def test_minimum_zone_of_an_outline_is_the_one_it_was_made_with() -> None:
    """A cosine of +-A along each side of a rectangle: no move and no turn betters it.

    On every side the extremes alternate +A, -A, +A (m = 2 full waves), so that the gradients
    of any three of them balance (the alternation theorem of Chebyshev approximation).
    """
    w, h, a = 200.0, 120.0, 0.35
    box = Contour.of(
        (
            Line((0.0, 0.0), (w, 0.0)),
            Line((w, 0.0), (w, h)),
            Line((w, h), (0.0, h)),
            Line((0.0, h), (0.0, 0.0)),
        )
    )
    t = np.linspace(0.1, 0.9, 33)
    wave = a * np.cos(2 * math.tau * (t - 0.1) / 0.8)
    points = np.vstack(
        [
            np.column_stack((w * t, -wave)),
            np.column_stack((w + wave, h * t)),
            np.column_stack((w * t, h + wave)),
            np.column_stack((-wave, h * t)),
        ]
    )
    true = Pose(2.6, (-310.0, 45.0))
    moved = true.back(points)
    edge = Boundary.of_closed(box)
    start = true.stepped(np.array([0.8, -0.5, 0.004]), np.zeros(2))
    zone = least_zone(edge, moved, start)
    assert zone.largest_mm == pytest.approx(a, abs=1e-6)
    # Least squares is a different pose with a larger zone once the wave is lopsided.
    lopsided = np.delete(points, [0, 1, 2, 31, 32], axis=0)
    squares = settle(edge, true.back(lopsided), np.ones(len(lopsided)), start, sound_only=False)
    least = least_zone(edge, true.back(lopsided), start)
    assert least.largest_mm < np.abs(squares.nearest.signed_mm).max() - 1e-4


def test_least_squares_and_zone_agree_with_a_general_optimiser() -> None:
    shape = flanged_bracket()
    edge = Boundary.of_closed(shape)
    points, normal, weight = along(edge, 7.0)
    rng = np.random.default_rng(7)
    true = Pose(-1.2, (20.0, 15.0))
    new = true.back(points + normal * rng.normal(0.0, 0.2, len(points))[:, None])
    # GEOS knows straight edges only; chords of 1e-6 mm error stand in for the arc.
    ring = shapely.LinearRing(shape.points_mm(1e-6))
    shapely.prepare(ring)

    def distances(pose: FloatArray) -> FloatArray:
        laid = Pose(float(pose[0]), (float(pose[1]), float(pose[2]))).of(new)
        return np.asarray(shapely.distance(ring, shapely.points(laid)))

    start = true.stepped(np.array([0.3, 0.2, 0.002]), np.zeros(2))
    ours = settle(edge, new, weight, start, sound_only=False)
    packed = np.array([ours.pose.turn_rad, *ours.pose.move_mm])

    def squares(pose: FloatArray) -> float:
        return float(np.dot(weight, distances(pose) ** 2))

    simplex = packed + np.vstack((np.zeros(3), np.diag([1e-3, 0.2, 0.2]))) + 1e-4
    options = {"xatol": 1e-10, "fatol": 1e-12, "initial_simplex": simplex, "maxfev": 800}
    theirs = minimize(squares, simplex[0], method="Nelder-Mead", options=options)
    assert squares(packed) == pytest.approx(theirs.fun, rel=1e-7)
    assert packed == pytest.approx(theirs.x, abs=2e-5)

    zone = least_zone(edge, new, start)
    packed = np.array([zone.pose.turn_rad, *zone.pose.move_mm])
    simplex = packed + np.vstack((np.zeros(3), np.diag([1e-4, 0.02, 0.02])))
    options |= {"initial_simplex": simplex}
    theirs = minimize(
        lambda p: float(distances(p).max()), packed, method="Nelder-Mead", options=options
    )
    assert zone.largest_mm <= theirs.fun + 1e-6


def test_least_squares_circle_of_published_points() -> None:
    """Gander, Golub and Strebel, BIT 34 (1994) 558: six points and the circle nearest to them.

    Geometric fit: centre (4.7398, 2.9835), radius 4.7142 (recalled, and checked by scipy below).
    At the best radius the best centre for that radius is the same.
    """
    points = np.array([(1.0, 7.0), (2.0, 6.0), (5.0, 8.0), (7.0, 7.0), (9.0, 5.0), (3.0, 7.0)])
    centre, radius = np.array([4.7398, 2.9835]), 4.7142

    def residuals(circle: FloatArray) -> FloatArray:
        return np.asarray(np.hypot(*(points - circle[:2]).T) - circle[2])

    free = least_squares(residuals, (5.0, 3.0, 5.0), xtol=1e-14, ftol=1e-14, gtol=1e-14).x
    assert free == pytest.approx((*centre, radius), abs=5e-5)
    edge = Boundary.of_closed(Circle((0.0, 0.0), float(free[2])))
    settled = settle(edge, points, np.ones(6), Pose(0.0, (-5.3, -2.6)), sound_only=False)
    assert settled.pose.back(np.zeros((1, 2)))[0] == pytest.approx(centre, abs=5e-5)


def test_minimum_zone_about_a_point_is_the_smallest_enclosing_circle() -> None:
    """About a small circle the zone ends at the smallest circle round all points (GEOS)."""
    rng = np.random.default_rng(11)
    small = 1.0
    edge = Boundary.of_closed(Circle((0.0, 0.0), small))
    for _ in range(5):
        points = rng.normal(0.0, 20.0, (40, 2)) * (1.0, 0.6)
        round_all = shapely.minimum_bounding_radius(shapely.MultiPoint(points))
        start = Pose(0.3, tuple(-Pose(0.3).of(points.mean(axis=0)[None])[0]))
        zone = least_zone(edge, points, start)
        assert zone.largest_mm + small == pytest.approx(round_all, abs=1e-6)


def test_minimum_zone_of_a_parabola_on_a_straight_edge() -> None:
    """Of x**2 on [-1, 1] the best straight line is 1/2, off by 1/2 (Chebyshev's T2)."""
    deep, half = 1.4, 100.0
    slab = Boundary.of_closed(
        Contour.of(
            (
                Line((-400.0, 0.0), (400.0, 0.0)),
                Line((400.0, 0.0), (400.0, 300.0)),
                Line((400.0, 300.0), (-400.0, 300.0)),
                Line((-400.0, 300.0), (-400.0, 0.0)),
            )
        )
    )
    x = np.linspace(-half, half, 41)
    points = np.column_stack((x, deep * (x / half) ** 2))
    true = Pose(-0.9, (17.0, 4.0))
    start = true.stepped(np.array([0.4, 0.9, 0.006]), np.zeros(2))
    zone = least_zone(slab, true.back(points), start)
    assert zone.largest_mm == pytest.approx(deep / 2, abs=1e-6)
    turn_deg, _ = offset_truth(zone.pose, true.back(points), true)
    assert turn_deg < 1e-4


def test_a_general_registration_library_finds_the_same_pose() -> None:
    """trimesh's ICP, from near the truth, on points 0.005 mm apart along the old edge.

    It goes from point to point, and so gets about as far as those are apart.
    """
    shape = flanged_bracket()
    edge = Boundary.of_closed(shape)
    points, normal, _ = along(edge, 2.0)
    rng = np.random.default_rng(3)
    true = Pose(0.8, (-60.0, 25.0))
    new = true.back(points + normal * rng.normal(0.0, 0.15, len(points))[:, None])
    ours = register_edges(Boundary.of_points(new), edge, FitOptions("all"))
    by_points = settle(edge, new, np.ones(len(new)), ours.pose, sound_only=False)
    dense, _, _ = along(edge, 0.005)
    start = true.stepped(np.array([0.2, -0.3, 0.003]), np.zeros(2))
    first = np.eye(4)
    first[:2, :2], first[:2, 3] = start.matrix, start.move_mm
    flat = np.zeros((len(new), 1))
    matrix, _, _ = icp(
        np.hstack((new, flat)),
        np.hstack((dense, np.zeros((len(dense), 1)))),
        initial=first,
        threshold=1e-12,
        max_iterations=400,
        scale=False,
        reflection=False,
    )
    theirs = new @ matrix[:2, :2].T + matrix[:2, 3]
    assert np.hypot(*(by_points.pose.of(new) - theirs).T).max() < 0.005
    assert np.hypot(*(ours.pose.of(new) - theirs).T).max() < 0.01


@pytest.mark.parametrize("seed", range(4))
def test_thirty_percent_of_the_edge_eaten_away(seed: int) -> None:
    """Rust has eaten bays up to 9 mm deep into the old piece; 0.05 mm of tracing noise."""
    rng = np.random.default_rng(seed)
    edge = Boundary.of_closed(flanged_bracket())
    points, normal, _ = along(edge, 0.5)
    bite = np.zeros(len(points))
    share = 0.0
    while share < 0.3:
        centre, half = rng.integers(len(points)), int(rng.uniform(0.02, 0.09) * len(points))
        t = np.arange(-half, half + 1)
        deep = rng.uniform(3.0, 9.0) * (1 - (t / half) ** 2) ** 0.3
        deep += rng.normal(0.0, 0.4, len(t))
        at = (centre + t) % len(points)
        bite[at] = np.maximum(bite[at], np.maximum(deep, 0.0))
        share = float(np.mean(bite > 0))
    eaten = points - normal * (bite + rng.normal(0.0, 0.05, len(points)))[:, None]
    left = max(shapely.get_parts(shapely.Polygon(eaten).buffer(0)), key=shapely.area)
    old = Boundary.of_points(np.asarray(left.exterior.coords)[:-1])
    true = Pose(rng.uniform(-3.0, 3.0), (rng.uniform(-400, 400), rng.uniform(-400, 400)))
    new = Boundary.of_points(true.back(points))
    found = register_edges(new, old, FitOptions())
    assert found.others == ()
    turn_deg, place_mm = offset_truth(found.pose, true.back(points), true)
    assert turn_deg < 0.05
    assert place_mm < 0.1
    # And the eaten piece may be the one that is moved.
    back = register_edges(old, new, FitOptions())
    turn_deg, place_mm = offset_truth(back.pose, points, true_back(true))
    assert turn_deg < 0.05
    assert place_mm < 0.1


def true_back(pose: Pose) -> Pose:
    """The pose that undoes one."""
    x, y = pose.back(np.zeros((1, 2)))[0]
    return Pose(-pose.turn_rad, (float(x), float(y)))
