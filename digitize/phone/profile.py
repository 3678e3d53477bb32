"""What is kept of a phone's camera: a small JSON document in the user's configuration.

Numbers are those of the picture as stored, before it is turned upright.  A profile says
what it was made from, so that anybody can make it again.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
from numpy.typing import NDArray

from digitize.camera.known import INTRINSICS
from digitize.errors import DigitizeError, Exit
from digitize.files.atomic import NotWritten, write_bytes

FloatArray = NDArray[np.float64]

_KIND, _VERSION = "digitize phone profile", 1
_LARGEST = 1_000_000  # bytes
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
        _check_name(self.name)
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


def profile_path(name: str, folder: Path | None = None) -> Path:
    """Where the profile of that name is kept: in the user's configuration unless told."""
    if folder is None:
        folder = platformdirs.user_config_path("digitize") / "phones"
    return folder / (re.sub(r"\s+", "-", _check_name(name).casefold()) + ".json")


def save(profile: PhoneProfile, path: Path | None = None, *, overwrite: bool = False) -> Path:
    """Keep a profile; raises ``NotWritten``, also when one of that name exists."""
    if path is None:
        path = profile_path(profile.name)
        path.parent.mkdir(parents=True, exist_ok=True)
    return write_bytes(path, to_json(profile).encode(), overwrite=overwrite)


def refuse_overwriting(name: str) -> None:
    """Stop before the work begins where a profile stands already; raises ``NotWritten``."""
    path = profile_path(name)
    if path.exists():
        raise NotWritten(
            f"there is a profile of phone {name!r} already",
            where=str(path),
            do="choose another name, or say that it may be overwritten",
        )


def load(name_or_path: str | Path, folder: Path | None = None) -> PhoneProfile:
    """A profile by its name, or from a file ending in .json; raises ``BadPhoneProfile``."""
    given = str(name_or_path)
    path = Path(given) if given.endswith(".json") else profile_path(given, folder)
    try:
        if path.stat().st_size > _LARGEST:
            raise BadPhoneProfile("the file is too large for a phone profile", where=str(path))
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        known = names(folder)
        raise BadPhoneProfile(
            f"there is no profile of a phone {given!r}",
            do=("known are " + ", ".join(known)) if known else "calibrate it with 'digitize phone'",
        ) from None
    except (OSError, UnicodeDecodeError) as fault:
        raise BadPhoneProfile("the phone profile cannot be read", where=str(path)) from fault
    return from_json(text, where=str(path))


def names(folder: Path | None = None) -> list[str]:
    """Names of the phones that have a profile."""
    found = []
    for path in sorted(profile_path("any", folder).parent.glob("*.json")):
        try:
            found.append(load(path).name)
        except DigitizeError:
            continue
    return found


def to_json(profile: PhoneProfile) -> str:
    """The profile as a small JSON document."""
    document = {
        "kind": _KIND,
        "version": _VERSION,
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
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def from_json(text: str, *, where: str = "") -> PhoneProfile:
    """The profile in a JSON document; raises ``BadPhoneProfile``."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as fault:
        raise BadPhoneProfile("the phone profile is not JSON", where=where) from fault
    if not isinstance(document, dict) or document.get("kind") != _KIND:
        raise BadPhoneProfile("the file is no phone profile", where=where)
    if document.get("version") != _VERSION:
        raise BadPhoneProfile(
            f"the phone profile has version {document.get('version')!r}, and this program "
            f"reads version {_VERSION}",
            where=where,
            do="calibrate the phone again",
        )
    try:
        return _profile(document)
    except (KeyError, TypeError, ValueError, OverflowError) as fault:
        raise BadPhoneProfile(
            f"the phone profile is damaged, see {fault.args[0] if fault.args else fault}",
            where=where,
            do="calibrate the phone again",
        ) from fault
    except BadPhoneProfile as fault:
        raise BadPhoneProfile(fault.what, where=where, do=fault.do) from fault


def _profile(document: Mapping[str, Any]) -> PhoneProfile:
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
        name=_text(document, "name"),
        made_on=date.fromisoformat(_text(document, "made_on")),
        size_px=(width, height),
        mean=np.array([_number(lens, name) for name in INTRINSICS]),
        covariance=np.array([[_float(v, "covariance") for v in row] for row in rows]),
        breathing_mm=_number(document, "breathing_mm"),
        breathing_u_mm=_number(document, "breathing_u_mm"),
        reference_mm=_number(document, "reference_mm"),
        refocus_sigma=_number(document, "refocus_sigma"),
        shift_sigma_px=_number(document, "shift_sigma_px"),
        turn_told=told,
        maker=None if document["maker"] is None else _text(document, "maker"),
        focal_mm=None if document["focal_mm"] is None else _number(document, "focal_mm"),
        focal_35mm=None if document["focal_35mm"] is None else _number(document, "focal_35mm"),
        sources=tuple(_source(item) for item in _list(document, "photos", None)),
    )


def _source(item: object) -> Source:
    if not isinstance(item, dict):
        raise TypeError("photos")
    digest = _text(item, "sha256")
    if not _SHA256.fullmatch(digest):
        raise ValueError("sha256")
    return Source(_text(item, "name"), digest)


def _text(document: Mapping[str, Any], key: str) -> str:
    value = document[key]
    if not isinstance(value, str):
        raise TypeError(key)
    return value


def _number(document: Mapping[str, Any], key: str) -> float:
    return _float(document[key], key)


def _float(value: object, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(key)
    return float(value)


def _whole(value: object, key: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError(key)
    return value


def _list(document: Mapping[str, Any], key: str, length: int | None) -> list[Any]:
    value = document[key]
    if not isinstance(value, list) or (length is not None and len(value) != length):
        raise TypeError(key)
    return value


def _check_name(name: str) -> str:
    """A name that also serves as a file name."""
    if not re.fullmatch(r"[^\W_](?:[\w .-]{0,58}[^\W_])?", name):
        raise BadPhoneProfile(
            f"{name!r} will not do as the name of a phone",
            do="use up to 60 letters, digits, spaces, dots and hyphens",
        )
    return name
