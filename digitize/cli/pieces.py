"""A piece named on the command line: a pattern document, or a photo traced on the spot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.documents import NoPattern, read_pattern
from digitize.cli.options import Unit, positive_mm

if TYPE_CHECKING:
    from digitize.pattern.model import Pattern

PHOTOS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")

Thickness = Annotated[
    str | None,
    typer.Option("--thickness", "-t", help="Sheet thickness, for a photo of the piece itself."),
]
Printer = Annotated[str | None, typer.Option("--printer", help="Printer of the target in a photo.")]


def read_piece(
    path: Path,
    thickness: str | None,
    printer: str | None,
    unit: Unit,
    progress: Callable[[str], None],
) -> Pattern:
    """The pattern in a document, or that of the largest piece in a photo.

    Raises what reading the document or tracing the photo raises.
    """
    if path.suffix.lower() not in PHOTOS:
        found = read_pattern(path)
        return replace(found, name=found.name or path.name.split(".")[0])
    from digitize.cli.printing_scale import print_scale
    from digitize.job import JobOptions, pattern_from_photo

    if not path.exists():
        raise NoPattern("there is no such file", where=str(path))
    scale, notices = print_scale(printer, plain=False)
    thick = positive_mm(thickness, unit, "--thickness")
    options = JobOptions(
        print_scale=scale,
        print_notices=notices,
        thicknesses_mm=(thick,) if thick is not None else (),
    )
    return pattern_from_photo(
        path, options, lambda step: progress(f"{path.name}: {step.lower()}")
    ).patterns[0]
