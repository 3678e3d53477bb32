"""``digitize assemble``: which of several folded pieces goes in first, and from where."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.options import Json, Overwrite, Unit, positive_mm

if TYPE_CHECKING:
    from digitize.assembly.freeing import Way
    from digitize.assembly.shape import Shape


def assemble(
    job: Annotated[
        Path,
        typer.Argument(help="A placement file (JSON): pieces, places, laps.", show_default=False),
    ],
    metal: Annotated[
        str, typer.Option("--metal", "-m", help="The metal: mild-steel, galvanised, aluminium...")
    ] = "mild-steel",
    thickness: Annotated[
        str | None,
        typer.Option("--thickness", "-t", help="Thickness of the sheet, where a file lacks it."),
    ] = None,
    into: Annotated[
        Path | None, typer.Option("--into", "-o", help="Folder for a picture of each step.")
    ] = None,
    overwrite: Overwrite = False,
    as_json: Json = False,
) -> None:
    """Find an order in which pieces can be brought in, or what blocks it and what frees it."""
    import numpy as np

    from digitize.assembly.directions import words
    from digitize.assembly.freeing import ways_out
    from digitize.assembly.job import JobUnreadable, read_job
    from digitize.assembly.order import Blocking, plan_of
    from digitize.assembly.shape import Shape
    from digitize.bending.materials import material
    from digitize.cli.documents import read_pattern
    from digitize.errors import Exit
    from digitize.files import assembly_steps
    from digitize.files.atomic import write_bytes
    from digitize.folding.from_pattern import NotFoldable, blank_of

    sheet_mm = positive_mm(thickness, Unit.MM, "--thickness")

    def shape_named(name: str) -> Shape:
        pattern = read_pattern(job.parent / name)
        if pattern.bends:
            blank = blank_of(pattern, material(metal), sheet_mm)[0]
            return Shape(pattern, blank.pattern.thickness_mm or 0.0, blank)
        thick = sheet_mm or pattern.thickness_mm
        if thick is None:
            raise NotFoldable(
                "nobody said how thick the sheet is", where=name, do="give --thickness, measured"
            )
        return Shape(pattern, thick)

    try:
        text = job.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        raise JobUnreadable("the placement file cannot be read", where=str(job)) from None
    read = read_job(text, shape_named)
    blocking = Blocking(read.bodies, read.behind)
    plan = plan_of(blocking)
    ways: tuple[Way, ...] = ()
    if plan.stuck is not None:
        ways = ways_out(blocking, plan.stuck, read.alternatives)
    bodies = {b.name: b for b in read.bodies}
    entering = {name for step in plan.steps for name in step.pieces}
    first = tuple(n for n in bodies if n not in entering)
    written: list[Path] = []
    if into is not None and plan.stuck is None:
        into.mkdir(parents=True, exist_ok=True)
        for number, step in enumerate(plan.steps, 2):
            data = assembly_steps.render(bodies, step, number, len(plan.steps) + 1)
            path = into / f"{job.name.split('.')[0]}-step-{number}.png"
            written.append(write_bytes(path, data, overwrite=overwrite))
    if as_json:
        out = {
            "places": {
                name: {"at_mm": _short(place.at_mm), "turn_deg": _short(place.turn_deg)}
                for name, place in read.by_edges.items()
            },
            "first": list(first),
            "steps": [
                {"pieces": list(s.pieces), "along": list(s.along), "onto": list(s.onto)}
                for s in plan.steps
            ],
            "stuck": None
            if plan.stuck is None
            else {"pieces": list(plan.stuck.pieces), "pair": list(plan.stuck.pair)},
            "frees": [
                {"piece": w.frees, "words": w.words, "all": w.plan.stuck is None} for w in ways
            ],
            "directions": plan.directions,
            "tests": plan.tests,
            "files": [str(p) for p in written],
        }
        typer.echo(json.dumps(out, indent=2))
        if plan.stuck is not None:
            raise typer.Exit(Exit.DIFFERS)
        return
    for name, place in read.by_edges.items():
        at, turn = (", ".join(f"{v:g}" for v in _short(t)) for t in (place.at_mm, place.turn_deg))
        typer.echo(f"{name} lies at {at} mm, turned {turn}°, by its edges")
    if plan.stuck is None:
        typer.echo(f"1. {' and '.join(first)}")
        for number, step in enumerate(plan.steps, 2):
            together = ", held together" if len(step.pieces) > 1 else ""
            inside = set(step.onto) & set(first)
            onto = "" if inside else f" onto {' and '.join(step.onto)}, outside the job"
            entry = words(-np.asarray(step.along))
            typer.echo(f"{number}. {' and '.join(step.pieces)}{together}, {entry}{onto}")
        typer.echo(f"({plan.tests} pairs tried over up to {plan.directions} directions)")
        for path in written:
            typer.echo(f"Wrote {path}")
    else:
        one, other = plan.stuck.pair
        typer.echo(f"No order found: {one} and {other} block each other.")
        typer.echo(f"Stuck together: {', '.join(plan.stuck.pieces)}.")
        for way in ways:
            more = "" if way.plan.stuck is None else "; other pieces stay stuck"
            typer.echo(f"This frees {way.frees}: {way.words}{more}.")
        if not ways:
            typer.echo("No single flange left flat and no lap reversed frees them.")
            typer.echo("Check that they do not lie in each other where they are placed.")
        typer.echo(f"({plan.tests} pairs tried over up to {plan.directions} directions)")
    if plan.stuck is not None:
        raise typer.Exit(Exit.DIFFERS)


def _short(values: Iterable[float]) -> list[float]:
    """To a hundredth, without a minus before nothing."""
    return [round(float(v), 2) + 0.0 for v in values]
