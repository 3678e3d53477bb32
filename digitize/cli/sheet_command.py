"""``digitize sheet``: write a printed target, ready for the printer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from digitize.cli.options import Overwrite, Unit, Units


def sheet(
    form: Annotated[
        str, typer.Argument(help="ring (the piece lies inside) or card (taped beside it).")
    ] = "ring",
    paper: Annotated[str, typer.Option("--paper", "-p", help="A4, Letter, A3 or A2.")] = "A4",
    number: Annotated[
        int,
        typer.Option("--number", "-n", help="1 to 63; sheets in one photo need different ones."),
    ] = 1,
    units: Units = Unit.MM,
    file: Annotated[
        Path | None, typer.Option("--file", "-f", help="File to write, .pdf or .png.")
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option("--into", "-o", help="Folder for it; made where missing.", show_default=False),
    ] = None,
    overwrite: Overwrite = False,
) -> None:
    """Write a printed target as PDF (or PNG) at 1:1.

    Print it at 100 %, measure both bars with a steel rule, and tell the tool with
    'digitize printer'.
    """
    from digitize.files.atomic import make_folder
    from digitize.sheets import printing
    from digitize.sheets.page import page

    path = file or Path(f"{form.strip().lower()}-{paper.strip().lower()}-{number}.pdf")
    if into is not None:
        make_folder(into)
        path = into / path
    drawn = page(form, paper, number, units.value)
    if path.suffix.lower() == ".png":
        printing.write_png(path, drawn, overwrite=overwrite)
    elif path.suffix.lower() == ".pdf":
        printing.write_pdf(path, [drawn], overwrite=overwrite)
    else:
        raise typer.BadParameter("the file must end in .pdf or .png", param_hint="--file")
    typer.echo(f"{path}: {drawn.title}. Print at 100 %, measure both bars, then run")
    typer.echo(
        f"  digitize printer NAME --form {drawn.form} --paper {drawn.paper} "
        f"--units {units.value} --across LENGTH --up LENGTH"
    )
