"""``digitize nest``: several blanks laid out on a sheet or an off-cut."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.lengths import length_mm
from digitize.cli.options import (
    Into,
    Json,
    Overwrite,
    Unit,
    Units,
    finite_deg,
    plain_name,
    positive_mm,
)

if TYPE_CHECKING:
    from digitize.nesting.layout import Area, Layout


# Common practice, no source: room for a torch's kerf and a sheet's bruised, untrue edge.
GAP_MM = 5.0
RIM_MM = 5.0


def nest(
    blanks: Annotated[
        list[str],
        typer.Argument(help="Blanks, as a.pattern.json or a.pattern.json:4.", show_default=False),
    ],
    sheet: Annotated[str | None, typer.Option("--sheet", help="A whole sheet: 1000x500.")] = None,
    offcut: Annotated[
        Path | None, typer.Option("--offcut", help="An off-cut's own .pattern.json, as traced.")
    ] = None,
    gap: Annotated[
        str, typer.Option("--gap", help="Kept free between blanks, kerf included; may be 0.")
    ] = f"{GAP_MM:g}mm",
    rim: Annotated[
        str, typer.Option("--rim", help="Kept free along the edge of the sheet; may be 0.")
    ] = f"{RIM_MM:g}mm",
    grain: Annotated[
        float | None,
        typer.Option(
            "--grain",
            help="The sheet's grain, degrees from x; blanks keep to it.",
            callback=finite_deg,
        ),
    ] = None,
    blank_grain: Annotated[
        float | None,
        typer.Option(
            "--blank-grain",
            help="Grain on the blanks; else across their bends.",
            callback=finite_deg,
        ),
    ] = None,
    into: Into = Path(),
    name: Annotated[
        str, typer.Option("--name", "-n", help="Name of the files.", callback=plain_name)
    ] = "layout",
    units: Units = Unit.MM,
    as_json: Json = False,
    overwrite: Overwrite = False,
) -> None:
    """Lay blanks out on a sheet: where each goes, a picture, and a drawing of each in place."""
    from digitize.cli.documents import read_pattern
    from digitize.errors import Exit
    from digitize.files import dxf
    from digitize.files.atomic import refuse_existing, write_all
    from digitize.files.pictures import layout_picture
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
    free = Free(_kept_free_mm(gap, units, "--gap"), _kept_free_mm(rim, units, "--rim"))
    found = lay_out(wanted, area, free.gap_mm, free.rim_mm)
    files = {picture: layout_picture.render(found)} if found.pieces else {}
    for number, piece in enumerate(found.pieces, 1):
        drawing = dxf.render(piece.on_sheet, dxf.DxfOptions(units.value))
        files[into / f"{name}-{number}-{piece.pattern.name}.dxf"] = drawing
    written = write_all(files, overwrite=overwrite)
    if as_json:
        told = _json(found) | asdict(free) | {"files": [str(f) for f in written]}
        typer.echo(json.dumps(told, indent=2))
    else:
        _table(found, free, units)
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


@dataclass(frozen=True, slots=True)
class Free:
    """What is kept free between blanks and along the sheet's edge."""

    gap_mm: float
    rim_mm: float


def _kept_free_mm(text: str, units: Unit, option: str) -> float:
    """A typed length that may be nothing."""
    try:
        return length_mm(text, units.value)
    except ValueError as fault:
        raise typer.BadParameter(str(fault), param_hint=option) from None


def counted(names: Iterable[str]) -> str:
    """Names, each once, with how many there are of it."""
    counts = Counter(names)
    return ", ".join(name if n == 1 else f"{n} x {name}" for name, n in counts.items())


def _table(found: Layout, free: Free, units: Unit) -> None:
    from rich.console import Console
    from rich.table import Table

    from digitize.files.units import length
    from digitize.pattern.extent import extent_mm

    console = Console(width=None if Console().is_terminal else 100, highlight=False)
    shown = Table(caption=f"{100 * found.used:.0f} % of the sheet used")
    for heading in ("", "blank", "turned", "from the left", "from below"):
        shown.add_column(heading, justify="left" if heading == "blank" else "right")
    for number, piece in enumerate(found.pieces, 1):
        x, y = (length(v, units.value) for v in extent_mm(piece.on_sheet)[:2])
        shown.add_row(str(number), piece.pattern.name, f"{piece.turn_deg:.1f}°", x, y)
    console.print(shown)
    console.print(
        f"Kept free: {length(free.gap_mm, units.value)} between blanks (--gap), "
        f"{length(free.rim_mm, units.value)} along the edge of the sheet (--rim)",
        soft_wrap=True,
    )
    if found.left_over:
        console.print(f"Did not fit: {counted(found.left_over)}", soft_wrap=True)
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
