"""Which printed scale to work with, from what the user said or has measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from digitize.errors import Notice
    from digitize.sheets.layout import PrintScale


def print_scale(name: str | None, *, plain: bool) -> tuple[PrintScale, tuple[Notice, ...]]:
    """The scale of the named printer, of the only one measured, or the unmeasured one.

    ``plain``: the target is a checkerboard whose squares the user has measured.
    """
    from digitize.errors import Notice
    from digitize.sheets import printer
    from digitize.sheets.layout import PrintScale

    if plain and name is None:
        # The user measured the squares; reading a rule over the board leaves about this.
        return PrintScale(1.0, 1.0, 0.001, 0.001, True, "square size as given"), ()
    if name is None:
        known = printer.PROFILES.names()
        if len(known) > 1:
            several = Notice(
                "printer-unnamed",
                f"several printers are known ({', '.join(known)}) and none was named, so the "
                "target counts as unmeasured: say --printer NAME",
                "doubt",
            )
            return printer.unmeasured()[0], (several,)
        if not known:
            scale, notice = printer.unmeasured()
            return scale, (notice,)
        profile = printer.PROFILES.load(known[0])
        assumed = Notice(
            "printer-assumed",
            f"the target is taken to come from printer {profile.name!r}, the only one measured",
        )
        return profile.scale(), (assumed, *profile.notices())
    profile = printer.PROFILES.load(name)
    return profile.scale(), profile.notices()


def paper_scale(printer: str | None) -> tuple[float, float]:
    """What a printer makes of true size across and along the paper; says what is doubtful."""
    if printer is None:
        return 1.0, 1.0
    scale, notices = print_scale(printer, plain=False)
    for notice in notices:
        typer.echo(f"Note: {notice.text}", err=True)
    return scale.x, scale.y
