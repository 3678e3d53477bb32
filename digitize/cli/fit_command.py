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
    said_thickness_mm,
)
from digitize.cli.pieces import Flip, IntoIfSaid


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
    plate: Annotated[
        str | None,
        typer.Option(
            "--plate",
            help="Thickness round a photographed opening, where it is not the piece's.",
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
    flip: Flip = False,
    allow: Annotated[
        str | None,
        typer.Option("--allow", help="End with code 10 where a gap or overlap is more than this."),
    ] = None,
    printer: Printer = None,
    into: IntoIfSaid = None,
    paper: Paper = PaperSize.A4,
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
    as_json: Json = False,
) -> None:
    """Place a piece in its opening: gaps, how they weld, what to trim, add or cut bigger."""
    from digitize.cli import show, show_fit
    from digitize.cli.pieces import backdrop, read_opening, read_piece
    from digitize.comparing.opening import FitInOptions, NoThickness, fit_in
    from digitize.comparison_delivery import Delivered, DeliveryOptions, deliver
    from digitize.errors import Exit
    from digitize.files.comparison.opening_words import headline

    allowed_mm = positive_mm(allow, units, "--allow")
    lap_mm = positive_mm(lap, units, "--lap") or 0.0
    with show.progress(quiet=as_json) as progress:
        inner = read_piece(piece, thickness, printer, units, progress)
        thick = said_thickness_mm(thickness, units) or inner.pattern.thickness_mm
        round_it = said_thickness_mm(plate, units, "--plate") or thick
        outer = read_opening(opening, round_it, printer, progress)
        if thick is None:
            raise NoThickness(
                "gaps are judged by the sheet's thickness, which is not known", do="say --thickness"
            )
        progress("Placing the piece")
        options = FitInOptions(thick, weld.value, place.value, lap_mm, flip)
        found = fit_in(inner.pattern, outer.pattern, options)
        left = Delivered()
        if into is not None:
            progress("Writing the files")
            written = DeliveryOptions(units.value, paper.value, overwrite)
            shown = backdrop(outer, inner)
            said = headline(found, units.value)
            left = deliver(
                found.comparison, said, into, written, better=found.better, backdrop=shown
            )
    show_fit.result(found, left, units.value, as_json=as_json)
    off_mm = max(found.largest_gap_mm, *(e.trim_mm for e in found.edges))
    if allowed_mm is not None and off_mm > allowed_mm:
        raise typer.Exit(Exit.DIFFERS)
