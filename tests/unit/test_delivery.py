import numpy as np

from digitize.delivery import _bridged, _unseen
from digitize.pattern.contour import Circle, Slot
from digitize.tracing.traces import BRIDGED, MEASURED, TracedLoop, TracedPiece


def loop(bridged: list[int]) -> TracedLoop:
    """A circle of 20 mm radius in 200 points, some of them bridged."""
    a = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    points = 20.0 * np.column_stack((np.cos(a), np.sin(a)))
    evidence = np.full(200, MEASURED, np.uint8)
    evidence[bridged] = BRIDGED
    return TracedLoop(points, 10.0 * points, np.full(200, 0.05), evidence, 0.3)


def test_every_closed_edge_that_was_not_measured_is_shown() -> None:
    for closed in (Circle((0, 0), 5, "restored"), Slot((0, 0), (20, 0), 4, "bridged")):
        shown = np.vstack(list(_unseen(closed)))
        assert np.ptp(shown[:, 1]) > 7.9
    assert not list(_unseen(Circle((0, 0), 5)))


def test_bridged_stretches_come_in_runs_a_little_longer_than_the_gap() -> None:
    piece = TracedPiece(loop([199, 0, 1, 90]), (loop([]),))
    runs = sorted(_bridged(piece), key=lambda run: len(run[0]))
    assert len(runs) == 2
    spacing_mm = 2 * np.pi * 20 / 200
    for (points_mm, points_px), gap in zip(runs, (1, 3), strict=True):
        assert np.allclose(10.0 * points_mm, points_px)
        steps = np.hypot(*np.diff(points_mm, axis=0).T)
        assert np.allclose(steps, spacing_mm, rtol=1e-3)  # in order, across the start as well
        assert len(points_mm) == gap + 2 * round(1.0 / spacing_mm)
    assert np.allclose(runs[1][0].mean(axis=0), (20.0, 0.0), atol=0.2)


def test_a_loop_bridged_all_round_is_shown_closed() -> None:
    ((points_mm, _),) = _bridged(TracedPiece(loop(list(range(200)))))
    assert np.allclose(points_mm[0], points_mm[-1])
