"""The paper white against the lamp that really shone."""

from dataclasses import replace

import numpy as np
import pytest

from digitize.tracing.light import PaperNotSeen, fit_paper_light


def lamp(points_mm):
    off = (points_mm - (90, 140)) / 400
    return 0.7 * (1 + 0.2 * off[:, 0]) * np.exp(-(off**2).sum(axis=1))


def test_the_white_follows_the_lamp(photograph, drawn):
    shot = photograph(light=lamp)
    light = fit_paper_light(shot.photo, shot.camera, shot.sheet)
    w, h = shot.sheet.size_mm
    grid = np.stack(np.meshgrid(np.linspace(0, w, 9), np.linspace(0, h, 9)), -1).reshape(-1, 2)
    true = lamp(grid)[:, None] * np.array(drawn.PAPER)
    error = light.white_at(shot.camera.to_px(grid)) / true - 1
    assert np.abs(error).max() < 0.03
    assert light.inlier_share > 0.95
    assert light.clipped_share == 0.0


def test_a_shadow_over_a_third_of_the_ring_is_left_out(photograph, drawn):
    def shaded(p):
        return lamp(p) * (0.4 + 0.6 / (1 + np.exp(-(p[:, 0] + 0.3 * p[:, 1] - 75) / 2)))

    shot = photograph(light=shaded)
    light = fit_paper_light(shot.photo, shot.camera, shot.sheet)
    lit = np.array([(150.0, 60.0), (150.0, 150.0), (120.0, 220.0), (170.0, 240.0)])
    error = (
        light.white_at(shot.camera.to_px(lit)) / (lamp(lit)[:, None] * np.array(drawn.PAPER)) - 1
    )
    assert np.abs(error).max() < 0.05
    assert 0.4 < light.inlier_share < 0.9


def test_ratio_is_one_on_paper_at_any_step_and_window(photograph):
    shot = photograph(light=lamp)
    light = fit_paper_light(shot.photo, shot.camera, shot.sheet)
    x, y = (int(v) for v in shot.camera.to_px(np.array([[90.0, 130.0]]))[0])
    for step in (1, 2, 4):
        ratio = light.ratio(x - 40, y - 40, x + 41, y + 41, step)
        assert ratio.shape == (81 // step, 81 // step, 3)
        assert np.median(ratio) == pytest.approx(1.0, abs=0.02)
        assert light.clipped(x - 40, y - 40, x + 41, y + 41, step).shape == ratio.shape[:2]


def test_whole_photo_white_agrees_with_single_points(photograph):
    shot = photograph(light=lamp)
    light = fit_paper_light(shot.photo, shot.camera, shot.sheet)
    field = light.white(0, 0, shot.photo.width_px, shot.photo.height_px)
    at = np.array([(0, 0), (799, 600), (1599, 1199), (37, 1100)], dtype=float)
    exact = light.white_at(at)
    picked = field[at[:, 1].astype(int), at[:, 0].astype(int)]
    assert np.allclose(picked, exact, rtol=1e-3)


def test_too_dark_says_so(photograph):
    shot = photograph(light=lambda p: np.full(len(p), 0.004))
    with pytest.raises(PaperNotSeen, match="too dark to tell paper from ink"):
        fit_paper_light(shot.photo, shot.camera, shot.sheet)


def test_target_out_of_the_frame_says_so(photograph):
    shot = photograph()
    away = replace(shot.camera, translation_mm=shot.camera.translation_mm + np.array([2e3, 0, 0]))
    with pytest.raises(PaperNotSeen, match="fewer than three white squares"):
        fit_paper_light(shot.photo, away, shot.sheet)
