"""The bending plan of a blank: an order that works, or why none does and the nearest remedy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.bending_plan.bench import Bench
from digitize.bending_plan.operation import Block, Step
from digitize.bending_plan.part import Part
from digitize.bending_plan.remedies import Remedy, remedies
from digitize.bending_plan.search import Order, Search
from digitize.bending_plan.tools import Tool, Vice
from digitize.blank.develop import Blank
from digitize.errors import DigitizeError, Exit

MOST_BENDS = 16  # the search is over sets of bends: 65 536 of them


class BadPlan(DigitizeError):
    """What was asked of the plan makes no sense."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps in order; empty where there is no order, and then blocks and remedies say more."""

    tool: Tool
    metal: str
    steps: tuple[Step, ...]
    blocks: tuple[Block, ...] = ()
    remedies: tuple[Remedy, ...] = ()
    orders: int = 0  # that work, among those kept
    checks: int = 0  # single steps tried
    proven: bool = True  # that there is no order, where there is none


def plan(blank: Blank, tool: Tool, metal: str, wanted: Sequence[str] | None = None) -> Plan:
    """The plan for a blank at a tool; ``wanted`` names the bends in an order to be kept to.

    Raises BadPlan for an order that is not of all bends, for none, and for more than 16.
    """
    part = Part(blank, together=not isinstance(tool, Vice))
    if not part.operations:
        raise BadPlan("all bends of the blank are flat", do="say their angles")
    if len(part.operations) > MOST_BENDS:
        raise BadPlan(
            f"the blank has {len(part.operations)} bends",
            do=f"plan pieces of at most {MOST_BENDS} bends",
        )
    search = Search(Bench(part, tool, metal))
    if wanted is not None:
        return _as_wanted(search, _indices(part, wanted))
    order = search.best()
    if order is not None:
        return Plan(tool, metal, order.steps, (), (), search.orders, search.checks)
    proven, blocks = search.proven, search.blocks()
    clash = _clash(search)
    if clash is not None:
        return Plan(tool, metal, (), (clash,), (), 0, search.checks, proven)
    return Plan(tool, metal, (), blocks, tuple(remedies(search)), 0, search.checks, proven)


def _indices(part: Part, wanted: Sequence[str]) -> list[int]:
    names = [o.name for o in part.operations]
    if sorted(wanted) != sorted(names):
        raise BadPlan(
            f"the order {', '.join(wanted)} is not one of all bends",
            do="they are " + ", ".join(names),
        )
    return [names.index(name) for name in wanted]


def _as_wanted(search: Search, wanted: list[int]) -> Plan:
    tool, metal = search.bench.tool, search.bench.metal
    found = search.follow(wanted)
    if isinstance(found, Order):
        return Plan(tool, metal, found.steps, (), (), 1, search.checks)
    nearest = search.best(wanted=wanted)
    if nearest is None:
        ways = tuple(remedies(search))
    else:
        names = ", ".join(s.operation.name for s in nearest.steps)
        swaps = round(nearest.cost)
        text = f"bend in the order {names}: {swaps} {'pair' if swaps == 1 else 'pairs'} swapped"
        ways = (Remedy(text, (nearest.steps,)),)
    return Plan(tool, metal, (), (found,), ways, search.orders, search.checks)


def _clash(search: Search) -> Block | None:
    """Why the finished piece cannot be: whichever bend comes last, by hand, hits the piece."""
    everything = (1 << search.count) - 1
    last = [search.bench.hammer(everything & ~(1 << i), i) for i in range(search.count)]
    blocks = [b for b in last if isinstance(b, Block)]
    if len(blocks) < search.count:
        return None
    reason = f"{blocks[0].reason}: the finished piece runs into itself, whatever the order or tool"
    return replace(blocks[0], reason=reason)
