"""The job of a photo without a printed target: measured by what happens to lie in it.

A rule, a plain sheet of paper, or points and lengths that somebody knows give the camera.
A clear patch of the surface then stands in for the printed ring: the piece or the drawing
is traced inside it like in any other photo.  What the reference leaves unsure about the
camera takes the place of the print's scale in the budget.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import assert_never

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit, Notice
from digitize.job import JobOptions, JobResult, Seen, ThicknessCount, result_of, trace_seen
from digitize.pattern.limiting import REFERENCE
from digitize.pattern.model import Pattern
from digitize.photo.photo import Photo
from digitize.photo.reading import read_photo
from digitize.photo.tone import LUMINANCE
from digitize.reference.by_knowns import camera_by_knowns
from digitize.reference.by_paper import camera_by_paper
from digitize.reference.by_rule import camera_by_rules
from digitize.reference.clear import NARROW_MM, WIDE_MM, Patch, clear_patches, rule_strip
from digitize.reference.ground import Box, box_round, ground
from digitize.reference.knowns import Knowns
from digitize.reference.paper import PaperSize
from digitize.reference.sight_paper import sight_paper
from digitize.reference.sight_rules import RuleOptions, sight_rules
from digitize.reference.solve import Referenced
from digitize.sheets.layout import PrintScale
from digitize.sighting.sighting import Sighting
from digitize.tracing.light import fit_paper_light, in_frame
from digitize.tracing.silhouette.finding import NoPieceFound, PieceOutOfFrame, PieceOverBorder
from digitize.tracing.silhouette.trace import ThicknessMissing
from digitize.tracing.traces import MEASURED, Traced
from digitize.uncertainty import causes

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]

NO_PRINT = PrintScale(1.0, 1.0, 0.0, 0.0, True, "no print")
"""What ``JobOptions.print_scale`` is where nothing was printed."""

_INSET_MM = 3.0  # from the edges of plain paper
_MOST_TRIED = 5  # patches
_SAME_PLACE = 0.5  # of the smaller of two patches, that both cover
_RIM_MM = 2.6  # within which the tracer takes everything for surface
_EVENLY = np.linspace(0.0, 1.0, 400, endpoint=False)
_UNLIKE = 0.45  # log of light over bare surface
_MOST_UNLIKE = 0.03  # of the rim
_LEAST_MEASURED = 0.5  # of an outline: less is grain or dirt, no piece


@dataclass(frozen=True, slots=True)
class ByRules:
    """One or two rules in view."""

    options: RuleOptions
    square: bool = False  # two rules are the legs of one square


@dataclass(frozen=True, slots=True)
class ByPaper:
    """A plain sheet in view; the piece lies on it or beside it."""

    size: PaperSize
    portrait: bool | None = None  # None: seen from the photo
    corners_px: tuple[tuple[float, float], ...] | None = None


@dataclass(frozen=True, slots=True)
class ByKnowns:
    """Points and lengths that somebody knows."""

    knowns: Knowns


Reference = ByRules | ByPaper | ByKnowns


class RimCovered(DigitizeError):
    """A patch is not bare all along its rim."""

    exit_code = Exit.TRACE


class PieceNotClear(DigitizeError):
    """Nothing in the photo lies clear of everything else."""

    exit_code = Exit.TRACE


def pattern_by_reference(
    path: Path,
    reference: Reference,
    options: JobOptions,
    *,
    around_px: Box | None = None,
    level_deg: float | None = None,
    progress: Progress = lambda step: None,
) -> JobResult:
    """Patterns of every piece in a photo, largest first, measured by a reference.

    ``around_px`` is a box of pixels, x0, y0, x1, y1, with the piece and bare surface all
    round it; without one the largest clear patches are tried in turn.  ``level_deg``
    is how square-on somebody says that the camera was held, one sigma.
    Raises a ``DigitizeError`` of the step that could not do its part.
    """
    progress("Reading the photo")
    photo = read_photo(path)
    progress("Looking for what to measure by")
    found, patches = _measured(photo, reference, level_deg)
    camera = found.solution.camera
    if around_px is not None:
        turn = patches[0].turn_rad if patches else 0.0
        patches = (Patch(box_round(camera, around_px, turn), turn),)
    seen, traced = _traced(photo, found, patches, options, progress, asked=around_px is not None)
    progress("Fitting lines and arcs")
    return _result(seen, traced, found, options.name or path.stem)


def _measured(
    photo: Photo, reference: Reference, level_deg: float | None
) -> tuple[Referenced, tuple[Patch, ...]]:
    """The camera, and where a piece may lie, likeliest first."""
    match reference:
        case ByRules():
            rules = sight_rules(photo, reference.options)
            found = camera_by_rules(photo, rules, square=reference.square, level_deg=level_deg)
            camera = found.solution.camera
            patches = [
                patch
                for wide_mm in (WIDE_MM, NARROW_MM)
                for patch in clear_patches(camera, [rule_strip(camera, r, wide_mm) for r in rules])
            ]
            return found, tuple(patches)
        case ByPaper():
            corners = reference.corners_px
            sheet = sight_paper(photo, None if corners is None else np.array(corners))
            found = camera_by_paper(photo, sheet, reference.size, portrait=reference.portrait)
            camera = found.solution.camera
            paper = camera.to_sheet(sheet.corners_px)
            low, high = paper.min(axis=0) + _INSET_MM, paper.max(axis=0) - _INSET_MM
            on_it = Patch((float(low[0]), float(low[1]), float(high[0]), float(high[1])), 0.0)
            return found, (on_it, *clear_patches(camera, [paper]))
        case ByKnowns():
            found = camera_by_knowns(photo, reference.knowns, level_deg=level_deg)
            return found, clear_patches(found.solution.camera)
    assert_never(reference)


def _traced(
    photo: Photo,
    found: Referenced,
    patches: tuple[Patch, ...],
    options: JobOptions,
    progress: Progress,
    *,
    asked: bool,
) -> tuple[Seen, Traced]:
    """What lies in the first patch that holds something."""
    faults: list[DigitizeError] = []
    crowded: Patch | None = None  # something lies there, but not clear of its rim
    tried = 0
    for patch in patches:
        if tried == _MOST_TRIED or (crowded is not None and not _same_place(patch, crowded)):
            continue
        tried += 1
        try:
            seen = _over(photo, found, patch, options)
            _check_rim(seen)
            return seen, _sound(trace_seen(seen, progress))
        except (ThicknessMissing, ThicknessCount):
            raise
        except DigitizeError as fault:
            if fault.exit_code not in (Exit.TRACE, Exit.TARGET):
                raise
            faults.append(fault)
            if isinstance(fault, RimCovered | PieceOverBorder | PieceOutOfFrame):
                crowded = crowded or patch
    raise _not_clear(found.solution.camera, patches, faults, asked=asked)


def _check_rim(seen: Seen) -> None:
    """Raises ``RimCovered`` where the patch is not bare all along its rim."""
    light, camera = seen.light, seen.solution.camera
    area = seen.sightings[0].sheet.work_area_mm
    assert light is not None
    assert area is not None
    x0, y0, x1, y1 = area
    odd = 0.0
    for inset in np.linspace(-0.5, _RIM_MM, 5):
        corners = shapely.box(x0 + inset, y0 + inset, x1 - inset, y1 - inset).exterior
        mm = np.array([p.coords[0] for p in corners.interpolate(_EVENLY, normalized=True)])
        px = camera.to_px(mm)
        x, y = np.rint(px[in_frame(seen.photo, px)]).astype(int).T
        level = seen.photo.linear_grey[y, x] / (light.white_at(np.column_stack([x, y])) @ LUMINANCE)
        unlike = np.abs(np.log(np.maximum(level, 1e-3))) > _UNLIKE
        odd = max(odd, float(unlike.mean()))
    if odd > _MOST_UNLIKE:
        raise RimCovered("something lies on the rim of the patch looked at")


def _same_place(a: Patch, b: Patch) -> bool:
    one, other = (shapely.Polygon(patch.corners_mm()) for patch in (a, b))
    return bool(one.intersection(other).area > _SAME_PLACE * min(one.area, other.area))


def _sound(traced: Traced) -> Traced:
    """Without what is hardly anything but bridged gaps; raises ``NoPieceFound``."""
    pieces = tuple(
        piece
        for piece in traced.pieces
        if np.mean(piece.outline.evidence == MEASURED) > _LEAST_MEASURED
    )
    if not pieces:
        raise NoPieceFound("nothing with a clear edge lies on it")
    return replace(traced, pieces=pieces)


def _not_clear(
    camera: Camera, patches: tuple[Patch, ...], faults: list[DigitizeError], *, asked: bool
) -> PieceNotClear:
    """Why nothing was traced, and what the user can say."""
    where = ""
    if patches:
        corners = camera.to_px(patches[0].corners_mm())
        (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
        where = f"looked at pixels x {x0:.0f} to {x1:.0f}, y {y0:.0f} to {y1:.0f}"
    return PieceNotClear(
        f"no piece or drawing lies clear {'in the box' if asked else 'in the photo'}: "
        + (_why(faults[0]) if faults else "no clear patch of surface shows"),
        where=where,
        do="give the pixels of two corners of a box that holds it with bare even surface all "
        "round and nothing else: --around x0,y0,x1,y1",
    )


def _why(fault: DigitizeError) -> str:
    match fault:
        case RimCovered() | PieceOverBorder():
            return "something reaches over the rim of the patch looked at"
        case PieceOutOfFrame():
            return "something reaches out of the photo"
        case NoPieceFound():
            return "nothing there stands out from the surface"
    return fault.what


def _over(photo: Photo, found: Referenced, patch: Patch, options: JobOptions) -> Seen:
    """The photo with a patch in place of its target."""
    floor = ground(found.solution.camera, patch.box_mm, patch.turn_rad)
    px = found.seen.px
    sighting = Sighting(
        sheet=floor.sheet,
        corners_px=px,
        corners_mm=floor.camera.to_sheet(px),
        sigma_px=found.seen.sigma_px,
        blur_px=0.0,
        marks_read=0,
    )
    # All that is not sure of the camera comes from the reference, as with a print its scale.
    solution = replace(
        found.solution, camera=floor.camera, causes=(("print", floor.camera.covariance),)
    )
    light = fit_paper_light(photo, floor.camera, floor.sheet)
    return Seen(photo, (sighting,), solution, options, found.notices, light)


def _result(seen: Seen, traced: Traced, found: Referenced, stem: str) -> JobResult:
    """The patterns, each saying what it was measured by."""
    job = result_of(seen, traced, stem)
    return replace(job, patterns=tuple(_recorded(pattern, found) for pattern in job.patterns))


def _recorded(pattern: Pattern, found: Referenced) -> Pattern:
    """The pattern with its reference in place of a printed target."""
    told = Notice("no-printed-target", f"measured by {found.name}, not by a printed target")
    provenance = replace(
        pattern.provenance, target=found.name, print_scale=None, print_measured=False
    )
    precision = pattern.precision
    if precision is not None and precision.budget is not None:
        parts = tuple(
            replace(part, cause=REFERENCE) if part.cause == causes.PRINT else part
            for part in precision.budget.parts
        )
        precision = replace(precision, budget=replace(precision.budget, parts=parts))
    return replace(
        pattern,
        provenance=provenance,
        precision=precision,
        notices=(told, *pattern.notices),
    )
