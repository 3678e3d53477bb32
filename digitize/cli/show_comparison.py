"""What people (tables) and scripts (JSON) see of a comparison."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

import typer
from rich.console import Console
from rich.table import Table

from digitize.comparing.comparison import Comparison
from digitize.comparison_delivery import Delivered
from digitize.files.comparison.words import (
    area,
    change_words,
    fine,
    headline,
    in_unit,
    notice_words,
    stretch_words,
)
from digitize.files.units import Unit, mm_per


def result(found: Comparison, left: Delivered, unit: Unit, *, as_json: bool) -> None:
    """A finished comparison, what the last trial changed, and the files written."""
    if as_json:
        typer.echo(json.dumps(as_document(found, left), indent=2))
        return
    console = Console(width=None if Console().is_terminal else 100, highlight=False)
    title = f"{found.new.name} over {found.old.name}: {headline(found, unit)}"
    console.print(title, style="bold", soft_wrap=True)
    table = Table()
    table.add_column("edge of the new piece", min_width=40)
    table.add_column("off", justify="right")
    table.add_column("±", justify="right")
    for stretch in found.stretches:
        sign = "+" if stretch.kind == "more" else "-"
        table.add_row(
            stretch_words(stretch, unit),
            f"{sign}{fine(stretch.largest_mm, unit)}",
            fine(stretch.expanded_mm, unit),
        )
    if not found.stretches:
        table.add_row("same within measurement", "", "")
    console.print(table)
    old_mm2, new_mm2 = found.area_mm2
    console.print(
        f"Profile value {fine(found.deviation.profile_mm, unit)}; "
        f"{100 * found.deviation.same_share:.0f} % of the edge the same within measurement; "
        f"metal {area(new_mm2 - old_mm2, unit)}.",
        soft_wrap=True,
    )
    if found.changes.both or found.changes.only_old or found.changes.only_new:
        console.print(_features(found, unit))
    after_table(console, found, left, unit)


def after_table(console: Console, found: Comparison, left: Delivered, unit: Unit) -> None:
    """Doubts, what the last trial changed, and the files written."""
    for notice in found.notices:
        console.print(notice_words(notice, unit), soft_wrap=True)
    if left.repeated:
        console.print(
            f"{found.new.name} is on record as it is here already; no trial was added.",
            soft_wrap=True,
        )
    if left.before is not None:
        console.print(f"Since the trial before ({left.before.new}):")
        for sentence in left.since() or ["nothing differs, then as now"]:
            console.print(f"  {in_unit(sentence, unit)}", soft_wrap=True)
    for path in left.files:
        typer.echo(f"Wrote {path}")


def _features(found: Comparison, unit: Unit) -> Table:
    table = Table(title="features, new against old", title_justify="left")
    for heading, justify in (
        ("", "left"),
        (f"right, {unit}", "right"),
        (f"up, {unit}", "right"),
        (f"±, {unit}", "right"),
        ("", "left"),
    ):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    for c in found.changes.both:
        name = c.old_name if c.old_name == c.new_name else f"{c.old_name} (new {c.new_name})"
        across = (c.x_mm, c.y_mm)
        if c.x_mm is None:  # a bend line: only across it
            across = (None, c.off_mm)
        digits, per = (2, 1.0) if unit == "mm" else (3, mm_per(unit))
        offsets = (
            "" if v is None else f"{round(v / per, digits) + 0.0:+.{digits}f}" for v in across
        )
        expanded = f"{c.off_expanded_mm / per:.{digits}f}"
        table.add_row(name, *offsets, expanded, change_words(c, unit))
    for name in found.changes.only_old:
        table.add_row(name, "", "", "", "missing from the new piece")
    for name in found.changes.only_new:
        table.add_row(name, "", "", "", "only the new piece has it")
    return table


def as_document(found: Comparison, left: Delivered) -> dict[str, Any]:
    """The comparison for scripts; lengths in mm, places on the old piece."""
    registration, off = found.registration, found.deviation
    pose = registration.pose
    old_mm2, new_mm2 = found.area_mm2
    return {
        "old": found.old.name,
        "new": found.new.name,
        "pose": {
            "turn_deg": math.degrees(pose.turn_rad),
            "move_mm": list(pose.move_mm),
            "mirrored": pose.mirrored,
            "fit": registration.fit,
            "locked": list(registration.locked),
            "others_turn_deg": [math.degrees(p.turn_rad) for p in registration.others],
            "any_turn": registration.any_turn,
            "rms_mm": registration.rms_mm,
            "sound_share": registration.sound_share,
        },
        "same": found.same,
        "profile_mm": off.profile_mm,
        "same_share": off.same_share,
        "area_mm2": {"old": old_mm2, "new": new_mm2},
        "stretches": [{**asdict(s), "sentence": s.sentence} for s in found.stretches],
        "features": [{**asdict(c), "same": c.same} for c in found.changes.both],
        "only_old": list(found.changes.only_old),
        "only_new": list(found.changes.only_new),
        "since": left.since(),
        "notices": [{"code": n.code, "text": n.text, "level": n.level} for n in found.notices],
        "files": [str(f) for f in left.files],
    }
