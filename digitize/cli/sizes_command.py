"""``digitize sizes``: the dimensions of a pattern document."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from digitize.cli.options import Json, Unit, Units


def sizes(
    pattern: Annotated[Path, typer.Argument(help="A .pattern.json file.", show_default=False)],
    units: Units = Unit.MM,
    as_json: Json = False,
) -> None:
    """List a pattern's dimensions, each with its ±."""
    from digitize.cli import show
    from digitize.cli.documents import read_pattern

    read = read_pattern(pattern)
    if as_json:
        typer.echo(json.dumps(show.pattern_json(read), indent=2))
    else:
        show.sizes(read, inch=units is Unit.INCH)
