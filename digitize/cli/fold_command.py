"""``digitize fold``: the blank folded up, measured, drawn and written as a mesh."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from digitize.cli.options import Json, Overwrite, Unit, Units, said_thickness_mm

Blank = Annotated[
    Path,
    typer.Argument(
        help="The .pattern.json of a blank, or of a pattern with bends.", show_default=False
    ),
]
Metal = Annotated[
    str, typer.Option("--metal", "-m", help="The metal: mild-steel, galvanised, aluminium...")
]
Thickness = Annotated[
    str | None,
    typer.Option("--thickness", "-t", help="Thickness of the sheet, where the file lacks it."),
]
Bend = Annotated[
    list[str] | None,
    typer.Option("--bend", "-b", help='Of a traced pattern, as "all toward 90" or "B1 r2".'),
]


def fold(
    blank: Blank,
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            help="Files to write: .stl, .ply, .glb, or .png for a shaded picture.",
            show_default=False,
        ),
    ] = None,
    metal: Metal = "mild-steel",
    thickness: Thickness = None,
    bend: Bend = None,
    back: Annotated[bool, typer.Option("--back", help="See the picture from behind.")] = False,
    units: Units = Unit.MM,
    as_json: Json = False,
    overwrite: Overwrite = False,
) -> None:
    """Fold a blank up: list its dimensions over outside, draw it, write it as a mesh."""
    from digitize.bending.materials import material
    from digitize.cli import show_fold
    from digitize.cli.bend_words import bends_said
    from digitize.cli.documents import read_pattern
    from digitize.files import solid_file
    from digitize.files.atomic import write_bytes
    from digitize.files.pictures import shaded
    from digitize.folding.from_pattern import blank_of
    from digitize.folding.sizes import fold_names, folded_sizes, overall
    from digitize.folding.solid import fold_up

    files = files or []
    for file in files:
        if file.suffix.lower() not in (*solid_file.FORMATS, ".png"):
            raise typer.BadParameter(
                f"{file.name} must end in .stl, .ply, .glb or .png", param_hint="FILES"
            )
    thick = said_thickness_mm(thickness, units)
    said = bends_said(bend or [], units.value)
    developed, notices = blank_of(read_pattern(blank), material(metal), thick, said)
    solid = fold_up(developed)
    sizes, box = folded_sizes(developed, solid), overall(solid)
    written = []
    for file in files:
        if file.suffix.lower() == ".png":
            view = shaded.View(azimuth_deg=120.0) if back else shaded.View()
            data = shaded.render(solid, fold_names(developed.tree), view)
        else:
            data = solid_file.render(solid, file.suffix)
        written.append(write_bytes(file, data, overwrite=overwrite))
    if as_json:
        out = show_fold.as_json(sizes, box, notices) | {"files": [str(f) for f in written]}
        typer.echo(json.dumps(out, indent=2))
        return
    show_fold.table(developed.pattern.name, sizes, box, notices, units.value)
    for path in written:
        typer.echo(f"Wrote {path}")
