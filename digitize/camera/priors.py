"""What is known of a camera before its corners are looked at.

Nothing is held: even the principal point has only a prior.  Beside the usual one there are
priors for photos whose header lies, that were cropped, or that show a curled sheet; which
of them a photo needs is judged by the evidence (see ``search``).  A camera known from earlier
photos is one more prior among them: believed first, dropped when the photo contradicts it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from digitize.camera.flatness import TERMS
from digitize.camera.known import KnownLens
from digitize.sheets.layout import PrintScale

_PRINCIPAL_REL = 0.0075  # of the long side: lens centring and stabilisation (from memory)
_PRINCIPAL_CROPPED_REL = 0.25
_PHONE_FOCAL_REL = 0.6  # of the diagonal: a 26 mm equivalent
_FOCAL_UNKNOWN_SIGMA = 0.5  # log: 16 to 43 mm equivalent within one sigma
_LEAST_ASPECT_SIGMA = 1e-7  # keeps the adjustment regular where a print is taken as exact
_FOCAL_TOLD_SIGMA = 0.05  # where a header gives no uncertainty
_BEND_SIGMA = (0.10, 0.05)  # a wide lens shows 10 % barrel distortion at the corner (from memory)
_HEIGHT_SIGMA_MM = 0.03  # paper taped down; from memory
_HEIGHT_CURLED_SIGMA_MM = 0.5
_SHARES = (0.9, 0.07, 0.03)  # usual, header wrong, cropped: judgement, no source
_KNOWN_SHARE = 0.8  # of photos said to be by a known camera that are; the rest: judgement
_CURLED_SHARE = 1e-5  # small, because a rough print or an odd lens is easily taken for a curl


@dataclass(frozen=True, slots=True, eq=False)
class Intrinsics:
    """A joint belief about (log focal, principal x, y in px, k1, k2)."""

    mean: NDArray[np.float64]  # (5,)
    covariance: NDArray[np.float64]  # (5, 5)
    whiten: NDArray[np.float64]  # (5, 5): turns differences into standard normal ones


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before looking at the corners, as normal distributions.

    The lens terms are stated at the picture's corner, where a given k means little for a
    long focal length and much for a short one: relative displacement k1 rho^2, k2 rho^4
    with rho = half diagonal / focal length.
    """

    middle_px: tuple[float, float]
    principal_sigma_px: float
    log_focal: float
    log_focal_sigma: float
    half_diagonal_px: float
    bend_sigma: tuple[float, float]
    aspect_sigma: float
    height_sigma_mm: float  # of each term of the sheet's height field, rms
    share: float  # of all photos that this prior is meant for
    name: str = "usual"
    intrinsics: Intrinsics | None = None  # stands in for the terms above where it is given

    @property
    def rarity(self) -> float:
        """-2 log of its density at the peak, but for a constant shared by all priors."""
        heights = 2 * TERMS * math.log(self.height_sigma_mm) - 2 * math.log(self.share)
        if self.intrinsics is None:
            return heights + 2 * math.log(self.principal_sigma_px**2 * self.log_focal_sigma)
        # Lens terms in the same measure as the bends of the other priors.
        rho = self.half_diagonal_px / math.exp(self.log_focal)
        bends = 2 * math.log(rho**6 / (self.bend_sigma[0] * self.bend_sigma[1]))
        return heights + bends + float(np.linalg.slogdet(self.intrinsics.covariance)[1])


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


def priors_for(
    photo: Framed,
    scale: PrintScale,
    known: KnownLens | None = None,
    px_per_mm: float = 1.0,
) -> list[Prior]:
    """The likeliest prior first; then those of a wrong header, a crop and a curled sheet.

    With a ``known`` camera its prior comes before the usual one.  ``px_per_mm`` is the
    scale at which the photo shows the sheet, which tells how far off that was.
    """
    diagonal = math.hypot(photo.width_px, photo.height_px)
    long_side = max(photo.width_px, photo.height_px)
    unknown = math.log(_PHONE_FOCAL_REL * diagonal)
    if photo.focal_prior_px is None:
        focal, focal_sigma = unknown, _FOCAL_UNKNOWN_SIGMA
    else:
        focal = math.log(photo.focal_prior_px)
        focal_sigma = photo.focal_prior_rel or _FOCAL_TOLD_SIGMA
    usual = Prior(
        middle_px=((photo.width_px - 1) / 2, (photo.height_px - 1) / 2),
        principal_sigma_px=_PRINCIPAL_REL * long_side,
        log_focal=focal,
        log_focal_sigma=focal_sigma,
        half_diagonal_px=diagonal / 2,
        bend_sigma=_BEND_SIGMA,
        height_sigma_mm=_HEIGHT_SIGMA_MM,
        aspect_sigma=max(math.hypot(scale.u_x / scale.x, scale.u_y / scale.y), _LEAST_ASPECT_SIGMA),
        share=_SHARES[0],
    )
    blind = replace(
        usual,
        log_focal=unknown,
        log_focal_sigma=_FOCAL_UNKNOWN_SIGMA,
        share=_SHARES[1],
        name="header wrong",
    )
    cropped = replace(
        blind,
        principal_sigma_px=_PRINCIPAL_CROPPED_REL * long_side,
        share=_SHARES[2],
        name="cropped",
    )
    ordinary = [usual, blind, cropped, _curled(usual)]
    if known is None:
        return ordinary
    expected = _expected(usual, known, px_per_mm)
    others = [replace(prior, share=(1 - _KNOWN_SHARE) * prior.share) for prior in ordinary]
    return [expected, _curled(expected), *others]


def _curled(prior: Prior) -> Prior:
    share = _CURLED_SHARE * prior.share / _SHARES[0]
    name = "curled" if prior.name == "usual" else f"{prior.name}, curled"
    return replace(prior, height_sigma_mm=_HEIGHT_CURLED_SIGMA_MM, share=share, name=name)


def _expected(usual: Prior, known: KnownLens, px_per_mm: float) -> Prior:
    """The prior of a known camera for one photo."""
    mean, covariance = known.for_scale(px_per_mm)
    mean[1:3] += usual.middle_px
    # Scaled before it is turned round: the five have very different units.
    size = np.sqrt(np.diag(covariance))
    whiten = np.linalg.inv(np.linalg.cholesky(covariance / np.outer(size, size))) / size
    return replace(
        usual,
        middle_px=(float(mean[1]), float(mean[2])),
        log_focal=float(mean[0]),
        share=_KNOWN_SHARE,
        name="known",
        intrinsics=Intrinsics(mean, covariance, whiten),
    )
