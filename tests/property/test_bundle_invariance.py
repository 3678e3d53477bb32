"""Joint solving does not care for the order of photos and sheets, or for which is the datum."""

from __future__ import annotations

import dataclasses

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from digitize.bundle.joint import solve
from digitize.sheets.layout import PrintScale

EXACT = PrintScale(1.0, 1.0, 1e-9, 1e-9, True, "test")


def distances(solution):
    """Distances between the middles of all sheets, sorted by the sheets' names."""
    placed = sorted(solution.placements, key=lambda p: str(p.sheet))
    middles = np.array([p.middle_mm for p in placed])
    return np.linalg.norm(middles[:, None] - middles[None], axis=2)


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_order_and_datum_change_nothing(bench, data):
    table = bench(4, seed=data.draw(st.integers(0, 50)))
    views = [table.view(f"{k}.jpg", azimuth_deg=100.0 * k, tilt_deg=18.0)[1] for k in range(3)]
    first = solve(views, EXACT)
    shuffled = [
        dataclasses.replace(view, sightings=tuple(data.draw(st.permutations(view.sightings))))
        for view in data.draw(st.permutations(views))
    ]
    datum = data.draw(st.sampled_from([laid.sheet for laid in table.sheets]))
    second = solve(shuffled, EXACT, datum)
    assert np.abs(distances(first) - distances(second)).max() < 0.01
    ours = {view.name: view.camera for view in first.views}
    for view in second.views:
        assert abs(view.camera.focal_px / ours[view.name].focal_px - 1) < 2e-4
