"""The focal length that a photo's header suggests, with how far it may be trusted.

Rule.  The 35 mm equivalent F is turned to pixels by the diagonal, f = F * diagonal /
43.27 mm (CIPA DC-008 means the diagonal; from memory).  Some writers mean the long side,
f = F * side / 36 mm, so half the log difference of the two counts as uncertainty, beside
the rounding of F to whole millimetres and 2 % for focusing, stabilisation and lens
correction, in quadrature.  Where it is open which frame is meant (a wide picture cut from
a 4:3 sensor) or whether digital zoom is in F already, the prior is the geometric middle
of the readings, and half their log difference adds to its uncertainty.  What is left
uncertain by more than 12 % is no prior.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_FULL_FRAME_DIAGONAL_MM = math.hypot(36, 24)
_FULL_FRAME_WIDTH_MM = 36.0
_OTHER_REL = 0.02  # focusing, stabilisation, lens correction crop (from memory)
_ROUNDING_MM = 0.29  # 1 / sqrt(12)
_USELESS_REL = 0.12
_SHORTEST, _LONGEST = 0.25, 10.0  # of the image diagonal: 11 mm to 430 mm equivalent
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}  # Exif FocalPlaneResolutionUnit

_FOCAL_LENGTH = 0x920A
_PIXEL_X, _PIXEL_Y = 0xA002, 0xA003
_PLANE_X_RESOLUTION, _PLANE_UNIT = 0xA20E, 0xA210
_DIGITAL_ZOOM = 0xA404
_FOCAL_35MM = 0xA405


@dataclass(frozen=True, slots=True)
class HeaderFacts:
    """What a header says of the lens and of how the camera was held; None where silent."""

    focal_mm: float | None = None  # of the lens itself
    focal_35mm: float | None = None  # equivalent on full frame, whole millimetres
    zoom: float | None = None  # digital, more than 1
    orientation: int | None = None  # Exif code of the turn that made the picture upright


def header_facts(exif: Mapping[int, Any], orientation: int | None) -> HeaderFacts:
    """The facts in an Exif sub-directory by tag number."""
    zoom = _number(exif, _DIGITAL_ZOOM)
    return HeaderFacts(
        focal_mm=_number(exif, _FOCAL_LENGTH) or None,
        focal_35mm=_number(exif, _FOCAL_35MM) or None,
        zoom=zoom if zoom > 1 else None,
        orientation=orientation if orientation in range(1, 9) else None,
    )


def focal_prior(
    exif: Mapping[int, Any], width_px: int, height_px: int
) -> tuple[float, float] | None:
    """Focal length in pixels and its relative standard uncertainty, or None.

    ``exif`` is the Exif sub-directory by tag number; the size is the picture's as stored,
    either way up.
    """
    long_px, short_px = max(width_px, height_px), min(width_px, height_px)
    told = sorted((_number(exif, _PIXEL_X), _number(exif, _PIXEL_Y)), reverse=True)
    if told[1] > 0 and abs(told[0] / told[1] * short_px / long_px - 1) > 0.01:
        return None  # cropped since: the field of view is no longer what the header says
    readings = _readings(exif, long_px, short_px, resized=long_px / told[0] if told[0] > 0 else 1)
    diagonal_px = math.hypot(long_px, short_px)
    readings = [f for f in readings if _SHORTEST * diagonal_px <= f <= _LONGEST * diagonal_px]
    if not readings:
        return None
    focal_px = math.sqrt(min(readings) * max(readings))
    rel = math.hypot(
        math.log(max(readings) / min(readings)) / 2,
        math.log(diagonal_px / _FULL_FRAME_DIAGONAL_MM / long_px * _FULL_FRAME_WIDTH_MM) / 2,
        _ROUNDING_MM / _number(exif, _FOCAL_35MM) if _number(exif, _FOCAL_35MM) > 0 else 0.0,
        _OTHER_REL,
    )
    return (focal_px, rel) if rel <= _USELESS_REL else None


def _readings(
    exif: Mapping[int, Any], long_px: int, short_px: int, *, resized: float
) -> list[float]:
    zoom = _number(exif, _DIGITAL_ZOOM)
    zooms = {1.0, zoom} if zoom > 1 else {1.0}
    focal_35mm = _number(exif, _FOCAL_35MM)
    if focal_35mm > 0:
        diagonals = [math.hypot(long_px, short_px)]
        if long_px / short_px > 1.55:  # wider than 3:2: perhaps the middle of a 4:3 sensor
            diagonals.append(long_px * 1.25)
        return [focal_35mm * d / _FULL_FRAME_DIAGONAL_MM * z for d in diagonals for z in zooms]
    focal_mm = _number(exif, _FOCAL_LENGTH)
    unit_mm = _UNIT_MM.get(int(_number(exif, _PLANE_UNIT) or 2), 0.0)
    per_unit = _number(exif, _PLANE_X_RESOLUTION)
    if focal_mm > 0 and per_unit > 0 and unit_mm > 0:
        return [focal_mm * per_unit / unit_mm * resized * z for z in zooms]
    return []


def _number(exif: Mapping[int, Any], tag: int) -> float:
    """A header number, 0 where it is missing or nonsense."""
    try:
        value = float(exif[tag])
    except (KeyError, TypeError, ValueError, ZeroDivisionError, OverflowError):
        return 0.0
    return value if math.isfinite(value) and value > 0 else 0.0
