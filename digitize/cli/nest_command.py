"""``digitize nest``: several blanks laid out on a sheet or an off-cut."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.options import Into, Json, Overwrite, Unit, Units, positive_mm

if TYPE_CHECKING:
    from digitize.nesting.layout import Area, Layout


def nest(
    blanks: Annotated[
        list[str],
        typer.Argument(help="Blanks, as a.pattern.json or a.pattern.json:4.", show_default=False),
    ],
    sheet: Annotated[str | None, typer.Option("--sheet", help="A whole sheet: 1000x500.")] = None,
    offcut: Annotated[
        Path | None, typer.Option("--offcut", help="An off-cut's own .pattern.json, as traced.")
    ] = None,
    gap: Annotated[str, typer.Option("--gap", help="Between blanks, kerf included.")] = "3mm",
    rim: Annotated[str | None, typer.Option("--rim", help="Kept free along the edge.")] = None,
    grain: Annotated[
        float | None,
        typer.Option("--grain", help="The sheet's grain, degrees from x; blanks keep to it."),
    ] = None,
    blank_grain: Annotated[
        float | None,
        typer.Option("--blank-grain", help="Grain on the blanks; else across their bends."),
    ] = None,
    into: Into = Path(),
    name: Annotated[str, typer.Option("--name", "-n", help="Name of the files.")] = "layout",
    units: Units = Unit.MM,
    as_json: Json = False,
    overwrite: Overwrite = False,
) -> None:
    """Lay blanks out on a sheet: where each goes, a picture, and a drawing of each in place."""
    from digitize.cli.documents import read_pattern
    from digitize.errors import Exit
    from digitize.files import dxf, layout_picture
    from digitize.files.atomic import refuse_existing, write_all
    from digitize.nesting.layout import lay_out, turns_for
    from digitize.nesting.need import grain_for

    area = _sheet(sheet, offcut, units)
    wanted = []
    for word in blanks:
        path, count = _counted(word)
        pattern = read_pattern(path)
        own = None
        if grain is not None:
            own = blank_grain if blank_grain is not None else grain_for(pattern)
        wanted += [(pattern, turns_for(pattern, own, grain or 0.0))] * count
    picture = into / f"{name}.png"
    if not overwrite:
        refuse_existing([picture])
    found = lay_out(
        wanted,
        area,
        positive_mm(gap, units, "--gap") or 0.0,
        positive_mm(rim, units, "--rim") or 0.0,
    )
    files = {picture: layout_picture.render(found)}
    for number, piece in enumerate(found.pieces, 1):
        drawing = dxf.render(piece.on_sheet, dxf.DxfOptions(units.value))
        files[into / f"{name}-{number}-{piece.pattern.name}.dxf"] = drawing
    written = write_all(files, overwrite=overwrite)
    if as_json:
        typer.echo(json.dumps(_json(found) | {"files": [str(f) for f in written]}, indent=2))
    else:
        _table(found, units)
        for path in written:
            typer.echo(f"Wrote {path}")
    if found.left_over:
        raise typer.Exit(Exit.DIFFERS)


def _sheet(sheet: str | None, offcut: Path | None, units: Unit) -> Area:
    from digitize.cli.documents import read_pattern
    from digitize.nesting.layout import offcut_sheet, rectangle_sheet

    if (sheet is None) == (offcut is None):
        raise typer.BadParameter("say either --sheet or --offcut", param_hint="--sheet")
    if offcut is not None:
        return offcut_sheet(read_pattern(offcut))
    sides = (sheet or "").lower().split("x")
    if len(sides) != 2:
        raise typer.BadParameter(f"{sheet!r} is no sheet; write 1000x500", param_hint="--sheet")
    width, height = (positive_mm(side, units, "--sheet") or 0.0 for side in sides)
    return rectangle_sheet(width, height)


def _counted(word: str) -> tuple[Path, int]:
    path, colon, count = word.rpartition(":")
    if colon and count.isdigit():
        if not 1 <= int(count) <= 200:
            raise typer.BadParameter(f"{word!r} asks for {count} pieces", param_hint="BLANKS")
        return Path(path), int(count)
    return Path(word), 1


def _table(found: Layout, units: Unit) -> None:
    from rich.console import Console
    from rich.table import Table

    from digitize.files.units import length

    console = Console(width=None if Console().is_terminal else 100, highlight=False)
    shown = Table(caption=f"{100 * found.used:.0f} % of the sheet used")
    for heading in ("", "blank", "turned", "moved right", "moved up"):
        shown.add_column(heading, justify="left" if heading == "blank" else "right")
    for number, piece in enumerate(found.pieces, 1):
        x, y = (length(v, units.value) for v in piece.move_mm)
        shown.add_row(str(number), piece.pattern.name, f"{piece.turn_deg:.1f}°", x, y)
    console.print(shown)
    if found.left_over:
        names = ", ".join(found.left_over)
        console.print(f"Did not fit: {names}", soft_wrap=True)
    console.print(
        "Cut edges are sharp: gloves and eye protection, and clamp an off-cut before you cut it.",
        soft_wrap=True,
    )


def _json(found: Layout) -> dict[str, object]:
    return {
        "pieces": [
            {"name": p.pattern.name, "turn_deg": p.turn_deg, "move_mm": list(p.move_mm)}
            for p in found.pieces
        ],
        "left_over": list(found.left_over),
        "used": found.used,
    }
