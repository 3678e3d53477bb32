"""The stated ± of lengths by one or two rules holds, and is not padded."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from simulated import CORNERS_MM, seen_rules

from digitize.reference.by_rule import camera_by_rules
from digitize.reference.shape import length_u_mm, shape_doubt


def coverage(count, **kind):
    inside, by_shape, z = [], [], []
    for seed in range(count):
        shot, frame, rules = seen_rules(np.random.default_rng(1000 + seed), **kind)
        camera = camera_by_rules(frame, rules).solution.camera
        px = shot.px(CORNERS_MM)
        mm = camera.to_sheet(px)
        doubt = shape_doubt(camera, px)
        for i, j in combinations(range(len(px)), 2):
            true = np.hypot(*(CORNERS_MM[i] - CORNERS_MM[j]))
            error = np.hypot(*(mm[i] - mm[j])) - true
            u = length_u_mm(camera, px[[i, j]])
            z.append(error / u)
            inside.append(abs(error) < 2 * u)
            by_shape.append(abs(error) < 2 * doubt.length_u_mm(true))
    return np.mean(inside), np.mean(by_shape), np.sqrt(np.mean(np.square(z)))


@pytest.mark.parametrize("kind", [{}, {"second": True}, {"tilt_deg": 25.0}])
def test_errors_are_as_large_as_stated(kind):
    inside, by_shape, spread = coverage(50, **kind)
    assert inside > 0.88  # 50 photos, whose lengths err together
    assert by_shape > 0.88
    assert 0.6 < spread < 1.25
