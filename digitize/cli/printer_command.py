"""``digitize printer``: keep what was measured on a printed sheet."""

from __future__ import annotations

from typing import Annotated

import typer

from digitize.cli.options import Overwrite, Unit, Units, positive_mm


def printer(
    name: Annotated[
        str | None, typer.Argument(help="What you call this printer; leave out to list them.")
    ] = None,
    across: Annotated[str | None, typer.Option("--across", help="Measured bar across.")] = None,
    up: Annotated[str | None, typer.Option("--up", help="Measured bar up the sheet.")] = None,
    form: Annotated[str, typer.Option("--form", help="Sheet that was measured.")] = "ring",
    paper: Annotated[str, typer.Option("--paper", "-p", help="Its paper.")] = "A4",
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
) -> None:
    """Keep the measured bars of a printer, or show what is known.

    Measure from the middle of one end line to the middle of the other. Without
    --across and --up the profile is shown.
    """
    from datetime import date

    from digitize.sheets import printer as printers

    if name is None:
        known = printers.PROFILES.names()
        typer.echo("\n".join(known) if known else "No printer has been measured yet.")
        return
    across_mm = positive_mm(across, units, "--across")
    up_mm = positive_mm(up, units, "--up")
    if across_mm is None and up_mm is None:
        profile = printers.PROFILES.load(name)
    elif across_mm is None or up_mm is None:
        raise typer.BadParameter("measure both bars: --across and --up go together")
    else:
        profile = printers.measured(
            name, form, paper, across_mm, up_mm, on=date.today(), units=units.value
        )
        typer.echo(f"Kept in {printers.PROFILES.save(profile, overwrite=overwrite)}")
    scale = profile.scale()
    typer.echo(
        f"{profile.name}: prints {100 * scale.x:.2f} % across and {100 * scale.y:.2f} % up "
        f"(± {200 * max(scale.u_x, scale.u_y):.2f} %), {profile.sheet}, "
        f"measured {profile.measured_on.isoformat()}"
    )
    for notice in profile.notices():
        typer.echo(f"Note: {notice.text}")
