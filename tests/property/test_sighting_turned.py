"""Turning a photo turns what is seen in it, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from digitize.photo.photo import Photo
from digitize.sighting.sight import sight

WIDTH, HEIGHT = 900, 700
RIM = np.array([(220, 670), (660, 660), (640, 40), (250, 30)], float)


@given(
    number=st.integers(1, 63),
    form=st.sampled_from(["ring", "card"]),
    pull=st.lists(st.floats(-18, 18), min_size=8, max_size=8),
    turns=st.integers(1, 3),
)
@settings(
    max_examples=8,
    deadline=None,
    phases=[Phase.generate],  # each example draws a photo: no time to seek the simplest
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_same_corners_after_quarter_turns(
    photographed: Callable[..., Any], number: int, form: str, pull: list[float], turns: int
) -> None:
    rim = RIM + np.array(pull).reshape(4, 2)
    photo, _ = photographed(form, "A4", number, rim, size_px=(WIDTH, HEIGHT))
    turned = Photo("drawn.jpg", "", np.ascontiguousarray(np.rot90(photo.rgb, turns)), None, None)
    first = {s.sheet: s for s in sight(photo)}
    second = {s.sheet: s for s in sight(turned)}
    assert first.keys() == second.keys()
    for sheet, before in first.items():
        after = second[sheet]
        seen = dict(zip(map(tuple, before.corners_mm.tolist()), before.corners_px, strict=True))
        again = dict(zip(map(tuple, after.corners_mm.tolist()), after.corners_px, strict=True))
        both = sorted(seen.keys() & again.keys())
        # One at the brink of being refused may fall on the other side.
        assert len(both) >= 0.98 * max(len(seen), len(again))
        x, y = np.array([seen[place] for place in both]).T
        for turn in range(turns):  # anticlockwise, as numpy turns
            width = WIDTH if turn % 2 == 0 else HEIGHT
            x, y = y, width - 1 - x
        off = np.linalg.norm(
            np.array([again[place] for place in both]) - np.stack([x, y], 1), axis=1
        )
        assert np.median(off) < 1e-4
        assert np.percentile(off, 95) < 0.01
        assert off.max() < 0.2  # half way between pixels the window may move by one
