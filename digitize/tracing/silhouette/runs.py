"""Runs of points round a closed loop: gaps in what was measured, and what lies between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d  # type: ignore[attr-defined]

Mask = NDArray[np.bool_]


def stretches(mask: Mask) -> list[NDArray[np.intp]]:
    """Indices of every run of True round a closed loop (N,)."""
    n = len(mask)
    if mask.all() or not mask.any():
        return [np.arange(n)] if mask.any() else []
    order = (int(np.flatnonzero(~mask)[0]) + np.arange(n)) % n
    change = np.flatnonzero(np.diff(np.append(mask[order], False).astype(np.int8)))
    return [order[a + 1 : b + 1] for a, b in change.reshape(-1, 2)]


def islands(ok: Mask) -> Mask:
    """Points (N,) of a closed loop in runs of True shorter than the gaps on both sides."""
    alone = np.zeros(len(ok), dtype=bool)
    runs, gaps = stretches(ok), stretches(~ok)
    if len(gaps) > 1:
        before = {int(gap[-1] + 1) % len(ok): len(gap) for gap in gaps}
        after = {int(gap[0]): len(gap) for gap in gaps}
        for run in runs:
            beside = before[int(run[0])], after[int(run[-1] + 1) % len(ok)]
            alone[run] = len(run) < min(beside)
    return alone


def mostly(mask: Mask, within: Mask) -> Mask:
    """Points (N,) of those runs of ``within`` round a closed loop that are mostly ``mask``."""
    there = np.zeros(len(mask), dtype=bool)
    for run in stretches(within):
        there[run] = mask[run].mean() > 0.5
    return there


def holding(mask: Mask, any_of: Mask) -> Mask:
    """Runs (N,) of ``mask`` round a closed loop that hold any of some points."""
    held = np.zeros(len(mask), dtype=bool)
    for run in stretches(mask):
        held[run] = any_of[run].any()
    return held


def grown(mask: Mask, by: int) -> Mask:
    """True (N,) wherever a True lies within ``by`` points round a closed loop."""
    return np.asarray(maximum_filter1d(mask, 2 * by + 1, mode="wrap"))
