"""The adjustment's derivatives against finite differences, and its layouts' own."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import seen_rules

from digitize.camera.priors import priors_for
from digitize.reference.adjustment import Problem, linearise
from digitize.reference.by_rule import _outlook
from digitize.reference.rules import RulesLayout
from digitize.sheets.layout import PrintScale


@pytest.fixture
def problem():
    rng = np.random.default_rng(11)
    _, frame, rules = seen_rules(rng, second=True, tilt_deg=18.0)
    layout = RulesLayout(rules, ((140.0, 90.0, 1.5),), (np.pi / 2, 0.01))
    outlook, _ = _outlook(rules[0])
    seen = layout.seen(1 / outlook.px_per_mm)
    prior = priors_for(frame, PrintScale(1, 1, 0, 0, True, ""))[0]
    own = layout.start + rng.normal(0, 1e-3, len(layout.start))
    state = outlook.states(prior, own)[1]
    return Problem(seen, layout, prior, 5.0), state


def test_slopes_are_those_of_the_residuals(problem):
    problem, state = problem
    ones = np.ones(len(problem.seen.px))
    at = linearise(state, problem, ones)
    sizes = np.array([1e-6] * 3 + [1e-3] * 3 + [1e-6, 1e-3, 1e-3, 1e-6, 1e-6])
    sizes = np.concatenate([sizes, np.full(len(state.own), 1e-6)])
    for i, size in enumerate(sizes):
        step = np.zeros(len(sizes))
        step[i] = size
        up, down = (linearise(state.moved(s), problem, ones) for s in (step, -step))
        for rows, slopes in (("seen_rows", "seen_slopes"), ("prior_rows", "prior_slopes")):
            by_difference = -(getattr(up, rows) - getattr(down, rows)) / (2 * size)
            exact = getattr(at, slopes)[:, i]
            scale = np.abs(exact).max() + 1e-3
            # Across a line the residual also turns with the line: second order, small.
            off = np.abs(at.seen_rows).max() if rows == "seen_rows" else 0.0
            assert np.abs(by_difference - exact).max() < 1e-3 * scale * (1 + 10 * off)


def test_nothing_behind_the_camera(problem):
    problem, state = problem
    step = np.zeros(11 + len(state.own))
    step[5] = -5000.0
    assert linearise(state.moved(step), problem, np.ones(len(problem.seen.px))) is None
