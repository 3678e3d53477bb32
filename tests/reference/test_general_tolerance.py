"""ISO 2768-1:1989 tables 1 to 3, cell by cell where the ranges meet."""

import pytest

from digitize.pattern import general_tolerance as iso


# Table 1. Class c up to 6 mm tells ISO (0.2, 0.3) from the older DIN 7168 (0.15, 0.2).
@pytest.mark.parametrize(
    ("size", "f", "m", "c", "v"),
    [
        (0.5, 0.05, 0.1, 0.2, None),
        (3.0, 0.05, 0.1, 0.2, None),
        (3.01, 0.05, 0.1, 0.3, 0.5),
        (6.0, 0.05, 0.1, 0.3, 0.5),
        (30.0, 0.1, 0.2, 0.5, 1.0),
        (30.01, 0.15, 0.3, 0.8, 1.5),
        (120.0, 0.15, 0.3, 0.8, 1.5),
        (400.0, 0.2, 0.5, 1.2, 2.5),
        (1000.0, 0.3, 0.8, 2.0, 4.0),
        (2000.0, 0.5, 1.2, 3.0, 6.0),
        (4000.0, None, 2.0, 4.0, 8.0),
        (0.49, None, None, None, None),
        (4001.0, None, None, None, None),
    ],
)
def test_linear(size, f, m, c, v):
    assert [iso.linear_mm(size, k) for k in ("f", "m", "c", "v")] == [f, m, c, v]


@pytest.mark.parametrize(
    ("radius", "fine", "coarse"), [(0.5, 0.2, 0.4), (3, 0.2, 0.4), (6, 0.5, 1), (300, 1, 2)]
)
def test_radius(radius, fine, coarse):
    assert iso.radius_mm(radius, "f") == iso.radius_mm(radius, "m") == fine
    assert iso.radius_mm(radius, "c") == iso.radius_mm(radius, "v") == coarse


@pytest.mark.parametrize(
    ("leg", "medium", "coarse"),
    [(10, 60, 90), (50, 30, 60), (120, 20, 30), (400, 10, 15), (900, 5, 10)],
)
def test_angle(leg, medium, coarse):
    assert iso.angle_deg(leg, "m") == pytest.approx(medium / 60)
    assert iso.angle_deg(leg, "c") == pytest.approx(coarse / 60)
