"""What people (tables) and scripts (JSON) see of a result."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer
from rich.console import Console
from rich.table import Table

from digitize.files.units import Unit, length, rounded
from digitize.pattern.dimensions import Dimension, dimensions

if TYPE_CHECKING:
    from digitize.job import JobResult
    from digitize.pattern.model import Pattern


@contextmanager
def progress(quiet: bool) -> Iterator[Callable[[str], None]]:
    """A line on standard error that says which step is running."""
    console = Console(stderr=True, quiet=quiet)
    with console.status("Starting") as status:
        yield lambda step: status.update(f"{step} ...")


def result(job: JobResult, files: Sequence[Path], *, inch: bool, as_json: bool) -> None:
    """A finished trace."""
    if as_json:
        patterns = [pattern_json(p) for p in job.patterns]
        left_out = [
            {"at_mm": list(item.at_mm), "size_mm": item.size_mm, "reason": item.reason}
            for item in job.traced.left_out
        ]
        typer.echo(
            json.dumps(
                {"patterns": patterns, "left_out": left_out, "files": [str(f) for f in files]},
                indent=2,
            )
        )
        return
    for pattern in job.patterns:
        sizes(pattern, inch=inch)
    for reason in dict.fromkeys(item.reason for item in job.traced.left_out):
        places = [item.at_mm for item in job.traced.left_out if item.reason == reason]
        spots = "; ".join(f"{x:.0f}, {y:.0f}" for x, y in places[:4])
        more = f" and {len(places) - 4} more" if len(places) > 4 else ""
        typer.echo(f"Left out: {reason}, at {spots} mm on the sheet{more}")
    for path in files:
        typer.echo(f"Wrote {path}")


def one_line(pattern: Pattern) -> str:
    """A pattern in a line: what it has and how large it is."""
    overall = dimensions(pattern).of("OL") + dimensions(pattern).of("OW")
    expanded = max((d.expanded for d in overall if d.expanded is not None), default=None)
    size = " x ".join(rounded(d.value, expanded, "mm")[0] for d in overall)
    sure = f" ± {rounded(0.0, expanded, 'mm')[1]}" if expanded is not None else ""
    counts = (
        (len(pattern.openings), "opening"),
        (len(pattern.bends), "bend line"),
        (len(pattern.marks), "mark"),
        (sum(n.level == "doubt" for n in pattern.notices), "doubt"),
    )
    has = ", ".join(f"{n} {word}{'s' if n > 1 else ''}" for n, word in counts if n)
    return f"{pattern.name}: {size} mm{sure}" + (f"; {has}" if has else "")


def sizes(pattern: Pattern, *, inch: bool) -> None:
    """The dimensions of a pattern and what to know about them."""
    console = Console(width=None if Console().is_terminal else 100, highlight=False)
    facts = [pattern.provenance.target or "no target on record"]
    if pattern.thickness_mm is not None:
        facts.append(f"{length(pattern.thickness_mm, 'in' if inch else 'mm')} thick")
    if pattern.provenance.camera is not None:
        facts.append(f"photographed at a slant of {pattern.provenance.camera.tilt_deg:.0f}°")
    listed = dimensions(pattern)
    table = Table(title=pattern.name, caption="; ".join(facts), title_justify="left")
    for heading, justify in (("", "left"), ("what", "left"), ("size", "right"), ("±", "right")):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    for row in listed.dimensions:
        table.add_row(row.name, _what(row), *_size(row, "in" if inch else "mm"))
    console.print(table)
    for notice in pattern.notices:
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)


def pattern_json(pattern: Pattern) -> dict[str, Any]:
    """The dimensions, for scripts."""
    listed = dimensions(pattern)
    return {
        "name": pattern.name,
        "datum": {
            "origin_mm": list(listed.datum.origin_mm),
            "direction_deg": math.degrees(listed.datum.direction_rad),
        },
        "dimensions": [
            {
                "name": d.name,
                "kind": d.kind,
                "other": d.other,
                "value": d.value,
                "unit": d.unit,
                "expanded": d.expanded,
                "evidence": d.evidence,
            }
            for d in listed.dimensions
        ],
        "notices": [{"code": n.code, "text": n.text, "level": n.level} for n in pattern.notices],
    }


def _what(row: Dimension) -> str:
    words = f"{row.kind} {row.other}" if row.other else row.kind
    return words if row.evidence == "measured" else f"{words} ({row.evidence})"


def _size(row: Dimension, unit: Unit) -> tuple[str, str]:
    """The value and its ±, each with its unit."""
    value, expanded = rounded(row.value, row.expanded, "deg" if row.unit == "deg" else unit)
    mark = "°" if row.unit == "deg" else f" {unit}"
    return f"{value}{mark}", f"{expanded}{mark}" if expanded else "?"
