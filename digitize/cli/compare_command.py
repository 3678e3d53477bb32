"""``digitize compare``: the new piece held over the old one, in millimetres."""

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
from digitize.cli.pieces import Flip, IntoIfSaid, Thickness


class Over(StrEnum):
    """How the new piece is laid over the old one."""

    SOUND = "sound"
    ALL = "all"
    ZONE = "zone"


def compare(
    old: Annotated[
        Path, typer.Argument(help="The old piece: a .pattern.json or a photo.", show_default=False)
    ],
    new: Annotated[
        Path, typer.Argument(help="The new piece: a .pattern.json or a photo.", show_default=False)
    ],
    over: Annotated[
        Over,
        typer.Option(
            "--over",
            help="Lay over by the edges that agree, by all of the edge, or for the smallest "
            "largest deviation.",
        ),
    ] = Over.SOUND,
    lock: Annotated[
        str | None,
        typer.Option(
            "--lock",
            help="Lay over by one or two features of the old piece: H1,H2 (holes), E1,H1 (edge, "
            "then hole), B1 (bend line). H1=H2: the new one's is called H2.",
        ),
    ] = None,
    flip: Flip = False,
    allow: Annotated[
        str | None,
        typer.Option("--allow", help="End with code 10 where the edge is off by more than this."),
    ] = None,
    thickness: Thickness = None,
    printer: Printer = None,
    into: IntoIfSaid = None,
    paper: Paper = PaperSize.A4,
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
    as_json: Json = False,
) -> None:
    """Compare a new piece with the old one: what to trim, what is short, what has moved."""
    from digitize.cli import show, show_comparison
    from digitize.cli.pieces import backdrop, read_piece
    from digitize.comparing.comparison import compare as hold_over
    from digitize.comparing.corrected import next_time
    from digitize.comparison_delivery import Delivered, DeliveryOptions, deliver
    from digitize.errors import Exit
    from digitize.files.comparison.words import headline

    allowed_mm = positive_mm(allow, units, "--allow")
    with show.progress(quiet=as_json) as progress:
        first = read_piece(old, thickness, printer, units, progress)
        second = read_piece(new, thickness, printer, units, progress)
        progress("Laying one over the other")
        found = hold_over(
            first.pattern,
            second.pattern,
            fit=over.value,
            mirrored=flip,
            locked=tuple(lock.split(",")) if lock else (),
        )
        left = Delivered()
        if into is not None:
            progress("Writing the files")
            options = DeliveryOptions(units.value, paper.value, overwrite)
            shown = backdrop(first, second)
            said = headline(found, units.value)
            better = None if found.same else next_time(found).pattern
            left = deliver(found, said, into, options, better=better, backdrop=shown)
    show_comparison.result(found, left, units.value, as_json=as_json)
    if allowed_mm is not None and found.largest_mm > allowed_mm:
        raise typer.Exit(Exit.DIFFERS)
