"""Which sheet does not lie as the others say: tests on the normal equations.

For every sheet the question is what would be gained if it need not lie in the plane, and
for every block, if the sheet lay elsewhere in that photo alone.  Both are answered without
a new adjustment (score tests: exact as far as the problem is linear), so that twelve sheets
in twenty photos are gone through in the time of one step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.beliefs import FREE_MM, Beliefs
from digitize.bundle.heights import HEIGHTS, LEVEL, all_heights
from digitize.bundle.normal import Linearised, inverse
from digitize.bundle.state import PER_BLOCK, PER_SHEET, PLACE, STRETCH, State, order_of
from digitize.bundle.view import Problem
from digitize.bundle.weighing import Weighing

FloatArray = NDArray[np.float64]
Fault = Literal["lifted", "bent", "moved"]

_CERTAIN = 4.0  # standard deviations
_LEAST_GAIN = 25.0  # chi square
LIFTED_MM = 1.0
"""Off the plane by less is a bench that is not quite flat."""
BENT_MM = 1.0
"""Bulging by less is what paper does."""
MOVED_MM = 0.3
"""Between photos; less is told as a poor fit."""

_SHEET_IN_BLOCK = PER_BLOCK - PER_SHEET
_OWN = np.concatenate(
    [
        _SHEET_IN_BLOCK + np.arange(PLACE),
        _SHEET_IN_BLOCK + PLACE + STRETCH + np.arange(LEVEL),
    ]
)


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A sheet that would rather lie elsewhere."""

    fault: Fault
    sheet: int
    block: int | None  # for a moved sheet: where it lies otherwise
    gain: float  # chi square
    size_mm: float


def suspicions(
    state: State,
    problem: Problem,
    beliefs: Beliefs,
    weighing: Weighing,
    *,
    linear: Linearised,
    free: NDArray[np.bool_],
) -> list[Suspicion]:
    """All that stand out from noise and are large enough to matter, the worst first.

    ``linear`` is to be taken at the least cost.
    """
    order = order_of(problem)
    covariance = np.zeros((order.count, order.count))
    at = np.flatnonzero(free)
    whole = linear.information + linear.prior_information
    covariance[np.ix_(at, at)] = inverse(whole[np.ix_(at, at)])
    found = []
    for sheet in active_sheets(problem, weighing):
        found += _off_plane(sheet, state, problem, beliefs, covariance)
    for number in np.flatnonzero(weighing.active):
        sheet = problem.blocks[number].sheet
        if len(active_blocks(problem, weighing, sheet)) > 1:
            found += _elsewhere(int(number), problem, linear, covariance)
    return sorted(found, key=lambda s: -s.gain)


def active_sheets(problem: Problem, weighing: Weighing) -> list[int]:
    """Sheets that take part."""
    return sorted({problem.blocks[b].sheet for b in np.flatnonzero(weighing.active)})


def active_blocks(problem: Problem, weighing: Weighing, sheet: int) -> list[int]:
    """Blocks of a sheet that take part."""
    return [int(b) for b in np.flatnonzero(weighing.active) if problem.blocks[b].sheet == sheet]


def _off_plane(
    sheet: int,
    state: State,
    problem: Problem,
    beliefs: Beliefs,
    covariance: FloatArray,
) -> list[Suspicion]:
    at = order_of(problem).sheet(sheet)[PLACE + STRETCH :]
    held = beliefs.height_sigma_mm[sheet] ** -2 - FREE_MM**-2
    now = state.heights_mm[sheet]
    spread = covariance[np.ix_(at, at)]
    # (Sigma^-1 - held)^-1 without the inverse of Sigma.
    released = spread @ np.linalg.inv(np.eye(HEIGHTS) - held[:, None] * spread)
    released = (released + released.T) / 2
    push = held * now
    change = released @ push
    gain = float(held @ now**2 + push @ change)
    if gain < _LEAST_GAIN:
        return []
    off = _off(problem, sheet, now + change, released)
    return [] if off.fault is None else [Suspicion(off.fault, sheet, None, gain, off.size_mm)]


@dataclass(frozen=True, slots=True)
class OffPlane:
    """How a sheet departs from the plane."""

    lift_mm: float  # greatest, of the sheet as a whole
    bulge_mm: float  # from lowest to highest place of the paper
    lift_u_mm: float
    bulge_u_mm: float

    @property
    def lifted(self) -> bool:
        """Whether it is off as a whole, by more than benches are."""
        return self.lift_mm > max(LIFTED_MM, _CERTAIN * self.lift_u_mm)

    @property
    def bent(self) -> bool:
        """Whether it bulges, by more than paper does."""
        return self.bulge_mm > max(BENT_MM, _CERTAIN * self.bulge_u_mm)

    @property
    def fault(self) -> Literal["lifted", "bent"] | None:
        """The greater of the two, if any; a bulge lifts the middle of a sheet as well."""
        if self.bent and (not self.lifted or self.bulge_mm > self.lift_mm):
            return "bent"
        return "lifted" if self.lifted else None

    @property
    def size_mm(self) -> float:
        """Of the fault."""
        return self.bulge_mm if self.fault == "bent" else self.lift_mm


def off_plane(
    state: State, problem: Problem, linear: Linearised, free: NDArray[np.bool_], sheet: int
) -> OffPlane:
    """The departure of one sheet, with the uncertainty that ``linear`` gives it."""
    at = np.flatnonzero(free)
    whole = inverse((linear.information + linear.prior_information)[np.ix_(at, at)])
    mine = np.searchsorted(at, order_of(problem).sheet(sheet)[PLACE + STRETCH :])
    return _off(problem, sheet, state.heights_mm[sheet], whole[np.ix_(mine, mine)])


def _off(problem: Problem, sheet: int, heights_mm: FloatArray, covariance: FloatArray) -> OffPlane:
    terms = all_heights(problem.sheets[sheet])
    lift = terms[:, :LEVEL] @ heights_mm[:LEVEL]
    bulge = terms[:, LEVEL:] @ heights_mm[LEVEL:]
    worst = terms[int(np.abs(lift).argmax()), :LEVEL]
    ends = terms[int(bulge.argmax()), LEVEL:] - terms[int(bulge.argmin()), LEVEL:]
    return OffPlane(
        float(np.abs(lift).max()),
        float(np.ptp(bulge)),
        math.sqrt(max(float(worst @ covariance[:LEVEL, :LEVEL] @ worst), 0.0)),
        math.sqrt(max(float(ends @ covariance[LEVEL:, LEVEL:] @ ends), 0.0)),
    )


def _elsewhere(
    number: int, problem: Problem, linear: Linearised, covariance: FloatArray
) -> list[Suspicion]:
    """What a place of its own in one photo would gain: three of place, three of height."""
    block, part = problem.blocks[number], linear.parts[number]
    at = order_of(problem).block(problem, block)
    coupling = part.normal[_OWN]
    inner = part.normal[np.ix_(_OWN, _OWN)] - coupling @ covariance[np.ix_(at, at)] @ coupling.T
    inner[np.arange(PLACE, len(_OWN)), np.arange(PLACE, len(_OWN))] += FREE_MM**-2
    push = part.slope[_OWN]
    scale = 1 / np.sqrt(np.diag(part.normal)[_OWN] + 1e-300)
    change = scale * np.linalg.lstsq(inner * np.outer(scale, scale), scale * push, rcond=1e-6)[0]
    gain = float(push @ change)
    radius = float(np.hypot(*problem.size_mm(block.sheet))) / 2
    size_mm = float(np.hypot(*change[:2])) + abs(float(change[2])) * radius
    size_mm = max(size_mm, float(np.abs(change[PLACE:]).max()) / 3)
    if gain < _LEAST_GAIN or size_mm < MOVED_MM:
        return []
    return [Suspicion("moved", block.sheet, number, gain, size_mm)]
