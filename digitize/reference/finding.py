"""Where in a photo a graduated edge may lie.

Marks begin at a long straight edge, so every long line is a candidate, pieced together from
the segments of a line segment detector (Grompone von Gioi et al., 2010) and allowed to be
bowed by the lens.  Where the rule's edge cannot be told from the bench, the marks themselves
stand out: a row of marks is a band in which brightness changes strongly in one direction only, both
ways in turn, and that is long in that same direction.  A single edge changes one way, wood
grain and brushed steel are long across the direction of change.  The structure tensor
(Förstner and Gülch 1987) tells all three apart.  What is found here are candidates; the
comb decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.photo.photo import Photo

FloatArray = NDArray[np.float64]

_SIDES_PX = (2400.0, 1200.0, 600.0)  # long side of the pictures that rows are looked for in
_WINDOW_PX = 7.0  # one sigma; a few marks wide
_ONE_WAY = 0.5  # coherence above which the change has one direction
_BOTH_WAYS = 0.25  # squared mean over mean square: nearly 0 for marks, 1 for an edge
_LEAST_SLOPE = 2.0  # grey levels per pixel, rms; noise alone gives about one
_BINS = 9
_ALIKE_RAD = np.radians(22.0)
_LEAST_LENGTH_PX = 55.0
_LEAST_ELONGATION = 2.5
_ASKEW = np.cos(np.radians(40.0))  # between the band and the direction of change
_MOST = 12
_LINES_PX = 2400  # long side of the picture that lines are looked for in
_LEAST_SEGMENT_PX = 14.0
_LINE_SLACK_PX = 1.8
_SAME_LINE_PX = 7.0
_BESIDE_PX = 45.0  # either side of a line
_MOST_LINES, _MOST_TRIED = 40, 400


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A long narrow patch that may be a row of marks, in photo pixels."""

    start_px: FloatArray  # (2,)
    end_px: FloatArray  # (2,)
    half_width_px: float
    mark_rad: float  # direction of the marks, from x toward y
    scale: float  # of the picture it was seen in
    bow_px: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """How far it lies to the left of start to end, powers of the share of its length."""

    @property
    def length_px(self) -> float:
        """Its length."""
        return float(np.linalg.norm(self.end_px - self.start_px))


def grey_levels(photo: Photo) -> NDArray[np.float32]:
    """Coded brightness, 0 to 255, (height, width): contrasts look alike in light and dark."""
    rgb = photo.rgb if photo.rgb.dtype == np.uint8 else (photo.rgb >> 8).astype(np.uint8)
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), dtype=np.float32)


def long_lines(grey: NDArray[np.float32], within: NDArray[np.uint8] | None = None) -> list[Band]:
    """Long straight edges, longest first; ``within`` is a mask (height, width)."""
    scale = min(1.0, _LINES_PX / max(grey.shape))
    segments = np.vstack([_segments(grey, scale / coarser) for coarser in (1, 2, 4)])
    if within is not None:
        middle = np.rint((segments[:, :2] + segments[:, 2:]) / 2).astype(int)
        height, width = within.shape
        middle = np.clip(middle, 0, [width - 1, height - 1])
        segments = segments[within[middle[:, 1], middle[:, 0]] > 0]
    length = np.hypot(*(segments[:, 2:] - segments[:, :2]).T)
    segments = segments[length > _LEAST_SEGMENT_PX / scale]
    length = np.hypot(*(segments[:, 2:] - segments[:, :2]).T)
    segments = segments[np.argsort(-length)]
    lines: list[Band] = []
    free = np.ones(len(segments), dtype=bool)
    while free.any() and len(lines) < _MOST_TRIED:
        seed = int(np.flatnonzero(free)[0])
        line, members = _pieced(segments, seed, free, scale)
        free[members] = False
        free[seed] = False
        if line.length_px > _LEAST_LENGTH_PX / scale:
            lines.append(line)
    lines.sort(key=lambda b: -b.length_px)
    apart: list[Band] = []
    for line in lines:
        if not any(_within(line, longer) for longer in apart):
            apart.append(line)
    return apart[:_MOST_LINES]


def _within(line: Band, longer: Band) -> bool:
    """Whether a line lies so close along a longer one that the same marks stand beside both."""
    axis = (longer.end_px - longer.start_px) / longer.length_px
    ends = np.stack([line.start_px, line.end_px]) - longer.start_px
    along = ends @ axis
    across = np.abs(axis[0] * ends[:, 1] - axis[1] * ends[:, 0])
    most = _SAME_LINE_PX / longer.scale
    return bool(
        (across < most).all() and along.min() > -most and along.max() < longer.length_px + most
    )


def _segments(grey: NDArray[np.float32], scale: float) -> FloatArray:
    """Line segments (N, 4) in photo pixels.  Marks that break an edge up blur away when coarse."""
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    coded = np.clip(small, 0, 255).astype(np.uint8)
    found: Any = cv2.createLineSegmentDetector().detect(coded)[0]
    if found is None:
        return np.empty((0, 4))
    # The detector counts from the corner of the first pixel.
    return (np.asarray(found, dtype=float).reshape(-1, 4) + 0.5) / scale - 0.5


def _pieced(
    segments: FloatArray, seed: int, free: NDArray[np.bool_], scale: float
) -> tuple[Band, NDArray[np.intp]]:
    """The longest slightly bowed line through a segment."""
    start, end = segments[seed, :2], segments[seed, 2:]
    axis = (end - start) / np.linalg.norm(end - start)
    if axis[np.argmax(np.abs(axis))] < 0:
        axis = -axis
    left = np.array([axis[1], -axis[0]])  # left of the axis, y pointing down
    s0 = (segments[:, :2] - start) @ axis
    s1 = (segments[:, 2:] - start) @ axis
    d0 = (segments[:, :2] - start) @ left
    d1 = (segments[:, 2:] - start) @ left
    members = np.array([seed])
    for _ in range(6):
        ends_s = np.concatenate([s0[members], s1[members]])
        ends_d = np.concatenate([d0[members], d1[members]])
        low, high = ends_s.min(), ends_s.max()
        degree = 2 if len(members) > 2 else 1
        curve = np.polynomial.Polynomial.fit(ends_s, ends_d, degree)
        beyond = np.maximum(np.maximum(low - np.minimum(s0, s1), np.maximum(s0, s1) - high), 0)
        slack = _LINE_SLACK_PX / scale + 0.015 * beyond
        near = (np.abs(d0 - curve(s0)) < slack) & (np.abs(d1 - curve(s1)) < slack)
        near &= free & (beyond < 0.5 * (high - low) + np.abs(s1 - s0))
        near[seed] = True
        grown = np.flatnonzero(near)
        if len(grown) == len(members):
            break
        members = grown
    t = np.linspace(low, high, 9)
    chord = (t - low) / max(high - low, 1e-9)
    d = np.asarray(curve(t))
    straight = d[0] + (d[-1] - d[0]) * chord
    a, b = start + low * axis + d[0] * left, start + high * axis + d[-1] * left
    bow = np.polynomial.polynomial.polyfit(chord, d - straight, 2)
    across = np.arctan2(left[1], left[0])
    band = Band(
        a,
        b,
        _BESIDE_PX / scale,
        float(across),
        scale,
        (float(bow[0]), float(bow[1]), float(bow[2])),
    )
    return band, members


def bands(grey: NDArray[np.float32], within: NDArray[np.uint8] | None = None) -> list[Band]:
    """Rows of strokes, longest first; ``within`` is a mask (height, width) of where to look."""
    found: list[Band] = []
    for scale in sorted({min(1.0, side / max(grey.shape)) for side in _SIDES_PX}):
        found += _at_scale(grey, within, scale)
    found.sort(key=lambda b: -b.length_px)
    return found[:_MOST]


def _at_scale(
    grey: NDArray[np.float32], within: NDArray[np.uint8] | None, scale: float
) -> list[Band]:
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    small = grey if scale == 1 else cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 0.7)
    gx = cv2.Scharr(small, cv2.CV_32F, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(small, cv2.CV_32F, 0, 1, scale=1 / 32)

    def mean(values: Any) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(values, (0, 0), _WINDOW_PX), dtype=np.float32)

    xx, yy, xy = mean(gx * gx), mean(gy * gy), mean(gx * gy)
    power = xx + yy
    coherence = np.hypot(xx - yy, 2 * xy) / np.maximum(power, 1e-6)
    one_sided = (mean(gx) ** 2 + mean(gy) ** 2) / np.maximum(power, 1e-6)
    mask = (coherence > _ONE_WAY) & (one_sided < _BOTH_WAYS) & (power > _LEAST_SLOPE**2)
    if within is not None:
        mask &= cv2.resize(within, size, interpolation=cv2.INTER_NEAREST) > 0
    direction = 0.5 * np.arctan2(2 * xy, xx - yy)  # of change; period pi
    found = []
    for number in range(_BINS):
        middle = np.pi * number / _BINS
        off = np.abs((direction - middle + np.pi / 2) % np.pi - np.pi / 2)
        alike = (mask & (off < _ALIKE_RAD)).astype(np.uint8)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(alike, connectivity=8)
        for label in range(1, count):
            x, y, w, h, area = (int(v) for v in stats[label])
            if area < 4 * _LEAST_LENGTH_PX or max(w, h) < 0.7 * _LEAST_LENGTH_PX:
                continue
            rows, columns = np.nonzero(labels[y : y + h, x : x + w] == label)
            points = np.column_stack([columns + x, rows + y]).astype(float)
            turned = 2 * direction[rows + y, columns + x].astype(float)
            change = 0.5 * np.arctan2(np.sin(turned).mean(), np.cos(turned).mean())
            if abs((change - middle + np.pi / 2) % np.pi - np.pi / 2) > np.pi / _BINS / 2 * 1.2:
                continue  # a neighbouring bin has it whole
            band = _band(points, float(change), scale)
            if band is not None:
                found.append(band)
    return found


def _band(points: FloatArray, change_rad: float, scale: float) -> Band | None:
    middle = points.mean(axis=0)
    spread, axes = np.linalg.eigh(np.cov((points - middle).T))
    axis = axes[:, 1]
    change = np.array([np.cos(change_rad), np.sin(change_rad)])
    if abs(axis @ change) < _ASKEW:
        return None
    along = (points - middle) @ axis
    low, high = np.percentile(along, [0.5, 99.5])
    half = float(np.sqrt(3 * spread[0]))
    if high - low < _LEAST_LENGTH_PX or high - low < _LEAST_ELONGATION * 2 * half:
        return None
    if axis[np.argmax(np.abs(axis))] < 0:
        axis = -axis
        low, high = -high, -low
    return Band(
        (middle + low * axis + 0.5) / scale - 0.5,
        (middle + high * axis + 0.5) / scale - 0.5,
        max(half, 2.0) / scale,
        change_rad + np.pi / 2,
        scale,
    )
