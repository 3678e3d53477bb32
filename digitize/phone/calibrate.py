"""Several photos of printed sheets, taken by one phone, to a profile of its camera.

Every photo is solved by itself first.  That tells which corners to keep, where to start,
and which photos do not belong: another size, another lens, a digital zoom.  What remains
is adjusted together (``joint``), and photos that the common camera cannot explain are
left out with their reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from digitize.camera.adjustment import Corners
from digitize.camera.camera import CameraSolution
from digitize.camera.flatness import height_terms
from digitize.camera.priors import Prior, priors_for
from digitize.camera.recover import recover
from digitize.errors import DigitizeError, Exit
from digitize.phone.joint import LENS, Beliefs, Joint, View, adjust_jointly, expected_spread
from digitize.phone.profile import PhoneProfile, Source
from digitize.phone.turning import stored_size, upright_from_stored
from digitize.photo.focal import HeaderFacts
from digitize.photo.photo import Photo
from digitize.photo.reading import read_photo
from digitize.sheets.layout import PrintScale
from digitize.sighting.sight import sight, sight_checkerboard
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]
T = TypeVar("T")

FEWEST = 3
_MOST_FOCAL_U = 0.012  # of focal length: a header's word is worth 0.025
_ODD = 4.0  # standard deviations at which a photo's focal length or middle is another lens's
_SLACK = 0.015  # of focal length: focus breathing, when photos are compared before they are joined
_MISFIT_GROWTH = 2.5  # of a photo's variance, over what it had alone
_FOCAL_MM = 5.5  # of a phone's main lens, where no header tells (from memory)


class CannotCalibrate(DigitizeError):
    """The photos do not tell what the phone's camera is like."""

    exit_code = Exit.CAMERA


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """What is needed of one photo of a printed sheet: all but its pixels."""

    name: str
    sha256: str
    width_px: int
    height_px: int
    focal_prior_px: float | None
    focal_prior_rel: float | None
    maker: str | None
    header: HeaderFacts
    sighting: Sighting

    @property
    def stored_px(self) -> tuple[int, int]:
        """Width and height as stored."""
        return stored_size(self.width_px, self.height_px, self.header.orientation)


def shot_of(photo: Photo, sighting: Sighting) -> Shot:
    """The shot of a photo."""
    return Shot(
        photo.name,
        photo.sha256,
        photo.width_px,
        photo.height_px,
        photo.focal_prior_px,
        photo.focal_prior_rel,
        photo.maker,
        photo.header,
        sighting,
    )


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of one photo."""

    name: str
    tilt_deg: float | None
    rms_px: float | None  # of its corners about the common camera
    left_out: str  # why; empty for a photo that was used


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A profile with what became of every photo."""

    profile: PhoneProfile
    photos: tuple[Judged, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    shot: Shot
    solution: CameraSolution

    @property
    def log_focal(self) -> tuple[float, float]:
        """Log focal length of the photo by itself, and its standard deviation."""
        camera = self.solution.camera
        return math.log(camera.focal_px), math.sqrt(float(camera.covariance[6, 6]))


def calibrate_from_files(
    name: str,
    paths: Sequence[Path],
    scale: PrintScale,
    *,
    on: date,
    checkerboard_mm: float | None = None,
    progress: Progress = lambda step: None,
) -> Calibration:
    """Read the photos and calibrate; see ``calibrate``.

    A photo that cannot be read, or shows no target, is left out with its reason.
    """
    shots: list[Shot] = []
    refused: list[Judged] = []
    for path in paths:
        progress(f"Looking at {path.name}")
        try:
            photo = read_photo(path)
            sighting = (
                sight_checkerboard(photo, checkerboard_mm) if checkerboard_mm else sight(photo)[0]
            )
        except DigitizeError as fault:
            refused.append(Judged(path.name, None, None, str(fault).rstrip(".")))
            continue
        shots.append(shot_of(photo, sighting))
    progress("Working out the camera")
    return calibrate(name, shots, scale, on=on, refused=refused)


def calibrate(
    name: str,
    shots: Sequence[Shot],
    scale: PrintScale,
    *,
    on: date,
    refused: Sequence[Judged] = (),
) -> Calibration:
    """The profile of the camera that took all these shots, at best from different sides.

    Raises
    ------
    CannotCalibrate
        Fewer than three usable photos, or all from straight above.
    """
    left_out = list(refused)
    solved: list[_Solved] = []
    for shot in _without_copies(_same_camera(shots, left_out), left_out):
        try:
            solved.append(_Solved(shot, recover(shot.sighting, scale, shot)))
        except DigitizeError as fault:
            left_out.append(Judged(shot.name, None, None, str(fault).rstrip(".")))
    solved = _same_focal(solved, left_out)
    while True:
        _check_enough(solved, left_out)
        joint, usual = _together(solved, scale)
        odd = _worst(solved, joint, usual)
        if odd is None:
            break
        index, why = odd
        left_out.append(_judged(solved[index], why))
        solved = solved[:index] + solved[index + 1 :]
    focal_u = math.sqrt(float(joint.covariance[0, 0]))
    if focal_u > _MOST_FOCAL_U:
        raise CannotCalibrate(
            f"The photos tell the focal length only to {100 * focal_u:.1f} %",
            do="take two more at a slant of 20-30°, from different sides",
        )
    used = [
        Judged(s.shot.name, s.solution.camera.tilt_deg, _rms(s, joint, n), "")
        for n, s in enumerate(solved)
    ]
    return Calibration(_profile(name, solved, joint, on), (*used, *left_out))


def _same_camera(shots: Sequence[Shot], left_out: list[Judged]) -> list[Shot]:
    """The shots whose size, maker and lens are those of most."""
    kept = list(shots)
    told: tuple[tuple[str, Callable[[Shot], object]], ...] = (
        ("its size is another", lambda s: s.stored_px),
        ("its header names another camera", lambda s: s.maker),
        ("its header tells another lens", lambda s: s.header.focal_mm),
        ("its header tells another field of view", lambda s: s.header.focal_35mm),
        ("it was zoomed", lambda s: s.header.zoom),
    )
    for why, of in told:
        values = [of(shot) for shot in kept]
        most = max(values, key=values.count, default=None)
        left_out += [Judged(s.name, None, None, why) for s in kept if of(s) not in (most, None)]
        kept = [s for s in kept if of(s) in (most, None)]
    return kept


def _without_copies(shots: Sequence[Shot], left_out: list[Judged]) -> list[Shot]:
    """Each file once."""
    seen: set[str] = set()
    kept = []
    for shot in shots:
        if shot.sha256 in seen:
            left_out.append(Judged(shot.name, None, None, "it is a copy of another"))
        else:
            kept.append(shot)
        seen.add(shot.sha256)
    return kept


def _same_focal(solved: list[_Solved], left_out: list[Judged]) -> list[_Solved]:
    """Without photos whose own focal length cannot be that of most."""
    while len(solved) >= FEWEST:
        focals = np.array([s.log_focal for s in solved])
        sigma = np.hypot(focals[:, 1], _SLACK)
        order = np.argsort(focals[:, 0])
        weight = np.cumsum(sigma[order] ** -2)
        middle = focals[order[np.searchsorted(weight, weight[-1] / 2)], 0]
        off = np.abs(focals[:, 0] - middle) / sigma
        worst = int(np.argmax(off))
        if off[worst] < _ODD:
            break
        rel = math.expm1(focals[worst, 0] - middle)
        left_out.append(_judged(solved[worst], _other_focal(rel)))
        solved = solved[:worst] + solved[worst + 1 :]
    return solved


def _check_enough(solved: Sequence[_Solved], left_out: Sequence[Judged]) -> None:
    if len(solved) < FEWEST:
        first = f"{left_out[0].name}: {left_out[0].left_out}" if left_out else ""
        raise CannotCalibrate(
            f"Only {len(solved)} photos can be used, and {FEWEST} are needed",
            where=first,
            do="take five photos of one printed sheet with the same lens, from different sides "
            "at a slant of 20-30°",
        )


def _together(solved: Sequence[_Solved], scale: PrintScale) -> tuple[Joint, Prior]:
    """All photos adjusted together."""
    shots = [s.shot for s in solved]
    usual = priors_for(shots[0], scale)[0]
    focal_mm = _common([s.header.focal_mm for s in shots]) or _FOCAL_MM
    refocus, shift = expected_spread(usual)
    # A thin lens breathes by its focal length; some phones take that out of the picture again.
    beliefs = Beliefs(usual, focal_mm / 2, focal_mm / 2, refocus, shift)
    return adjust_jointly([_view(s, scale) for s in solved], beliefs), usual


def _view(solved: _Solved, scale: PrintScale) -> View:
    shot, solution = solved.shot, solved.solution
    variance = np.array([(scale.u_x / scale.x) ** 2, (scale.u_y / scale.y) ** 2])
    share = variance / variance.sum() if variance.sum() > 0 else np.array([0.5, 0.5])
    sighting = shot.sighting
    misfit = max(solution.rms_px / max(solution.expected_rms_px, 1e-6), 1.0)
    corners = Corners(
        mm=sighting.corners_mm * np.array([scale.x, scale.y]),
        px=np.asarray(sighting.corners_px, dtype=float),
        sigma_px=np.maximum(sighting.sigma_px, 1e-3) * misfit,
        stretch=share * np.array([1.0, -1.0]),
        height_terms=height_terms(sighting.corners_mm),
    )
    return View(
        corners.kept(solution.used),
        solution.camera.pinhole,
        ((shot.width_px - 1) / 2, (shot.height_px - 1) / 2),
        upright_from_stored(shot.header.orientation),
    )


def _worst(solved: Sequence[_Solved], joint: Joint, usual: Prior) -> tuple[int, str] | None:
    """The photo that fits the common camera least, and why; None where all do."""
    refocus, shift = expected_spread(usual)
    focal, moved = np.abs(joint.own[:, 0]), np.hypot(*joint.own[:, 1:].T)
    # The median shot, not the spread: an odd one has widened that for itself.
    focal = focal / (_ODD * max(refocus, 1.5 * float(np.median(focal))))
    moved = moved / (_ODD * max(shift, float(np.median(moved))))
    off = np.stack([focal, moved, joint.misfit / _MISFIT_GROWTH])
    reason, index = np.unravel_index(int(np.argmax(off)), off.shape)
    if off[reason, index] <= 1:
        return None
    why = (
        _other_focal(math.expm1(float(joint.own[index, 0]))),
        "its middle lies elsewhere, as in a cropped picture",
        "its lens bends otherwise, or its sheet is curled",
    )[int(reason)]
    return int(index), why


def _other_focal(rel: float) -> str:
    size = f"{abs(100 * rel):.0f} % {'longer' if rel > 0 else 'shorter'}"
    return f"its focal length is {size}: another lens, a digital zoom, or cropped"


def _judged(solved: _Solved, why: str) -> Judged:
    return Judged(solved.shot.name, solved.solution.camera.tilt_deg, None, why)


def _rms(solved: _Solved, joint: Joint, number: int) -> float:
    """Root mean square residual of one photo, in px per axis."""
    swell = max(solved.solution.rms_px / max(solved.solution.expected_rms_px, 1e-6), 1.0)
    sigma = solved.shot.sighting.sigma_px[solved.solution.used]
    return float(np.sqrt(joint.misfit[number] * np.mean(sigma**2)) * swell)


def _profile(name: str, solved: Sequence[_Solved], joint: Joint, on: date) -> PhoneProfile:
    shots = [s.shot for s in solved]
    return PhoneProfile(
        name=name.strip(),
        made_on=on,
        size_px=shots[0].stored_px,
        mean=joint.shared[:LENS].copy(),
        covariance=joint.covariance[:LENS, :LENS].copy(),
        breathing_mm=float(joint.shared[LENS]),
        breathing_u_mm=math.sqrt(float(joint.covariance[LENS, LENS])),
        reference_mm=joint.reference_mm,
        refocus_sigma=joint.refocus_sigma,
        shift_sigma_px=joint.shift_sigma_px,
        turn_told=all(shot.header.orientation is not None for shot in shots),
        maker=_common([shot.maker for shot in shots]),
        focal_mm=_common([shot.header.focal_mm for shot in shots]),
        focal_35mm=_common([shot.header.focal_35mm for shot in shots]),
        sources=tuple(Source(shot.name, shot.sha256) for shot in shots),
    )


def _common(values: Sequence[T | None]) -> T | None:
    """What all that say anything say."""
    told = [value for value in values if value is not None]
    return told[0] if told and all(value == told[0] for value in told) else None
