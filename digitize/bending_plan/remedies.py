"""Ways out where a tool has no order: another edge to bend over, a bend by hand, two pieces."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from digitize.bending_plan.bench import BARE_MM, Bench
from digitize.bending_plan.operation import Operation, Step
from digitize.bending_plan.part import Part
from digitize.bending_plan.search import Order, Search
from digitize.bending_plan.tools import Bars, Choice, Folder, Tool, Vice
from digitize.blank.relief import relieved
from digitize.errors import DigitizeError

BLOCK_HEIGHT_MM = 60.0  # of a steel block standing up out of a vice: common practice, no source


STICKS_OUT = 1.5  # widths of the jaws that a block in them may have: common practice, no source
BARS_STEP_MM = 10.0  # to which a length of bar is rounded up


@dataclass(frozen=True, slots=True)
class Remedy:
    """A way out, with the steps it takes.  ``pieces`` has several where the part is split.

    ``tool`` is another one than was asked for, where that is the way out.
    """

    text: str
    pieces: tuple[tuple[Step, ...], ...]
    tool: Tool | None = None


def remedies(search: Search) -> Iterable[Remedy]:
    """The nearest ways out: another edge to bend over, a bend by hand, a piece made of two."""
    for way in (_over_a_short_block, _between_bars, _over_a_block, _with_reliefs):
        found = way(search)
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


def _over_a_short_block(search: Search) -> Remedy | None:
    """Steel blocks that a vice holds well."""
    tool = search.bench.tool
    return _over_a_block(search, STICKS_OUT * tool.jaw_width_mm if isinstance(tool, Vice) else 0.0)


def _over_a_block(search: Search, longest_mm: float = math.inf) -> Remedy | None:
    """Steel blocks cut to length, standing up out of the vice between flanges in the way."""
    tool, part = search.bench.tool, search.bench.part
    if isinstance(tool, Folder):
        return None
    special: dict[int, Bench] = {}
    for index in range(search.count):
        length = _length(part, part.operations[index])
        if length - 2 * BARE_MM > longest_mm:
            continue
        block = replace(
            tool if isinstance(tool, Vice) else Vice(back_off_deg=tool.back_off_deg),
            jaw_width_mm=max(length - 2 * BARE_MM, 1.0),
            jaw_height_mm=BLOCK_HEIGHT_MM,
            depth_mm=BLOCK_HEIGHT_MM + (tool.depth_mm if isinstance(tool, Vice) else 1e4),
        )
        special[index] = Bench(part, block, search.bench.metal)
    for index, bench in special.items():  # first one block, then as many as it takes
        alone = Search(search.bench, {index: bench})
        alone.tried = {k: s for k, s in search.tried.items() if k[1] != index}
        order = alone.best(thorough=False)
        if order is not None:
            return _block_remedy(part, order, special)
    every = Search(search.bench, special)
    order = every.best(thorough=False)
    return None if order is None else _block_remedy(part, order, special)


def _block_remedy(part: Part, order: Order, special: dict[int, Bench]) -> Remedy:
    over: dict[str, list[str]] = {}
    for index, bench in special.items():
        width = bench.tool.choices(0.0, 0.0)[0].width_mm
        step = next(s for s in order.steps if s.operation == part.operations[index])
        if step.choice == Choice(width):
            over.setdefault(f"{width:.0f} mm", []).append(step.operation.name)
    words = [f"{listed(names)} over a steel block cut to {w}" for w, names in over.items()]
    return Remedy(f"bend {listed(words)}", (order.steps,))


def _between_bars(search: Search) -> Remedy | None:
    """Angle-iron bars, where the jaws of a vice are too narrow."""
    tool, bench = search.bench.tool, search.bench
    longest = max(_length(bench.part, o) for o in bench.part.operations)
    if not isinstance(tool, Vice) or tool.choices(longest, BARE_MM):
        return None
    least = longest + 2 * Bars().clamp_mm
    bars = Bars(length_mm=BARS_STEP_MM * math.ceil(least / BARS_STEP_MM))
    part = Part(bench.part.blank, together=True)
    order = Search(Bench(part, bars, bench.metal)).best(thorough=False)
    if order is None:
        return None
    text = f"bend all between angle-iron bars {bars.length_mm:.0f} mm long (--tool bars)"
    return Remedy(text, (order.steps,), bars)


def _with_reliefs(search: Search) -> Remedy | None:
    """Reliefs at bends that end in the sheet: what stands beside such a bend hits the tool."""
    bench = search.bench
    try:
        eased = relieved(bench.part.blank, "round")
    except DigitizeError:  # a relief that cannot be cut is no way out
        return None
    if eased is bench.part.blank:
        return None
    again = Search(Bench(Part(eased, bench.part.together), bench.tool, bench.metal))
    text = "cut reliefs first (`digitize blank ... --relief round`)"
    order = again.best(thorough=False)
    if order is not None:
        return Remedy(text, (order.steps,))
    ways = (way(again) for way in (_over_a_short_block, _between_bars, _over_a_block))
    found = next((way for way in ways if way is not None), None)
    return None if found is None else replace(found, text=f"{text}, then {found.text}")


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
    return Remedy(f"leave {listed(names)} to be hammered over by hand", (order.steps,))


def listed(names: Sequence[str]) -> str:
    """Names as a sentence has them."""
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
