"""Fitted X-corners against the Cramer-Rao bound and a stock refinement.

The pictures come from counting covered sub-pixels of a hard-edged corner and blurring the
counts, not from the model that is fitted.  The bound for the whole corner in an N x N
window, 1.8828 sqrt(s) (sigma/A) / sqrt(N - 2.257 s), follows from the Fisher information of
a blurred edge (Gatherer 1993, Stanford CSL-TR-93-560, for one edge); it takes blur, levels
and directions as known, so that a fit which finds them all stays a little above it.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from digitize.photo.photo import Photo
from digitize.sighting.refine import Refined, refine

SIDE = 21  # pixels of one picture
FINER = 10
DARK, LIGHT = 0.15, 0.65  # linear light


@dataclass(frozen=True, eq=False)
class Corners:
    photo: Photo
    truth_px: np.ndarray
    edges_rad: np.ndarray


def draw(
    count: int,
    *,
    blur_px: float = 0.8,
    noise: float = 0.0,
    opening_deg: tuple[float, float] = (90.0, 90.0),
    spread_px: float = 0.0,
    ramp: float = 0.0,
    seed: int = 1,
) -> Corners:
    """``count`` corners side by side in one 16-bit photo."""
    rng = np.random.default_rng(seed)
    pad = 3
    at = (np.arange((SIDE + 2 * pad) * FINER) + 0.5) / FINER - pad - 0.5
    x, y = np.meshgrid(at, at)
    tiles, truth, edges = [], [], []
    for _ in range(count):
        first = rng.uniform(0, np.pi)
        second = first + np.radians(rng.uniform(*opening_deg))
        centre = (SIDE - 1) / 2 + rng.uniform(-0.5, 0.5, 2)
        dx, dy = x - centre[0], y - centre[1]
        left_of_first = -(dx * np.sin(first) + dy * np.cos(first))
        left_of_second = -(dx * np.sin(second) + dy * np.cos(second))
        a, b = left_of_first, -left_of_second
        dark = ((a > -spread_px) & (b > -spread_px)) | ((a < spread_px) & (b < spread_px))
        # The share of each pixel that is dark, blurred by the lens on the fine grid.
        light = np.where(dark, DARK, LIGHT) * (1 + ramp * dx)
        light = gaussian_filter(light, blur_px * FINER)
        light = light.reshape(SIDE + 2 * pad, FINER, SIDE + 2 * pad, FINER).mean((1, 3))
        tiles.append(light[pad:-pad, pad:-pad])
        truth.append(centre + np.array([len(truth) * SIDE, 0.0]))
        edges.append((first, second))
    strip = np.concatenate(tiles, axis=1)
    strip = strip + noise * (LIGHT - DARK) * rng.standard_normal(strip.shape)
    return Corners(_photo(strip), np.array(truth), np.array(edges))


def _photo(light: np.ndarray) -> Photo:
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    grey = np.round(65535 * coded).astype(np.uint16)
    return Photo("drawn", "", np.repeat(grey[:, :, None], 3, axis=2), None, None)


def fitted(corners: Corners, clear_px: float = 20.0, seed: int = 2) -> Refined:
    rng = np.random.default_rng(seed)
    n = len(corners.truth_px)
    return refine(
        corners.photo,
        corners.truth_px + rng.uniform(-1.0, 1.0, (n, 2)),
        corners.edges_rad + rng.normal(0, 0.05, (n, 2)),
        np.full(n, clear_px),
    )


def bound_px(noise: float, blur_px: float, window: float = 11.0) -> float:
    s = np.hypot(blur_px, 12**-0.5)  # the pixel's own width adds to the lens's blur
    return float(1.8828 * np.sqrt(s) * noise / np.sqrt(window - 2.257 * s))


@pytest.mark.parametrize("blur_px", [0.5, 0.8, 1.1])
def test_scatter_stays_near_the_bound(blur_px: float) -> None:
    noise = 0.03
    corners = draw(220, blur_px=blur_px, noise=noise)
    fit = fitted(corners)
    assert fit.good.all()
    error = fit.xy_px - corners.truth_px
    scatter = np.sqrt((error**2).mean())
    assert 0.95 < scatter / bound_px(noise, blur_px) < 1.5
    assert np.abs(error.mean(0)).max() < 4 * scatter / np.sqrt(len(error))
    stated = np.sqrt((fit.sigma_px**2).mean())
    assert 0.85 < stated / scatter < 1.15
    # 4 standard deviations of a median blur from 300 fits are about 0.02 px.
    assert abs(np.median(fit.blur_px) - np.hypot(blur_px, 12**-0.5)) < 0.03


def test_scatter_of_slanted_corners() -> None:
    """Tilts of up to 60 degrees squeeze right angles to about 53."""
    noise = 0.03
    corners = draw(220, noise=noise, opening_deg=(55, 125))
    error = fitted(corners).xy_px - corners.truth_px
    assert 1.0 < np.sqrt((error**2).mean()) / bound_px(noise, 0.8) < 1.5


def test_stock_refinement_is_worse() -> None:
    """OpenCV's gradient orthogonality on the same pixels (window 11 x 11)."""
    noise = 0.03
    corners = draw(220, noise=noise)
    ours = fitted(corners)
    grey = np.ascontiguousarray(corners.photo.linear_grey)
    near = corners.truth_px + np.random.default_rng(3).uniform(-1, 1, corners.truth_px.shape)
    stock = cv2.cornerSubPix(
        grey,
        near.astype(np.float32).reshape(-1, 1, 2),
        (5, 5),
        (-1, -1),
        (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4),
    ).reshape(-1, 2)
    bound = bound_px(noise, 0.8)
    stock_ratio = np.sqrt(((stock - corners.truth_px) ** 2).mean()) / bound
    our_ratio = np.sqrt(((ours.xy_px - corners.truth_px) ** 2).mean()) / bound
    assert stock_ratio > 1.8
    assert our_ratio < 0.7 * stock_ratio


def test_no_bias_without_noise() -> None:
    corners = draw(60, opening_deg=(55, 125))
    error = fitted(corners).xy_px - corners.truth_px
    # The drawing's own steps of 1/10 px leave about 0.003 px.
    assert np.sqrt((error**2).mean()) < 0.006


@pytest.mark.parametrize("spread_px", [-0.25, 0.25, 0.5])
def test_ink_spread_does_not_move_a_corner(spread_px: float) -> None:
    corners = draw(60, spread_px=spread_px, opening_deg=(70, 110))
    fit = fitted(corners)
    assert fit.good.all()
    assert np.sqrt(((fit.xy_px - corners.truth_px) ** 2).mean()) < 0.01


def test_a_ramp_of_light_does_not_move_a_corner() -> None:
    corners = draw(60, ramp=0.03)
    error = fitted(corners).xy_px - corners.truth_px
    # A ramp of 3 % a pixel moves the blurred picture by 0.03 * 0.85^2 = 0.022 px.
    assert np.abs(error.mean(0)).max() < 0.004
    assert np.sqrt((error**2).mean()) < 0.008


def test_noise_that_neighbours_share_widens_sigma() -> None:
    """Smoothed noise, as denoising leaves it, tells less than its strength at one pixel."""
    clean = draw(200)
    rng = np.random.default_rng(5)
    shape = clean.photo.linear_grey.shape
    shared = gaussian_filter(rng.standard_normal(shape), 0.8)
    light = clean.photo.linear_grey + 0.015 * shared / shared.std()
    corners = Corners(_photo(light), clean.truth_px, clean.edges_rad)
    fit = fitted(corners)
    scatter = np.sqrt(((fit.xy_px - corners.truth_px) ** 2).mean())
    stated = np.sqrt((fit.sigma_px**2).mean())
    assert scatter > 1.3 * bound_px(0.03, 0.8)
    assert 0.75 < stated / scatter < 1.25


def test_a_covered_corner_is_refused() -> None:
    """A grey edge laid across the window at 3 px from the corner."""
    clean = draw(60)
    light = np.array(clean.photo.linear_grey)
    covered = np.arange(0, 60, 3)
    for k in covered:
        x = round(clean.truth_px[k, 0]) + 3
        light[:, x : (k + 1) * SIDE] = 0.4
    corners = Corners(_photo(light), clean.truth_px, clean.edges_rad)
    fit = fitted(corners)
    passed = covered[fit.good[covered]]
    assert len(passed) <= 2
    error = np.linalg.norm(fit.xy_px - corners.truth_px, axis=1)
    assert (error[passed] < 4 * fit.sigma_px[passed]).all()  # doubtful, and says so
    assert fit.good[np.setdiff1d(np.arange(60), covered)].all()


def test_wrong_polarity_and_flat_grey_are_refused() -> None:
    corners = draw(20)
    turned = Corners(corners.photo, corners.truth_px, corners.edges_rad + np.pi / 2)
    assert not fitted(turned).good.any()
    flat = Corners(
        _photo(np.full(corners.photo.rgb.shape[:2], 0.3)), corners.truth_px, corners.edges_rad
    )
    assert not fitted(flat).good.any()


def test_corners_at_the_rim_of_the_photo_are_refused() -> None:
    corners = draw(3)
    near = np.array([[1.0, 12.0], [12.0, -3.0], [500.0, 500.0]])
    fit = refine(corners.photo, near, corners.edges_rad, np.full(3, 20.0))
    assert not fit.good.any()
    assert refine(corners.photo, near[:0], corners.edges_rad[:0], np.empty(0)).good.shape == (0,)
