"""From the corners seen of one sheet to the camera that saw them.

Maximum a posteriori: pose, focal length, principal point and lens together, each with a
prior, none held.  A false corner is given a falling weight (Cauchy) and at the end left
out.  Where photo and priors disagree, as in a cropped picture, the priors are widened.
What the corners' noise cannot explain is a fault of the model, a curled sheet above all:
it is reported and it widens the covariance.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from digitize.camera.adjustment import ASPECT_PULL, HEIGHT_PULLS, LENS_PULLS, Corners
from digitize.camera.camera import Camera, CameraSolution, Cause
from digitize.camera.flatness import height_terms, out_of_flat_mm
from digitize.camera.known import KnownLens
from digitize.camera.priors import Framed, priors_for
from digitize.camera.projection import see
from digitize.camera.search import Found, inverse, search, starting_states, surprise
from digitize.camera.seed import robust_homographies
from digitize.errors import DigitizeError, Exit
from digitize.sheets.layout import PrintScale
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]

_FEWEST_CORNERS = 8
_NARROWEST = 0.03  # least over greatest spread of the corners on the sheet
_LEAST_SIGMA_PX = 1e-3
_LEAST_KEPT = 0.6
_GROSS_SQUARES = 0.03  # residual rms, in squares, at which no flat sheet is seen any more


class CameraError(DigitizeError):
    """The corners do not tell where the camera stood."""

    exit_code = Exit.CAMERA


class SheetNotFlatError(CameraError):
    """The corners do not lie on one plane: the sheet moved, is bent, or is misread."""


def recover(
    sighting: Sighting, scale: PrintScale, photo: Framed, known: KnownLens | None = None
) -> CameraSolution:
    """Recover the camera from one sighting.

    The camera's sheet frame is printed millimetres: nominal times ``scale``, and times
    the small change of aspect that the photo itself reveals within the scale's
    uncertainty.  A ``known`` lens is believed as far as the photo agrees; the solution's
    ``prior`` says whether it did.

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
    usual, *unusual = priors_for(photo, scale, known, _px_per_mm(planes[0], corners))
    found = search(corners, usual, starting_states(corners, usual, planes[0]))
    if found.doubts_prior:
        others = [usual, *unusual] if found.lost else unusual
        more = starting_states(corners, usual, planes[-1]) if found.lost else []
        found = min(
            [found, *(search(corners, prior, [found.state, *more]) for prior in others)],
            key=surprise,
        )
    return _solution(found, corners, sighting, photo)


def _corners(sighting: Sighting, scale: PrintScale) -> Corners:
    """Corners in printed millimetres; aspect moves the less certain axis more."""
    return Corners(
        mm=sighting.corners_mm * np.array([scale.x, scale.y]),
        px=np.asarray(sighting.corners_px, dtype=float),
        sigma_px=np.maximum(sighting.sigma_px, _LEAST_SIGMA_PX),
        stretch=np.array(scale.doubt_shares) * np.array([1.0, -1.0]),
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


def _solution(found: Found, corners: Corners, sighting: Sighting, photo: Framed) -> CameraSolution:
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
    covariance = inverse(found.linear.information / swell + found.linear.prior_information)
    causes = _taken_apart(found, covariance, swell)
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
        prior=found.prior.name,
        causes=causes,
    )


def _taken_apart(
    found: Found, covariance: FloatArray, swell: float
) -> tuple[tuple[Cause, FloatArray], ...]:
    """The camera's covariance (11, 11) by what it comes from; the parts add up to it.

    The estimate is linear in what is measured and in what the priors say, each with the
    inverse of its information for covariance, so that each gives P I P (JCGM 100, 5.1.2).
    """
    rows = found.linear.by_state[2 * len(found.linear.residuals_px) :]

    def by(information: FloatArray) -> FloatArray:
        return np.asarray(covariance @ information @ covariance)[:11, :11]

    def believed(some: slice) -> FloatArray:
        return by(rows[some].T @ rows[some])

    return (
        ("corners", by(found.linear.information / swell)),
        ("lens", believed(LENS_PULLS)),
        ("print", believed(ASPECT_PULL)),
        ("flatness", believed(HEIGHT_PULLS)),
    )


def _shared_by_neighbours(
    found: Found, corners: Corners, sighting: Sighting, excess: float
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


def _px_per_mm(homography: FloatArray, corners: Corners) -> float:
    """Scale at which a plane is seen at the middle of its corners, whichever way it slants.

    The larger of the two principal stretches: across the slant, lengths are not foreshortened.
    """
    u, v, w = homography @ np.append(np.median(corners.mm, axis=0), 1.0)
    slopes = (homography[:2, :2] - np.outer((u / w, v / w), homography[2, :2])) / w
    return float(np.linalg.norm(slopes, ord=2))


def _px_per_mm2(found: Found, corners: Corners) -> float:
    """Picture area of a square millimetre of the sheet, at the corners' median."""
    by_point = see(found.state.pinhole, found.state.sheet_mm(corners)).by_point
    return float(np.median(np.abs(np.linalg.det(by_point[:, :, :2]))))


def _not_flat(sighting: Sighting, why: str) -> SheetNotFlatError:
    return SheetNotFlatError(
        f"The corners seen of {sighting.sheet} do not lie on one flat sheet",
        where=why,
        do="tape the sheet down flat, keep it still, and photograph it again",
    )
