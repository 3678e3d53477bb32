"""``digitize trace``: the main job, one photo or several to true-scale patterns."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli import references, several_photos
from digitize.cli.options import (
    Checkerboard,
    Into,
    Json,
    Overwrite,
    Paper,
    PaperSize,
    Phone,
    Printer,
    Unit,
    Units,
    plain_name,
    positive_mm,
    said_thickness_mm,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Mode(StrEnum):
    """What is traced."""

    AUTO = "auto"
    INK = "ink"
    SILHOUETTE = "silhouette"
    OPENING = "opening"


class LineSide(StrEnum):
    """Where the metal ends, seen from the metal."""

    INSIDE = "inside"
    CENTRE = "centre"
    OUTSIDE = "outside"


def trace(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...",
            help="JPEG, PNG, TIFF or HEIC. Several photos of one job are measured together.",
            show_default=False,
        ),
    ],
    thickness: Annotated[
        str | None,
        typer.Option(
            "--thickness",
            "-t",
            help="Sheet thickness, needed but for ink. Several: 1.5,3, largest piece first.",
        ),
    ] = None,
    into: Into = Path(),
    mode: Annotated[
        Mode,
        typer.Option(
            "--mode",
            "-m",
            help="Drawn lines, the piece itself, an opening in the plate that carries the "
            "target, or (auto) lines or piece by what the photo shows.",
        ),
    ] = Mode.AUTO,
    line_side: Annotated[
        LineSide,
        typer.Option("--line-side", help="Side of a drawn line on which the metal ends."),
    ] = LineSide.INSIDE,
    surface: Annotated[
        str | None,
        typer.Option(
            "--surface",
            help="Height of the drawn surface over the target (0.1 mm for "
            "one sheet of paper laid on it).",
        ),
    ] = None,
    printer: Printer = None,
    phone: Phone = None,
    sheet: Annotated[
        int | None, typer.Option("--sheet", "-n", help="Number of the target to measure by.")
    ] = None,
    checkerboard: Checkerboard = None,
    region: Annotated[
        str | None,
        typer.Option("--region", help="Trace only inside x0,y0,x1,y1 on the sheet."),
    ] = None,
    tolerance: Annotated[
        str, typer.Option("--tolerance", help="How far lines and arcs may leave the traced edge.")
    ] = "0.15mm",
    restore: Annotated[
        bool, typer.Option("--restore", help="Bridge rust-eaten stretches by sound lines and arcs.")
    ] = False,
    polyline: Annotated[
        bool, typer.Option("--polyline", help="Keep the traced points; fit nothing.")
    ] = False,
    name: Annotated[
        str | None, typer.Option("--name", help="Name of the pattern; else the photo's.")
    ] = None,
    rule: references.RuleKind = None,
    rule_at: references.RuleAt = None,
    tape: references.Tape = False,
    square: references.Square = False,
    plain_sheet: references.PlainSheet = None,
    sheet_corners: references.SheetCorners = None,
    known: references.Known = None,
    around: references.Around = None,
    level: references.Level = None,
    paper: Paper = PaperSize.A4,
    units: Units = Unit.MM,
    overwrite: Overwrite = False,
    as_json: Json = False,
) -> None:
    """Trace a photo, or several together, into true-scale patterns and a 1:1 paper template."""
    from digitize.cli import show
    from digitize.cli.printing_scale import print_scale
    from digitize.delivery import DeliveryOptions, deliver, refuse_overwriting
    from digitize.job import JobOptions, pattern_from_photo
    from digitize.joint_job import pattern_from_photos
    from digitize.phone import profile as phones
    from digitize.reference_job import NO_PRINT, pattern_by_reference

    asked = references.asked(
        rule=rule,
        rule_at=rule_at,
        tape=tape,
        square=square,
        plain_sheet=plain_sheet,
        sheet_corners=sheet_corners,
        known=known,
        around=around,
        level=level,
        unit=units,
        printed={
            "--printer": printer is not None,
            "--phone": phone is not None,
            "--sheet": sheet is not None,
            "--checkerboard": checkerboard is not None,
            "--region": region is not None,
        },
    )
    scale, notices = (
        print_scale(printer, plain=checkerboard is not None) if asked is None else (NO_PRINT, ())
    )
    several_photos.check(
        photos,
        {
            "--checkerboard": checkerboard is not None,
            "--thickness with several sizes": thickness is not None and "," in thickness,
            "--rule, --plain-sheet or --known": asked is not None,
        },
        region=region is not None,
        sheet=sheet is not None,
    )
    options = JobOptions(
        print_scale=scale,
        print_notices=notices,
        mode=mode.value,
        thicknesses_mm=_thicknesses(thickness, units),
        line_side=line_side.value,
        surface_height_mm=positive_mm(surface, units, "--surface") or 0.0,
        checkerboard_mm=positive_mm(checkerboard, units, "--checkerboard"),
        sheet_number=sheet,
        phone=phones.PROFILES.load(phone) if phone is not None else None,
        region_mm=_box(region, units),
        tolerance_mm=positive_mm(tolerance, units, "--tolerance") or 0.0,
        restore_eaten=restore,
        polyline=polyline,
        name=plain_name(name),
    )
    if mode is Mode.OPENING and (surface is not None or line_side is not LineSide.INSIDE):
        raise typer.BadParameter(
            "means nothing for an opening: its rim is followed in the plate's face, on which the "
            "card lies",
            param_hint="--surface" if surface is not None else "--line-side",
        )
    if mode is Mode.OPENING and (len(photos) > 1 or asked is not None):
        raise typer.BadParameter(
            "an opening is traced from one photo with a printed target on the plate beside it",
            param_hint="--mode",
        )
    if not overwrite:
        refuse_overwriting(into, name or photos[0].stem)
    with show.progress(quiet=as_json) as progress:
        if len(photos) > 1:
            result = pattern_from_photos(photos, options, progress=progress).job
        elif asked is None:
            result = pattern_from_photo(photos[0], options, progress)
        else:
            result = pattern_by_reference(
                photos[0],
                asked.reference,
                options,
                around_px=asked.around_px,
                level_deg=asked.level_deg,
                progress=progress,
            )
        progress("Writing the files")
        files = deliver(
            result, into, DeliveryOptions(units.value, paper.value), overwrite=overwrite
        )
    show.result(result, files, inch=units is Unit.INCH, as_json=as_json)


def _thicknesses(text: str | None, unit: Unit) -> tuple[float, ...]:
    parts = text.split(",") if text else []
    return tuple(said_thickness_mm(part, unit) or 0.0 for part in parts)


def _box(text: str | None, unit: Unit) -> NDArray[np.float64] | None:
    from digitize.cli.lengths import place_mm

    if text is None:
        return None
    try:
        x0, y0, x1, y1 = (place_mm(part, unit.value) for part in text.split(","))
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not x0,y0,x1,y1", param_hint="--region") from None

    import numpy as np

    if x0 == x1 or y0 == y1:
        raise typer.BadParameter(f"{text!r} encloses nothing", param_hint="--region")
    left, right, low, high = min(x0, x1), max(x0, x1), min(y0, y1), max(y0, y1)
    return np.array([(left, low), (right, low), (right, high), (left, high)])
