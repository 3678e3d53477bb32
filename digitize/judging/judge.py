"""The judgement of one photo, finding by finding, from what its target shows.

Limits stand beside each finding with their reasons.  Where a reason is the ± that a limit
costs, it is 2 sqrt(2) u for a length between two edges (k = 2), held against ISO 2768-1:
a third of its "fine" at 30-120 mm is 0.05 mm, a third of its "medium" 0.10 mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.camera.camera import PARAMETERS, Camera, CameraSolution
from digitize.camera.projection import rotation_matrix
from digitize.judging import glare, sharpness
from digitize.judging.report import Finding, Grade, PhotoReport, graded, worst
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.sighting.sighting import Sighting
from digitize.tracing.light import PaperLight

FloatArray = NDArray[np.float64]

_FULL_FRAME_DIAGONAL_MM = 43.27  # of 36 x 24 mm


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    """What every finding looks at."""

    photo: Photo
    sighting: Sighting
    solution: CameraSolution
    light: PaperLight | None
    height_mm: float
    scale_xy: tuple[float, float]

    @property
    def camera(self) -> Camera:
        return self.solution.camera

    @property
    def sheet(self) -> Sheet:
        return self.sighting.sheet

    @property
    def mm_per_px(self) -> FloatArray:
        """Size (N,) on the sheet of a pixel at each corner, along its longer side."""
        px = self.sighting.corners_px
        columns = [
            self.camera.to_sheet(px + step) - self.camera.to_sheet(px - step)
            for step in np.eye(2) / 2
        ]
        size = np.linalg.norm(np.stack(columns, axis=-1), ord=2, axis=(1, 2))
        return np.asarray(size[np.isfinite(size)])

    @property
    def slant(self) -> float:
        """Millimetres sideways for each millimetre of height, root mean square."""
        centre = self.camera.centre_mm
        away = np.linalg.norm(self.sighting.corners_mm - centre[:2], axis=1) / centre[2]
        return float(np.sqrt(np.mean(away**2)))

    def outline_px(self, x0: float, y0: float, x1: float, y1: float) -> FloatArray:
        """Where (N, 2) the photo would show the border of a box on the sheet (nominal mm)."""
        corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])
        share = np.linspace(0, 1, 12, endpoint=False)[:, None]
        sides = [a + share * (b - a) for a, b in pairwise(corners)]
        px = self.camera.to_px(np.vstack(sides) * np.asarray(self.scale_xy))
        return np.asarray(px[np.isfinite(px).all(axis=1)])


def judge(
    photo: Photo,
    sightings: Sequence[Sighting],
    solution: CameraSolution,
    light: PaperLight | None,
    *,
    height_mm: float = 0.0,
    scale_xy: tuple[float, float] = (1.0, 1.0),
) -> PhotoReport:
    """Judge a photo by its first sighting, whose camera ``solution`` is.

    ``light`` is None where no paper white could be found.  ``height_mm`` is the height of
    the traced face over the target; ``scale_xy`` printed over nominal size.
    """
    judged = _Judged(photo, sightings[0], solution, light, height_mm, scale_xy)
    found = (
        *_sharpness(judged),
        _resolution(judged),
        _exposure(judged),
        _shadow(judged),
        _glare(judged),
        _tilt(judged),
        _height(judged),
        _coverage(judged),
        _target_seen(judged),
        _flatness(judged),
        _lens(judged),
    )
    return PhotoReport(
        photo=photo.name,
        target=str(sightings[0].sheet),
        findings=tuple(finding for finding in found if finding is not None),
    )


def _sharpness(judged: _Judged) -> tuple[Finding, ...]:
    """Blur and motion; a difference between directions below the blur itself is not seen.

    The straight edges suffer little (their scatter grows with the root of the blur), small
    holes much: a blur of s mm takes s^2 / (2 R) off the radius, and that is put back only as
    well as s is known.  0.25 mm takes 0.01 mm off a hole of 6 mm, 0.6 mm takes 0.06 mm.
    Past 3 px the coded marks and thin pen lines begin to close up.
    """
    sharp = sharpness.measure(judged.photo, judged.sighting, judged.camera)
    mm_per_px = float(np.median(judged.mm_per_px))
    blur_px = sharp.farthest_blur_px if sharp is not None else judged.sighting.blur_px
    blur_mm = blur_px * mm_per_px
    patchy = sharp is not None and sharp.farthest_blur_px > 1.5 * sharp.blur_px + 0.3
    still_px = max(2.0, sharp.blur_px) if sharp is not None else 2.0
    moved = sharp is not None and sharp.motion_px > still_px
    if patchy:
        advice = "one side is out of focus: stand back a little, slant less, and tap the piece"
    elif moved:
        advice = "hold the phone still or rest it on something, and bring more light"
    else:
        advice = "tap the piece to focus on it, wipe the lens, and stand no closer than it focuses"
    blur = Finding(
        "blur",
        "blur",
        worst(graded(blur_px, 1.5, 3.0), graded(blur_mm, 0.25, 0.6)),
        blur_px,
        "px",
        f"{blur_px:.1f} px, {blur_mm:.2f} mm on the sheet",
        "good to 1.5 px and 0.25 mm, poor past 3 px or 0.6 mm",
        advice,
    )
    if sharp is None:
        return (blur,)
    motion_mm = sharp.motion_px * mm_per_px
    motion = Finding(
        "motion",
        "motion blur",
        worst(
            graded(sharp.motion_px, still_px, 3 * still_px),
            graded(motion_mm if moved else 0.0, 0.5, 1.2),
        ),
        sharp.motion_px,
        "px",
        f"{sharp.motion_px:.1f} px along {sharp.direction_deg:.0f}°" if moved else "none seen",
        f"good to {still_px:.0f} px, poor past {3 * still_px:.0f} px or 1.2 mm",
        "hold the phone still or rest it on something, use the timer, and bring more light",
    )
    return (blur, motion)


def _resolution(judged: _Judged) -> Finding:
    """Millimetres per pixel.

    About 0.1 px of an edge's place stays uncertain however little noise there is (tone curve
    and sharpening), so lengths carry 0.28 px: 0.05 mm at 0.2 mm/px, 0.10 mm at 0.35 mm/px.
    """
    size = judged.mm_per_px
    middle, far = float(np.median(size)), float(np.percentile(size, 95))
    return Finding(
        "resolution",
        "resolution",
        graded(middle, 0.2, 0.35),
        middle,
        "mm/px",
        f"{middle:.2f} mm per pixel, {far:.2f} at the far side",
        "good to 0.20, poor past 0.35",
        "go closer so that the target fills the frame, give the photo in full size as it comes "
        "from the phone, or use the camera's highest resolution",
    )


def _exposure(judged: _Judged) -> Finding:
    """Level of the paper.

    Light is coded in 8 bits: at 8 % of full scale the black squares sit in the last few
    steps and noise is a tenth of the contrast.  Clipped paper bleeds over the edge beside
    it and moves it outward, always to the same side.
    """
    limits = "good from 15 % of full scale with no clipping, poor under 6 % or with 25 % clipped"
    if judged.light is None:
        return Finding(
            "exposure",
            "exposure",
            "poor",
            0.0,
            "share",
            "too dark to tell paper from ink",
            limits,
            "take it again with more light on the sheet",
        )
    level = float(np.median(judged.light.white_at(judged.sighting.corners_px).max(axis=1)))
    clipped = judged.light.clipped_share
    dark, bright = graded(level, 0.15, 0.06), graded(clipped, 0.01, 0.25)
    return Finding(
        "exposure",
        "exposure",
        worst(dark, bright),
        level,
        "share",
        f"paper at {100 * min(level, 1):.0f} % of full scale, {100 * clipped:.0f} % of it clipped",
        limits,
        "bring more light on the sheet or brighten the picture in the camera"
        if dark != "good"
        else "turn the brightness down in the camera until the paper looks light grey",
    )


def _shadow(judged: _Judged) -> Finding | None:
    """Shadow over the target, and light that falls off across it.

    The paper's level is a smooth field fitted to the white squares; a shadow's squares leave
    it.  The fit is sure while most squares agree (it is made for less than half); light that
    varies by more than 3 leaves the dark side as noisy as a photo three times too dark.
    """
    if judged.light is None:
        return None
    shaded = 1 - judged.light.inlier_share
    level = judged.light.white_at(judged.sighting.corners_px).mean(axis=1)
    falls = float(np.percentile(level, 95) / max(np.percentile(level, 5), 1e-6))
    over, across = graded(shaded, 0.05, 0.3), graded(falls, 2.0, 4.0)
    return Finding(
        "shadow",
        "shadow",
        worst(over, across),
        shaded,
        "share",
        f"{100 * shaded:.0f} % of the white squares shaded or stained, "
        f"light varies by a factor of {falls:.1f}",
        "good to 5 % and a factor of 2, poor past 30 % or 4",
        "stand so that nothing throws a shadow over the sheet, and use soft light from two sides",
    )


def _glare(judged: _Judged) -> Finding | None:
    """Mirrored light at the edge.

    Glare brighter than paper still shows an edge; on its way from darker to brighter than
    paper it must pass through the paper's level, where it shows none.  That happens about
    twice in each stretch, over some tenths of it.
    """
    if judged.light is None:
        return None
    seen = glare.measure(judged.light, judged.camera, judged.sheet, judged.scale_xy)
    if seen is None:
        return None
    return Finding(
        "glare",
        "glare",
        graded(seen.edge_share, 0.01, 0.25),
        seen.edge_share,
        "share",
        f"on {100 * seen.edge_share:.0f} % of the edge, {100 * seen.area_share:.0f} % of the area "
        "inside the target",
        "good to 1 % of the edge, poor past 25 %",
        "move round the piece, or the lamp, until no light is mirrored along an edge",
    )


def _tilt(judged: _Judged) -> Finding:
    """Slant of the camera.

    Below 3 degrees a curl of the paper and the focal length cannot be seen (focal length to
    0.9 % at 2 degrees, 0.4 % at 5); past 35 each tenth of a millimetre of height or of bow
    moves an edge by 0.07 mm, past 50 by 0.12 mm, and the far side is half as large.
    """
    tilt = judged.camera.tilt_deg
    vertical = tilt < 3
    return Finding(
        "tilt",
        "slant",
        "usable" if vertical else graded(tilt, 35, 50),
        tilt,
        "deg",
        f"{tilt:.0f}°",
        "good from 3° to 35°, poor past 50°",
        "slant the camera by 10-25°: from straight above a curl of the paper does not show"
        if vertical
        else "photograph from higher up, at a slant of 10-25°",
    )


def _height(judged: _Judged) -> Finding | None:
    """What the camera's own uncertainty makes of the height of the traced face."""
    if judged.height_mm <= 0:
        return None
    u_mm = _parallax_u_mm(judged.camera, judged.sighting.corners_px[::4], judged.height_mm)
    expanded_mm = 2 * math.sqrt(2) * u_mm
    return Finding(
        "height",
        "height of the piece",
        graded(expanded_mm, 0.05, 0.3),
        expanded_mm,
        "mm",
        f"± {expanded_mm:.2f} mm from a face {judged.height_mm:g} mm over the target",
        "good to 0.05 mm, poor past 0.3 mm",
        "slant the camera by 10-25°, or calibrate the phone once with 'digitize phone'",
    )


def _parallax_u_mm(camera: Camera, px: FloatArray, height_mm: float) -> float:
    """Standard uncertainty, root mean square per axis, of what the height moves points by."""
    covariance = camera.covariance
    slopes = []
    for n, step in enumerate(np.sqrt(np.diag(covariance)) / 10):
        if step > 0:
            ends = [_stepped(camera, n, sign * step) for sign in (-1.0, 1.0)]
            low, high = (c.to_sheet(px, height_mm) - c.to_sheet(px) for c in ends)
            slopes.append((high - low) / (2 * step))
        else:
            slopes.append(np.zeros((len(px), 2)))
    slope = np.stack(slopes, axis=-1)
    variance = np.einsum("nai,ij,naj->na", slope, covariance, slope)
    return float(np.sqrt(np.nanmean(variance)))


def _stepped(camera: Camera, parameter: int, step: float) -> Camera:
    """The camera with one of ``camera.PARAMETERS`` moved."""
    moved = np.zeros(len(PARAMETERS))
    moved[parameter] = step
    return replace(
        camera,
        rotation=rotation_matrix(moved[:3]) @ camera.rotation,
        translation_mm=camera.translation_mm + moved[3:6],
        focal_px=camera.focal_px * math.exp(moved[6]),
        principal_px=(camera.principal_px[0] + moved[7], camera.principal_px[1] + moved[8]),
        k1=camera.k1 + moved[9],
        k2=camera.k2 + moved[10],
    )


def _coverage(judged: _Judged) -> Finding:
    """Share of the frame that the target fills.

    A ring holds the piece, a card lies beside it; lengths far outside the target are
    extrapolated.  A ring in 8 % of the frame leaves a 12-megapixel photo with the detail of
    a 1-megapixel one.
    """
    width, height = judged.photo.width_px, judged.photo.height_px
    shape = shapely.Polygon(judged.outline_px(0, 0, *judged.sheet.size_mm)).buffer(0)
    frame = shapely.box(-0.5, -0.5, width - 0.5, height - 0.5)
    share = float(shape.intersection(frame).area / frame.area)
    good, poor = (0.3, 0.08) if judged.sheet.band else (0.08, 0.02)
    return Finding(
        "coverage",
        "target in the frame",
        graded(share, good, poor),
        share,
        "share",
        f"fills {100 * share:.0f} % of the frame",
        f"good from {100 * good:.0f} %, poor under {100 * poor:.0f} %",
        "go closer, or print a larger target: the target should fill the frame, not the bench",
    )


def _target_seen(judged: _Judged) -> Finding:
    """How much of the target is seen, and whether it still surrounds the work.

    Half of the corners still fix the camera; where none are seen on one side of the work,
    lens and slant are extrapolated over it.
    """
    seen = judged.sighting.corners_mm
    share = len(seen) / max(len(judged.sheet.x_corners()), 1)
    grade = graded(share, 0.85, 0.5)
    words = f"{100 * min(share, 1):.0f} % of its corners"
    size = np.array([judged.photo.width_px, judged.photo.height_px])
    outline = judged.outline_px(0, 0, *judged.sheet.size_mm)
    cut = bool(((outline < 0) | (outline > size - 1)).any())
    if judged.sheet.work_area_mm is not None:
        area = shapely.box(*judged.sheet.work_area_mm)
        hull = shapely.MultiPoint(seen).convex_hull
        inside = float(hull.intersection(area).area / area.area)
        grade = worst(grade, graded(inside, 0.97, 0.7))
        words += f", round {100 * inside:.0f} % of the work area"
    return Finding(
        "target-seen",
        "target seen",
        grade,
        share,
        "share",
        words,
        "good from 85 % (and 97 % of the work area), poor under 50 % (70 %)",
        "stand back or shift until the whole target is in the frame"
        if cut
        else "clear away what lies on the printed squares, and light them evenly",
    )


def _flatness(judged: _Judged) -> Finding:
    """Bow of the sheet, as far as its corners show it, and corners that fit no flat sheet.

    A height of b moves what lies on it by b times the slant of the ray; for a bow that is
    spread evenly, its standard deviation is that over the root of three.
    """
    solution = judged.solution
    flat_mm = solution.sheet_flatness_mm
    moved_mm = 2 * math.sqrt(2) * judged.slant * flat_mm / math.sqrt(3)
    rms, noise = solution.rms_px, solution.expected_rms_px
    fit = graded(rms, max(0.1, 2 * noise), max(0.5, 8 * noise))
    seen = f"bow of about {flat_mm:.1f} mm" if flat_mm > 0 else "no bow seen"
    if fit != "good":
        seen += f", corners off by {rms:.2f} px where noise makes {noise:.2f}"
    return Finding(
        "flatness",
        "target flatness",
        worst(fit, graded(moved_mm, 0.1, 0.5)),
        flat_mm,
        "mm",
        seen,
        "good to 0.1 mm of ±, poor past 0.5 mm",
        "tape the sheet down flat on a board, keep it still, and photograph it again",
    )


def _lens(judged: _Judged) -> Finding:
    """Which lens this seems to be, and how it bends.

    A phone's main lens is a 23-28 mm equivalent and its wide one 12-16 mm (makers' data,
    from memory).  Two radial terms carry 5 % of distortion at the corner to some hundredths
    of a pixel; the wide lenses' 10-20 % they do not.  A focal length that cannot be told
    (straight from above, no header) is not held against the lens.
    """
    camera = judged.camera
    diagonal = math.hypot(judged.photo.width_px, judged.photo.height_px)
    equivalent = camera.focal_px / diagonal * _FULL_FRAME_DIAGONAL_MM
    known = math.sqrt(float(camera.covariance[6, 6])) < 0.15
    edge = judged.outline_px(0, 0, *judged.sheet.size_mm)
    rays = np.linalg.norm(edge - camera.principal_px, axis=1) / camera.focal_px
    r = min(float(rays.max()), diagonal / 2 / camera.focal_px)
    bend = abs(camera.k1 * r**2 + camera.k2 * r**4)
    wide: Grade = graded(equivalent, 20.0, 15.0) if known else "good"
    told = judged.photo.focal_prior_px
    seen = f"like {equivalent:.0f} mm on full frame, " if known else ""
    seen += f"bends by {100 * bend:.1f} % at the target's edge"
    odd = False
    if told is not None and known:
        rel = math.hypot(
            judged.photo.focal_prior_rel or 0.05, math.sqrt(float(camera.covariance[6, 6]))
        )
        odd = abs(math.log(camera.focal_px / told)) > 3 * rel
        if odd:
            seen += f", header says {told / diagonal * _FULL_FRAME_DIAGONAL_MM:.0f} mm"
    return Finding(
        "lens",
        "lens",
        worst(wide, graded(bend, 0.05, 0.12), "usable" if odd else "good"),
        equivalent,
        "mm",
        seen,
        "good from 20 mm and to 5 % of bend, poor under 15 mm or past 12 %",
        "give the photo as the phone saved it: it seems to be cropped or zoomed"
        if odd and wide == "good"
        else "use the main lens, not the wide one, and stand back a little",
    )
