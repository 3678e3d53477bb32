"""What is kept of a phone's camera: a small JSON document in the user's configuration.

Numbers are those of the picture as stored, before it is turned upright.  A profile says
what it was made from, so that anybody can make it again.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from digitize.camera.known import INTRINSICS
from digitize.errors import DigitizeError, Exit
from digitize.files.profiles import Shelf, number, real, text

FloatArray = NDArray[np.float64]

_MOST_PX = 100_000
_SHA256 = re.compile(r"[0-9a-f]{64}")


class BadPhoneProfile(DigitizeError):
    """A phone profile is missing or is not one."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class Source:
    """One photo that a profile was made from."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class PhoneProfile:
    """One camera of one phone, in one picture size."""

    name: str
    made_on: date
    size_px: tuple[int, int]  # as stored
    mean: FloatArray  # (5,) in the order of camera.known.INTRINSICS, focused at reference_mm
    covariance: FloatArray  # (5, 5)
    breathing_mm: float
    breathing_u_mm: float
    reference_mm: float
    refocus_sigma: float
    shift_sigma_px: float
    turn_told: bool  # whether the photos' headers told which way they were held
    maker: str | None
    focal_mm: float | None
    focal_35mm: float | None
    sources: tuple[Source, ...]

    def __post_init__(self) -> None:
        """Raises ``BadPhoneProfile`` where the numbers cannot be those of a camera."""
        PROFILES.check_name(self.name)
        fault = self._fault()
        if fault:
            raise BadPhoneProfile(
                f"the phone profile makes no sense, see {fault}", do="calibrate the phone again"
            )

    def _fault(self) -> str:
        """The name of the first number that cannot be; empty where all can."""
        if not all(1 <= side <= _MOST_PX for side in self.size_px):
            return "size_px"
        if self.mean.shape != (LENGTH,) or not np.isfinite(self.mean).all():
            return "lens"
        focal_rel = math.exp(min(float(self.mean[0]), 50.0)) / math.hypot(*self.size_px)
        if not 0.1 < focal_rel < 30 or max(abs(self.mean[1:3])) > max(self.size_px):
            return "lens"
        if self.covariance.shape != (LENGTH, LENGTH) or not np.isfinite(self.covariance).all():
            return "covariance"
        size = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        if size.min() <= 0 or np.abs(self.covariance - self.covariance.T).max() > 1e-9 * max(
            size.max() ** 2, 1.0
        ):
            return "covariance"
        if np.linalg.eigvalsh(self.covariance / np.outer(size, size)).min() <= 0:
            return "covariance"
        for label, value, most in (
            ("breathing_u_mm", self.breathing_u_mm, 1e3),
            ("reference_mm", self.reference_mm, 1e6),
            ("refocus_sigma", self.refocus_sigma, 1.0),
            ("shift_sigma_px", self.shift_sigma_px, 1e5),
        ):
            if not 0 < value < most:
                return label
        if not abs(self.breathing_mm) < 1e3:
            return "breathing_mm"
        return "" if self.sources else "photos"

    @property
    def focal_px(self) -> float:
        """Focal length at the reference distance."""
        return math.exp(float(self.mean[0]))

    @property
    def focal_u(self) -> float:
        """Relative standard uncertainty of the focal length in another shot, refocused."""
        return math.hypot(math.sqrt(float(self.covariance[0, 0])), self.refocus_sigma)


LENGTH = len(INTRINSICS)


def _to_fields(profile: PhoneProfile) -> dict[str, Any]:
    return {
        "name": profile.name,
        "made_on": profile.made_on.isoformat(),
        "size_px": list(profile.size_px),
        "lens": dict(zip(INTRINSICS, profile.mean.tolist(), strict=True)),
        "covariance": profile.covariance.tolist(),
        "breathing_mm": profile.breathing_mm,
        "breathing_u_mm": profile.breathing_u_mm,
        "reference_mm": profile.reference_mm,
        "refocus_sigma": profile.refocus_sigma,
        "shift_sigma_px": profile.shift_sigma_px,
        "turn_told": profile.turn_told,
        "maker": profile.maker,
        "focal_mm": profile.focal_mm,
        "focal_35mm": profile.focal_35mm,
        "photos": [{"name": s.name, "sha256": s.sha256} for s in profile.sources],
    }


def _from_fields(document: Mapping[str, Any]) -> PhoneProfile:
    lens = document["lens"]
    if not isinstance(lens, dict):
        raise TypeError("lens")
    width, height = (_whole(v, "size_px") for v in _list(document, "size_px", 2))
    rows = _list(document, "covariance", LENGTH)
    if not all(isinstance(row, list) and len(row) == LENGTH for row in rows):
        raise TypeError("covariance")
    told = document["turn_told"]
    if not isinstance(told, bool):
        raise TypeError("turn_told")
    return PhoneProfile(
        name=text(document, "name"),
        made_on=date.fromisoformat(text(document, "made_on")),
        size_px=(width, height),
        mean=np.array([number(lens, name) for name in INTRINSICS]),
        covariance=np.array([[real(v, "covariance") for v in row] for row in rows]),
        breathing_mm=number(document, "breathing_mm"),
        breathing_u_mm=number(document, "breathing_u_mm"),
        reference_mm=number(document, "reference_mm"),
        refocus_sigma=number(document, "refocus_sigma"),
        shift_sigma_px=number(document, "shift_sigma_px"),
        turn_told=told,
        maker=None if document["maker"] is None else text(document, "maker"),
        focal_mm=None if document["focal_mm"] is None else number(document, "focal_mm"),
        focal_35mm=None if document["focal_35mm"] is None else number(document, "focal_35mm"),
        sources=tuple(_source(item) for item in _list(document, "photos", None)),
    )


def _source(item: object) -> Source:
    if not isinstance(item, dict):
        raise TypeError("photos")
    digest = text(item, "sha256")
    if not _SHA256.fullmatch(digest):
        raise ValueError("sha256")
    return Source(text(item, "name"), digest)


def _whole(value: object, key: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError(key)
    return value


def _list(document: Mapping[str, Any], key: str, length: int | None) -> list[Any]:
    value = document[key]
    if not isinstance(value, list) or (length is not None and len(value) != length):
        raise TypeError(key)
    return value


PROFILES = Shelf(
    "phone",
    version=1,
    to_fields=_to_fields,
    from_fields=_from_fields,
    fault=BadPhoneProfile,
    again="calibrate the phone again, with 'digitize phone' and --overwrite",
    make="calibrate it with 'digitize phone'",
)
"""The phones that have been calibrated."""
