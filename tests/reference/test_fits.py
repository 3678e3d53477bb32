"""Line and circle fits against published answers and published bounds."""

import math

import numpy as np
import pytest

from digitize.curves.primitives import (
    CurveError,
    fit_circle,
    fit_line,
    taubin_mean_square,
)

# W. Gander, G. H. Golub, R. Strebel, "Least-squares fitting of circles and ellipses",
# BIT 34 (1994) 558-578, the six points of the circle example.
GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)

# K. Pearson, "On lines and planes of closest fit to systems of points in space",
# Philosophical Magazine 2 (1901) 559-572.
PEARSON = np.array(
    [
        (0.0, 5.9),
        (0.9, 5.4),
        (1.8, 4.4),
        (2.6, 4.6),
        (3.3, 3.5),
        (4.4, 3.7),
        (5.2, 2.8),
        (6.1, 2.8),
        (6.5, 2.4),
        (7.4, 1.5),
    ]
)


def test_geometric_circle_of_gander_golub_strebel():
    fit = fit_circle(GANDER)
    assert fit.centre_mm == pytest.approx((4.7397824, 2.9835327), abs=1e-6)
    assert fit.radius_mm == pytest.approx(4.7142260, abs=1e-6)
    assert fit.sum_of_squares == pytest.approx(1.2275991, abs=1e-6)


def test_orthogonal_line_of_pearson():
    fit = fit_line(PEARSON)
    slope = math.tan(fit.direction_rad)
    assert slope == pytest.approx(-0.5455612, abs=1e-7)
    assert fit.through_mm[1] - slope * fit.through_mm[0] == pytest.approx(5.7840438, abs=1e-6)
    assert fit.sum_of_squares == pytest.approx(0.6185728, abs=1e-7)


@pytest.mark.parametrize("lobes", [2, 3, 4])
@pytest.mark.parametrize("centre", [(0.0, 0.0), (812.0, -390.0)])
def test_lobed_circle_whose_answer_is_known_exactly(lobes, centre):
    # radius R + A cos(m phi), N equal steps with 2m | N: the least-squares circle is exactly
    # (centre, R), because the residuals are orthogonal to 1, cos phi and sin phi.
    phi = np.arange(24) * math.tau / 24
    r = 40.0 + 0.5 * np.cos(lobes * phi)
    fit = fit_circle(np.column_stack((r * np.cos(phi), r * np.sin(phi))) + centre)
    assert fit.centre_mm == pytest.approx(centre, abs=1e-9)
    assert fit.radius_mm == pytest.approx(40.0, abs=1e-9)


def scatter_of(make, measure, trials=600, seed=4):
    rng = np.random.default_rng(seed)
    rows = np.array([measure(make(rng)) for _ in range(trials)])
    return rows[:, : rows.shape[1] // 2], rows[:, rows.shape[1] // 2 :]


def arc(radius, length, n, e):
    angles = ((np.arange(n) + 0.5) / n - 0.5) * length / radius

    def make(rng):
        r = radius + rng.normal(0.0, e, n)
        return np.column_stack((r * np.cos(angles) + 300.0, r * np.sin(angles) + 200.0))

    return make


# Bounds for N points of standard deviation e over a length L (derived from the normal
# equations of a parabola on equal steps): short arc u(R) = R^2 sqrt(720/N) e / L^2.
@pytest.mark.parametrize(("length", "n"), [(20.0, 100), (40.0, 200)])
def test_radius_of_a_short_arc_attains_its_bound_and_says_so(length, n):
    e, radius = 0.01, 50.0
    bound = radius**2 * math.sqrt(720.0 / n) * e / length**2
    got, said = scatter_of(
        arc(radius, length, n, e),
        lambda p: (fit_circle(p).radius_mm, fit_circle(p, np.full(n, e)).u_radius_mm),
    )
    assert 0.88 < got.std() / bound < 1.08
    assert 0.88 < np.median(said) / bound < 1.08
    assert abs(got.mean() - radius) < 4.0 * bound / math.sqrt(len(got)) + 2 * bound**2 / radius


def test_full_circle_attains_its_bounds_and_says_so():
    # u(R) = e / sqrt(N), u(centre) = e sqrt(2/N) per axis.
    e, n = 0.02, 120
    got, said = scatter_of(
        arc(6.0, 6.0 * math.tau, n, e),
        lambda p: (
            *fit_circle(p).centre_mm,
            fit_circle(p).radius_mm,
            *np.sqrt(np.diag(fit_circle(p, np.full(n, e)).covariance)[:2]),
            fit_circle(p).u_radius_mm,
        ),
    )
    bound = np.array([e * math.sqrt(2 / n), e * math.sqrt(2 / n), e / math.sqrt(n)])
    assert np.all(np.abs(got.std(axis=0) / bound - 1.0) < 0.1)
    assert np.all(np.abs(np.median(said, axis=0) / bound - 1.0) < 0.05)
    assert np.all(np.abs(got.mean(axis=0) - (300.0, 200.0, 6.0)) < 4 * bound / math.sqrt(600))


def test_line_attains_its_bounds_and_says_so():
    # u(offset) = e / sqrt(N), u(angle) = sqrt(12/N) e / L.
    e, n, length = 0.03, 80, 25.0
    t = ((np.arange(n) + 0.5) / n - 0.5) * length

    def make(rng):
        across = rng.normal(0.0, e, n)
        c, s = math.cos(0.7), math.sin(0.7)
        return np.column_stack((t * c - across * s, t * s + across * c))

    def measure(p):
        fit, said = fit_line(p), fit_line(p, np.full(n, e))
        offset = fit.distances_mm(np.zeros((1, 2)))[0]
        return offset, fit.direction_rad, *np.sqrt(np.diag(said.covariance))

    got, said = scatter_of(make, measure)
    bound = np.array([e / math.sqrt(n), math.sqrt(12 / n) * e / length])
    assert np.all(np.abs(got.std(axis=0) / bound - 1.0) < 0.1)
    assert np.all(np.abs(np.median(said, axis=0) / bound - 1.0) < 0.02)
    assert abs(got[:, 1].mean() - 0.7) < 4 * bound[1] / math.sqrt(600)


def test_taubins_mean_square_is_the_geometric_one_at_edge_noise():
    rng = np.random.default_rng(8)
    for radius, length in ((5.0, 8.0), (50.0, 20.0), (3000.0, 60.0), (2.0, 12.5)):
        p = arc(radius, length, 80, 0.02)(rng)
        d = p - p.mean(axis=0)
        z = (d * d).sum(axis=1)
        x, y = d.T
        moments = np.array([np.mean(v) for v in (x * x, y * y, x * y, x * z, y * z, z * z)])
        exact = fit_circle(p).sum_of_squares / len(p)
        assert taubin_mean_square(moments[:, None])[0] == pytest.approx(exact, rel=1e-2)


def test_weights_silence_a_doubtful_stretch():
    p = arc(20.0, 60.0, 90, 1e-3)(np.random.default_rng(1))
    p[10:20] += 0.5
    u = np.full(90, 1e-3)
    u[10:20] = 5.0
    assert fit_circle(p, u).radius_mm == pytest.approx(20.0, abs=2e-3)
    assert abs(fit_circle(p).radius_mm - 20.0) > 0.02


def test_a_nearly_flat_arc_keeps_a_finite_answer():
    p = arc(20_000.0, 200.0, 400, 0.01)(np.random.default_rng(2))
    fit = fit_circle(p)
    assert 15_000 < fit.radius_mm < 30_000
    assert 120 < fit.u_radius_mm < 150  # the bound is 134


@pytest.mark.parametrize(
    ("points", "fit"),
    [
        ([(0, 0)], fit_line),
        ([(1, 1), (1, 1)], fit_line),
        ([(0, 0), (1, 1)], fit_circle),
        ([(0, 0), (1, 1), (2, 2), (3, 3)], fit_circle),
        ([(4, 4), (4, 4), (4, 4)], fit_circle),
        ([(0, 0), (1, math.nan), (2, 2)], fit_circle),
    ],
)
def test_points_that_determine_nothing_are_refused(points, fit):
    with pytest.raises(CurveError):
        fit(np.array(points, float))


def test_uncertainties_must_be_positive():
    with pytest.raises(CurveError, match="positive finite uncertainties"):
        fit_line(PEARSON, np.zeros(10))
