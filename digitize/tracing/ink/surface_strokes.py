"""Marker lines on bare, painted or rusty metal, where no one level tells line from surface.

Two steps.  First the surest stretches of line: ridges of the width of a pen, far stronger
than the ridges of the texture, alike on both sides, long, and of one colour.  They teach
what the ink looks like: its own colour and how it stands out from the surface beside it.
Then every cell is judged by the linear discriminant of ink and surface (Fisher, Annals of
Eugenics 7, 1936).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.morphology import skeletonize

from digitize.tracing.ink.loops import Loops, find_loops
from digitize.tracing.ink.strokes import NothingDrawn, Strokes, local_median, without_blobs
from digitize.tracing.overview import Overview

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Raster = NDArray[np.float32]

SEARCH_PITCH_MM = 0.45
"""Cell of the view that ink is learnt from: a pen line is two to six cells wide."""

_SCALES_MM = (0.5, 0.9, 1.5)  # Gaussian sigma; a bar of width w answers best near w / 3.5
_SURE = 6.0  # robust standard deviations of the texture's own ridges
_SURE_LENGTH_MM = 12.0
_OPEN_LENGTH_MM = 60.0  # of line in all, from which one that does not close is believed
_UNEVEN = 0.33  # of the mean width: drawn lines vary by 0.05 to 0.25, rust by 0.4 and more
_TWO_SIDED = 0.45  # weaker over stronger rise beside a line; a step edge has none on one side
_ONE_COLOUR = 0.3  # log of light: what one pen's colour varies by on uneven metal
_INK_LIKE, _INK_SHARE = 0.78, 0.15  # likeness that ink reaches, and how much of a stroke must
_LOWER_LEVELS = (0.5, 0.4)  # tried in turn where the line does not close at its own level
_PATCHES = 99.0  # percentile of the surface's likeness: its odd patches are to stay below
_LARGE_FACE_MM2 = 150.0
_DARKEST = -5.5  # log of light over paper white
_SIGNALS = ((1 / 3, 1 / 3, 1 / 3), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
_PLAIN_SEPARATION, _PLAIN_MM2 = 3.0, 500.0  # a closed line this clear in grey needs no colour
_GREY = np.array([0.2126, 0.7152, 0.0722])  # Rec. 709 luminance


@dataclass(frozen=True, eq=False)
class SurfaceInk:
    """What the ink of one drawing looks like on its surface."""

    ground: FloatArray  # (6,) mean features of the surface: log colour, and beside the median
    direction: FloatArray  # (6,) discriminant, scaled so that ink is at 1 and surface at 0
    level: float  # of likeness, that parts them
    separation: float  # distance of the two, in their common standard deviation
    weights: FloatArray  # (3,) of linear RGB, in which the ink is darker than the surface

    @property
    def is_grey(self) -> bool:
        """Whether luminance, or its negative, tells ink from surface."""
        return bool(np.allclose(np.abs(self.weights), _GREY, atol=1e-9))


def learn_ink(view: Overview) -> tuple[SurfaceInk, tuple[float, float, float, float]]:
    """What the ink looks like, from a view of about ``SEARCH_PITCH_MM`` a cell, and the box
    x0, y0, x1, y1 in mm that the drawing lies in.

    Raises
    ------
    NothingDrawn
        No line stands out from the texture.
    """
    features = _features(view)
    best: tuple[float, SurfaceInk, BoolArray] | None = None
    for signal in _SIGNALS:
        plain = False
        for sure, length_mm in _sure_lines(features, signal, view):
            ink = _discriminant(features, sure, view)
            if ink is None or ink.separation < 2.0:
                continue
            ink, closed, around_mm2, evenly_wide = _closed_lines(features, ink, view)
            if around_mm2 == 0.0 and (length_mm < _OPEN_LENGTH_MM or not evenly_wide):
                continue
            # A line that closes round something is what is looked for; scratches do not.
            score = ink.separation * np.sqrt(length_mm) * (1.0 + min(around_mm2 / 500.0, 20.0))
            if best is None or score > best[0]:
                best = (score, ink, closed)
            plain |= ink.separation > _PLAIN_SEPARATION and around_mm2 > _PLAIN_MM2
        if plain:
            break
    if best is None:
        raise NothingDrawn(
            "no drawn line stands out from the surface",
            do="draw the outline with a marker that contrasts with the surface, "
            "in soft light without glare",
        )
    # The closed line alone is purer ink than all that looked like it at first: learn again.
    _, ink, closed = best
    if not closed.any():
        return ink, _box_round(find_on_surface(view, ink).ink > 0, view)
    better = _discriminant(features, closed, view)
    if better is not None and better.separation > ink.separation:
        ink = _closed_lines(features, better, view)[0]
    return ink, _box_round(closed, view)


def _closed_lines(
    features: Raster, ink: SurfaceInk, view: Overview
) -> tuple[SurfaceInk, BoolArray, float, bool]:
    """The ink at the level at which it closes round something large, cells of the lines that
    do, how much they close round in mm2, and whether the ink is about one pen wide."""
    likeness = _likeness(features, ink.ground, ink.direction, view.pitch_mm)
    for level in (ink.level, *(low for low in _LOWER_LEVELS if low < ink.level - 0.05)):
        drawn = _truly_ink(likeness, level, view)
        if _closes(drawn, view.pitch_mm):
            loops = find_loops(drawn.astype(np.uint8), view.pitch_mm)
            cells, around_mm2 = _between_large_faces(loops, view.pitch_mm)
            if around_mm2 > 0.0:
                return replace(ink, level=level), cells, around_mm2, True
    drawn = _truly_ink(likeness, ink.level, view)
    half = cv2.distanceTransform(drawn.astype(np.uint8), cv2.DIST_L2, 5)[skeletonize(drawn)]
    even = bool(half.size) and float(half.std()) < _UNEVEN * float(half.mean())
    return ink, np.zeros_like(drawn), 0.0, even


def _closes(drawn: BoolArray, pitch_mm: float) -> bool:
    """Whether anything large is enclosed at all: a quick look before a thorough one."""
    bare = np.pad(~drawn, 1, constant_values=True).astype(np.uint8)
    _, label, box, _ = cv2.connectedComponentsWithStats(bare, connectivity=4)
    area = box[:, 4] * pitch_mm**2
    area[0] = area[label[0, 0]] = 0.0
    return bool(area.max() > _LARGE_FACE_MM2)


def _between_large_faces(loops: Loops, pitch_mm: float) -> tuple[BoolArray, float]:
    """Cells of the lines that part large faces, and the area of those enclosed, mm2."""
    area = loops.face_area * pitch_mm**2
    large = area > _LARGE_FACE_MM2
    large[0] = True
    line = np.zeros(loops.zone.shape, dtype=bool)
    for axis in (0, 1):
        other = np.roll(loops.zone, 1, axis=axis)
        line |= (loops.zone != other) & large[loops.zone] & large[other]
    line &= loops.ink > 0
    grown = cv2.dilate(line.astype(np.uint8), np.ones((3, 3), np.uint8))
    cells = ((np.asarray(grown) > 0) & (loops.ink > 0))[1:-1, 1:-1]
    return np.asarray(cells), float(area[1:][large[1:]].sum())


def find_on_surface(view: Overview, ink: SurfaceInk) -> Strokes:
    """Cells that look like the ink."""
    likeness = _likeness(_features(view), ink.ground, ink.direction, view.pitch_mm)
    off = likeness[view.valid]
    noise = 1.4826 * float(np.median(np.abs(off - np.median(off))))
    drawn = _truly_ink(likeness, ink.level, view)
    return Strokes(drawn.astype(np.uint8), np.zeros_like(drawn, np.uint8), likeness, 1.0, noise)


def _truly_ink(likeness: Raster, level: float, view: Overview) -> BoolArray:
    """Strokes over the level, of which a fair share reaches the ink's own look.

    Rust, dirt and bare patches in paint are often halfway between surface and ink.
    """
    drawn = without_blobs((likeness > level) & view.valid, view.pitch_mm)
    n, label, box, _ = cv2.connectedComponentsWithStats(drawn.astype(np.uint8), connectivity=8)
    reached = np.bincount(label[drawn], likeness[drawn] > _INK_LIKE, n)
    keep = reached > _INK_SHARE * box[:, 4]
    keep[0] = False
    return np.asarray(keep[label])


def _features(view: Overview) -> Raster:
    """Log of light over paper white, and the same over the surface's median (..., 6)."""
    log = np.log(np.maximum(view.ratio, np.exp(_DARKEST))).astype(np.float32)
    log[~view.valid] = np.nan
    level = np.stack(
        [local_median(log[..., c], view.pitch_mm, _DARKEST, 1.5) for c in range(3)], axis=-1
    )
    log = np.where(np.isfinite(log), log, level)
    return np.concatenate((log, log - level), axis=2).astype(np.float32)


def _likeness(
    features: Raster, ground: FloatArray, direction: FloatArray, pitch_mm: float
) -> Raster:
    raw = features @ direction.astype(np.float32) - np.float32(ground @ direction)
    return np.asarray(cv2.GaussianBlur(raw, (0, 0), max(0.25 / pitch_mm, 0.5)), np.float32)


def _sure_lines(
    features: Raster, signal: tuple[float, float, float], view: Overview
) -> list[tuple[BoolArray, float]]:
    """Cells on the surest stretches of dark and of light line, and their length in mm."""
    margin = 2 * max(1, round(1.5 * _SCALES_MM[-1] / view.pitch_mm)) + 1
    valid = cv2.erode(
        view.valid.astype(np.uint8),
        np.ones((margin, margin), np.uint8),
        borderType=cv2.BORDER_CONSTANT,
        borderValue=0,
    ).astype(bool)
    if valid.sum() < 100:
        return []
    beside = features[..., 3:] @ np.array(signal, np.float32)
    found = [
        _long_of_one_colour(ridge, features, view.pitch_mm)
        for ridge in _ridges(beside, valid, view.pitch_mm)
    ]
    return [lines for lines in found if lines is not None]


def _ridges(signal: Raster, valid: BoolArray, pitch_mm: float) -> tuple[Raster, Raster]:
    """Strength of dark and of light lines, in robust deviations of the texture's own."""
    dark, light = np.zeros_like(signal), np.zeros_like(signal)
    for scale_mm in _SCALES_MM:
        sigma = scale_mm / pitch_mm
        smooth = np.asarray(cv2.GaussianBlur(signal, (0, 0), sigma), np.float32)
        xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3)
        yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3)
        xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3)
        mean, root = (xx + yy) / 2, np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
        across = 0.5 * np.arctan2(2 * xy, xx - yy)  # of the greatest second derivative
        high, low = mean + root, mean - root
        for sign, strength, turn, into in (
            (1.0, high - np.abs(low), 0.0, dark),
            (-1.0, -low - np.abs(high), np.pi / 2, light),
        ):
            usual = 1.4826 * float(np.median(np.abs(strength[valid][::7])))
            score = np.asarray(strength / max(usual, 1e-6), np.float32)
            rows, columns = np.nonzero((score > _SURE) & valid & (score > into))
            angle = across[rows, columns] + turn
            even = _two_sided(sign * smooth, rows, columns, angle, 2.2 * sigma)
            rows, columns = rows[even], columns[even]
            into[rows, columns] = score[rows, columns]
    return dark, light


def _two_sided(
    smooth: Raster,
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    angle: Raster,
    reach: float,
) -> BoolArray:
    """Whether light rises about alike on both sides of cells on a dark line."""
    rise = []
    for side in (-reach, reach):
        r = np.clip(np.rint(rows + side * np.sin(angle)).astype(np.intp), 0, len(smooth) - 1)
        c = np.rint(columns + side * np.cos(angle)).astype(np.intp)
        rise.append(smooth[r, np.clip(c, 0, smooth.shape[1] - 1)] - smooth[rows, columns])
    return np.asarray(np.minimum(*rise) > _TWO_SIDED * np.maximum(*rise))


def _long_of_one_colour(
    ridge: Raster, features: Raster, pitch_mm: float
) -> tuple[BoolArray, float] | None:
    """Cells of long ridges that share the commonest colour, and their length."""
    strong = (ridge > _SURE).astype(np.uint8)
    n, label, box, _ = cv2.connectedComponentsWithStats(strong, connectivity=8)
    length = np.hypot(box[:, 2], box[:, 3]) * pitch_mm
    area = box[:, 4] * pitch_mm**2
    keep = (length > _SURE_LENGTH_MM) & (area < 12.0 * length)
    keep[0] = False
    if not keep.any():
        return None
    rows, columns = np.nonzero(strong)
    of, seen = label[rows, columns], features[rows, columns]
    kept = np.flatnonzero(keep)
    total = np.column_stack([np.bincount(of, seen[:, c], n)[kept] for c in range(3)])
    colour = total / box[kept, 4:]
    apart = np.abs(colour[:, None] - colour[None]).max(axis=2)
    # The colour that most of the length has; rust and scratches are of many colours.
    middle = int(np.argmax((apart < _ONE_COLOUR) @ length[kept]))
    alike = kept[apart[middle] < _ONE_COLOUR]
    return np.isin(label, alike), float(length[alike].sum())


def _discriminant(features: Raster, sure: BoolArray, view: Overview) -> SurfaceInk | None:
    pitch = view.pitch_mm
    away = cv2.distanceTransform((~sure).astype(np.uint8), cv2.DIST_L2, 3) * pitch
    near = (away > 2.5) & (away < 40.0) & view.valid
    # The ridge answers beside the line as well; its middle half is ink.
    depth = cv2.distanceTransform(sure.astype(np.uint8), cv2.DIST_L2, 3)
    core = sure & (depth >= min(2.0, float(np.percentile(depth[sure], 60))))
    if near.sum() < 200 or core.sum() < 20:
        return None
    ink, surface = features[core].astype(np.float64), features[near].astype(np.float64)
    surface = surface[:: max(1, len(surface) // 60_000)]
    for _ in range(2):
        middle = np.median(ink, axis=0)
        spread = 1.4826 * np.median(np.abs(ink - middle), axis=0) + 0.03
        kept = ink[(np.abs(ink - middle) < 3.0 * spread).all(axis=1)]
        if len(kept) < 20:
            break
        ink = kept
    middle, ground = ink.mean(axis=0), surface.mean(axis=0)
    within = np.cov(ink.T) + np.cov(surface.T) + 0.03**2 * np.eye(6)
    direction = np.linalg.solve(within, middle - ground)
    size = float(direction @ (middle - ground))
    if size <= 0:
        return None
    direction = direction / size
    likeness = _likeness(features, ground, direction, pitch)
    off, on = likeness[near], likeness[core]
    off_spread = 1.4826 * float(np.median(np.abs(off - np.median(off))))
    on_spread = 1.4826 * float(np.median(np.abs(on - np.median(on))))
    level = float(np.clip(off_spread / max(off_spread + on_spread, 1e-6), 0.4, 0.6))
    level = max(level, min(float(np.percentile(off, _PATCHES)), 0.62))
    return SurfaceInk(
        ground,
        direction,
        level,
        1.0 / max(off_spread + on_spread, 1e-6),
        _weights(view, core, (away > 2.5) & (away < 10.0) & view.valid),
    )


def _box_round(cells: BoolArray, view: Overview) -> tuple[float, float, float, float]:
    """Box round cells, with room for what stands beside a drawing."""
    rows, columns = np.flatnonzero(cells.any(axis=1)), np.flatnonzero(cells.any(axis=0))
    corners = np.array([[columns[0], rows[-1]], [columns[-1], rows[0]]], dtype=np.float64)
    (x0, y0), (x1, y1) = view.to_mm(corners)
    return float(x0) - 12.0, float(y0) - 12.0, float(x1) + 12.0, float(y1) + 12.0


def _weights(view: Overview, core: BoolArray, beside: BoolArray) -> FloatArray:
    """Weights (3,) of linear RGB that tell ink from surface best, ink darker."""
    ink, surface = view.ratio[core].astype(np.float64), view.ratio[beside].astype(np.float64)
    gap = np.median(ink, axis=0) - np.median(surface, axis=0)
    within = np.cov(ink.T) + np.cov(surface.T) + 0.02**2 * np.eye(3)
    best = np.linalg.solve(within, gap)
    # Luminance is at hand for the whole photo; it serves unless colour tells much more.
    power = [abs(float(w @ gap)) / np.sqrt(float(w @ within @ w)) for w in (best, _GREY)]
    chosen = _GREY if power[1] > 0.6 * power[0] else best
    chosen = chosen * -np.sign(chosen @ gap)
    return np.asarray(chosen / np.abs(chosen).sum())
