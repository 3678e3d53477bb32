"""Sub-pixel steps against pictures made by area sampling at 8 x 8 cells a pixel."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from digitize.tracing.edges import locate

NOISE, LOW, HIGH = 0.012, 0.2, 0.6


def picture(depth, size, blur, *, low=LOW, high=HIGH, fine=8):
    """``low`` where the signed ``depth(x, y)`` is positive, blurred and averaged per pixel."""
    at = (np.arange(size * fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(at, at)
    mask = np.clip(depth(x, y) * fine + 0.5, 0.0, 1.0)
    mask = gaussian_filter(mask, blur * fine, mode="nearest")
    mask = mask.reshape(size, fine, size, fine).mean(axis=(1, 3))
    return high + (low - high) * mask


def straight(rng, blur, size=81):
    angle = rng.uniform(0, 2 * np.pi)
    normal = np.array([np.cos(angle), np.sin(angle)])
    at = np.full(2, size / 2) + rng.uniform(-1, 1, 2)
    image = picture(lambda x, y: (at[0] - x) * normal[0] + (at[1] - y) * normal[1], size, blur)
    return image, at, normal


def round_edge(centre, radius, count=72):
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    normal = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return centre + radius * normal, normal


@pytest.mark.parametrize("blur", [0.5, 0.8, 1.3])
def test_straight_edges_reach_the_bound_without_bias(blur):
    """accuracy.md section 2: sigma >= 1.8828 sqrt(s / L) noise / contrast for L px of edge."""
    rng = np.random.default_rng(5)
    error, claimed = [], []
    for _ in range(40):
        clean, at, normal = straight(rng, blur)
        along = np.array([-normal[1], normal[0]])
        for _ in range(4):
            image = clean + rng.normal(0, NOISE, clean.shape)
            shift = rng.uniform(-1.5, 1.5)
            where = at + rng.uniform(-8, 8) * along + shift * normal
            edge = locate(image, where[None], normal[None], along_px=21, reach_px=6)
            assert edge.ok[0]
            error.append(edge.offset_px[0] + shift)
            claimed.append(edge.sigma_px[0])
    s = np.hypot(blur, 12**-0.5)
    bound = 1.8828 * np.sqrt(s / 21) * NOISE / (HIGH - LOW)
    assert 0.85 * bound < np.std(error) < 1.45 * bound
    assert 0.85 * np.std(error) < np.median(claimed) < 1.25 * np.std(error)
    assert abs(np.mean(error)) < 3 * np.std(error) / np.sqrt(len(error))


def test_noise_free_edge_has_no_ripple_with_pixel_phase():
    rng = np.random.default_rng(6)
    worst = 0.0
    for _ in range(40):
        image, at, normal = straight(rng, 0.8)
        edge = locate(image, at[None], normal[None])
        worst = max(worst, abs(edge.offset_px[0]))
    assert worst < 0.008


@pytest.mark.parametrize("outward", [1, -1], ids=["boss", "hole"])
@pytest.mark.parametrize("radius", [8.0, 17.0])
def test_round_edge_moves_inward_only_by_its_blur(radius, outward):
    blur, centre = 1.0, np.array([40.3, 39.8])
    depth = lambda x, y: outward * (radius - np.hypot(x - centre[0], y - centre[1]))  # noqa: E731
    image = picture(depth, 81, blur)
    points, radial = round_edge(centre, radius)
    edge = locate(
        image,
        points,
        outward * radial,
        curvature_per_px=np.full(len(points), outward / radius),
        reach_px=5,
    )
    inward = -outward * edge.offset_px
    bias = edge.blur_px**2 / (2 * radius)
    assert edge.ok.all()
    assert abs(np.mean(inward - bias)) < 0.15 * bias.mean()
    # Read as if straight, the strip adds its own sagitta, about along^2 / (24 R).
    flat = locate(image, points, outward * radial, reach_px=5)
    added = np.mean(-outward * flat.offset_px - inward)
    assert added == pytest.approx(7.4**2 / (24 * radius), rel=0.4)


def test_a_second_edge_is_kept_out_by_the_range():
    """Paper 0.6, wall 0.35 from 0 to -5 px, face 0.1 beyond: the wall's foot is wanted."""
    first = picture(lambda x, y: 40.3 - x, 81, 0.8, low=0.35)
    image = first + picture(lambda x, y: 35.3 - x, 81, 0.8, low=-0.25, high=0.0)
    at, normal = np.array([[40.0, 40.0]]), np.array([[1.0, 0.0]])
    open_range = locate(image, at, normal, reach_px=8)
    narrow = locate(image, at, normal, reach_px=8, inside_px=np.array([3.0]))
    assert abs(open_range.offset_px[0] - 0.3) > 0.3
    assert abs(narrow.offset_px[0] - 0.3) < 0.03


def test_the_foot_of_a_dark_wall_is_found_between_metal_and_paper_alike():
    """Glare: metal 0.62, a wall of 0.3 that shows 3 px wide, paper 0.6 in contact shadow."""
    rng = np.random.default_rng(9)
    off, beyond = [], []
    for _ in range(40):
        shift = rng.uniform(-1.5, 1.5)
        foot = 40.0 + rng.uniform(-0.5, 0.5)
        image = picture(lambda x, y, foot=foot: foot - x, 81, 0.8, low=0.3, high=0.6)
        image += picture(lambda x, y, foot=foot: foot - 3.0 - x, 81, 0.8, low=0.32, high=0.0)
        x = np.arange(81.0)
        image -= np.where(x > foot, 0.1 * np.exp(-(x - foot) / 6.0), 0.0)
        image += rng.normal(0, NOISE, image.shape)
        at, normal = np.array([[foot + shift, 40.0]]), np.array([[1.0, 0.0]])
        edge = locate(image, at, normal, reach_px=6, sloping=True, inner_band_px=np.array([3.0]))
        assert edge.ok[0]
        off.append(edge.offset_px[0] + shift)
        beyond.append(edge.outside[0])
    assert np.max(np.abs(off)) < 0.5
    assert abs(np.median(off)) < 0.1
    assert np.median(beyond) == pytest.approx(0.5, abs=0.05)


def test_nothing_to_see_is_said():
    rng = np.random.default_rng(7)
    at = rng.uniform(10, 70, (200, 2))
    angle = rng.uniform(0, 2 * np.pi, 200)
    normal = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    plain = 0.5 + rng.normal(0, NOISE, (81, 81))
    assert np.mean(locate(plain, at, normal).ok) < 0.03
    out_of_frame = locate(plain, np.array([[-20.0, 5.0]]), np.array([[1.0, 0.0]]))
    assert not out_of_frame.ok[0]
    assert len(locate(plain, np.zeros((0, 2)), np.zeros((0, 2))).ok) == 0


def test_correlated_noise_is_not_counted_as_new_information():
    """In-camera smoothing makes neighbours alike; the claim must follow the real scatter."""
    rng = np.random.default_rng(8)
    error, claimed = [], []
    for _ in range(60):
        clean, at, normal = straight(rng, 1.0)
        noise = gaussian_filter(rng.normal(0, 1, clean.shape), 0.7)
        image = clean + NOISE * noise / noise.std()
        along = np.array([-normal[1], normal[0]])
        where = at + np.linspace(-24, 24, 7)[:, None] * along
        edge = locate(image, where, np.tile(normal, (7, 1)))
        error.append(edge.offset_px)
        claimed.append(edge.sigma_px)
    ratio = np.median(np.concatenate(claimed)) / np.std(np.concatenate(error))
    assert 0.75 < ratio < 1.4
