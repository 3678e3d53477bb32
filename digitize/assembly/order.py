"""The order of assembly: the finished job taken apart, one move at a time, and turned round.

For each direction a graph says which piece runs into which (the directional blocking graph).
A set of pieces from which no arrow leads out can be moved away together; the smallest such
set over all directions is taken off first, single pieces before groups.  Fixed pieces stay.
Where no direction frees anything the pieces block one another: the pair that does, and what
would free it, is for ``freeing``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.assembly.body import Body
from digitize.assembly.directions import candidates
from digitize.assembly.sweep import Shadow, blocks

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Behind:
    """A lap: ``inner`` lies behind ``outer`` seen against ``toward``, the way to the viewer."""

    inner: str
    outer: str
    toward: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Step:
    """One move of the assembly: pieces that go in together, the way they move, and onto what.

    Pieces that go in as a group are put together first, outside the job: ``onto`` is then
    the rest of the group.
    """

    pieces: tuple[str, ...]
    along: tuple[float, float, float]  # unit; the opposite of the way out
    onto: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stuck:
    """Pieces that block one another in every direction tried.

    ``pair`` are two of them that run into each other in the most directions.
    """

    pieces: tuple[str, ...]
    pair: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps in the order of assembly, or what is stuck; ``tests`` counts the pairs tried."""

    steps: tuple[Step, ...]
    stuck: Stuck | None
    directions: int
    tests: int


class Blocking:
    """Which piece runs into which in each direction, worked out when it is asked for."""

    def __init__(self, bodies: Sequence[Body], behind: Sequence[Behind] = ()) -> None:
        """Take pieces at their places and how they lap."""
        self.bodies = {b.name: b for b in bodies}
        self.behind = tuple(behind)
        self.directions = candidates(bodies)
        self.tests = 0
        self._shadows: dict[tuple[str, int], Shadow] = {}
        self._known: dict[tuple[str, str, int], bool] = {}

    def with_other(self, body: Body) -> Blocking:
        """The same with one piece as it would be otherwise; what is known of the rest stays."""
        other = copy(self)
        other.bodies = self.bodies | {body.name: body}
        other.tests = 0
        other._shadows = {k: s for k, s in self._shadows.items() if k[0] != body.name}
        other._known = {k: b for k, b in self._known.items() if body.name not in k[:2]}
        return other

    def with_laps(self, behind: Sequence[Behind]) -> Blocking:
        """The same with other laps."""
        names = {n for lap in (*self.behind, *behind) for n in (lap.inner, lap.outer)}
        other = copy(self)
        other.behind, other.tests = tuple(behind), 0
        other._known = {k: b for k, b in self._known.items() if not {*k[:2]} <= names}
        return other

    def runs_into(self, mover: str, other: str, way: int) -> bool:
        """Whether a piece moved out along a direction runs into another."""
        key = (mover, other, way)
        if key not in self._known:
            self.tests += 1
            self._known[key] = self._lapped(mover, other, way) or blocks(
                self._shadow(mover, way), self._shadow(other, way)
            )
        return self._known[key]

    def _lapped(self, mover: str, other: str, way: int) -> bool:
        for lap in self.behind:
            out = float(np.dot(self.directions[way], lap.toward))
            if (mover, other) == (lap.inner, lap.outer) and out > 1e-6:
                return True
            if (mover, other) == (lap.outer, lap.inner) and out < -1e-6:
                return True
        return False

    def _shadow(self, name: str, way: int) -> Shadow:
        key = (name, way)
        if key not in self._shadows:
            self._shadows[key] = Shadow(self.bodies[name], self.directions[way])
        return self._shadows[key]


def assembly_order(bodies: Sequence[Body], behind: Sequence[Behind] = ()) -> Plan:
    """An order in which the pieces go in, with directions, or what blocks it."""
    return plan_of(Blocking(bodies, behind))


def plan_of(blocking: Blocking) -> Plan:
    """The same for a blocking graph that is there already."""
    steps: list[Step] = []
    stuck = _take_apart(blocking, list(blocking.bodies), steps)
    return Plan(tuple(reversed(steps)), stuck, len(blocking.directions), blocking.tests)


def _take_apart(blocking: Blocking, names: list[str], steps: list[Step]) -> Stuck | None:
    """Take pieces off until one is left, or only fixed ones; groups are taken apart after."""
    left = list(names)
    while len(left) > 1 and any(not blocking.bodies[n].fixed for n in left):
        found = _free_set(blocking, left)
        if found is None:
            return _stuck(blocking, left)
        group, way = found
        out = blocking.directions[way]
        along = (-float(out[0]) + 0.0, -float(out[1]) + 0.0, -float(out[2]) + 0.0)
        left = [n for n in left if n not in group]
        steps.append(Step(tuple(group), along, tuple(left)))
        if len(group) > 1:
            stuck = _take_apart(blocking, list(group), steps)
            if stuck is not None:
                return stuck
    return None


def _free_set(blocking: Blocking, names: Sequence[str]) -> tuple[tuple[str, ...], int] | None:
    """The smallest set that can be moved away together, and in which direction."""
    best: tuple[tuple[str, ...], int] | None = None
    for way in range(len(blocking.directions)):
        arrows = {a: {b for b in names if b != a and blocking.runs_into(a, b, way)} for a in names}
        for name in names:
            moved = _reached(arrows, name)
            if len(moved) == len(names) or any(blocking.bodies[m].fixed for m in moved):
                continue
            if best is None or len(moved) < len(best[0]):
                best = tuple(n for n in names if n in moved), way
            if len(moved) == 1:
                return best
    return best


def _reached(arrows: Mapping[str, set[str]], start: str) -> set[str]:
    """Everything that has to move along when a piece moves."""
    reached, ahead = {start}, [start]
    while ahead:
        for other in arrows[ahead.pop()]:
            if other not in reached:
                reached.add(other)
                ahead.append(other)
    return reached


def _stuck(blocking: Blocking, names: Sequence[str]) -> Stuck:
    counts = {
        (a, b): sum(
            blocking.runs_into(a, b, way) + blocking.runs_into(b, a, way)
            for way in range(len(blocking.directions))
        )
        for i, a in enumerate(names)
        for b in names[i + 1 :]
        if not (blocking.bodies[a].fixed and blocking.bodies[b].fixed)
    }
    return Stuck(tuple(names), max(counts, key=lambda pair: counts[pair]))
