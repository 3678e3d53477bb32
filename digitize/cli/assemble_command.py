"""``digitize assemble``: which of several folded pieces goes in first, and from where."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.options import Json, Overwrite, Unit, Units, said_thickness_mm

if TYPE_CHECKING:
    from digitize.assembly.freeing import Way
    from digitize.assembly.job import Job
    from digitize.assembly.order import Plan
    from digitize.assembly.overlap import Overlap
    from digitize.assembly.shape import Shape
    from digitize.bending.materials import Material
    from digitize.errors import Notice


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
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
    as_json: Json = False,
) -> None:
    """Find an order in which pieces can be brought in, or what blocks it and what frees it."""
    from digitize.assembly.freeing import ways_out
    from digitize.assembly.job import JobUnreadable, read_job
    from digitize.assembly.order import Blocking, plan_of
    from digitize.assembly.overlap import overlaps
    from digitize.bending.materials import material
    from digitize.cli import show_assembly
    from digitize.errors import Exit
    from digitize.files.atomic import write_all

    sheet_mm, metal_meant = said_thickness_mm(thickness, units), material(metal)
    try:
        text = job.read_text("utf-8")
    except UnicodeDecodeError:
        raise JobUnreadable("this is no placement file", where=str(job)) from None
    except OSError as fault:
        raise JobUnreadable(
            "the placement file cannot be read", where=str(job), do=(fault.strerror or "").lower()
        ) from None
    assumed: dict[str, tuple[Notice, ...]] = {}

    def shape_named(name: str) -> Shape:
        shape, assumed[name] = _shape(job.parent / name, metal_meant, sheet_mm)
        return shape

    read = read_job(text, shape_named)
    notices = [replace(n, text=f"{name}: {n.text}") for name, ns in assumed.items() for n in ns]
    blocking = Blocking(read.bodies, read.behind)
    plan = plan_of(blocking)
    shared: tuple[Overlap, ...] = ()
    ways: tuple[Way, ...] = ()
    if plan.stuck is not None:
        shared = overlaps([b for b in read.bodies if b.name in plan.stuck.pieces])
        ways = () if shared else ways_out(blocking, plan.stuck, read.alternatives)
    written: tuple[Path, ...] = ()
    if into is not None:
        stem = job.name.split(".")[0]
        pictures = _pictures(read, plan, shared)
        files = {into / f"{stem}-{step}.png": data for step, data in pictures}
        written = write_all(files, overwrite=overwrite)
    if as_json:
        said = show_assembly.as_json(read, plan, blocking.directions, ways=ways, overlaps=shared)
        noticed = [{"code": n.code, "text": n.text, "level": n.level} for n in notices]
        out = said | {"notices": noticed, "files": [str(p) for p in written]}
        typer.echo(json.dumps(out, indent=2))
    else:
        for line in show_assembly.lines(
            read, plan, blocking.directions, ways=ways, overlaps=shared, unit=units.value
        ):
            typer.echo(line)
        for notice in notices:
            typer.echo(f"{'Doubt' if notice.level == 'doubt' else 'Note'}: {notice.text}")
        for path in written:
            typer.echo(f"Wrote {path}")
    if plan.stuck is not None:
        raise typer.Exit(Exit.DIFFERS)


def _shape(path: Path, metal: Material, sheet_mm: float | None) -> tuple[Shape, tuple[Notice, ...]]:
    """What the pattern in a file makes, and what was assumed in folding it."""
    from digitize.assembly.shape import Shape
    from digitize.cli.documents import read_pattern
    from digitize.errors import DigitizeError
    from digitize.folding.from_pattern import ThicknessUnknown, blank_of

    pattern = read_pattern(path)
    if pattern.bends:
        try:
            blank, assumed = blank_of(pattern, metal, sheet_mm)
        except DigitizeError as fault:
            # Bends are said to 'blank': there each piece has its own.
            own = (
                "develop it with 'digitize blank' and name that file"
                if "--bend" in fault.do
                else None
            )
            fault.within(path.name, own)
            raise
        return Shape(pattern, blank.pattern.thickness_mm or 0.0, blank), assumed
    thick = sheet_mm or pattern.thickness_mm
    if thick is None:
        unknown = ThicknessUnknown()
        unknown.within(path.name)
        raise unknown
    return Shape(pattern, thick), ()


def _pictures(job: Job, plan: Plan, shared: Sequence[Overlap]) -> list[tuple[str, bytes]]:
    """What comes in at each step, or the pieces that are stuck, by the end of a file name."""
    from digitize.cli.show_assembly import first_of
    from digitize.files.pictures import assembly_steps

    bodies = {b.name: b for b in job.bodies}
    if plan.stuck is not None:
        pair, said = plan.stuck.pair, "block each other"
        if shared:
            pair, said = (shared[0].one, shared[0].other), "lie in each other"
        heading = f"{' and '.join(pair)} {said}"
        return [("stuck", assembly_steps.render_stuck(bodies, pair, heading))]
    count = len(plan.steps) + 1
    first = assembly_steps.render_first(bodies, first_of(job, plan), count)
    steps = [
        (f"step-{number}", assembly_steps.render(bodies, step, number, count))
        for number, step in enumerate(plan.steps, 2)
    ]
    return [("step-1", first), *steps, ("finished", assembly_steps.render_finished(bodies))]
