"""What people (lines) and scripts (JSON) see of an order of assembly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from digitize.assembly.directions import SPREAD_DEG, Directions, words
from digitize.assembly.freeing import Way
from digitize.assembly.job import Job
from digitize.assembly.order import Plan, Step, Stuck
from digitize.assembly.overlap import Overlap
from digitize.assembly.shared_edges import Place
from digitize.files.units import Unit, length, mm_per

_MOST_NAMED = 12


def lines(
    job: Job,
    plan: Plan,
    tried: Directions,
    *,
    ways: Sequence[Way],
    overlaps: Sequence[Overlap],
    unit: Unit,
) -> Iterator[str]:
    """The places that edges gave, then the order, or what blocks it and what would help."""
    for name, place in job.by_edges.items():
        yield f"{name} lies at {_place(place, unit)}, by its edges"
    if plan.stuck is None:
        first = first_of(job, plan)
        yield f"1. {' and '.join(first)}"
        for number, step in enumerate(plan.steps, 2):
            yield f"{number}. {_step(step, first)}"
        yield _work(plan, tried)
        return
    if overlaps:
        yield from _in_each_other(overlaps, unit)
        return
    yield from _blocked(plan.stuck, ways)
    yield _work(plan, tried)
    named = [words(-d) for d in tried.unit[: tried.led]]
    more = len(named) - _MOST_NAMED
    tail = f" and {more} more (--json lists them)" if more > 0 else ""
    yield f"Ways in along faces: {'; '.join(named[:_MOST_NAMED])}{tail}."
    yield (
        "Not tried: turning a piece as it goes in, moves round a corner, springing it; an "
        f"opening that touches nothing and is narrower than {2 * SPREAD_DEG:.0f}° may be missed."
    )


def first_of(job: Job, plan: Plan) -> tuple[str, ...]:
    """The pieces that stand there before the first step."""
    entering = {name for step in plan.steps for name in step.pieces}
    return tuple(b.name for b in job.bodies if b.name not in entering)


def _step(step: Step, first: Sequence[str]) -> str:
    together = ", held together" if len(step.pieces) > 1 else ""
    inside = set(step.onto) & set(first)
    onto = "" if inside else f" onto {' and '.join(step.onto)}, outside the job"
    return f"{' and '.join(step.pieces)}{together}, {words(-np.asarray(step.along))}{onto}"


def _in_each_other(overlaps: Sequence[Overlap], unit: Unit) -> Iterator[str]:
    yield "No order: pieces lie in each other where they are placed. Correct a place or a size."
    for o in overlaps:
        at = ", ".join(f"{v / mm_per(unit):.{1 if unit == 'mm' else 2}f}" for v in o.at_mm)
        yield (
            f"{o.one} and {o.other}: at least {length(o.depth_mm, unit)} deep at {at} {unit} "
            "(where one goes right through the other, that is only the thickness of the sheet)."
        )


def _blocked(stuck: Stuck, ways: Sequence[Way]) -> Iterator[str]:
    yield f"No order found: {' and '.join(stuck.pair)} block each other."
    yield f"Stuck together: {', '.join(stuck.pieces)}."
    for way in ways:
        more = "" if way.plan.stuck is None else "; other pieces stay stuck"
        yield f"This frees {way.frees}: {way.words}{more}."
    if not ways:
        yield "No single flange left flat and no lap reversed frees one of them."


def _work(plan: Plan, tried: Directions) -> str:
    spread = len(tried.unit) - tried.led
    return (
        f"({plan.work.moves} moves of a piece in one direction tried, {plan.work.pairs} pairs "
        f"looked at for them; up to {tried.led} directions along faces and {spread} spread "
        "between them)"
    )


def _place(place: Place, unit: Unit) -> str:
    at, turn = (
        ", ".join(f"{v:g}" for v in _short(values))
        for values in ((v / mm_per(unit) for v in place.at_mm), place.turn_deg)
    )
    return f"{at} {unit}, turned {turn}°"


def as_json(
    job: Job,
    plan: Plan,
    tried: Directions,
    *,
    ways: Sequence[Way],
    overlaps: Sequence[Overlap],
) -> dict[str, Any]:
    """The same for scripts."""
    stuck = plan.stuck
    return {
        "places": {
            name: {"at_mm": _short(place.at_mm), "turn_deg": _short(place.turn_deg)}
            for name, place in job.by_edges.items()
        },
        "first": list(first_of(job, plan)) if stuck is None else [],
        "steps": [
            {
                "pieces": list(s.pieces),
                "along": list(s.along),
                "onto": list(s.onto),
                "work": {"moves": s.work.moves, "pairs": s.work.pairs},
            }
            for s in plan.steps
        ],
        "stuck": None
        if stuck is None
        else {"pieces": list(stuck.pieces), "pair": list(stuck.pair)},
        "overlaps": [
            {"pieces": [o.one, o.other], "depth_mm": o.depth_mm, "at_mm": list(o.at_mm)}
            for o in overlaps
        ],
        "frees": [{"piece": w.frees, "words": w.words, "all": w.plan.stuck is None} for w in ways],
        "directions": {
            "along_faces": [_short(d, 6) for d in tried.unit[: tried.led]],
            "spread": len(tried.unit) - tried.led,
            "spread_deg": SPREAD_DEG,
        },
        "work": {"moves": plan.work.moves, "pairs": plan.work.pairs},
    }


def _short(values: Any, digits: int = 2) -> list[float]:
    """Rounded, without a minus before nothing."""
    return [round(float(v), digits) + 0.0 for v in values]
