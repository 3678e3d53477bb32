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

from digitize.files.notes import limit_line
from digitize.files.units import Unit, length, rounded
from digitize.pattern.dimensions import Dimension, dimensions
from digitize.pattern.general_tolerance import NAMES, grade
from digitize.pattern.limiting import budget_line, limiting

if TYPE_CHECKING:
    from digitize.job import JobResult
    from digitize.pattern.model import Pattern

GRADED = ("overall", "length", "diameter", "width", "x", "y", "to edge")


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
    unit: Unit = "in" if inch else "mm"
    headings = (("", "left"), ("what", "left"), ("size", "right"), ("±", "right"))
    for heading, justify in (*headings, ("good to", "left")):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    edges_in = {run.name: len(run.edges) for run in listed.runs}
    for row in listed.dimensions:
        what = _what(row, edges_in.get(row.name, 1))
        table.add_row(row.name, what, *_size(row, unit), _graded(row))
    console.print(table)
    if listed.unsized:
        names = ", ".join(listed.unsized)
        console.print(f"No size, because their ± is more than half of it: {names}", soft_wrap=True)
    for line in _precision_lines(pattern, unit):
        console.print(line, soft_wrap=True)
    for notice in pattern.notices:
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)


def _graded(row: Dimension) -> str:
    """The finest class of ISO 2768-1 that the size is known well enough for."""
    if row.unit != "mm" or row.expanded is None or row.kind not in GRADED:
        return ""
    found = grade(row.value, row.expanded)
    return "-" if found is None else NAMES[found.tolerance_class]


def _precision_lines(pattern: Pattern, unit: Unit) -> Iterator[str]:
    """Where the ± comes from, what limits it, and what the last column means."""
    found = budget_line(pattern)
    if found is None:
        return
    longest, u_mm = found
    if pattern.precision is not None and pattern.precision.budget is not None:
        shares = ", ".join(
            f"{cause} {rounded(0.0, u, unit)[1]}" for cause, u in u_mm.items() if u > 0.0005
        )
        yield (
            f"Budget of {longest.name} (standard uncertainties, {unit}): {shares}; "
            "± is twice their root of squares"
        )
        yield f"Outline: within ± {rounded(0.0, 2 * pattern.precision.edge_u_mm, unit)[1]} {unit}"
    limit = limit_line(pattern, unit)
    if limit is not None:
        yield limit
    yield "Good to: the finest class of ISO 2768-1 whose limits are wider than the ±"


def pattern_json(pattern: Pattern) -> dict[str, Any]:
    """The dimensions, for scripts."""
    listed = dimensions(pattern)
    limit = limiting(pattern)
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
                "u_by_cause": _by_cause(pattern, d),
                "iso2768": _graded(d) or None,
                "evidence": d.evidence,
            }
            for d in listed.dimensions
        ],
        "unsized": list(listed.unsized),
        "outline_expanded_mm": None
        if pattern.precision is None
        else 2.0 * pattern.precision.edge_u_mm,
        "limited_by": None
        if limit is None
        else {
            "cause": limit.cause,
            "advice": limit.advice,
            "length_mm": limit.length_mm,
            "expanded_mm": limit.expanded_mm,
            "without_mm": limit.without_mm,
        },
        "notices": [{"code": n.code, "text": n.text, "level": n.level} for n in pattern.notices],
    }


def _by_cause(pattern: Pattern, row: Dimension) -> dict[str, float] | None:
    """Standard uncertainty of a dimension by cause, in its own unit."""
    if pattern.precision is None or pattern.precision.budget is None or row.expanded is None:
        return None
    variances = pattern.precision.budget.variances(row.reading)
    return {cause: math.sqrt(variance) for cause, variance in variances.items()}


_OVERALL = {
    "OL": "overall, along the datum's x",
    "OW": "overall, along the datum's y",
    "OX": "overall across, as drawn",
    "OY": "overall up, as drawn",
}


def _what(row: Dimension, edges: int) -> str:
    words = f"{row.kind} {row.other}" if row.other else row.kind
    if row.kind == "overall":
        words = _OVERALL[row.name]
    if row.kind == "end to end":
        words = f"uneven stretch, end to end, {edges} edges"
    return words if row.evidence == "measured" else f"{words} ({row.evidence})"


def _size(row: Dimension, unit: Unit) -> tuple[str, str]:
    """The value and its ±, each with its unit."""
    value, expanded = rounded(row.value, row.expanded, "deg" if row.unit == "deg" else unit)
    mark = "°" if row.unit == "deg" else f" {unit}"
    return f"{value}{mark}", f"{expanded}{mark}" if expanded else "?"
