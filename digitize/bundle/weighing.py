"""Which corners count, and how much: false corners, rough prints, blocks set aside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.normal import residuals_px
from digitize.bundle.state import State
from digitize.bundle.view import Block, Problem

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_REJECT = 4.5  # standard deviations; 4e-5 of good corners lie outside
_RAYLEIGH_MEDIAN2 = 2 * math.log(2)  # median of the squared length of a 2-D unit normal
_FEWEST = 6  # corners of a block that a smooth curve is drawn through
_ROUNDS = 3


def distance2(state: State, problem: Problem, block: Block) -> FloatArray:
    """Squared distance (N,) of corners from where they should be, in standard deviations.

    Infinite for a block that the camera could not see.
    """
    off = residuals_px(state, problem, block)
    if off is None:
        return np.full(len(block.px), np.inf)
    return np.asarray((off**2).sum(axis=1) / block.sigma_px**2)


def typical2(distances2: Sequence[FloatArray]) -> float:
    """Robust variance of the residuals over their noise, no less than one."""
    if not distances2:
        return 1.0
    return max(float(np.median(np.concatenate(distances2))) / _RAYLEIGH_MEDIAN2, 1.0)


def good_corners(state: State, problem: Problem, block: Block) -> BoolArray:
    """Corners (N,) that go with their neighbours, wherever the whole block may lie.

    A quadratic drawn through the residuals takes up what a lens not yet known or a sheet
    out of place does to the block; what stands off from it is a false corner.
    """
    off = residuals_px(state, problem, block)
    if off is None:
        return np.zeros(len(block.px), dtype=bool)
    x, y = (block.local_mm / np.abs(block.local_mm).max()).T
    basis = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    basis = basis[:, : 6 if len(x) > 4 * _FEWEST else 3]
    good = np.ones(len(x), dtype=bool)
    weight = np.ones(len(x))
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)[:, None] / block.sigma_px[:, None]
        smooth = basis @ np.linalg.lstsq(basis * root, off * root, rcond=None)[0]
        d2 = ((off - smooth) ** 2).sum(axis=1) / block.sigma_px**2
        scale2 = max(float(np.median(d2)) / _RAYLEIGH_MEDIAN2, 1.0)
        weight = 1 / (1 + d2 / (6.0 * scale2))
        good = d2 < _REJECT**2 * scale2
    return np.asarray(good if good.sum() >= _FEWEST else np.zeros(len(x), dtype=bool))


@dataclass(frozen=True, slots=True, eq=False)
class Weighing:
    """Good corners of each block, the blocks that take part, and each sheet's roughness."""

    good: tuple[BoolArray, ...]  # (N,) of each block
    active: BoolArray  # (B,)
    rough2: FloatArray  # (S,) variance given to a sheet's corners over their own noise's

    def weights(self, problem: Problem) -> list[FloatArray]:
        """Weights (N,) of each block's corners over 1 / sigma^2."""
        return [
            np.asarray(good * (float(on) / float(self.rough2[block.sheet])), dtype=float)
            for block, good, on in zip(problem.blocks, self.good, self.active, strict=True)
        ]

    def without(self, blocks: Sequence[int]) -> Weighing:
        """With some more blocks set aside."""
        active = self.active.copy()
        active[list(blocks)] = False
        return Weighing(self.good, active, self.rough2)

    def with_(self, blocks: Sequence[int]) -> Weighing:
        """With some blocks taking part again."""
        active = self.active.copy()
        active[list(blocks)] = True
        return Weighing(self.good, active, self.rough2)
