"""What people (tables) and scripts (JSON) see of a piece in its opening."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import typer
from rich.console import Console
from rich.table import Table

from digitize.comparing import weldability
from digitize.comparing.opening import EdgeGap, OpeningFit
from digitize.comparing.trials import Trial, changed, trial_of
from digitize.files.units import Unit, length, mm_per


def result(
    found: OpeningFit, before: Trial | None, files: Sequence[Path], unit: Unit, *, as_json: bool
) -> None:
    """A finished fit, what the last trial changed, and the files written."""
    if as_json:
        typer.echo(json.dumps(as_document(found, before, files), indent=2))
        return
    console = Console(width=None if Console().is_terminal else 110, highlight=False)
    options = found.options
    title = f"{found.comparison.new.name} in {found.comparison.old.name}"
    if options.lap_mm:
        title += f", to lap by {length(options.lap_mm, unit)}"
    table = Table(title=title, title_justify="left")
    short = "lap missing" if options.lap_mm else "gap"
    for heading, justify in (
        ("edge of the opening", "left"),
        (f"{short}, {unit}", "right"),
        ("±", "right"),
        ("weld" if not options.lap_mm else "", "left"),
        ("do", "left"),
    ):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    digits = 2 if unit == "mm" else 3
    for e in found.edges:
        least, most = (f"{v / mm_per(unit):.{digits}f}" for v in (e.least_mm, e.most_mm))
        table.add_row(
            f"{e.where} ({e.edge})" if e.edge else "all round",
            f"{least} to {most}",
            f"{e.expanded_mm / mm_per(unit):.{digits}f}",
            e.band.word if not options.lap_mm else "",
            advice(e, unit),
        )
    console.print(table)
    if not options.lap_mm:
        sheet = length(options.thickness_mm, unit)
        listed = weldability.bands(options.thickness_mm, options.process)
        limits = ", ".join(
            f"{b.word} up to {length(b.up_to_mm, unit, 2)}" for b in listed if b.up_to_mm
        )
        console.print(
            f"{options.process.upper()} on {sheet} sheet: {limits} (common practice, no source).",
            soft_wrap=True,
        )
        if found.root_gap_mm is not None:
            console.print(
                f"A published square butt weld has a root gap of 0 to "
                f"{length(found.root_gap_mm, unit)} (ESAB MIG handbook, section 8).",
                soft_wrap=True,
            )
    console.print(weldability.caution(), soft_wrap=True)
    for notice in found.comparison.notices:
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)
    if before is not None:
        console.print(f"Since the trial before ({before.new}):")
        for sentence in changed(before, trial_of(found.comparison)) or ["nothing, then as now"]:
            console.print(f"  {sentence}", soft_wrap=True)
    for path in files:
        typer.echo(f"Wrote {path}")


def advice(edge: EdgeGap, unit: Unit) -> str:
    """What to do about an edge, in words."""
    said = []
    if edge.trim_mm > 0.0:
        said.append(f"trim up to {length(edge.trim_mm, unit)}")
    if edge.strip_mm is not None:
        long, wide = edge.strip_mm
        said.append(f"add a strip {length(long, unit, 0)} × {length(wide, unit)}")
    if edge.bigger_mm is not None:
        more = "bigger" if edge.bigger_mm > 0 else "smaller"
        named = f" at {edge.piece_edge}" if edge.piece_edge else ""
        said.append(f"next time {length(abs(edge.bigger_mm), unit)} {more}{named}")
    return "; ".join(said) or "as it is"


def as_document(found: OpeningFit, before: Trial | None, files: Sequence[Path]) -> dict[str, Any]:
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
        "since": changed(before, trial_of(found.comparison)) if before is not None else [],
        "notices": [
            {"code": n.code, "text": n.text, "level": n.level} for n in found.comparison.notices
        ],
        "files": [str(f) for f in files],
    }
