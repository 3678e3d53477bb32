"""``digitize join``: faces of a folded piece, traced one by one, joined to one pattern."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.options import (
    Into,
    Json,
    Overwrite,
    Paper,
    PaperSize,
    Unit,
    Units,
    plain_name,
    positive_mm,
    said_thickness_mm,
)

if TYPE_CHECKING:
    from digitize.bending.facts import Said
    from digitize.files.units import Unit as FileUnit
    from digitize.joining.options import JointSaid


class Ends(StrEnum):
    """Where the faces were seen to end at a bend."""

    OUTSIDE = "outside"
    OUTERMOST = "outermost"
    INSIDE = "inside"
    ROLLED = "rolled"
    BLANK = "blank"
    FACE = "face"
    TANGENT = "tangent"


def join(
    faces: Annotated[
        list[Path],
        typer.Argument(help="A .pattern.json file of each face: A, B, C...", show_default=False),
    ],
    joint: Annotated[
        list[str] | None,
        typer.Option(
            "--joint", "-j", help='Sides that are one bend, as "A.E3 B.E1 at 20 toward 90 r1.5".'
        ),
    ] = None,
    bend: Annotated[
        list[str] | None,
        typer.Option("--bend", "-b", help='As "all toward 90 r1.5", or of B1, B2... as joined.'),
    ] = None,
    ends: Annotated[
        Ends,
        typer.Option(
            "--ends",
            help="Where the faces end at a bend: as --traced of blank says, or at the tangent.",
        ),
    ] = Ends.OUTSIDE,
    turned_over: Annotated[
        str | None,
        typer.Option("--turned-over", help="Faces seen from the other side, as B,D."),
    ] = None,
    within: Annotated[
        str, typer.Option("--within", help="How far the two sides of a bend may differ in length.")
    ] = "1mm",
    thickness: Annotated[
        str | None, typer.Option("--thickness", "-t", help="Measured thickness of the sheet.")
    ] = None,
    name: Annotated[
        str | None,
        typer.Option(
            "--name", "-n", help="Name of the pattern and its files.", callback=plain_name
        ),
    ] = None,
    paper: Paper = PaperSize.A4,
    into: Into = Path(),
    units: Units = Unit.MM,
    as_json: Json = False,
    overwrite: Overwrite = False,
) -> None:
    """Join faces traced one by one along their bends, and say how well they meet."""
    from digitize import __version__
    from digitize.cli import drawings, show_blank, show_join
    from digitize.cli.documents import read_pattern
    from digitize.files.atomic import refuse_existing, write_all
    from digitize.joining.join import join as joined_faces
    from digitize.joining.options import WITHIN_MM, JoinOptions

    read = [read_pattern(path) for path in faces]
    name = name or f"{read[0].name}-joined"
    paths = drawings.paths(into, name)
    if not overwrite:
        refuse_existing(paths)
    unit: FileUnit = units.value
    joints, said = _said(joint or [], bend or [], unit)
    done = joined_faces(
        read,
        JoinOptions(
            name=name,
            joints=joints,
            said=said,
            ends=ends.value,
            turned_over=_letters(turned_over, len(read)),
            thickness_mm=said_thickness_mm(thickness, units),
            within_mm=positive_mm(within, units, "--within") or WITHIN_MM,
            made_by=f"digitize {__version__}",
        ),
    )
    files = dict(zip(paths, drawings.rendered(done.pattern, unit, paper.value), strict=True))
    written = write_all(files, overwrite=overwrite)
    names = [face.name for face in read]
    if as_json:
        out = show_join.as_json(done, names) | {"files": [str(f) for f in written]}
        typer.echo(json.dumps(out, indent=2))
        return
    show_join.table(done, names, unit)
    show_blank.files(written)


def _said(
    joints: list[str], bends: list[str], unit: FileUnit
) -> tuple[tuple[JointSaid, ...], dict[str, Said]]:
    """Pairs of sides, and what is said of bends; joints are B1, B2... in their order."""
    from digitize.bending.facts import Said
    from digitize.cli import bend_words
    from digitize.joining.faces import NotJoined
    from digitize.joining.options import JointSaid

    pairs: list[JointSaid] = []
    said: dict[str, Said] = {}
    texts = list(bends)
    for number, text in enumerate(joints, 1):
        one, other, *words = [*text.replace(",", " ").split(), "", ""]
        if not one or not other:
            raise NotJoined(f"{text!r} is no joint", do='write two sides, as "A.E3 B.E1"')
        at = None
        if "at" in words[:-1]:
            place = words.index("at")
            at = _length(words[place + 1], unit)
            del words[place : place + 2]
        pairs.append(JointSaid(one, other, at))
        own = " ".join(words).strip()
        if own:
            texts.append(f"B{number} {own}")
    for key, words_said in bend_words.bends_said(texts, unit).items():
        said[key] = bend_words.merged(said.get(key, Said()), words_said)
    return tuple(pairs), said


def _length(text: str, unit: FileUnit) -> float:
    from digitize.bending.setback import BadBend
    from digitize.cli.lengths import length_mm

    try:
        return length_mm(text, unit)
    except ValueError as fault:
        raise BadBend(str(fault)) from None


def _letters(text: str | None, count: int) -> frozenset[int]:
    found = set()
    for letter in (text or "").replace(" ", "").upper().split(",") if text else ():
        number = ord(letter) - ord("A") if len(letter) == 1 else -1
        if not 0 <= number < count:
            raise typer.BadParameter(f"{letter!r} is no face", param_hint="--turned-over")
        found.add(number)
    return frozenset(found)
