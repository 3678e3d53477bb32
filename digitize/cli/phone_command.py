"""``digitize phone``: calibrate a phone's camera once, from several photos of a sheet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.options import Json, Overwrite, Unit, Units, positive_mm

if TYPE_CHECKING:
    from digitize.phone.calibrate import Judged
    from digitize.phone.profile import PhoneProfile


def phone(
    name: Annotated[
        str | None, typer.Argument(help="What you call this phone; leave out to list them.")
    ] = None,
    photos: Annotated[
        list[Path] | None,
        typer.Argument(help="Three photos of one sheet, better five; none: show the profile."),
    ] = None,
    printer: Annotated[
        str | None,
        typer.Option("--printer", help="Profile of the printer that made the sheet."),
    ] = None,
    checkerboard: Annotated[
        str | None,
        typer.Option(
            "--checkerboard", help="The photos show a plain checkerboard of squares of this size."
        ),
    ] = None,
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
    as_json: Json = False,
) -> None:
    """Calibrate a phone's camera from several photos, or show what is known.

    Tape a printed sheet down flat. Photograph it filling the frame, at a slant of 20-30°
    from four sides and once from above, with the lens and the setting that the work will
    be photographed with. A profile holds for one lens and one picture size.
    """
    from datetime import date

    from digitize.cli import show
    from digitize.cli.printing_scale import print_scale
    from digitize.phone import profile as profiles

    if name is None:
        known = profiles.PROFILES.names()
        if as_json:
            typer.echo(json.dumps({"phones": known}))
        else:
            typer.echo("\n".join(known) if known else "No phone has been calibrated yet.")
        return
    if not photos:
        _show(profiles.PROFILES.load(name), (), as_json)
        return

    from digitize.phone.calibrate import calibrate_from_files

    if not overwrite:
        profiles.PROFILES.refuse_overwriting(name)
    scale, _ = print_scale(printer, plain=checkerboard is not None)
    with show.progress(quiet=as_json) as progress:
        made = calibrate_from_files(
            name,
            photos,
            scale,
            on=date.today(),
            checkerboard_mm=positive_mm(checkerboard, units, "--checkerboard"),
            progress=progress,
        )
    kept = profiles.PROFILES.save(made.profile, overwrite=overwrite)
    if not as_json:
        typer.echo(f"Kept in {kept}")
    _show(made.profile, made.photos, as_json)


def _show(profile: PhoneProfile, photos: tuple[Judged, ...], as_json: bool) -> None:
    import math

    from digitize.phone import profile as profiles

    if as_json:
        listed = [
            {
                "photo": p.name,
                "tilt_deg": p.tilt_deg,
                "rms_px": p.rms_px,
                "left_out": p.left_out or None,
            }
            for p in photos
        ]
        typer.echo(
            json.dumps(
                {"profile": json.loads(profiles.PROFILES.to_json(profile)), "photos": listed}
            )
        )
        return
    for photo in photos:
        if photo.left_out:
            typer.echo(f"  {photo.name}: left out, {photo.left_out}")
        elif photo.tilt_deg is not None and photo.rms_px is not None:
            typer.echo(
                f"  {photo.name}: slant {photo.tilt_deg:.0f}°, corners to {photo.rms_px:.2f} px"
            )
    width, height = profile.size_px
    equivalent = profile.focal_px / math.hypot(width, height) * 43.27
    count = len(profile.sources)
    typer.echo(
        f"{profile.name}: {width} x {height} pixels, focal length {profile.focal_px:.0f} px "
        f"± {200 * profile.focal_u:.1f} % in another photo (like {equivalent:.0f} mm on full "
        f"frame), k1 {profile.mean[3]:.4f}, k2 {profile.mean[4]:.4f}; from {count} photos, "
        f"{profile.made_on.isoformat()}"
    )
