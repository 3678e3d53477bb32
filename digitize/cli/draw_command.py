"""``digitize draw``: a pattern document as DXF, SVG or a 1:1 paper template."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from digitize.cli.options import Overwrite, PaperSize, Unit, Units


class DxfVersion(StrEnum):
    """How old the reader of a DXF may be."""

    R2010 = "R2010"
    R12 = "R12"


def draw(
    pattern: Annotated[Path, typer.Argument(help="A .pattern.json file.", show_default=False)],
    file: Annotated[
        Path, typer.Argument(help="File to write: .dxf, .svg or .pdf.", show_default=False)
    ],
    dxf: Annotated[
        DxfVersion, typer.Option("--dxf", help="R12 for old controllers.")
    ] = DxfVersion.R2010,
    paper: Annotated[
        PaperSize, typer.Option("--paper", "-p", help="Paper of a .pdf template.")
    ] = PaperSize.A4,
    turn: Annotated[
        bool, typer.Option("--turn", help="Turn the pattern on the paper to save pages.")
    ] = False,
    printer: Annotated[
        str | None,
        typer.Option("--printer", help="Measured printer a .pdf is for: allow for its scale."),
    ] = None,
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
) -> None:
    """Write a pattern as DXF, SVG, or PDF at 1:1 over as many pages as it needs."""
    from digitize.cli.documents import read_pattern
    from digitize.cli.printing_scale import paper_scale
    from digitize.files import dxf as dxf_file
    from digitize.files import svg as svg_file
    from digitize.files.atomic import write_bytes
    from digitize.files.paper import writer as paper_file

    suffix = file.suffix.lower()
    if printer is not None and suffix != ".pdf":
        raise typer.BadParameter("only a .pdf is printed at 1:1", param_hint="--printer")
    read = read_pattern(pattern)
    match suffix:
        case ".dxf":
            data = dxf_file.render(read, dxf_file.DxfOptions(units.value, dxf.value))
        case ".svg":
            data = svg_file.render(read, svg_file.SvgOptions(units.value))
        case ".pdf":
            options = paper_file.PaperOptions(
                paper=paper.value, unit=units.value, turn=turn, print_scale=paper_scale(printer)
            )
            data = paper_file.render(read, options)
        case _:
            raise typer.BadParameter("the file must end in .dxf, .svg or .pdf", param_hint="FILE")
    typer.echo(f"Wrote {write_bytes(file, data, overwrite=overwrite)}")
