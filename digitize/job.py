"""The main job: one photo in, true-scale patterns out.

``pattern_from_photo`` strings the steps together and adds only the decisions that need two
of them at once: which target to trust, what a poor fit of the camera means for the
result, and how far the finished dimensions can be trusted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, assert_never

import numpy as np
from numpy.typing import NDArray

from digitize import __version__
from digitize.bundle.one_photo import camera_of, ring_first
from digitize.camera.camera import Camera, CameraSolution
from digitize.curves.fit import fit_noting, fit_polyline
from digitize.curves.restore import restore
from digitize.errors import DigitizeError, Exit, Notice
from digitize.judging.check import light_seen
from digitize.judging.judge import judge
from digitize.pattern.contour import Closed
from digitize.pattern.datum import datum_of, told_from
from digitize.pattern.model import (
    BendLine,
    CameraFacts,
    Pattern,
    PointMark,
    Provenance,
    TracedFrom,
)
from digitize.phone.expect import disagreement, expected
from digitize.phone.profile import PhoneProfile
from digitize.photo.photo import Photo
from digitize.photo.reading import read_photo
from digitize.sheets.layout import PrintScale
from digitize.sighting.sight import sight, sight_checkerboard
from digitize.sighting.sighting import Sighting
from digitize.tracing.ink.strokes import NothingDrawn
from digitize.tracing.ink.trace import InkOptions, trace_ink
from digitize.tracing.light import PaperLight
from digitize.tracing.mode import choose_mode
from digitize.tracing.opening.trace import PAPER_MM, OpeningOptions, trace_opening
from digitize.tracing.silhouette.trace import SilhouetteOptions, trace_silhouette
from digitize.tracing.traces import Traced, TracedLoop, TracedPiece
from digitize.tracing.unseen import unseen
from digitize.uncertainty.budget import Circumstances, precision_of

Mode = Literal["auto"] | TracedFrom
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class JobOptions:
    """What the user may say about a photo; only the print scale must be said."""

    print_scale: PrintScale
    print_notices: tuple[Notice, ...] = ()
    mode: Mode = "auto"
    thicknesses_mm: tuple[float, ...] = ()  # one for all pieces, or one each, largest first
    line_side: Literal["inside", "centre", "outside"] = "inside"
    surface_height_mm: float = 0.0  # of the drawn surface over the target's plane
    checkerboard_mm: float | None = None  # square size; None: the photo shows coded sheets
    sheet_number: int | None = None
    phone: PhoneProfile | None = None  # what is known of the camera
    region_mm: NDArray[np.float64] | None = None  # (N, 2) polygon on the sheet
    tolerance_mm: float = 0.15
    restore_eaten: bool = False
    polyline: bool = False
    name: str | None = None

    def face_height_mm(self, mode: TracedFrom, thickness_mm: float | None) -> float:
        """Height of a traced face over the target's plane."""
        match mode:
            case "ink":
                return self.surface_height_mm
            case "silhouette":
                return thickness_mm or 0.0
            case "opening":
                return -PAPER_MM
        assert_never(mode)

    def thickness_mm(self, rank: int) -> float | None:
        """Thickness of the piece of that rank, 0 for the largest."""
        if not self.thicknesses_mm:
            return None
        return self.thicknesses_mm[rank if len(self.thicknesses_mm) > 1 else 0]


@dataclass(frozen=True, eq=False)
class JobResult:
    """The patterns of one photo, with everything that was seen on the way."""

    patterns: tuple[Pattern, ...]
    photo: Photo
    sightings: tuple[Sighting, ...]  # the first one carried the scale
    solution: CameraSolution
    traced: Traced
    stem: str  # what the files are named after
    options: JobOptions
    beside: tuple[tuple[Path, Camera], ...] = ()  # other photos of the same job

    def face_height_mm(self, pattern: Pattern) -> float:
        """Height of a pattern's traced face over the target."""
        return self.options.face_height_mm(self.traced.mode, pattern.thickness_mm)


class ThicknessCount(DigitizeError):
    """Several thicknesses were given, and not as many as there are pieces."""

    exit_code = Exit.TRACE


@dataclass(frozen=True, eq=False)
class Seen:
    """One photo with its target and camera: what every later step looks at."""

    photo: Photo
    sightings: tuple[Sighting, ...]
    solution: CameraSolution
    options: JobOptions
    notices: tuple[Notice, ...]  # of the photo check and the phone's profile
    light: PaperLight | None = None  # None: not looked for yet, or not to be seen

    @property
    def scale_xy(self) -> tuple[float, float]:
        """Printed over nominal size in the camera's frame."""
        return self.options.print_scale.with_aspect(self.solution.print_aspect)


def pattern_from_photo(
    path: Path, options: JobOptions, progress: Progress = lambda step: None
) -> JobResult:
    """Patterns of every piece in a photo, largest first.

    ``progress`` is called with a word for each step as it begins.  Raises a
    ``DigitizeError`` of the step that could not do its part.
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
    seen = _look(photo, sightings, options)
    try:
        traced = trace_seen(seen, progress)
    except DigitizeError as fault:
        for notice in (n for n in seen.notices if n.code.startswith("photo-")):
            fault.add_note(f"Perhaps because of the {notice.text}")
        raise
    progress("Fitting lines and arcs")
    return result_of(seen, traced, options.name or path.stem)


def result_of(seen: Seen, traced: Traced, stem: str) -> JobResult:
    """The patterns of everything traced, named after ``stem``."""
    options = seen.options
    count = len(traced.pieces)
    patterns = tuple(
        _pattern(
            piece,
            stem if count == 1 else f"{stem}-{rank + 1}",
            options.thickness_mm(rank),
            traced,
            seen,
        )
        for rank, piece in enumerate(traced.pieces)
    )
    return JobResult(
        patterns,
        seen.photo,
        seen.sightings,
        seen.solution,
        traced,
        stem,
        options,
    )


def _look(photo: Photo, sightings: tuple[Sighting, ...], options: JobOptions) -> Seen:
    """The camera, and what speaks against the photo."""
    belief = expected(options.phone, photo) if options.phone is not None else None
    lens = belief.lens if belief is not None else None
    one = camera_of(sightings, options.print_scale, photo, lens)
    sightings, solution = one.sightings, one.solution
    options = replace(
        options, print_scale=replace(options.print_scale, u_x=one.scale_u, u_y=one.scale_u)
    )
    against = (*belief.notices, *disagreement(belief, solution)) if belief is not None else ()
    height_mm = max((*options.thicknesses_mm, options.surface_height_mm))
    scale = options.print_scale
    light = light_seen(photo, solution, sightings[0].sheet, scale)
    report = judge(
        photo,
        sightings,
        solution,
        light,
        height_mm=height_mm,
        scale_xy=scale.with_aspect(solution.print_aspect),
    )
    # Flatness has a notice of its own, with the camera's.
    poor = tuple(notice for notice in report.notices() if notice.code != "photo-flatness")
    return Seen(photo, sightings, solution, options, (*one.notices, *against, *poor), light)


def trace_seen(seen: Seen, progress: Progress) -> Traced:
    """Everything in one photo, by the mode asked for or chosen."""
    photo, camera, sheet = seen.photo, seen.solution.camera, seen.sightings[0].sheet
    options = seen.options
    chosen: tuple[Notice, ...] = ()
    mode = options.mode
    # Asked for by name it is judged only where that can matter, lines on a piece being like it.
    if mode == "auto" or (mode == "silhouette" and sheet.work_area_mm is not None):
        fits, reason = choose_mode(photo, camera, sheet, seen.scale_xy, light=seen.light)
        chosen = _of_mode(mode, fits, reason)
        mode = fits if mode == "auto" else mode
    if mode == "ink":
        progress("Following the ink lines")
        traced = _drawing(seen)
    elif mode == "opening":
        progress("Following the rim")
        traced = _openings(seen)
    else:
        progress("Following the edges")
        traced = _silhouettes(seen)
    given, count = len(options.thicknesses_mm), len(traced.pieces)
    if given > 1 and given != count:
        raise ThicknessCount(
            f"{given} thicknesses were given for {count} piece{'s' if count > 1 else ''}",
            do="give one --thickness for all, or one for each, largest first",
        )
    return replace(traced, notices=(*chosen, *traced.notices))


def _of_mode(asked: Mode, fits: Mode, reason: str) -> tuple[Notice, ...]:
    """What to say of the mode."""
    if asked == "auto":
        return (Notice("mode-chosen", f"traced as {fits}: {reason}"),)
    if fits == "ink":
        said = f"traced as {asked}, as asked, but {reason}: for a drawing leave the mode out"
        return (Notice("mode-doubtful", said, "doubt"),)
    return ()


def _drawing(seen: Seen) -> Traced:
    """What is drawn; where that is nothing, whether a piece lies there instead."""
    photo, camera, sheet = seen.photo, seen.solution.camera, seen.sightings[0].sheet
    drawn = InkOptions(
        line_side=seen.options.line_side,
        height_mm=seen.options.surface_height_mm,
        region_mm=seen.options.region_mm,
        scale_xy=seen.scale_xy,
    )
    try:
        return trace_ink(photo, camera, sheet, drawn, light=seen.light)
    except NothingDrawn as fault:
        if sheet.work_area_mm is None:
            do = f"{fault.do}; an opening cut in the plate wants --mode opening"
            raise NothingDrawn(fault.what, where=fault.where, do=do) from fault
        fits, _ = choose_mode(photo, camera, sheet, seen.scale_xy, light=seen.light)
        if fits == "ink":
            raise
        do = f"leave the mode out to trace the piece itself; for a drawing {fault.do}"
        raise NothingDrawn(fault.what, where=fault.where, do=do) from fault


def _silhouettes(seen: Seen) -> Traced:
    """The pieces, each traced at its own thickness."""
    corners = seen.options.region_mm
    region = None if corners is None else tuple((float(x), float(y)) for x, y in corners)

    def at(thickness_mm: float | None) -> Traced:
        return trace_silhouette(
            seen.photo,
            seen.solution.camera,
            seen.sightings[0].sheet,
            SilhouetteOptions(thickness_mm, region),
            scale_xy=seen.scale_xy,
            light=seen.light,
        )

    each = {t: at(t) for t in dict.fromkeys(seen.options.thicknesses_mm or (None,))}
    first = next(iter(each.values()))
    if len(each) == 1:
        return first
    # Rank changes with the height of an edge only where two pieces are of one size.
    ranked = zip(seen.options.thicknesses_mm, range(len(first.pieces)), strict=False)
    return replace(first, pieces=tuple(each[t].pieces[rank] for t, rank in ranked))


def _openings(seen: Seen) -> Traced:
    """The openings in the metal that carries the target."""
    rim = OpeningOptions(seen.options.thickness_mm(0), region_mm=seen.options.region_mm)
    return trace_opening(
        seen.photo,
        seen.solution.camera,
        seen.sightings[0].sheet,
        rim,
        scale_xy=seen.scale_xy,
        light=seen.light,
    )


def _pattern(
    piece: TracedPiece, name: str, thickness_mm: float | None, traced: Traced, seen: Seen
) -> Pattern:
    outline, eaten = _closed(piece.outline, seen.options, opening=traced.mode == "opening")
    openings = [_closed(loop, seen.options, opening=True) for loop in piece.openings]
    edges = (outline, *(closed for closed, _ in openings))
    pattern = Pattern(
        name=name,
        outline=outline,
        openings=edges[1:],
        bends=tuple(
            BendLine(b.start_mm, b.end_mm, u_mm=b.u_mm, u_deg=b.u_deg) for b in piece.bends
        ),
        marks=tuple(PointMark(m.at_mm, m.u_mm) for m in piece.marks),
        thickness_mm=thickness_mm,
        precision=precision_of(piece, _circumstances(thickness_mm, traced.mode, seen)),
        provenance=_provenance(traced.mode, seen),
        notices=(
            *seen.options.print_notices,
            *seen.notices,
            *_camera_notices(seen),
            *traced.notices,
            *piece.notices,
            *(unseen(edges, piece.unseen) if piece.unseen is not None else ()),
            *eaten,
            *_of_thickness(eaten, thickness_mm, traced.mode),
            *(notice for _, notices in openings for notice in notices),
        ),
    )
    return replace(pattern, notices=told_from(datum_of(pattern), pattern.notices))


def _of_thickness(
    told: Sequence[Notice], thickness_mm: float | None, mode: TracedFrom
) -> tuple[Notice, ...]:
    """What an opening's rim that makes no lines may come from: walls looked for too far in."""
    if mode != "opening" or not any(notice.code == "edge-as-found" for notice in told):
        return ()
    text = (
        f"where a rim cannot be made lines, a wrong thickness may be why ({thickness_mm:g} mm was "
        "said): measure the sheet beside the opening and give --thickness again"
    )
    return (Notice("thickness-doubtful", text, "doubt"),)


def _closed(
    loop: TracedLoop, options: JobOptions, *, opening: bool
) -> tuple[Closed, tuple[Notice, ...]]:
    """A traced loop as lines and arcs, and what was restored or left unfitted on the way."""
    points_mm, u_mm, evidence = loop.points_mm, loop.u_mm, loop.evidence
    if options.polyline:
        return fit_polyline(points_mm, evidence=evidence, u_mm=u_mm), ()
    if options.restore_eaten:
        return restore(
            points_mm, u_mm, evidence, options.tolerance_mm, loop.blur_mm, opening=opening
        )
    return fit_noting(points_mm, u_mm, evidence, options.tolerance_mm, loop.blur_mm)


def _circumstances(thickness_mm: float | None, mode: TracedFrom, seen: Seen) -> Circumstances:
    height_mm = seen.options.face_height_mm(mode, thickness_mm)
    return Circumstances(
        seen.photo,
        seen.solution,
        seen.options.print_scale,
        mode,
        height_mm,
        seen.options.line_side,
    )


def _camera_notices(seen: Seen) -> tuple[Notice, ...]:
    sightings, solution = seen.sightings, seen.solution
    notices = []
    if len(sightings) > 1:
        if solution.sheet_flatness_mm > 0.0:
            notices.append(
                Notice(
                    "sheets-uneven",
                    "the sheets do not lie in one plane (about "
                    f"{solution.sheet_flatness_mm:.1f} mm from the lowest to the highest spot): "
                    "the ± is widened",
                )
            )
    elif solution.sheet_flatness_mm > 0.0:
        notices.append(
            Notice(
                "sheet-curled",
                f"the sheet is not flat (about {solution.sheet_flatness_mm:.1f} mm): tape it down "
                "on a board and photograph again; the ± is widened",
                "doubt",
            )
        )
    elif solution.rms_px > max(0.1, 2.0 * solution.expected_rms_px):
        notices.append(
            Notice(
                "poor-fit",
                f"the target's corners fit the camera to {solution.rms_px:.2f} px where "
                f"{solution.expected_rms_px:.2f} px is their noise: the sheet was moved or bent, "
                "or the lens is unusual; the ± is widened",
                "doubt",
            )
        )
    return tuple(notices)


def _provenance(mode: TracedFrom, seen: Seen) -> Provenance:
    photo, solution = seen.photo, seen.solution
    camera, scale = solution.camera, seen.options.print_scale
    x, y, height = (float(v) for v in camera.centre_mm)
    return Provenance(
        made_by=f"digitize {__version__}",
        photo_name=photo.name,
        photo_sha256=photo.sha256,
        photo_size_px=(photo.width_px, photo.height_px),
        target=str(seen.sightings[0].sheet)
        + (f" and {more} more" if (more := len(seen.sightings) - 1) else ""),
        print_scale=(scale.x, scale.y),
        print_measured=scale.measured,
        mode=mode,
        camera=CameraFacts(
            focal_px=camera.focal_px,
            principal_px=camera.principal_px,
            k1=camera.k1,
            k2=camera.k2,
            tilt_deg=camera.tilt_deg,
            height_mm=height,
            foot_mm=(x, y),
            residual_rms_px=solution.rms_px,
            corners_used=int(np.count_nonzero(solution.used)),
            corners_rejected=int(np.count_nonzero(~solution.used)),
        ),
    )
