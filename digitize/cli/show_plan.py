"""What people (a table) and scripts (JSON) see of a bending plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.table import Table

from digitize.bending_plan.operation import Step
from digitize.bending_plan.plan import Plan
from digitize.bending_plan.tools import Tool
from digitize.bending_plan.wording import NO_WAY_OUT, blocked, held, how, verdict, which_way
from digitize.blank.develop import Blank
from digitize.errors import Notice
from digitize.files.paper.job_sheet import CAUTIONS
from digitize.files.units import Unit, length
from digitize.nesting.need import Need


def table(blank: Blank, plan: Plan, need: Need, notices: Sequence[Notice], unit: Unit) -> None:
    """The steps in order, or why there is no order and the ways out."""
    console = Console(width=None if Console().is_terminal else 110, highlight=False)
    if plan.steps:
        _steps(
            console, blank, plan.tool, plan.steps, f"{blank.pattern.name}: {plan.tool.title}", unit
        )
        if plan.orders > 1:
            words = f"One of {plan.orders} orders that work: the part is turned over least."
            console.print(words, soft_wrap=True)
    else:
        console.print(f"{verdict(plan)}:", soft_wrap=True)
        for sentence in blocked(plan.blocks):
            console.print(f"  {sentence}", soft_wrap=True)
        if not plan.remedies:
            console.print(NO_WAY_OUT, soft_wrap=True)
        for remedy in plan.remedies:
            console.print(f"Way out: {remedy.text}", soft_wrap=True)
            for k, steps in enumerate(remedy.pieces, 1):
                piece = f", piece {k}" if len(remedy.pieces) > 1 else ""
                title = f"{blank.pattern.name}: bends in order, that way{piece}"
                _steps(console, blank, remedy.tool or plan.tool, steps, title, unit)
    sides = f"{length(need.rectangle.length_mm, unit)} x {length(need.rectangle.width_mm, unit)}"
    weight = "" if need.weight_kg is None else f", weight {need.weight_kg:.3f} kg"
    console.print(f"Stock: {sides}, {100 * need.waste:.0f} % waste{weight}", soft_wrap=True)
    for source in dict.fromkeys(s.bend.source for s in plan.steps):
        console.print(f"Spring-back: {source}", soft_wrap=True)
    for notice in notices:
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)
    for caution in CAUTIONS:
        console.print(f"Caution: {caution}", soft_wrap=True)


def _steps(
    console: Console, blank: Blank, tool: Tool, steps: Sequence[Step], title: str, unit: Unit
) -> None:
    shown = Table(title=title, title_justify="left")
    for heading in ("", "bend", "way", "bend to", "stays", "how to hold it"):
        right = heading in ("", "bend to", "stays")
        shown.add_column(heading, justify="right" if right else "left")
    for number, step in enumerate(steps, 1):
        facts = blank.tree.folds[step.operation.folds[0]].facts
        shown.add_row(
            str(number),
            step.operation.name,
            which_way(step),
            f"{step.bend.angle_deg:.1f}°",
            f"{facts.angle_deg:.1f}°",
            how(blank, tool, step, lambda mm: length(mm, unit)),
        )
    console.print(shown)


def as_json(blank: Blank, plan: Plan, need: Need, notices: Sequence[Notice]) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "tool": {"title": plan.tool.title, **asdict(plan.tool)},
        "metal": plan.metal,
        "possible": bool(plan.steps),
        "proven": plan.proven,
        "orders": plan.orders,
        "steps": [_step_json(blank, s) for s in plan.steps],
        "blocks": [
            {"bend": b.operation.name, "reason": b.reason, "because": b.because}
            for b in plan.blocks
        ],
        "remedies": [
            {
                "text": r.text,
                "tool": (r.tool or plan.tool).title,
                "pieces": [[_step_json(blank, s) for s in p] for p in r.pieces],
            }
            for r in plan.remedies
        ],
        "stock": {
            "length_mm": need.rectangle.length_mm,
            "width_mm": need.rectangle.width_mm,
            "direction_deg": need.rectangle.direction_deg,
            "blank_mm2": need.area_mm2,
            "weight_kg": need.weight_kg,
            "grain_deg": need.grain_deg,
        },
        "notices": [{"code": n.code, "text": n.text, "level": n.level} for n in notices],
        "cautions": list(CAUTIONS),
    }


def _step_json(blank: Blank, step: Step) -> dict[str, Any]:
    facts = blank.tree.folds[step.operation.folds[0]].facts
    return {
        "bend": step.operation.name,
        "way": which_way(step),
        "angle_deg": facts.angle_deg,
        "bend_to_deg": step.bend.angle_deg,
        "inside_radius_mm": facts.radius_mm,
        "held": held(step),
        "by_hand": step.choice is None,
        "tool_width_mm": None if step.choice is None else step.choice.width_mm,
        "fingers_mm": [] if step.choice is None else list(step.choice.fingers),
        "goes_in_mm": step.goes_in_mm,
        "stands_out_mm": step.stands_out_mm,
    }
