"""What a phone's profile leads one to expect of a photo, and what speaks against it.

A profile is never believed blindly.  Size and header are compared first: another camera,
another lens or a zoom makes it useless.  What then remains is a prior that recovery drops
when the photo itself contradicts it; that, too, is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from digitize.camera.camera import CameraSolution
from digitize.camera.known import KnownLens
from digitize.errors import Notice
from digitize.phone.profile import PhoneProfile
from digitize.phone.turning import stored_size, upright_from_stored
from digitize.photo.focal import HeaderFacts

_SAME_SHAPE = 0.004  # of width over height: a resize rounds both sides to whole pixels
_RESIZED_SIGMA = 0.03  # log focal: whether the picture was cropped as well cannot be known
_SAME_FOCAL = 0.02  # headers round a lens's focal length to hundredths of a millimetre


class Taken(Protocol):
    """A photo's size and header (a Photo is one)."""

    @property
    def width_px(self) -> int:
        """Width, upright."""

    @property
    def height_px(self) -> int:
        """Height, upright."""

    @property
    def maker(self) -> str | None:
        """Camera named by the header."""

    @property
    def header(self) -> HeaderFacts:
        """What the header says of lens and turn."""


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """What to believe of a photo's camera; no lens where the profile is of no use."""

    phone: str
    lens: KnownLens | None
    notices: tuple[Notice, ...]


def expected(profile: PhoneProfile, photo: Taken) -> Expected:
    """The belief about one photo said to be taken by a known phone."""
    against = _against(profile, photo)
    if against:
        text = f"the profile of phone {profile.name!r} is not used: {against}"
        return Expected(profile.name, None, (Notice("phone-not-used", text),))
    header, long_px = photo.header, max(photo.width_px, photo.height_px)
    zoom = long_px / max(profile.size_px)
    scale = np.diag([1.0, zoom, zoom, 1.0, 1.0])
    turn = np.eye(5)
    turn[1:3, 1:3] = upright_from_stored(header.orientation)
    mean = turn @ scale @ profile.mean
    mean[0] += math.log(zoom)
    covariance = turn @ scale @ profile.covariance @ scale @ turn.T
    sides = stored_size(photo.width_px, photo.height_px, header.orientation)
    told = header.orientation is not None
    if told != profile.turn_told or (sides[0] > sides[1]) != (
        profile.size_px[0] > profile.size_px[1]
    ):
        # Which way the phone was held is not known, and the lens may lie off to any side.
        away2 = float(mean[1] ** 2 + mean[2] ** 2)
        mean[1:3] = 0.0
        covariance[1:3, :] = covariance[:, 1:3] = 0.0
        own2 = float(np.trace((scale @ profile.covariance @ scale)[1:3, 1:3])) / 2
        covariance[1, 1] = covariance[2, 2] = away2 / 2 + own2
    notices: tuple[Notice, ...] = ()
    refocus = profile.refocus_sigma
    if zoom != 1:
        refocus = math.hypot(refocus, _RESIZED_SIGMA)
        notices = (
            Notice(
                "phone-resized",
                f"the photo is {photo.width_px} x {photo.height_px} pixels where phone "
                f"{profile.name!r} was calibrated at {profile.size_px[0]} x {profile.size_px[1]}: "
                "its profile is believed only roughly; give the photo as the phone saved it",
            ),
        )
    lens = KnownLens(
        mean,
        covariance,
        profile.breathing_mm,
        profile.breathing_u_mm,
        profile.reference_mm,
        refocus,
        profile.shift_sigma_px * zoom,
    )
    return Expected(profile.name, lens, notices)


def disagreement(expected: Expected, solution: CameraSolution) -> tuple[Notice, ...]:
    """What the photo itself says against the expected lens."""
    if expected.lens is None or solution.prior.startswith("known"):
        return ()
    mean = math.exp(float(expected.lens.mean[0]))
    rel = 100 * (solution.camera.focal_px / mean - 1)
    return (
        Notice(
            "phone-disagrees",
            f"the photo contradicts the profile of phone {expected.phone!r} (focal length "
            f"{abs(rel):.0f} % {'longer' if rel > 0 else 'shorter'}): another lens, a zoom, a crop "
            "or another phone; the profile was not used",
            "doubt",
        ),
    )


def _against(profile: PhoneProfile, photo: Taken) -> str:
    """Why a photo cannot be by the profile's camera; empty where it can."""
    mine = sorted(profile.size_px)
    theirs = sorted((photo.width_px, photo.height_px))
    if abs(theirs[1] / theirs[0] / (mine[1] / mine[0]) - 1) > _SAME_SHAPE:
        return (
            f"the photo is {photo.width_px} x {photo.height_px} pixels, of another shape than the "
            f"{profile.size_px[0]} x {profile.size_px[1]} it was calibrated at (cropped, or "
            "another setting)"
        )
    header = photo.header
    if header.zoom is not None:
        return f"the photo was zoomed by {header.zoom:g}"
    if profile.maker and photo.maker and profile.maker != photo.maker:
        return f"the photo's header names {photo.maker}, not {profile.maker}"
    for mine_mm, its_mm in (
        (profile.focal_mm, header.focal_mm),
        (profile.focal_35mm, header.focal_35mm),
    ):
        if mine_mm and its_mm and abs(math.log(its_mm / mine_mm)) > _SAME_FOCAL:
            return (
                f"the photo's header tells a lens of {its_mm:g} mm, and {mine_mm:g} mm was "
                "calibrated"
            )
    return ""
