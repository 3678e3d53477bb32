"""A plain sheet of paper in a photo: its four edges, point by point.

A sheet is a bright even patch with four straight sides.  Patches are cut out at several
levels of brightness; the one whose sides show the clearest step all along wins.  Each side
is then followed in linear light: across it, every few pixels, the steepest place of the
step.  The piece may cover part of the sides, and points that do not lie in the side's
gentle curve are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.errors import DigitizeError, Exit
from digitize.photo.photo import Photo
from digitize.reference.finding import grey_levels

FloatArray = NDArray[np.float64]

_WORK_PX = 1000.0  # long side of the picture that patches are looked for in
_LEAST_AREA = 0.03  # of the photo
_LEAST_FILL = 0.75  # of the four-sided shape
_SUPPORT = 0.45  # of a side, that must show its step
_LEAST_STEP = 0.06  # of linear light, between paper and bench
_INSET = 0.04  # of a side, near its corners
_POINTS = 120  # along a side
_PASSES_PX = (0.02, 0.006)  # half length of the profiles across, of the sheet's shorter side
_SMOOTH_PX = 1.2
_FLOOR_PX = 0.15  # of a point on an edge: tone curve, sharpening, the paper's own thickness


class PaperNotFound(DigitizeError):
    """No plain sheet is seen."""

    exit_code = Exit.TARGET


@dataclass(frozen=True, slots=True, eq=False)
class PaperSeen:
    """Points on the edges of a sheet."""

    corners_px: FloatArray  # (4, 2) lower left, lower right, upper right, upper left
    px: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,)
    side: NDArray[np.intp]  # (N,) 0 from the first corner to the second, and so on


def sight_paper(photo: Photo, corners_px: FloatArray | None = None) -> PaperSeen:
    """The plain sheet in a photo.

    ``corners_px`` (4, 2) are its corners, roughly, in any order, where it is not plain to
    see.  Raises ``PaperNotFound``.
    """
    if corners_px is not None:
        quads = [_ordered(np.asarray(corners_px, dtype=float))]
    else:
        quads = _quads(photo)
    best: PaperSeen | None = None
    for quad in quads:
        seen = _followed(photo, quad)
        if seen is not None and (best is None or _area(seen.corners_px) > _area(best.corners_px)):
            best = seen
    if best is None:
        raise PaperNotFound(
            "no plain sheet of paper is seen"
            + (" where its corners are said to be" if corners_px is not None else ""),
            where=photo.name,
            do="lay it flat on something darker, all four edges seen, or give its --sheet-corners",
        )
    return best


def _quads(photo: Photo) -> list[FloatArray]:
    """Four-sided bright patches, largest first."""
    grey = grey_levels(photo)
    scale = min(1.0, _WORK_PX / max(grey.shape))
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    coded = cv2.medianBlur(np.clip(small, 0, 255).astype(np.uint8), 5)
    otsu, _ = cv2.threshold(coded, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    found: list[FloatArray] = []
    for level in (otsu, *np.linspace(otsu, 245, 6)[1:], 0.75 * otsu):
        mask = (coded > level).astype(np.uint8)
        mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)))
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            hull = cv2.convexHull(contour)
            area = cv2.contourArea(hull)
            if area < _LEAST_AREA * size[0] * size[1]:
                continue
            quad = _four_sided(hull)
            if quad is None or area < _LEAST_FILL * cv2.contourArea(quad.astype(np.float32)):
                continue
            found.append(_ordered((quad + 0.5) / scale - 0.5))
    found.sort(key=lambda q: -_area(q))
    return found[:10]


def _four_sided(hull: NDArray[Any]) -> FloatArray | None:
    """The hull's four corners (4, 2), if it has four."""
    round_px = cv2.arcLength(hull, True)
    for slack in np.linspace(0.01, 0.06, 8):
        corners = cv2.approxPolyDP(hull, slack * round_px, True)
        if len(corners) == 4:
            return corners[:, 0].astype(float)
        if len(corners) < 4:
            return None
    return None


def _ordered(corners: FloatArray) -> FloatArray:
    """Corners counter-clockwise as seen (y down), from the lowest left one."""
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise PaperNotFound("a sheet has four corners", do="give x and y of each, in pixels")
    middle = corners.mean(axis=0)
    angle = np.arctan2(-(corners[:, 1] - middle[1]), corners[:, 0] - middle[0])
    corners = corners[np.argsort(angle)]
    first = int(np.argmin(corners[:, 0] - corners[:, 1]))
    return np.roll(corners, -first, axis=0)


def _area(quad: FloatArray) -> float:
    return float(abs(cv2.contourArea(quad.astype(np.float32))))


def _followed(photo: Photo, quad: FloatArray) -> PaperSeen | None:
    """The four sides followed twice, first far and then near; None if one does not show."""
    sides = np.roll(quad, -1, axis=0) - quad
    shorter = float(np.linalg.norm(sides, axis=1).min())
    if shorter < 60:
        return None
    curves: list[FloatArray] = [np.zeros(3)] * 4
    points: list[tuple[FloatArray, float]] = []
    for share in _PASSES_PX:
        reach = max(share * shorter, 5.0)
        points = []
        for i in range(4):
            found = _side(photo, quad[i], sides[i], curves[i], reach)
            if found is None:
                return None
            curves[i], places, scatter = found
            points.append((places, scatter))
    px = np.vstack([p for p, _ in points])
    sigma = np.concatenate([np.full(len(p), np.hypot(s, _FLOOR_PX)) for p, s in points])
    side = np.repeat(np.arange(4), [len(p) for p, _ in points])
    return PaperSeen(_crossings(quad, sides, curves), px, sigma, side)


def _side(
    photo: Photo, start: FloatArray, along: FloatArray, curve: FloatArray, reach: float
) -> tuple[FloatArray, FloatArray, float] | None:
    """A side's curve (3,), its points (N, 2) and their scatter (px), or None."""
    length = float(np.linalg.norm(along))
    axis = along / length
    outward = np.array([-axis[1], axis[0]])  # the sheet lies to the left, y pointing down
    t = np.linspace(_INSET, 1 - _INSET, _POINTS)
    offset = np.polynomial.polynomial.polyval(t, curve)
    u = np.arange(-reach, reach + 0.25, 0.5)
    centre = start + t[:, None] * along + offset[:, None] * outward
    at = centre[:, None, :] + u[None, :, None] * outward
    # A few pixels along the side are averaged.
    beside = np.linspace(-1.5, 1.5, 4)
    samples = [_values(photo, at + b * axis) for b in beside]
    light = np.mean(samples, axis=0)
    smooth = cv2.GaussianBlur(light, (0, 0), sigmaX=2 * _SMOOTH_PX, sigmaY=1e-3)
    fall = -np.gradient(smooth, axis=1)
    peak = np.argmax(fall[:, 2:-2], axis=1) + 2
    rows = np.arange(len(t))
    before, here, after = fall[rows, peak - 1], fall[rows, peak], fall[rows, peak + 1]
    bend = np.minimum(before - 2 * here + after, -1e-9)
    place = u[peak] + 0.5 * np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    quarter = max(len(u) // 5, 2)
    step = smooth[:, :quarter].mean(axis=1) - smooth[:, -quarter:].mean(axis=1)
    height, width = photo.height_px, photo.width_px
    ends = at[:, [0, -1]]
    inside = ((ends > 1) & (ends < np.array([width - 2, height - 2]))).all(axis=(1, 2))
    clear = inside & (step > _LEAST_STEP) & np.isfinite(here) & (here > 0.2 * np.nanmax(here))
    if clear.mean() < _SUPPORT:
        return None
    kept = clear.copy()
    fit = np.zeros(3)
    scatter = 1.0
    for _ in range(8):
        if kept.sum() < 0.8 * _SUPPORT * len(t):
            return None
        fit = np.polynomial.polynomial.polyfit(t[kept], place[kept], 2)
        off = place - np.polynomial.polynomial.polyval(t, fit)
        scatter = max(1.4826 * float(np.median(np.abs(off[kept]))), 0.02)
        kept = clear & (np.abs(off) < 3.5 * scatter)
    if kept.sum() < 0.8 * _SUPPORT * len(t) or scatter > 0.35 * reach:
        return None
    points = centre[kept] + place[kept, None] * outward
    return curve + fit, points, scatter


def _values(photo: Photo, at_px: FloatArray) -> NDArray[np.float32]:
    """Linear light at fractional pixels (rows, columns, 2)."""
    flat = at_px.astype(np.float32)
    return np.asarray(
        cv2.remap(
            photo.linear_grey,
            np.ascontiguousarray(flat[..., 0]),
            np.ascontiguousarray(flat[..., 1]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _crossings(quad: FloatArray, sides: FloatArray, curves: list[FloatArray]) -> FloatArray:
    """Corners (4, 2) where neighbouring sides' ends meet, taken as straight there."""
    lines = []
    for i in range(4):
        axis = sides[i] / np.linalg.norm(sides[i])
        outward = np.array([-axis[1], axis[0]])
        ends = [
            quad[i] + t * sides[i] + np.polynomial.polynomial.polyval(t, curves[i]) * outward
            for t in (0.0, 1.0)
        ]
        lines.append(np.cross([*ends[0], 1.0], [*ends[1], 1.0]))
    corners = [np.cross(lines[i - 1], lines[i]) for i in range(4)]
    return np.array([c[:2] / c[2] for c in corners])
