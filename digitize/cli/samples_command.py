"""``digitize samples``: the main job on the photographs that come with the project."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from digitize.cli.options import Into, Overwrite

if TYPE_CHECKING:
    from digitize.job import JobOptions


def samples(
    folder: Annotated[Path, typer.Argument(help="Folder with the sample photographs.")] = Path(
        "samples"
    ),
    into: Into = Path("out"),
    overwrite: Overwrite = False,
) -> None:
    """Trace every sample photograph into a folder of patterns, drawings and pictures.

    Thickness and printed bars are taken from the sheet of facts beside each photo, as if
    measured in the workshop; the true shapes in there are not looked at.
    """
    from digitize.cli import show
    from digitize.delivery import DeliveryOptions, deliver, refuse_overwriting
    from digitize.errors import DigitizeError
    from digitize.files.atomic import make_folder
    from digitize.job import pattern_from_photo

    all_facts = _facts(folder)
    if not all_facts:
        raise DigitizeError(
            "there are no sample photographs",
            where=str(folder),
            do="run this in a checkout of the project, or name the folder that holds them",
        )
    make_folder(into)
    if not overwrite:
        for facts in all_facts:
            refuse_overwriting(into, Path(facts["photo"]).stem)
    failed = 0
    for facts in all_facts:
        typer.echo(f"\n{facts['photo']}: {facts['about']}")
        try:
            with show.progress(quiet=False) as progress:
                result = pattern_from_photo(folder / facts["photo"], job_options(facts), progress)
                progress("Writing the files")
                deliver(result, into, DeliveryOptions(), overwrite=overwrite)
        except DigitizeError as error:
            failed += 1
            typer.echo(f"  could not be traced: {error}")
            continue
        for pattern in result.patterns:
            typer.echo(f"  {show.one_line(pattern)}")
    count = len(all_facts)
    if failed:
        raise DigitizeError(f"{failed} of {count} photographs could not be traced", where=str(into))
    typer.echo(f"\n{count} photographs traced; see {into}")


def _facts(folder: Path) -> list[dict[str, Any]]:
    """The sheets of facts beside the photographs of a folder, by file name."""
    found = []
    for path in sorted(folder.glob("*.json")):
        try:
            facts = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            continue
        if isinstance(facts, dict) and {"photo", "about", "targets", "pieces"} <= facts.keys():
            found.append(facts)
    return found


def job_options(facts: dict[str, Any]) -> JobOptions:
    """What a user would have said about this photo."""
    from digitize.job import JobOptions
    from digitize.sheets.layout import PrintScale

    target = facts["targets"][0]
    ink = facts["mode"] == "ink"
    thicknesses = tuple(p["thickness_mm"] for p in facts["pieces"] if p.get("thickness_mm"))
    plain = target["form"] == "checkerboard"
    cut = facts["mode"] == "opening"  # the one mode that is never chosen unasked
    x, y = target["print_scale"]
    return JobOptions(
        print_scale=PrintScale(x, y, 0.0005, 0.0005, True, "bars as measured for the sample"),
        mode="opening" if cut else "auto",
        thicknesses_mm=thicknesses,
        surface_height_mm=facts["pieces"][0].get("surface_height_mm", 0.0) if ink else 0.0,
        checkerboard_mm=target["square_mm"] if plain else None,
        restore_eaten=any(piece.get("eaten_stretches") for piece in facts["pieces"]),
    )
