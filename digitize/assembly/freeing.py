"""What would free pieces that block one another: a flange left flat until later, a lap reversed.

Each possibility is tried on its own, and named if the whole job then comes apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.assembly.body import Body
from digitize.assembly.order import Behind, Plan, assembly_order


@dataclass(frozen=True, slots=True)
class Alternative:
    """A piece as it would be with something done later, and that in words."""

    body: Body
    words: str  # "leave flange B2 of the sill flat until it is fitted"


@dataclass(frozen=True, slots=True)
class Way:
    """Something that frees the job, and the plan that it allows."""

    words: str
    plan: Plan


def ways_out(
    bodies: Sequence[Body],
    behind: Sequence[Behind],
    stuck: Sequence[str],
    alternatives: Sequence[Alternative],
) -> tuple[Way, ...]:
    """Everything that by itself frees pieces that are stuck."""
    found = []
    for lap in behind:
        if lap.inner in stuck and lap.outer in stuck:
            other = tuple(
                replace(b, inner=b.outer, outer=b.inner) if b == lap else b for b in behind
            )
            plan = assembly_order(bodies, other)
            if plan.stuck is None:
                words = f"lap {lap.outer} behind {lap.inner} instead"
                found.append(Way(words, plan))
    for alternative in alternatives:
        if alternative.body.name in stuck:
            changed = [alternative.body if b.name == alternative.body.name else b for b in bodies]
            plan = assembly_order(changed, behind)
            if plan.stuck is None:
                found.append(Way(alternative.words, plan))
    return tuple(found)
