"""Telling a small drawn cross from other ink."""

import numpy as np

from digitize.tracing.ink.crosses import _four_arms


def star(directions):
    """Radius and angle of ink along some directions in degrees."""
    angle = np.radians(np.repeat(directions, 30).astype(float))
    radius = np.tile(np.linspace(1.0, 20.0, 30), len(directions))
    return radius, np.arctan2(np.sin(angle), np.cos(angle))


def test_four_arms_are_found_and_a_blot_has_none():
    found = _four_arms(*star([2, 92, 182, 272]), 1.0)
    assert found is not None
    directions = np.sort(np.degrees(found[0]) % 360)
    assert np.allclose(directions, [2, 92, 182, 272], atol=1.0)
    everywhere = np.arange(2, 360, 5)
    assert _four_arms(*star(everywhere), 1.0) is None
    # One direction missed by chance is closed, and then there is no gap to start from.
    assert _four_arms(*star(np.delete(everywhere, 20)), 1.0) is None
