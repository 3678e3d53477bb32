"""The order of bends: every one for a few bends, the most promising ones for many.

Whether a bend can be made depends on which others are made already, not in which order, so
the search goes over sets of bends (dynamic programming over subsets) and tries each step
from each set once.  A step that is blocked is blocked in every set that agrees in the bends
between what met, and is not tried again there.  For many bends only the cheapest sets of
each size are kept; where that finds no order, all sets that can be reached are searched,
up to thousands of each size, before an order is called impossible.  Two bends that block each
other whatever else is done settle it at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.bending_plan.bench import Bench
from digitize.bending_plan.operation import Block, Step

EXHAUSTIVE = 7  # bends, up to which nothing is pruned
KEPT = 24  # sets of each size, beyond that
MOST_KEPT = 3000  # before an order is given up; all there are of up to 13 bends
TURN_OVER, BY_HAND, LATE = 1.0, 4.0, 0.05
"""What turning the part over, hammering a bend, and its coming before others cost."""


@dataclass(frozen=True, slots=True)
class Order:
    """An order that works."""

    steps: tuple[Step, ...]
    cost: float


@dataclass(frozen=True, slots=True)
class _State:
    cost: float
    steps: tuple[Step, ...]
    orders: int  # that lead here


class Search:
    """Orders for a part at a tool; steps tried once are remembered."""

    def __init__(self, bench: Bench, special: dict[int, Bench] | None = None) -> None:
        """``special`` benches serve operations that the first one cannot make."""
        self.bench, self.special = bench, special or {}
        self.count = len(bench.part.operations)
        self.tried: dict[tuple[int, int, bool], Step | Block] = {}
        self._known: dict[tuple[int, bool], list[tuple[int, int, Block]]] = {}
        self.orders = 0  # that were kept and work, after ``best``
        self.proven = True  # that there is no order, where ``best`` found none

    @property
    def checks(self) -> int:
        """Single steps tried."""
        return self.bench.checks + sum(b.checks for b in self.special.values())

    def attempt(self, done: int, index: int, by_hand: bool = False) -> Step | Block:
        """One step from a state."""
        key = (done, index, by_hand)
        if key not in self.tried:
            known = self._known.setdefault((index, by_hand), [])
            found: Step | Block | None = next((b for c, s, b in known if done & c == s), None)
            if found is not None:
                pass
            elif by_hand:
                found = self.bench.hammer(done, index)
            else:
                found = self.bench.make(done, index)
                if isinstance(found, Block) and index in self.special:
                    blocked, found = found, self.special[index].make(done, index)
                    if isinstance(found, Block):
                        found = replace(found, cares=found.cares | blocked.cares)
            if isinstance(found, Block):
                known.append((found.cares, done & found.cares, found))
            self.tried[key] = found
        return self.tried[key]

    def best(
        self,
        hand: frozenset[int] = frozenset(),
        wanted: Sequence[int] | None = None,
        thorough: bool = True,
    ) -> Order | None:
        """The best order, or None where there is none at all.

        Operations of ``hand`` are hammered over.  Not ``thorough``, a search among many bends
        that was pruned in vain is not taken up again without pruning.  With ``wanted`` the
        best is the order nearest to it: the one that swaps the fewest pairs (Kendall 1938).
        """
        self.proven = True
        if self._hopeless(hand):
            return None
        if self.count <= EXHAUSTIVE:
            return self._levels(hand, wanted, MOST_KEPT)
        found = self._levels(hand, wanted, KEPT)
        if found is None and thorough:
            self.proven = True
            found = self._levels(hand, wanted, MOST_KEPT)
        return found

    def _hopeless(self, hand: frozenset[int]) -> bool:
        """Whether a bend is blocked whatever else is done, or two bends block each other."""
        for i in range(self.count):
            if i not in hand:
                tried = self.attempt(0, i)
                if isinstance(tried, Block) and not tried.cares:
                    return True
        return bool(self._against_one_another(hand))

    def follow(self, wanted: Sequence[int]) -> Order | Block:
        """The order as wanted, or the first block in it."""
        done, steps = 0, []
        for index in wanted:
            found = self.attempt(done, index)
            if isinstance(found, Block):
                return found
            steps.append(self.bench.measured(done, found))
            done |= 1 << index
        return Order(tuple(steps), 0.0)

    def blocks(self, hand: frozenset[int] = frozenset()) -> tuple[Block, ...]:
        """Why there is no order: bends that can never be made, else those left at the last."""
        against = self._against_one_another(hand)
        if against:
            return against
        made = {
            i for (_, i, by_hand), s in self.tried.items() if isinstance(s, Step) and not by_hand
        }
        never = [i for i in range(self.count) if i not in made | hand]
        if never:
            # Said from the flattest state: what is in the way then is in the way always.
            return tuple(self._first_block(i) for i in never)
        stuck = [
            (done.bit_count(), done, i)
            for (done, i, by_hand), s in self.tried.items()
            if isinstance(s, Block) and not by_hand and i not in hand
        ]
        deepest = max(stuck)[1]
        left = [i for i in range(self.count) if not deepest >> i & 1 and i not in hand]
        found = [b for i in left if isinstance(b := self.tried.get((deepest, i, False)), Block)]
        return (*found, *self._the_other_way_round(found))

    def _the_other_way_round(self, blocks: Sequence[Block]) -> list[Block]:
        """For every bend that one in its way blocks: why that one cannot come after it."""
        operations = self.bench.part.operations
        found: list[Block] = []
        for block in blocks:
            first = operations.index(block.operation)
            then = next((i for i, o in enumerate(operations) if o.name == block.because), None)
            against = [
                (done.bit_count(), done)
                for (done, i, by_hand), s in self.tried.items()
                if i == then and done >> first & 1 and not by_hand and isinstance(s, Block)
            ]
            if then is None or not against or operations[then] in {b.operation for b in blocks}:
                continue
            other = self.tried[min(against)[1], then, False]
            if isinstance(other, Block) and other.because == block.operation.name:
                found.append(other)
        return found

    def _against_one_another(self, hand: frozenset[int]) -> tuple[Block, ...]:
        """Two bends that each block the other whatever else is done, if there are such."""
        for i in range(self.count):
            for j in range(i):
                if i in hand or j in hand:
                    continue
                pair = self.attempt(1 << j, i), self.attempt(1 << i, j)
                if isinstance(pair[0], Block) and isinstance(pair[1], Block):
                    either = pair[0].cares | pair[1].cares
                    if either == (1 << i | 1 << j):
                        return pair[0], pair[1]
        return ()

    def _first_block(self, index: int) -> Block:
        tried = [(d.bit_count(), d) for d, i, by_hand in self.tried if i == index and not by_hand]
        block = self.attempt(min(tried)[1] if tried else 0, index)
        assert isinstance(block, Block)
        return block

    def _levels(
        self, hand: frozenset[int], wanted: Sequence[int] | None, kept: int
    ) -> Order | None:
        level: dict[tuple[int, bool | None], _State] = {(0, None): _State(0.0, (), 1)}
        for _ in range(self.count):
            following: dict[tuple[int, bool | None], _State] = {}
            for (done, _), state in level.items():
                for index in range(self.count):
                    if done >> index & 1:
                        continue
                    step = self.attempt(done, index, index in hand)
                    if isinstance(step, Block):
                        continue
                    cost = state.cost + self._cost(state, step, done, index, wanted)
                    key = (done | 1 << index, step.toward_face)
                    old = following.get(key)
                    orders = state.orders + (old.orders if old else 0)
                    if old is None or cost < old.cost - 1e-9:
                        following[key] = _State(cost, (*state.steps, step), orders)
                    else:
                        following[key] = _State(old.cost, old.steps, orders)
            level = following
            if len(level) > kept:
                self.proven = False
                level = dict(sorted(level.items(), key=lambda kv: kv[1].cost)[:kept])
        if not level:
            return None
        self.orders = sum(s.orders for s in level.values())
        best = min(level.values(), key=lambda s: s.cost)
        done, steps = 0, []
        for step in best.steps:
            steps.append(self.bench.measured(done, step))
            done |= 1 << self.bench.part.operations.index(step.operation)
        return Order(tuple(steps), best.cost)

    def _cost(
        self, state: _State, step: Step, done: int, index: int, wanted: Sequence[int] | None
    ) -> float:
        if wanted is not None:
            before = wanted[: list(wanted).index(index)]
            return float(sum(not done >> i & 1 for i in before))
        cost = LATE * index * (self.count - done.bit_count()) / math.prod((self.count, self.count))
        if state.steps and state.steps[-1].toward_face != step.toward_face:
            cost += TURN_OVER
        if step.choice is None:
            cost += BY_HAND - LATE * done.bit_count()
        return cost
