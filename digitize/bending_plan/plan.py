"""The bending plan of a blank: an order that works, or why none does and the nearest remedy."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from digitize.bending_plan.bench import BARE_MM, Bench
from digitize.bending_plan.operation import Block, Operation, Step
from digitize.bending_plan.part import Part
from digitize.bending_plan.search import Order, Search
from digitize.bending_plan.tools import Choice, Folder, Tool, Vice
from digitize.blank.develop import Blank
from digitize.errors import DigitizeError, Exit

MOST_BENDS = 16  # the search is over sets of bends: 65 536 of them
BLOCK_HEIGHT_MM = 60.0  # of a steel block standing up out of a vice: common practice, no source


class BadPlan(DigitizeError):
    """What was asked of the plan makes no sense."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class Remedy:
    """A way out, with the steps it takes.  ``pieces`` has several where the part is split."""

    text: str
    pieces: tuple[tuple[Step, ...], ...]


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
    remedies = tuple(_remedies(search))
    return Plan(tool, metal, (), blocks, remedies, 0, search.checks, proven)


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
        remedies = tuple(_remedies(search))
    else:
        names = ", ".join(s.operation.name for s in nearest.steps)
        swaps = round(nearest.cost)
        text = f"bend in the order {names}: {swaps} {'pair' if swaps == 1 else 'pairs'} swapped"
        remedies = (Remedy(text, (nearest.steps,)),)
    return Plan(tool, metal, (), (found,), remedies, search.orders, search.checks)


def _remedies(search: Search) -> Iterable[Remedy]:
    """The nearest ways out: another edge to bend over, a bend by hand, a piece made of two."""
    found = _over_a_block(search)
    if found is not None:
        yield found
        return
    found = _by_hand(search)
    if found is not None:
        yield found
        if sum(step.choice is None for step in found.pieces[0]) < 2:
            return
    found = _split(search)
    if found is not None:
        yield found


def _over_a_block(search: Search) -> Remedy | None:
    """Steel blocks cut to length, standing up out of the vice between flanges in the way."""
    tool, part = search.bench.tool, search.bench.part
    if isinstance(tool, Folder):
        return None
    special: dict[int, Bench] = {}
    for index in range(search.count):
        length = _length(part, part.operations[index])
        block = replace(
            tool if isinstance(tool, Vice) else Vice(back_off_deg=tool.back_off_deg),
            jaw_width_mm=max(length - 2 * BARE_MM, 1.0),
            jaw_height_mm=BLOCK_HEIGHT_MM,
            depth_mm=BLOCK_HEIGHT_MM + (tool.depth_mm if isinstance(tool, Vice) else 1e4),
        )
        special[index] = Bench(part, block, search.bench.metal)
    for index in range(search.count):  # first one block, then as many as it takes
        alone = Search(search.bench, {index: special[index]})
        alone.tried = {k: s for k, s in search.tried.items() if k[1] != index}
        order = alone.best(thorough=False)
        if order is not None:
            return _block_remedy(part, order, special)
    every = Search(search.bench, special)
    order = every.best(thorough=False)
    return None if order is None else _block_remedy(part, order, special)


def _block_remedy(part: Part, order: Order, special: dict[int, Bench]) -> Remedy:
    names = []
    for index, operation in enumerate(part.operations):
        width = special[index].tool.choices(0.0, 0.0)[0].width_mm
        step = next(s for s in order.steps if s.operation == operation)
        if step.choice == Choice(width):
            names.append(f"{operation.name} over a steel block cut to {width:.0f} mm")
    return Remedy(f"bend {_listed(names)}", (order.steps,))


def _by_hand(search: Search) -> Remedy | None:
    """The smallest flange left to be hammered over, else one more for every one that blocks."""
    part = search.bench.part
    small = sorted(range(search.count), key=lambda i: min(_side(part, i), 1.0 - _side(part, i)))
    for index in small:
        found = _hammered(search, frozenset([index]))
        if found is not None:
            return found
    hand: frozenset[int] = frozenset()
    while len(hand) < search.count - 1:
        blocked = {b.operation for b in search.blocks(hand)}
        more = [i for i in small if part.operations[i] in blocked and i not in hand]
        if not more:
            return None
        hand |= {more[0]}
        found = _hammered(search, hand)
        if found is not None:
            return found
    return None


def _hammered(search: Search, hand: frozenset[int]) -> Remedy | None:
    order = search.best(hand, thorough=False)
    if order is None:
        return None
    names = [search.bench.part.operations[i].name for i in sorted(hand)]
    return Remedy(f"leave {_listed(names)} to be hammered over by hand", (order.steps,))


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _split(search: Search) -> Remedy | None:
    """The part made of two pieces, cut along a bend and welded there."""
    part, bench = search.bench.part, search.bench
    for operation in part.operations:
        beyond = part.beyond(operation)
        orders: list[Order] = []
        for faces in (part.present - beyond, beyond):
            order = Search(Bench(part.only(faces), bench.tool, bench.metal)).best(thorough=False)
            if order is None:
                break
            orders.append(order)
        else:
            text = f"split the piece along {operation.name} and weld it there afterwards"
            return Remedy(text, tuple(o.steps for o in orders))
    return None


def _side(part: Part, index: int) -> float:
    return part.moved_share(part.operations[index])


def _length(part: Part, operation: Operation) -> float:
    frames = [part.regions.frames[k] for k in operation.folds]
    return max(f.end_mm for f in frames) - min(f.start_mm for f in frames)
