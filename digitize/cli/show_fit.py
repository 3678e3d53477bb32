"""What people (tables) and scripts (JSON) see of a piece in its opening."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import typer
from rich.console import Console
from rich.table import Table

from digitize.cli.show_comparison import after_table
from digitize.comparing import weldability
from digitize.comparing.opening import OpeningFit
from digitize.comparison_delivery import Delivered
from digitize.files.comparison.opening_words import (
    headline,
    name_words,
    next_rule,
    next_words,
    now_words,
    verdict_words,
)
from digitize.files.comparison.words import fine
from digitize.files.units import Unit, length, mm_per


def result(found: OpeningFit, left: Delivered, unit: Unit, *, as_json: bool) -> None:
    """A finished fit, what the last trial changed, and the files written."""
    if as_json:
        typer.echo(json.dumps(as_document(found, left), indent=2))
        return
    console = Console(width=None if Console().is_terminal else 140, highlight=False)
    title = f"{found.comparison.new.name} in {found.comparison.old.name}"
    if found.options.lap_mm:
        title += f", to lap by {length(found.options.lap_mm, unit)}"
    console.print(f"{title}: {headline(found, unit)}", style="bold", soft_wrap=True)
    console.print(_table(found, unit))
    for line in _rules(found, unit):
        console.print(line, soft_wrap=True)
    after_table(console, found.comparison, left, unit)


def _table(found: OpeningFit, unit: Unit) -> Table:
    lap_mm = found.options.lap_mm
    table = Table()
    short = "lap missing" if lap_mm else "gap"
    table.add_column("edge of the opening", min_width=24)
    table.add_column("piece's edge")
    table.add_column(f"{short}, {unit}", justify="right", no_wrap=True)
    table.add_column("mean", justify="right", no_wrap=True)
    table.add_column("±", justify="right", no_wrap=True)
    for heading in ("verdict", "now", "next time"):
        table.add_column(heading)
    digits, per = (2, 1.0) if unit == "mm" else (3, mm_per(unit))
    for e in found.edges:
        least, most, mean, expanded = (
            f"{round(v / per, digits) + 0.0:.{digits}f}"
            for v in (e.least_mm, e.most_mm, e.mean_mm, e.expanded_mm)
        )
        table.add_row(
            name_words(e),
            e.piece_edge,
            f"{least} to {most}",
            mean,
            expanded,
            verdict_words(e, lapped=bool(lap_mm)),
            now_words(e, unit),
            next_words(e, unit),
        )
    return table


def _rules(found: OpeningFit, unit: Unit) -> Iterator[str]:
    """By what the table judges, and the cautions."""
    options = found.options
    yield next_rule(found, unit)
    if not options.lap_mm:
        sheet = length(options.thickness_mm, unit)
        listed = weldability.bands(options.thickness_mm, options.process)
        limits = ", ".join(f"{b.word} up to {fine(b.up_to_mm, unit)}" for b in listed if b.up_to_mm)
        yield f"{options.process.upper()} on {sheet} sheet: {limits} (common practice, no source)."
        if found.root_gap_mm is not None:
            yield (
                f"A published square butt weld has a root gap of 0 to "
                f"{length(found.root_gap_mm, unit)} (ESAB MIG handbook, section 8)."
            )
    yield weldability.caution()


def as_document(found: OpeningFit, left: Delivered) -> dict[str, Any]:
    """The fit for scripts; lengths in mm, places on the opening."""
    pose = found.comparison.registration.pose
    return {
        "piece": found.comparison.new.name,
        "opening": found.comparison.old.name,
        "options": asdict(found.options),
        "pose": {"turn_deg": math.degrees(pose.turn_rad), "move_mm": list(pose.move_mm)},
        "largest_gap_mm": found.largest_gap_mm,
        "largest_overlap_mm": found.largest_overlap_mm,
        "worst": found.worst.word,
        "edges": [asdict(e) for e in found.edges],
        "bands": [
            asdict(b) for b in weldability.bands(found.options.thickness_mm, found.options.process)
        ],
        "source": weldability.source(),
        "caution": weldability.caution(),
        "since": left.since(),
        "notices": [
            {"code": n.code, "text": n.text, "level": n.level} for n in found.comparison.notices
        ],
        "files": [str(f) for f in left.files],
    }
