"""The order of assembly: the finished job taken apart, one move at a time, and turned round.

For each direction a graph says which piece runs into which (the directional blocking graph).
A set of pieces from which no arrow leads out can be moved away together; the smallest such
set over all directions is taken off first, single pieces before groups.  Fixed pieces stay.
Where no direction frees anything the pieces block one another: the pair that does, and what
would free it, is for ``freeing``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.assembly.body import Body
from digitize.assembly.directions import directions
from digitize.assembly.facing import Facing, between, flats_of
from digitize.assembly.sweep import Shadow, blocks

FloatArray = NDArray[np.float64]

_INTO = 0.05  # sine of the angle, some 3 degrees, from which a touching face is in the way


@dataclass(frozen=True, slots=True)
class Behind:
    """A lap: ``inner`` lies behind ``outer`` seen against ``toward``, the way to the viewer."""

    inner: str
    outer: str
    toward: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Work:
    """What finding a step, or nothing, took: moves of candidates, and pairs looked at for them.

    A move is one piece, or a group, in one direction.
    """

    moves: int = 0
    pairs: int = 0

    def __add__(self, other: Work) -> Work:
        """Both together."""
        return Work(self.moves + other.moves, self.pairs + other.pairs)

    def __sub__(self, other: Work) -> Work:
        """What came after the other."""
        return Work(self.moves - other.moves, self.pairs - other.pairs)


@dataclass(frozen=True, slots=True)
class Step:
    """One move of the assembly: pieces that go in together, the way they move, and onto what.

    Pieces that go in as a group are put together first, outside the job: ``onto`` is then
    the rest of the group.
    """

    pieces: tuple[str, ...]
    along: tuple[float, float, float]  # unit; the opposite of the way out
    onto: tuple[str, ...]
    work: Work = Work()


@dataclass(frozen=True, slots=True)
class Stuck:
    """Pieces that block one another in every direction tried.

    ``pair`` are two of them that run into each other in the most directions.
    """

    pieces: tuple[str, ...]
    pair: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps in the order of assembly, or what is stuck, and what it took to find out."""

    steps: tuple[Step, ...]
    stuck: Stuck | None
    work: Work


class Blocking:
    """Which piece runs into which in each direction, worked out when it is asked for."""

    def __init__(self, bodies: Sequence[Body], behind: Sequence[Behind] = ()) -> None:
        """Take pieces at their places and how they lap."""
        self.bodies = {b.name: b for b in bodies}
        self.behind = tuple(behind)
        self.work = Work()
        self._flats = {b.name: flats_of(b) for b in bodies}
        self._touching: dict[tuple[str, str], FloatArray] = {}
        self._shadows: dict[tuple[str, int], Shadow] = {}
        self._known: dict[tuple[str, str, int], bool] = {}
        self._last: dict[str, str] = {}
        names = list(self.bodies)
        facings = [f for k, a in enumerate(names) for b in names[:k] for f in self._facings(a, b)]
        self.directions = directions(bodies, facings)

    def with_other(self, body: Body) -> Blocking:
        """The same with one piece as it would be otherwise; what is known of the rest stays."""
        other = copy(self)
        other.bodies = self.bodies | {body.name: body}
        other.work = Work()
        other._flats = self._flats | {body.name: flats_of(body)}
        other._touching = {k: n for k, n in self._touching.items() if body.name not in k}
        other._shadows = {k: s for k, s in self._shadows.items() if k[0] != body.name}
        other._known = {k: b for k, b in self._known.items() if body.name not in k[:2]}
        return other

    def with_laps(self, behind: Sequence[Behind]) -> Blocking:
        """The same with other laps."""
        names = {n for lap in (*self.behind, *behind) for n in (lap.inner, lap.outer)}
        other = copy(self)
        other.behind, other.work = tuple(behind), Work()
        other._known = {k: b for k, b in self._known.items() if not {*k[:2]} <= names}
        return other

    def runs_into(self, mover: str, other: str, way: int) -> bool:
        """Whether a piece moved out along a direction runs into another."""
        key = (mover, other, way)
        if key not in self._known:
            self.work += Work(pairs=1)
            self._known[key] = (
                self._lapped(mover, other, way)
                or self._stopped(mover, other, way)
                or blocks(self._shadow(mover, way), self._shadow(other, way))
            )
        return self._known[key]

    def comes_free(self, mover: str, others: Sequence[str], way: int) -> bool:
        """Whether a piece can be moved out along a direction past all the others."""
        self.work += Work(moves=1)
        if any(self._known.get((mover, other, way)) for other in others):
            return False
        # What touches is the cheapest to ask, what was in the way last the likeliest.
        last = self._last.get(mover)
        order = sorted(others, key=lambda o: (not self._stopped(mover, o, way), o != last))
        for other in order:
            if self.runs_into(mover, other, way):
                self._last[mover] = other
                return False
        return True

    def _lapped(self, mover: str, other: str, way: int) -> bool:
        for lap in self.behind:
            out = float(np.dot(self.directions.unit[way], lap.toward))
            if (mover, other) == (lap.inner, lap.outer) and out > 1e-6:
                return True
            if (mover, other) == (lap.outer, lap.inner) and out < -1e-6:
                return True
        return False

    def _stopped(self, mover: str, other: str, way: int) -> bool:
        """Whether a face that touches is in the way from the start."""
        if (mover, other) not in self._touching:
            normals = [f.normal for f in self._facings(mover, other) if f.touches]
            self._touching[mover, other] = np.reshape(normals, (-1, 3))
        return bool((self._touching[mover, other] @ self.directions.unit[way] > _INTO).any())

    def _facings(self, one: str, other: str) -> Iterator[Facing]:
        if self.bodies[one].fixed and self.bodies[other].fixed:
            return iter(())
        return between(self._flats[one], self._flats[other])

    def _shadow(self, name: str, way: int) -> Shadow:
        key = (name, way)
        if key not in self._shadows:
            self._shadows[key] = Shadow(self.bodies[name], self.directions.unit[way])
        return self._shadows[key]


def plan_of(blocking: Blocking) -> Plan:
    """An order in which the pieces go in, with directions, or what blocks it."""
    before = blocking.work
    steps: list[Step] = []
    stuck = _take_apart(blocking, list(blocking.bodies), steps)
    return Plan(tuple(reversed(steps)), stuck, blocking.work - before)


def _take_apart(blocking: Blocking, names: list[str], steps: list[Step]) -> Stuck | None:
    """Take pieces off until one is left, or only fixed ones; groups are taken apart after."""
    left = list(names)
    while len(left) > 1 and any(not blocking.bodies[n].fixed for n in left):
        before = blocking.work
        found = _free_piece(blocking, left) or _free_group(blocking, left)
        if found is None:
            return _stuck(blocking, left)
        group, way = found
        out = blocking.directions.unit[way]
        along = (-float(out[0]) + 0.0, -float(out[1]) + 0.0, -float(out[2]) + 0.0)
        left = [n for n in left if n not in group]
        steps.append(Step(group, along, tuple(left), blocking.work - before))
        if len(group) > 1:
            stuck = _take_apart(blocking, list(group), steps)
            if stuck is not None:
                return stuck
    return None


def _free_piece(blocking: Blocking, names: Sequence[str]) -> tuple[tuple[str], int] | None:
    """A single piece that can be moved away, and in which direction, the plainest first."""
    for way in range(len(blocking.directions.unit)):
        for name in names:
            others = [n for n in names if n != name]
            if not blocking.bodies[name].fixed and blocking.comes_free(name, others, way):
                return (name,), way
    return None


def _free_group(blocking: Blocking, names: Sequence[str]) -> tuple[tuple[str, ...], int] | None:
    """The smallest set that can be moved away together along a direction that faces lead in."""
    best: tuple[tuple[str, ...], int] | None = None
    for way in range(blocking.directions.led):
        blocking.work += Work(moves=len(names))
        arrows = {a: {b for b in names if b != a and blocking.runs_into(a, b, way)} for a in names}
        for name in names:
            moved = _reached(arrows, name)
            if len(moved) == len(names) or any(blocking.bodies[m].fixed for m in moved):
                continue
            if best is None or len(moved) < len(best[0]):
                best = tuple(n for n in names if n in moved), way
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
            for way in range(blocking.directions.led)
        )
        for i, a in enumerate(names)
        for b in names[i + 1 :]
        if not (blocking.bodies[a].fixed and blocking.bodies[b].fixed)
    }
    return Stuck(tuple(names), max(counts, key=lambda pair: counts[pair]))
