"""The photo check by itself: everything that is needed to judge, and nothing more."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from digitize.bundle.one_photo import camera_of, ring_first
from digitize.camera.camera import CameraSolution
from digitize.judging.judge import judge
from digitize.judging.report import PhotoReport
from digitize.phone.expect import expected
from digitize.phone.profile import PhoneProfile
from digitize.photo.photo import Photo
from digitize.photo.reading import read_photo
from digitize.sheets.layout import PrintScale, Sheet
from digitize.sighting.sight import sight, sight_checkerboard
from digitize.tracing.light import PaperLight, PaperNotSeen, fit_paper_light

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class CheckOptions:
    """What the user may say about the photo."""

    print_scale: PrintScale
    thickness_mm: float = 0.0  # of the piece; its face is that high over the target
    checkerboard_mm: float | None = None  # square size; None: the photo shows coded sheets
    sheet_number: int | None = None
    phone: PhoneProfile | None = None  # what is known of the camera


def check_photo(
    path: Path, options: CheckOptions, progress: Progress = lambda step: None
) -> PhotoReport:
    """Judge the photo in a file.

    Raises the ``DigitizeError`` of the step that cannot do its part: a photo without a
    legible target, or one that fits no flat sheet, cannot be judged further.
    """
    progress("Reading the photo")
    photo = read_photo(path)
    progress("Looking for the target")
    sightings = (
        (sight_checkerboard(photo, options.checkerboard_mm),)
        if options.checkerboard_mm
        else ring_first(sight(photo, options.sheet_number))
    )
    progress("Working out the camera")
    known = expected(options.phone, photo).lens if options.phone else None
    one = camera_of(sightings, options.print_scale, photo, known)
    progress("Judging")
    report = judge(
        photo,
        one.sightings,
        one.solution,
        light_seen(photo, one.solution, one.sightings[0].sheet, options.print_scale),
        height_mm=options.thickness_mm,
        scale_xy=(options.print_scale.x, options.print_scale.y),
    )
    return replace(report, notes=one.notices)


def light_seen(
    photo: Photo, solution: CameraSolution, sheet: Sheet, scale: PrintScale
) -> PaperLight | None:
    """The paper white of a photo whose camera is known; None where there is none to be seen."""
    try:
        return fit_paper_light(
            photo, solution.camera, sheet, scale.with_aspect(solution.print_aspect)
        )
    except PaperNotSeen:
        return None
