"""Stated uncertainty against what happens, with bounds on both sides."""

from __future__ import annotations

import math

import numpy as np
import pytest

from digitize.camera import priors
from digitize.camera.flatness import TERMS, height_terms
from digitize.camera.priors import Frame
from digitize.camera.recover import recover
from digitize.sheets.layout import PrintScale, Sheet

A2 = Sheet("ring", "A2", 1, 26, 18, 600 / 26, 0)
SMALL = Sheet("card", "A4", 1, 12, 8, 7.0, 0)
EXACT = PrintScale(1.0, 1.0, 0.0, 0.0, True, "test")
UNMEASURED = PrintScale(1.0, 1.0, 0.002, 0.002, False, "test")


@pytest.mark.parametrize("tilt", [1.0, 10.0, 30.0])
def test_covariance_is_what_cameras_drawn_from_the_priors_show(over, tilt):
    """Everything drawn from its own prior; e' C^-1 e must then be chi square with 2 degrees."""
    rng = np.random.default_rng(int(tilt))
    terms = height_terms(SMALL.x_corners() * SMALL.square_mm)
    distances: dict[float, list[float]] = {0.0: [], 10.0: []}
    for _ in range(150):
        focal = 3000 * math.exp(rng.normal(0, 0.03))
        rho2 = (2500 / focal) ** 2
        aspect = rng.normal(0, math.hypot(0.002, 0.002))
        view = over(
            SMALL,
            tilt,
            focal_px=focal,
            off_middle_px=rng.normal(0, priors._PRINCIPAL_REL * 4000, 2),
            k1=rng.normal(0, priors._BEND_SIGMA[0]) / rho2,
            k2=rng.normal(0, priors._BEND_SIGMA[1]) / rho2**2,
            azimuth_deg=rng.uniform(0, 360),
            fill=0.5,
        )
        bulge = terms @ rng.normal(0, priors._HEIGHT_SIGMA_MM, TERMS)
        sighting = view.sighting(
            rng,
            heights_mm=lambda at, bulge=bulge: bulge,
            printed=(math.exp(aspect / 2), math.exp(-aspect / 2)),
        )
        camera = recover(sighting, UNMEASURED, Frame(4000, 3000, 3000.0, 0.03)).camera
        place = rng.uniform([0, 0], SMALL.size_mm)
        for height_mm, found in distances.items():
            pixel = view.px(np.array([[*place, height_mm]]))
            error = camera.to_sheet(pixel, height_mm)[0] - place
            covariance = camera.covariance_on_sheet(pixel, height_mm)[0]
            found.append(error @ np.linalg.solve(covariance, error))
    for found in distances.values():
        # Mean of 150 chi squares with 2 degrees: 2 +- 0.163; the bounds are three of these.
        assert 1.51 < np.mean(found) < 2.49
        # A tenth lies beyond 4.61; 15 +- 3.7 of 150.
        assert 4 <= np.sum(np.array(found) > 4.61) <= 26


# accuracy.md section 3: our own earlier simulation with 0.05 px corners, recalled from
# memory: tilt, sigma of f in per cent, plan error in mm at height 0, 10 and 30 mm.
TABLE = [
    (2, 0.93, 0.0017, 0.052, 0.151),
    (5, 0.38, 0.0017, 0.021, 0.061),
    (10, 0.20, 0.0018, 0.011, 0.032),
    (20, 0.11, 0.0021, 0.0065, 0.017),
    (30, 0.08, 0.0024, 0.0052, 0.013),
    (40, 0.06, 0.0027, 0.0048, 0.011),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]} degrees")
def test_a_flat_sheet_gives_the_recalled_table(over, monkeypatch, row):
    """Within a factor of 2.5: the recalled layout of corners and points is not exactly ours."""
    tilt, focal_percent, at_0, at_10, at_30 = row
    monkeypatch.setattr(priors, "_HEIGHT_SIGMA_MM", 1e-5)
    view = over(A2, tilt, k1=-0.05, k2=0.03)
    found = recover(
        view.sighting(np.random.default_rng(tilt)), EXACT, Frame(4000, 3000, 3000.0, 0.03)
    )
    focal = math.sqrt(found.camera.covariance[6, 6]) * 100
    assert 1 / 2.5 < focal / focal_percent < 2.5
    for height, expected in ((0.0, at_0), (10.0, at_10), (30.0, at_30)):
        places, pixels = view.grid(height, count=3, inset=0.15)
        spread = found.camera.covariance_on_sheet(pixels, height)
        worst = np.sqrt(np.trace(spread, axis1=1, axis2=2)).max()
        assert 1 / 2.5 < worst / expected < 2.5
        error = np.hypot(*(found.camera.to_sheet(pixels, height) - places).T)
        assert 0.01 * worst < error.max() < 4 * worst


def test_without_tilt_the_focal_length_rests_on_its_prior(over):
    view = over(A2, 0.0)
    for rel in (0.02, 0.05):
        found = recover(
            view.sighting(np.random.default_rng(5)), EXACT, Frame(4000, 3000, 3050.0, rel)
        )
        assert math.sqrt(found.camera.covariance[6, 6]) == pytest.approx(rel, rel=0.02)
        assert found.camera.focal_px == pytest.approx(3050, rel=0.3 * rel)
