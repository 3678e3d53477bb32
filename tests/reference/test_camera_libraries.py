"""The camera model and its recovery against OpenCV and SciPy (reference libraries)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from digitize.camera import priors
from digitize.camera.priors import Frame
from digitize.camera.projection import rotation_matrix, see
from digitize.camera.recover import recover
from digitize.sheets.layout import PrintScale, Sheet

A2 = Sheet("ring", "A2", 1, 26, 18, 600 / 26, 0)
EXACT = PrintScale(1.0, 1.0, 0.0, 0.0, True, "test")
LENSES = [(0.0, 0.0), (-0.06, 0.0), (0.06, -0.04), (-0.28, 0.09)]


@pytest.mark.parametrize(("k1", "k2"), LENSES)
@pytest.mark.parametrize("tilt", [0.0, 20.0, 50.0])
def test_projection_agrees_with_project_points(over, tilt, k1, k2):
    view = over(A2, tilt, k1=k1, k2=k2, off_middle_px=(40, -25))
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(0, 600, 300), rng.uniform(0, 400, 300), np.zeros(300)])
    points[:, 2] = rng.uniform(-5, 40, 300)
    np.testing.assert_allclose(view.camera.to_px(points), view.px(points), atol=1e-9, rtol=0)


@pytest.mark.parametrize(("k1", "k2"), LENSES)
def test_inverse_agrees_with_undistort_points_and_a_ray(over, k1, k2):
    view = over(A2, 25.0, k1=k1, k2=k2, off_middle_px=(40, -25))
    c = view.camera
    matrix = np.array(
        [[c.focal_px, 0, c.principal_px[0]], [0, c.focal_px, c.principal_px[1]], [0, 0, 1]]
    )
    pixels = np.random.default_rng(2).uniform([200, 200], [3800, 2800], (200, 2))
    iterated = getattr(cv2, "undistortPointsIter", cv2.undistortPoints)  # 4.x, 5.x
    rays = iterated(
        pixels,
        matrix,
        np.array([k1, k2, 0, 0]),
        R=None,
        P=None,
        criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14),
    )[:, 0]
    directions = np.column_stack([rays, np.ones(len(rays))]) @ c.rotation
    for height in (0.0, 2.0, 30.0):
        along = (height - c.centre_mm[2]) / directions[:, 2]
        expected = c.centre_mm[:2] + along[:, None] * directions[:, :2]
        np.testing.assert_allclose(c.to_sheet(pixels, height), expected, atol=1e-8, rtol=0)


def test_rotations_agree_with_scipy_from_tiny_to_large():
    for angle in (0.0, 1e-9, 1e-5, 0.99e-4, 1.01e-4, 0.3, 3.1):
        vector = angle * np.array([0.48, -0.6, 0.64])
        expected = Rotation.from_rotvec(vector).as_matrix()
        np.testing.assert_allclose(rotation_matrix(vector), expected, atol=1e-15)


def test_derivatives_agree_with_finite_differences_of_opencv(over):
    """OpenCV's own projection, moved a little each way along each of our parameters."""
    view = over(A2, 25.0, k1=-0.06, k2=0.03, off_middle_px=(40, -25))
    c = view.camera
    points = np.random.default_rng(3).uniform([0, 0, -5], [600, 400, 30], (40, 3))
    seen = see(c.pinhole, points)

    def opencv(step):
        f, (cx, cy) = c.focal_px * np.exp(step[6]), c.principal_px
        px, _ = cv2.projectPoints(
            points,
            cv2.Rodrigues(cv2.Rodrigues(step[:3])[0] @ c.rotation)[0],
            c.translation_mm + step[3:6],
            np.array([[f, 0, cx + step[7]], [0, f, cy + step[8]], [0, 0, 1]]),
            np.array([c.k1 + step[9], c.k2 + step[10], 0, 0]),
        )
        return px[:, 0]

    for k, small in enumerate([1e-6] * 3 + [1e-3] * 3 + [1e-6] + [1e-3] * 2 + [1e-5] * 2):
        step = np.zeros(11)
        step[k] = small
        slope = (opencv(step) - opencv(-step)) / (2 * small)
        np.testing.assert_allclose(
            seen.by_parameter[:, :, k], slope, atol=1e-6 * np.abs(slope).max()
        )


def test_recovery_finds_the_minimum_that_scipy_finds(over, monkeypatch):
    """All eleven parameters by scipy on OpenCV's projection, without priors.

    At 30 degrees and with a sheet known to be flat the corners decide alone, so the two
    must agree to a small part of the stated uncertainty.
    """
    monkeypatch.setattr(priors, "_HEIGHT_SIGMA_MM", 1e-6)
    monkeypatch.setattr(priors, "_PRINCIPAL_REL", 1.0)
    monkeypatch.setattr(priors, "_BEND_SIGMA", (10.0, 10.0))
    view = over(A2, 30.0, k1=-0.05, k2=0.03, off_middle_px=(25, -15))
    sighting = view.sighting(np.random.default_rng(4))
    ours = recover(sighting, EXACT, Frame(4000, 3000)).camera
    flat = np.column_stack([sighting.corners_mm, np.zeros(len(sighting.corners_mm))])

    def residuals(p):
        matrix = np.array([[p[6], 0, p[7]], [0, p[6], p[8]], [0, 0, 1.0]])
        px, _ = cv2.projectPoints(flat, p[:3], p[3:6], matrix, np.array([p[9], p[10], 0, 0]))
        return (px[:, 0] - sighting.corners_px).ravel()

    start = np.concatenate(
        [
            cv2.Rodrigues(view.camera.rotation)[0].ravel(),
            view.camera.translation_mm,
            [3000.0, 1999.5, 1499.5, 0.0, 0.0],
        ]
    )
    theirs = least_squares(residuals, start, x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    sigma = np.sqrt(np.diag(ours.covariance))
    assert abs(ours.focal_px / theirs[6] - 1) < 0.05 * sigma[6]
    assert abs(ours.principal_px[0] - theirs[7]) < 0.05 * sigma[7]
    assert abs(ours.principal_px[1] - theirs[8]) < 0.05 * sigma[8]
    assert abs(ours.k1 - theirs[9]) < 0.05 * sigma[9]
    assert abs(ours.k2 - theirs[10]) < 0.05 * sigma[10]
