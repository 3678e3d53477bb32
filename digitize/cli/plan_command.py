"""``digitize plan``: the order of bends for a tool, as a table and a job sheet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.fold_command import Bend, Blank, Metal, Thickness
from digitize.cli.options import (
    Json,
    Overwrite,
    PaperSize,
    Unit,
    Units,
    finite_deg,
    positive_mm,
    said_thickness_mm,
)

if TYPE_CHECKING:
    from digitize.bending_plan.tools import Tool


def plan(
    blank: Blank,
    tool: Annotated[
        str,
        typer.Option(
            "--tool", help="vice, bars, box-folder, straight-folder, or a .toml file of your own."
        ),
    ] = "vice",
    width: Annotated[
        str | None,
        typer.Option("--width", help="Width of the jaws, length of the bars or the folder."),
    ] = None,
    depth: Annotated[
        str | None, typer.Option("--depth", help="How deep a vice takes the sheet.")
    ] = None,
    fingers: Annotated[
        str | None, typer.Option("--fingers", help="Widths of a box folder's fingers: 25,50,75.")
    ] = None,
    order: Annotated[
        str | None, typer.Option("--order", help="An order to keep to, as B2,B1,B3.")
    ] = None,
    metal: Metal = "mild-steel",
    thickness: Thickness = None,
    bend: Bend = None,
    grain: Annotated[
        float | None,
        typer.Option(
            "--grain",
            help="Direction of the grain on the blank, degrees from x.",
            callback=finite_deg,
        ),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option("--sheet", help="Write job sheet and 1:1 template to this .pdf."),
    ] = None,
    paper: Annotated[
        PaperSize, typer.Option("--paper", "-p", help="Paper of the job sheet and its template.")
    ] = PaperSize.A4,
    printer: Annotated[
        str | None,
        typer.Option("--printer", help="Measured printer the template is for."),
    ] = None,
    units: Units = Unit.MM,
    as_json: Json = False,
    overwrite: Overwrite = False,
) -> None:
    """Find the order of bends for a tool, or say what blocks it; write the job sheet."""
    from digitize.bending.materials import material
    from digitize.bending.spring_back import density_kg_m3
    from digitize.bending_plan.plan import plan as plan_for
    from digitize.cli import show_plan
    from digitize.cli.bend_words import bends_said
    from digitize.cli.documents import read_pattern
    from digitize.cli.printing_scale import paper_scale
    from digitize.errors import Exit
    from digitize.files.atomic import write_bytes
    from digitize.files.notices import at_the_bench, distinct, grouped
    from digitize.files.paper import job_sheet
    from digitize.files.paper.writer import PaperOptions
    from digitize.files.pictures import shaded
    from digitize.folding.from_pattern import blank_of
    from digitize.folding.sizes import fold_names
    from digitize.folding.solid import fold_up
    from digitize.nesting.need import need

    if sheet is not None and sheet.suffix.lower() != ".pdf":
        raise typer.BadParameter("the job sheet must end in .pdf", param_hint="--sheet")
    if printer is not None and sheet is None:
        raise typer.BadParameter("nothing is printed without --sheet", param_hint="--printer")
    read = read_pattern(blank)
    stock = material(metal)
    thick = said_thickness_mm(thickness, units)
    developed, notices = blank_of(read, stock, thick, bends_said(bend or [], units.value))
    wanted = [name.strip().upper() for name in order.split(",")] if order else None
    found = plan_for(developed, _tool(tool, width, depth, fingers, units), stock.name, wanted)
    needed = need(developed.pattern, density_kg_m3(stock.name)[0], grain)
    # A blank was looked over when it was developed; folded back, its reliefs look like torn ends.
    is_blank = bool(read.notices) and all(bend.traced == "blank" for bend in read.bends)
    own = read.notices if is_blank else developed.pattern.notices
    said = distinct((*own, *notices, *needed.notices))
    if sheet is not None:
        solid = fold_up(developed)
        picture = shaded.render(solid, fold_names(developed.tree), size_px=(900, 820))
        notes = tuple(n.text for n in at_the_bench(grouped(said)))
        page = job_sheet.JobSheet(developed, found, stock.title, needed, picture, notes)
        options = PaperOptions(paper.value, unit=units.value, print_scale=paper_scale(printer))
        write_bytes(sheet, job_sheet.render(page, options), overwrite=overwrite)
    if as_json:
        out = show_plan.as_json(developed, found, needed, said)
        typer.echo(json.dumps(out | {"files": [str(sheet)] if sheet else []}, indent=2))
    else:
        show_plan.table(developed, found, needed, grouped(said), units.value)
        if sheet is not None:
            typer.echo(f"Wrote {sheet}")
    if not found.steps:
        raise typer.Exit(Exit.DIFFERS)


def _tool(
    name: str, width: str | None, depth: str | None, fingers: str | None, units: Unit
) -> Tool:
    from digitize.bending_plan.tool_file import tool_named, with_dimensions

    widths = None
    if fingers is not None:
        widths = tuple(positive_mm(w, units, "--fingers") or 0.0 for w in fingers.split(","))
    return with_dimensions(
        tool_named(name),
        positive_mm(width, units, "--width"),
        positive_mm(depth, units, "--depth"),
        widths,
    )
