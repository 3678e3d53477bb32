"""A piece named on the command line: a pattern document, or a photo traced on the spot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.documents import NoPattern, read_pattern
from digitize.cli.options import Unit, said_thickness_mm

if TYPE_CHECKING:
    from digitize.files.comparison.picture import Backdrop
    from digitize.files.pictures.topdown_proof import TopdownPicture
    from digitize.job import JobOptions
    from digitize.pattern.model import Pattern

PHOTOS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
_PICTURE_PX = 1600.0  # longest side

Thickness = Annotated[
    str | None,
    typer.Option("--thickness", "-t", help="Sheet thickness, for a photo of the piece itself."),
]
Flip = Annotated[bool, typer.Option("--flip", help="The new piece was seen from its other face.")]
IntoIfSaid = Annotated[
    Path | None,
    typer.Option("--into", "-o", help="Folder for pictures, drawings, trim template and history."),
]


@dataclass(frozen=True, eq=False)
class Piece:
    """A pattern, and the photo it was traced from, seen from above, if it was just now."""

    pattern: Pattern
    picture: TopdownPicture | None = None


def backdrop(old: Piece, new: Piece) -> Backdrop | None:
    """The photo to show the comparison over: the new piece's, else the old one's."""
    from digitize.files.comparison.picture import Backdrop

    if new.picture is not None:
        return Backdrop(new.picture, of_new=True)
    return Backdrop(old.picture, of_new=False) if old.picture is not None else None


def read_piece(
    path: Path,
    thickness: str | None,
    printer: str | None,
    unit: Unit,
    progress: Callable[[str], None],
) -> Piece:
    """The pattern in a document, or that of the largest piece in a photo.

    Raises what reading the document or tracing the photo raises.
    """
    if not _is_photo(path):
        return _document(path)
    thick = said_thickness_mm(thickness, unit)
    options = _options(printer, thick)
    return _traced(path, options, progress)


def read_opening(
    path: Path, thickness_mm: float | None, printer: str | None, progress: Callable[[str], None]
) -> Piece:
    """The pattern in a document, or that of the largest opening in a photo.

    Beside a card the cut rim is followed; on a ring lies what was drawn round, or cut out.
    Raises what reading the document or tracing the photo raises.
    """
    from digitize.tracing.opening.trace import OpeningInRing

    if not _is_photo(path):
        return _document(path)
    options = _options(printer, thickness_mm)
    try:
        return _traced(path, replace(options, mode="opening"), progress)
    except OpeningInRing:
        return _traced(path, options, progress)


def _is_photo(path: Path) -> bool:
    if path.suffix.lower() not in PHOTOS:
        return False
    if not path.exists():
        raise NoPattern("there is no such file", where=str(path))
    return True


def _document(path: Path) -> Piece:
    found = read_pattern(path)
    return Piece(replace(found, name=found.name or path.name.split(".")[0]))


def _options(printer: str | None, thickness_mm: float | None) -> JobOptions:
    from digitize.cli.printing_scale import print_scale
    from digitize.job import JobOptions

    scale, notices = print_scale(printer, plain=False)
    return JobOptions(
        print_scale=scale,
        print_notices=notices,
        thicknesses_mm=(thickness_mm,) if thickness_mm is not None else (),
    )


def _traced(path: Path, options: JobOptions, progress: Callable[[str], None]) -> Piece:
    """The largest piece in a photo, and the photo from above."""
    from digitize.camera.topdown import topdown
    from digitize.files.pictures.topdown_proof import TopdownPicture, shown_mm
    from digitize.job import pattern_from_photo

    result = pattern_from_photo(
        path, options, lambda step: progress(f"{path.name}: {step.lower()}")
    )
    pattern = result.patterns[0]
    box = shown_mm(pattern)
    mm_per_px = max(box[2] - box[0], box[3] - box[1]) / _PICTURE_PX
    rgb = topdown(
        result.photo,
        result.solution.camera,
        box,
        mm_per_px,
        height_mm=result.face_height_mm(pattern),
    )
    return Piece(pattern, TopdownPicture(rgb, box))
