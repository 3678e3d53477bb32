"""``digitize check``: is this photo fit to be traced, and what should be changed."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.options import (
    Checkerboard,
    Json,
    Phone,
    Printer,
    Unit,
    Units,
    positive_mm,
)

if TYPE_CHECKING:
    from digitize.judging.report import PhotoReport


def check(
    photo: Annotated[Path, typer.Argument(help="JPEG, PNG, TIFF or HEIC.", show_default=False)],
    thickness: Annotated[
        str | None,
        typer.Option("--thickness", "-t", help="Thickness of the piece, to judge its height too."),
    ] = None,
    printer: Printer = None,
    phone: Phone = None,
    sheet: Annotated[
        int | None, typer.Option("--sheet", "-n", help="Number of the target to judge by.")
    ] = None,
    checkerboard: Checkerboard = None,
    units: Units = Unit.MM,
    as_json: Json = False,
) -> None:
    """Judge a photo before work: sharpness, light, slant, target; say what to change.

    Nothing is written. Exits with 0 when the photo can be used and with 9 when anything
    about it is poor.
    """
    from digitize.cli import show
    from digitize.cli.printing_scale import print_scale
    from digitize.errors import Exit
    from digitize.judging.check import CheckOptions, check_photo
    from digitize.phone import profile as phones

    scale, _ = print_scale(printer, plain=checkerboard is not None)
    options = CheckOptions(
        print_scale=scale,
        thickness_mm=positive_mm(thickness, units, "--thickness") or 0.0,
        checkerboard_mm=positive_mm(checkerboard, units, "--checkerboard"),
        sheet_number=sheet,
        phone=phones.PROFILES.load(phone) if phone is not None else None,
    )
    with show.progress(quiet=as_json) as progress:
        report = check_photo(photo, options, progress)
    if as_json:
        typer.echo(json.dumps(_as_json(report), indent=2))
    else:
        _print(report)
    if report.grade == "poor":
        raise typer.Exit(Exit.POOR)


def _print(report: PhotoReport) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(width=None if Console().is_terminal else 100, highlight=False)
    table = Table(title=report.photo, caption=report.target, title_justify="left")
    for heading in ("", "seen", ""):
        table.add_column(heading)
    for finding in report.findings:
        table.add_row(finding.about, finding.seen, finding.grade)
    console.print(table)
    for grade in ("poor", "usable"):
        for finding in report.graded(grade):
            console.print(f"{finding.about} ({finding.limits}): {finding.advice}.", soft_wrap=True)
    for notice in report.notes:
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)
    console.print(f"This photo is {report.grade}.")


def _as_json(report: PhotoReport) -> dict[str, object]:
    findings = []
    for finding in report.findings:
        fields = dataclasses.asdict(finding)
        if finding.grade == "good":
            fields["advice"] = ""
        findings.append(fields)
    return {
        "photo": report.photo,
        "target": report.target,
        "grade": report.grade,
        "findings": findings,
        "notices": [{"code": n.code, "text": n.text, "level": n.level} for n in report.notes],
    }
