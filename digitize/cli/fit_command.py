"""``digitize fit``: a piece against its opening, gap and overlap all round."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from digitize.cli.options import (
    Json,
    Overwrite,
    Paper,
    PaperSize,
    Printer,
    Unit,
    Units,
    positive_mm,
)


class Weld(StrEnum):
    """How the joint is to be welded."""

    MIG = "mig"
    TIG = "tig"


class Place(StrEnum):
    """What the piece is placed for."""

    EVEN = "even"
    SMALLEST = "smallest"


def fit(
    piece: Annotated[
        Path, typer.Argument(help="The piece: a .pattern.json or a photo.", show_default=False)
    ],
    opening: Annotated[
        Path,
        typer.Argument(help="The opening: a .pattern.json or a photo.", show_default=False),
    ],
    thickness: Annotated[
        str | None,
        typer.Option(
            "--thickness",
            "-t",
            help="Sheet thickness; gaps are judged by it. Else the piece's own.",
        ),
    ] = None,
    weld: Annotated[Weld, typer.Option("--weld", help="How the joint is welded.")] = Weld.MIG,
    place: Annotated[
        Place,
        typer.Option("--place", help="Even the gaps out, or make the largest one smallest."),
    ] = Place.EVEN,
    lap: Annotated[
        str | None,
        typer.Option("--lap", help="The piece laps over the opening's edge by this much."),
    ] = None,
    flip: Annotated[
        bool, typer.Option("--flip", help="The piece was seen from its other face.")
    ] = False,
    allow: Annotated[
        str | None, typer.Option("--allow", help="End with code 10 where a gap is wider than this.")
    ] = None,
    printer: Printer = None,
    into: Annotated[
        Path | None,
        typer.Option(
            "--into", "-o", help="Folder for pictures, drawings, trim template and history."
        ),
    ] = None,
    paper: Paper = PaperSize.A4,
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
    as_json: Json = False,
) -> None:
    """Place a piece in its opening: gaps, how they weld, what to trim, add or cut bigger."""
    from digitize.cli import show, show_fit
    from digitize.cli.pieces import backdrop, read_piece
    from digitize.comparing.opening import FitInOptions, NoThickness, fit_in
    from digitize.comparison_delivery import deliver, last_trial
    from digitize.errors import Exit

    allowed_mm = positive_mm(allow, units, "--allow")
    lap_mm = positive_mm(lap, units, "--lap") or 0.0
    with show.progress(quiet=as_json) as progress:
        inner = read_piece(piece, thickness, printer, units, progress)
        outer = read_piece(opening, thickness, printer, units, progress)
        thick = positive_mm(thickness, units, "--thickness") or inner.pattern.thickness_mm
        if thick is None:
            raise NoThickness(
                "gaps are judged by the sheet's thickness, which is not known", do="say --thickness"
            )
        progress("Placing the piece")
        options = FitInOptions(thick, weld.value, place.value, lap_mm, flip)
        found = fit_in(inner.pattern, outer.pattern, options)
        before = last_trial(found.comparison, into) if into is not None else None
        files: tuple[Path, ...] = ()
        if into is not None:
            progress("Writing the files")
            files = deliver(
                found.comparison,
                into,
                units.value,
                paper.value,
                backdrop=backdrop(outer, inner),
                overwrite=overwrite,
            )
    show_fit.result(found, before, files, units.value, as_json=as_json)
    if allowed_mm is not None and found.largest_gap_mm > allowed_mm:
        raise typer.Exit(Exit.DIFFERS)
