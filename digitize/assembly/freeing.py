"""What would free pieces that block one another: a flange left flat until later, a lap reversed.

Each possibility is tried on its own, and named if a piece of the pair then comes free.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.assembly.body import Body
from digitize.assembly.order import Blocking, Plan, Stuck, plan_of


@dataclass(frozen=True, slots=True)
class Alternative:
    """A piece as it would be with something done later, and that in words."""

    body: Body
    words: str  # "leave flange B2 of the channel flat until it is fitted"


@dataclass(frozen=True, slots=True)
class Way:
    """Something that frees a piece, and the plan that it allows; others may stay stuck."""

    words: str
    frees: str  # name of the piece
    plan: Plan


def ways_out(
    blocking: Blocking, stuck: Stuck, alternatives: Sequence[Alternative]
) -> tuple[Way, ...]:
    """Everything that by itself frees one of the two pieces that block each other most.

    Where nothing does, what frees another of those that are stuck.
    """
    return _ways(blocking, stuck.pair, alternatives) or _ways(
        blocking, [n for n in stuck.pieces if n not in stuck.pair], alternatives
    )


def _ways(
    blocking: Blocking, names: Sequence[str], alternatives: Sequence[Alternative]
) -> tuple[Way, ...]:
    """Everything that by itself frees one of these pieces."""
    found = []
    for lap in blocking.behind:
        if {lap.inner, lap.outer} & {*names}:
            laps = tuple(
                replace(b, inner=b.outer, outer=b.inner) if b == lap else b for b in blocking.behind
            )
            plan = plan_of(blocking.with_laps(laps))
            for name in (lap.inner, lap.outer):
                if name in names and _free(name, plan):
                    words = f"lap {lap.outer} behind {lap.inner} instead"
                    found.append(Way(words, name, plan))
                    break
    for alternative in alternatives:
        name = alternative.body.name
        if name in names:
            plan = plan_of(blocking.with_other(alternative.body))
            if _free(name, plan):
                found.append(Way(alternative.words, name, plan))
    return tuple(found)


def _free(name: str, plan: Plan) -> bool:
    return plan.stuck is None or name not in plan.stuck.pieces
