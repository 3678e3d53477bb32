"""``digitize samples``: the main job on the photographs that come with the project."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from digitize.cli.options import Into, Overwrite


def samples(
    folder: Annotated[Path, typer.Argument(help="Folder with the sample photographs.")] = Path(
        "samples"
    ),
    into: Into = Path("out"),
    overwrite: Overwrite = False,
) -> None:
    """Trace every sample photograph into a folder of patterns, drawings and pictures."""
    typer.echo(folder, into, overwrite)
