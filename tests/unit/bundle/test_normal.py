"""The normal equations against numerical differences of OpenCV-free residuals."""

from __future__ import annotations

import numpy as np
import pytest

from digitize.bundle.beliefs import usual_beliefs
from digitize.bundle.gauge import _generators
from digitize.bundle.normal import cost_of, linearise, residuals_px
from digitize.bundle.search import search
from digitize.bundle.state import order_of, reframed
from digitize.bundle.view import problem_of
from digitize.sheets.layout import PrintScale

SCALE = PrintScale(1.0, 1.0, 2e-3, 2e-3, True, "test")


@pytest.fixture
def solved(bench):
    table = bench(3)
    views = [table.view(f"{k}.jpg", azimuth_deg=90.0 * k)[1] for k in range(2)]
    problem = problem_of(views, SCALE)
    return problem, search(problem, 0).state


def weights_of(problem):
    return [np.ones(len(block.px)) for block in problem.blocks]


def test_slopes_are_those_of_the_cost(solved):
    problem, state = solved
    rng = np.random.default_rng(2)
    beliefs, order = usual_beliefs(problem), order_of(problem)
    linear = linearise(state, problem, beliefs, weights_of(problem))
    scale = 1 / np.sqrt(np.diag(linear.information + linear.prior_information))
    away = state.moved(problem, 3 * scale * rng.normal(size=order.count))
    linear = linearise(away, problem, beliefs, weights_of(problem))
    for unknown in range(order.count):
        step = np.zeros(order.count)
        step[unknown] = 1e-4 * scale[unknown]
        there, back = (
            cost_of(away.moved(problem, s * step), problem, beliefs, weights_of(problem))
            for s in (1, -1)
        )
        slope = (there - back) / (2 * step[unknown])
        told = -2 * linear.slope[unknown]
        assert slope * scale[unknown] == pytest.approx(told * scale[unknown], rel=1e-3, abs=0.05)


def test_what_is_a_change_of_frame_changes_no_residual(solved):
    problem, state = solved
    before = np.vstack([residuals_px(state, problem, b) for b in problem.blocks])
    for column in _generators(state, problem).T[:3]:
        size = np.linalg.norm(column)
        moved = state.moved(problem, 1e-5 / size * column)
        after = np.vstack([residuals_px(moved, problem, b) for b in problem.blocks])
        assert np.abs(after - before).max() < 1e-6
    shifted = reframed(state, problem, 2)
    after = np.vstack([residuals_px(shifted, problem, b) for b in problem.blocks])
    assert np.abs(after - before).max() < 1e-7


def test_a_common_scale_changes_no_residual(solved):
    problem, state = solved
    before = np.vstack([residuals_px(state, problem, b) for b in problem.blocks])
    moved = state.moved(problem, 1e-6 * _generators(state, problem)[:, 3])
    after = np.vstack([residuals_px(moved, problem, b) for b in problem.blocks])
    assert np.abs(after - before).max() < 1e-6


def test_a_block_behind_the_camera_is_not_seen(solved):
    problem, state = solved
    step = np.zeros(order_of(problem).count)
    step[order_of(problem).photo(0)[5]] = -1e5
    behind = state.moved(problem, step)
    assert residuals_px(behind, problem, problem.blocks[0]) is None
    assert cost_of(behind, problem, usual_beliefs(problem), weights_of(problem)) == np.inf
