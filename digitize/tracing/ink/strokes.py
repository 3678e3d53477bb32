"""Which cells of the overview are ink: darker (or lighter) than what lies around them.

A stroke is judged against the surface beside it, never against a level for the whole
picture, so shading, a shadow's soft edge or a second sheet of paper do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.errors import DigitizeError, Exit
from digitize.tracing.overview import Overview, darkest_channel

_WIDEST_MM = 4.5
"""Anything broader is not a pen line: markers draw 0.3 to 3 mm (common practice, no source)."""

_AROUND_MM = 15.0  # window of the surface level; strokes fill less than half of it
_LEAST_CONTRAST = 0.22
"""Share of the surface's light that a line must take away (or add) to be called drawn.
Markers on paper take 0.6 to 0.95; pencil 0.1 to 0.3, the edge of a sheet of paper less."""

_STRONG, _STRONG_SHARE = 0.5, 0.12
"""Share of the usual ink's contrast that a stroke must reach, and in how much of itself: the
edge of a loose sheet, a crease or a thin shadow does not."""


class NothingDrawn(DigitizeError):
    """No marker line was found on the surface."""

    exit_code = Exit.TRACE


def lines_too_faint() -> NothingDrawn:
    """The error for pencil and the like."""
    return NothingDrawn(
        "the drawn lines are too faint to trace",
        do="go over them with a black, blue or red marker and take the photo again",
    )


@dataclass(frozen=True, eq=False)
class Strokes:
    """Ink on the overview's raster."""

    ink: NDArray[np.uint8]  # (rows, columns) 1 where drawn
    faint: NDArray[np.uint8]  # (rows, columns) 1 in strokes too weak beside the others to be ink
    contrast: NDArray[np.float32]  # (rows, columns) share of the surface's light taken away
    typical_contrast: float  # of the drawn lines
    noise: float  # robust standard deviation of ``contrast`` on the bare surface


def find_on_paper(view: Overview) -> Strokes:
    """Marker lines on paper.

    Raises
    ------
    NothingDrawn
        No line, or only lines as faint as pencil.
    """
    darkest = np.where(view.valid, darkest_channel(view.ratio), np.nan).astype(np.float32)
    surface = surface_level(darkest, view.pitch_mm)
    surface = np.minimum(surface, _beside_strokes(darkest, surface, view.pitch_mm))
    with np.errstate(invalid="ignore"):
        contrast = np.nan_to_num(1.0 - darkest / np.maximum(surface, 1e-3)).astype(np.float32)
    bare = contrast[view.valid]
    noise = 1.4826 * float(np.median(np.abs(bare - np.median(bare)))) if bare.size else 0.0
    level = max(_LEAST_CONTRAST, 5.0 * noise)
    seed = contrast > level
    drawn = without_blobs(seed, view.pitch_mm)
    if drawn.sum() * view.pitch_mm**2 < 2.0:
        weak = without_blobs(contrast > max(0.07, 4.0 * noise), view.pitch_mm)
        length_mm = weak.sum() * view.pitch_mm**2 / 0.6
        if length_mm > 60.0:
            raise lines_too_faint()
        raise NothingDrawn(
            "no drawn line was found",
            do="draw the outline with a marker inside the target's blank middle, "
            "or say that the photo shows the piece itself",
        )
    typical = float(np.percentile(contrast[drawn], 60.0))
    level = max(level, 0.3 * typical)
    ink, faint = _parted((contrast > level) & view.valid, contrast > _STRONG * typical)
    return Strokes(ink, faint, contrast, typical, noise)


def _parted(
    strokes: NDArray[np.bool_], strong: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Strokes of which a fair share is as strong as ink, and the others."""
    n, label, box, _ = cv2.connectedComponentsWithStats(strokes.astype(np.uint8), connectivity=8)
    reached = np.bincount(label[strokes], strong[strokes], n)
    keep = reached > _STRONG_SHARE * box[:, 4]
    keep[0] = False
    strong_enough = keep[label]
    return strong_enough.astype(np.uint8), (strokes & ~strong_enough).astype(np.uint8)


def _beside_strokes(
    values: NDArray[np.float32], surface: NDArray[np.float32], pitch_mm: float
) -> NDArray[np.float32]:
    """Light with everything dark and narrower than ``_WIDEST_MM`` filled in from both sides.

    The edge of a shadow or of a sheet of paper is dark on one side only and stays.
    """
    known = np.where(np.isfinite(values), values, surface)
    top = max(4.0 * float(np.median(surface)), 1e-3)
    coded = np.rint(np.sqrt(np.clip(known, 0.0, top) / top) * 255.0).astype(np.uint8)
    size = max(3, round(1.2 * _WIDEST_MM / pitch_mm))
    filled = cv2.morphologyEx(coded, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
    return np.asarray((filled / np.float32(255.0)) ** 2 * top, np.float32)


def surface_level(values: NDArray[np.float32], pitch_mm: float) -> NDArray[np.float32]:
    """Local median (rows, columns) of light over a window far wider than a stroke.

    NaN cells are ignored.
    """
    known = np.isfinite(values)
    if not known.any():
        return np.zeros_like(values)
    top = max(4.0 * float(np.median(values[known])), 1e-3)
    # The median filter counts in 8 bits; the square root spends them evenly on noise.
    root = np.sqrt(np.clip(values, 0.0, top) / top)
    return np.asarray(local_median(root, pitch_mm, 0.0, 1.0) ** 2 * top, np.float32)


def local_median(
    values: NDArray[np.float32], pitch_mm: float, low: float, high: float
) -> NDArray[np.float32]:
    """Smoothed median (rows, columns) over ``_AROUND_MM``, of values between two bounds.

    NaN cells are ignored.  The resolution is a 255th of the range.
    """
    k = max(1, round(1.0 / pitch_mm))
    rows, columns = values.shape
    small = values[k // 2 :: k, k // 2 :: k]
    small = np.pad(
        small,
        ((0, -(-rows // k) - small.shape[0]), (0, -(-columns // k) - small.shape[1])),
        mode="edge",
    )
    known = np.isfinite(small)
    if not known.any():
        return np.full_like(values, low)
    coded = np.rint(np.clip((np.nan_to_num(small) - low) / (high - low), 0.0, 1.0) * 255.0)
    coded = _grown_over(coded.astype(np.float32), known.astype(np.uint8))
    size = 2 * round(_AROUND_MM / (k * pitch_mm) / 2) + 1
    level = cv2.medianBlur(coded.astype(np.uint8), min(size, 255)).astype(np.float32)
    level = np.asarray(cv2.GaussianBlur(level, (0, 0), 1.5), np.float32)
    grown = cv2.resize(level, (level.shape[1] * k, level.shape[0] * k))[:rows, :columns]
    return np.asarray(low + grown / 255.0 * (high - low), np.float32)


def _grown_over(values: NDArray[np.float32], mask: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Values with every masked-out cell replaced by its nearest known one."""
    if mask.all():
        return values
    _, label = cv2.distanceTransformWithLabels(
        1 - mask, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(int(label.max()) + 1, np.float32)
    table[label[mask > 0]] = values[mask > 0]
    return np.asarray(table[label])


def without_blobs(ink: NDArray[np.bool_], pitch_mm: float) -> NDArray[np.bool_]:
    """Ink without whatever is broader than a pen line."""
    cells = max(3, round(_WIDEST_MM / pitch_mm))
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (cells, cells))
    broad = cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_OPEN, disk)
    if not broad.any():
        return ink
    broad = cv2.dilate(broad, np.ones((3, 3), np.uint8), iterations=2)
    return np.asarray(ink & (broad == 0))
