"""From the corners seen of one sheet to the camera that saw them.

Maximum a posteriori: pose, focal length, principal point and lens together, each with a
prior, none held.  A false corner is given a falling weight (Cauchy) and at the end left
out.  Where photo and priors disagree, as in a cropped picture, the priors are widened.
What the corners' noise cannot explain is a fault of the model, a curled sheet above all:
it is reported and it widens the covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from digitize.camera.adjustment import Corners, Linearised, Prior, State, adjust, linearise
from digitize.camera.camera import Camera, CameraSolution
from digitize.camera.flatness import TERMS, height_terms, out_of_flat_mm
from digitize.camera.projection import Pinhole, see
from digitize.camera.seed import (
    focal_from_homography,
    mirrored_pose,
    pose_from_homography,
    robust_homographies,
)
from digitize.errors import DigitizeError
from digitize.sheets.layout import PrintScale
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]

_FEWEST_CORNERS = 8
_NARROWEST = 0.03  # least over greatest spread of the corners on the sheet
_PRINCIPAL_REL = 0.0075  # of the long side: lens centring and stabilisation (from memory)
_PRINCIPAL_CROPPED_REL = 0.25
_PHONE_FOCAL_REL = 0.6  # of the diagonal: a 26 mm equivalent
_FOCAL_UNKNOWN_SIGMA = 0.5  # log: 16 to 43 mm equivalent within one sigma
_BEND_SIGMA = (0.10, 0.05)  # a wide lens shows 10 % barrel distortion at the corner (from memory)
_HEIGHT_SIGMA_MM = 0.03
_HEIGHT_CURLED_SIGMA_MM = 0.5
_PULLED = 9.0  # chi square of the priors that makes us doubt them
_MISFIT = 1.5  # variance over noise that makes us doubt them as well
_LOST = 25.0  # the same, when the start was perhaps a wrong one
_INDEPENDENT = 0.25  # of the corners: neighbours share faults of print and lens
_CAUCHY = 2.5  # standard deviations at which a corner's weight has halved
_REJECT = 4.5  # standard deviations; 4e-5 of good corners lie outside
_STILL_CLOSE = 4.0  # times the least cost, at which a start is worth following
_FINAL_ROUNDS = 4
_LEAST_SIGMA_PX = 1e-3
_LEAST_KEPT = 0.6
_GROSS_SQUARES = 0.03  # residual rms, in squares, at which no flat sheet is seen any more
_SHORTEST, _LONGEST = 0.5, 20.0  # focal length over half the diagonal, worth a start
_MOST_TOLD = 14  # about as many unknowns as corners of a flat sheet ever determine
_RAYLEIGH_MEDIAN2 = 2 * math.log(2)  # median of the squared length of a 2-D unit normal


class CameraError(DigitizeError):
    """The corners do not tell where the camera stood."""


class SheetNotFlatError(CameraError):
    """The corners do not lie on one plane: the sheet moved, is bent, or is misread."""


class Framed(Protocol):
    """A picture's size and what its header says of the focal length (a Photo is one)."""

    @property
    def width_px(self) -> int:
        """Width."""

    @property
    def height_px(self) -> int:
        """Height."""

    @property
    def focal_prior_px(self) -> float | None:
        """Focal length told by the header."""

    @property
    def focal_prior_rel(self) -> float | None:
        """Its relative standard uncertainty."""


@dataclass(frozen=True, slots=True)
class Frame:
    """The same without the picture."""

    width_px: int
    height_px: int
    focal_prior_px: float | None = None
    focal_prior_rel: float | None = None


def recover(sighting: Sighting, scale: PrintScale, photo: Framed) -> CameraSolution:
    """Recover the camera from one sighting.

    The camera's sheet frame is printed millimetres: nominal times ``scale``, and times
    the small change of aspect that the photo itself reveals within the scale's
    uncertainty.

    Raises
    ------
    CameraError
        Too few corners, or all of them along a line.
    SheetNotFlatError
        The corners cannot lie on one plane.
    """
    corners = _corners(sighting, scale)
    _check_enough(sighting, corners)
    planes = robust_homographies(corners.mm, corners.px)
    if not planes:
        raise _not_flat(sighting, "no plane fits the corners")
    usual, *unusual = _priors(photo, scale)
    found = _search(corners, usual, _starts(corners, usual, planes[0]))
    if found.doubts_prior:
        lost = found.misfit > _LOST
        others = [
            _search(corners, p, [found.state, *(_starts(corners, p, planes[-1]) if lost else [])])
            for p in ([usual] if lost else []) + unusual
        ]
        found = min([found, *others], key=_surprise)
    return _solution(found, corners, sighting, photo)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """An adjusted state, the corners it keeps, and how far their misfit exceeds noise."""

    state: State
    prior: Prior
    used: NDArray[np.bool_]
    scale2: float  # variance that the corners were given, over their own noise's
    linear: Linearised  # of the kept corners, with that variance
    residuals_px: FloatArray  # (N, 2) of all corners

    @property
    def corner_cost(self) -> float:
        return self.linear.cost - self.linear.prior_cost

    @property
    def told(self) -> float:
        """How many of the unknowns the corners determine, rather than the priors."""
        information = self.linear.information
        return float(np.trace(_inverse(information + self.linear.prior_information) @ information))

    @property
    def freedom(self) -> float:
        return max(2 * int(self.used.sum()) - self.told, 1.0)

    @property
    def misfit(self) -> float:
        """Variance of the residuals over what the corners' noise explains."""
        return self.corner_cost * self.scale2 / self.freedom

    @property
    def doubts_prior(self) -> bool:
        chance = math.sqrt(2 / self.freedom)  # of a mean of squares
        return self.linear.prior_cost > _PULLED or self.misfit > _MISFIT * (1 + 4 * chance)


def _surprise(found: _Found) -> float:
    """-2 log of the evidence for a prior (Laplace's method), to choose between priors."""
    left_out = _REJECT**2 * int((~found.used).sum())
    noise = _INDEPENDENT * 2 * int(found.used.sum()) * math.log(found.scale2)
    normal = found.linear.by_state.T @ found.linear.by_state
    told = float(np.linalg.slogdet(normal)[1])
    return found.linear.cost + left_out + noise + found.prior.rarity + told


def _corners(sighting: Sighting, scale: PrintScale) -> Corners:
    """Corners in printed millimetres; aspect moves the less certain axis more."""
    variance = np.array([(scale.u_x / scale.x) ** 2, (scale.u_y / scale.y) ** 2])
    share = variance / variance.sum() if variance.sum() > 0 else np.array([0.5, 0.5])
    return Corners(
        mm=sighting.corners_mm * np.array([scale.x, scale.y]),
        px=np.asarray(sighting.corners_px, dtype=float),
        sigma_px=np.maximum(sighting.sigma_px, _LEAST_SIGMA_PX),
        stretch=share * np.array([1.0, -1.0]),
        height_terms=height_terms(sighting.corners_mm),
    )


def _check_enough(sighting: Sighting, corners: Corners) -> None:
    if len(corners.mm) < _FEWEST_CORNERS:
        raise CameraError(
            f"Only {len(corners.mm)} corners of {sighting.sheet} are seen, "
            f"and {_FEWEST_CORNERS} are needed",
            do="show more of the printed squares, sharp and unshaded",
        )
    spread = np.linalg.svd(corners.mm - corners.mm.mean(axis=0), compute_uv=False)
    if spread[1] < _NARROWEST * spread[0]:
        raise CameraError(
            f"The corners seen of {sighting.sheet} all lie along one line",
            do="show printed squares on at least two sides of the piece",
        )


def _priors(photo: Framed, scale: PrintScale) -> list[Prior]:
    """The usual prior, then what to think of a wrong header and of a cropped picture."""
    diagonal = math.hypot(photo.width_px, photo.height_px)
    long_side = max(photo.width_px, photo.height_px)
    told = photo.focal_prior_px is not None
    usual = Prior(
        middle_px=((photo.width_px - 1) / 2, (photo.height_px - 1) / 2),
        principal_sigma_px=_PRINCIPAL_REL * long_side,
        log_focal=math.log(photo.focal_prior_px or _PHONE_FOCAL_REL * diagonal),
        log_focal_sigma=(photo.focal_prior_rel or 0.05) if told else _FOCAL_UNKNOWN_SIGMA,
        half_diagonal_px=diagonal / 2,
        bend_sigma=_BEND_SIGMA,
        height_sigma_mm=_HEIGHT_SIGMA_MM,
        aspect_sigma=max(math.hypot(scale.u_x / scale.x, scale.u_y / scale.y), 1e-7),
        share=0.9,
    )
    unknown = math.log(_PHONE_FOCAL_REL * diagonal)
    blind = replace(usual, log_focal=unknown, log_focal_sigma=_FOCAL_UNKNOWN_SIGMA, share=0.07)
    cropped = replace(blind, principal_sigma_px=_PRINCIPAL_CROPPED_REL * long_side, share=0.03)
    curled = replace(usual, height_sigma_mm=_HEIGHT_CURLED_SIGMA_MM, share=0.1)
    return [usual, blind, cropped, curled]


def _search(corners: Corners, prior: Prior, starts: list[State]) -> _Found:
    """Adjust from every start, and finish the one that explains the corners best."""
    tried = [_robust(s, corners, prior, 1) for s in starts]
    least = min(cost for _, cost in tried)
    close = [_robust(s, corners, prior, 3) for s, cost in tried if cost < _STILL_CLOSE * least]
    return _finish(min(close, key=lambda t: t[1])[0], corners, prior)


def _starts(corners: Corners, prior: Prior, homography: FloatArray) -> list[State]:
    """Poses by the homography, for the focal length it suggests and the one expected."""
    principal = np.asarray(prior.middle_px)
    middle = np.median(corners.mm, axis=0)
    told = math.exp(prior.log_focal)
    seen = focal_from_homography(homography, principal)
    focals = [told]
    if seen is not None and _SHORTEST < seen / prior.half_diagonal_px < _LONGEST:
        focals.append(seen)
    starts = []
    for focal in focals:
        pose = pose_from_homography(homography, focal, principal, middle)
        for rotation, translation in (pose, mirrored_pose(*pose, middle)):
            pinhole = Pinhole(rotation, translation, focal, prior.middle_px, 0.0, 0.0)
            starts.append(State(pinhole, 0.0, np.zeros(TERMS)))
    plausible = [s for s in starts if s.plausible(corners)]
    return plausible or starts[:1]


def _robust(state: State, corners: Corners, prior: Prior, rounds: int) -> tuple[State, float]:
    """Adjust with falling weights for far corners; the state and its robust cost."""
    linear = linearise(state, corners, prior, np.ones(len(corners.px)))
    scale2 = math.inf
    for _ in range(rounds):
        distance2 = _distance2(linear, corners)
        scale2 = min(scale2, _misfit_scale2(distance2))
        weights = 1 / (1 + distance2 / (_CAUCHY**2 * scale2))
        state, linear = adjust(state, corners, prior, weights, most_steps=4)
    cost = _CAUCHY**2 * float(np.log1p(_distance2(linear, corners) / _CAUCHY**2).sum())
    return state, cost + linear.prior_cost


def _finish(state: State, corners: Corners, prior: Prior) -> _Found:
    """Leave out false corners and adjust the rest with equal weight.

    Corners are given as much noise as they show, so that priors keep their part where a
    print is rougher than its corners are sharp.
    """
    found = _found(state, corners, prior, np.ones(len(corners.px), dtype=bool), 1.0)
    for round_ in range(_FINAL_ROUNDS):
        distance2 = (found.residuals_px**2).sum(axis=1) / corners.sigma_px**2
        used = distance2 < _REJECT**2 * _misfit_scale2(distance2)
        scale2 = max(found.misfit, 1.0) if round_ else _misfit_scale2(distance2)
        same = np.array_equal(used, found.used) and 0.9 < scale2 / found.scale2 < 1.1
        if round_ and same:
            break
        state, _ = adjust(found.state, corners, prior, used / scale2, most_steps=100)
        found = _found(state, corners, prior, used, scale2)
    return found


def _found(
    state: State, corners: Corners, prior: Prior, used: NDArray[np.bool_], scale2: float
) -> _Found:
    kept = corners.kept(used)
    weights = np.full(len(kept.px), 1 / scale2)
    every = linearise(state, corners, prior, np.ones(len(corners.px)))
    return _Found(
        state, prior, used, scale2, linearise(state, kept, prior, weights), every.residuals_px
    )


def _distance2(linear: Linearised, corners: Corners) -> FloatArray:
    """Squared distance (N,) of corners from where they should be, in standard deviations."""
    return np.asarray((linear.residuals_px**2).sum(axis=1) / corners.sigma_px**2)


def _misfit_scale2(distance2: FloatArray) -> float:
    """Robust variance of the residuals over their noise, no less than one."""
    freedom = max(1 - _MOST_TOLD / (2 * len(distance2)), 0.25)
    return max(float(np.median(distance2)) / _RAYLEIGH_MEDIAN2 / freedom, 1.0)


def _solution(found: _Found, corners: Corners, sighting: Sighting, photo: Framed) -> CameraSolution:
    used, pinhole = found.used, found.state.pinhole
    count = int(used.sum())
    if count < max(_FEWEST_CORNERS, _LEAST_KEPT * len(used)):
        raise _not_flat(sighting, f"only {count} of {len(used)} corners lie on one plane")
    rms = float(np.sqrt((found.residuals_px[used] ** 2).mean()))
    square_px = float(np.sqrt(_px_per_mm2(found, corners)) * sighting.sheet.square_mm)
    if rms > _GROSS_SQUARES * square_px:
        raise _not_flat(sighting, f"they miss one plane by {rms:.1f} pixels")
    noise = float(np.sqrt((corners.sigma_px[used] ** 2).mean()))
    misfit = max(found.misfit, 1.0)
    excess = misfit - 1
    # Misfit that neighbours share does not average out over the sheet.
    shared = _shared_by_neighbours(found, corners, sighting, excess)
    swell = (1 + excess * (1 + shared * 2 * count / found.told)) / found.scale2
    covariance = _inverse(found.linear.information / swell + found.linear.prior_information)
    return CameraSolution(
        camera=Camera(
            size_px=(photo.width_px, photo.height_px),
            rotation=pinhole.rotation,
            translation_mm=pinhole.translation_mm,
            focal_px=pinhole.focal_px,
            principal_px=pinhole.principal_px,
            k1=pinhole.k1,
            k2=pinhole.k2,
            covariance=covariance[:11, :11],
        ),
        used=used,
        residuals_px=found.residuals_px,
        rms_px=rms,
        expected_rms_px=noise * math.sqrt(1 - found.told / (2 * count)),
        sheet_flatness_mm=out_of_flat_mm(
            corners.height_terms[used], found.state.heights_mm, covariance[12:, 12:]
        ),
        print_aspect=math.exp(found.state.log_aspect),
    )


def _shared_by_neighbours(
    found: _Found, corners: Corners, sighting: Sighting, excess: float
) -> float:
    """How much of the excess misfit neighbouring corners have in common, 0 to 1."""
    if excess <= 0:
        return 0.0
    nodes = np.round(sighting.corners_mm[found.used] / sighting.sheet.square_mm).astype(int)
    names = nodes[:, 0] * 100_003 + nodes[:, 1]
    pairs = np.hstack(
        [
            np.stack(np.intersect1d(names + step, names, return_indices=True)[1:])
            for step in (1, 100_003)
        ]
    )
    if pairs.size == 0:
        return 1.0
    off = (found.residuals_px / corners.sigma_px[:, None])[found.used]
    common = float((off[pairs[0]] * off[pairs[1]]).mean())
    return min(max(common / excess, 0.0), 1.0)


def _px_per_mm2(found: _Found, corners: Corners) -> float:
    """Picture area of a square millimetre of the sheet, at the corners' median."""
    by_point = see(found.state.pinhole, found.state.sheet_mm(corners)).by_point
    return float(np.median(np.abs(np.linalg.det(by_point[:, :, :2]))))


def _inverse(information: FloatArray) -> FloatArray:
    """Inverse of a positive matrix whose unknowns have very different units."""
    scale = 1 / np.sqrt(np.diag(information))
    inner = np.linalg.inv(information * np.outer(scale, scale))
    return np.asarray((inner + inner.T) / 2 * np.outer(scale, scale))


def _not_flat(sighting: Sighting, why: str) -> SheetNotFlatError:
    return SheetNotFlatError(
        f"The corners seen of {sighting.sheet} do not lie on one flat sheet",
        where=why,
        do="tape the sheet down flat, keep it still, and photograph it again",
    )
