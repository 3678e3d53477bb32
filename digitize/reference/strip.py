"""A rule's edge straightened out: columns run along it, rows across, marks stand upright.

Only for finding and numbering marks; they are measured in the photo's own pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.reference.finding import Band

FloatArray = NDArray[np.float64]

_FINE, _COARSE = 2.0, 1.2  # columns per pixel, for photos small and large


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Where a straightened picture's places lie in the photo.

    Place (s, d): s pixels along the axis from its start, d pixels along the marks from a
    curve that follows the row of marks.
    """

    start_px: FloatArray  # (2,)
    axis: FloatArray  # (2,) unit
    length_px: float
    bend_px: FloatArray  # (3,) offset of the curve along the marks, powers of (s / length)
    mark_rad: FloatArray  # (2,) direction of the marks, powers of (s / length)
    per_px: float = _FINE  # columns of its picture per pixel

    def marks(self, s: FloatArray) -> FloatArray:
        """Unit vectors (N, 2) along the marks at s (N,)."""
        angle = np.polynomial.polynomial.polyval(s / self.length_px, self.mark_rad)
        return np.column_stack([np.cos(angle), np.sin(angle)])

    def to_px(self, s: FloatArray, d: FloatArray) -> FloatArray:
        """Photo pixels (N, 2) of places (N,), (N,)."""
        offset = np.polynomial.polynomial.polyval(s / self.length_px, self.bend_px) + d
        return np.asarray(self.start_px + s[:, None] * self.axis + offset[:, None] * self.marks(s))

    def picture(self, grey: NDArray[np.float32], low: int, high: int) -> NDArray[np.float32]:
        """Brightness (rows, columns) for d from ``low`` to ``high``; NaN outside the photo."""
        return self.rows(grey, np.arange(low, high + 1, dtype=float))

    def rows(self, grey: NDArray[np.float32], d: FloatArray) -> NDArray[np.float32]:
        """The same for any rows d (M,)."""
        s = np.arange(0, self.length_px, 1 / self.per_px)
        marks = self.marks(s)
        offset = np.polynomial.polynomial.polyval(s / self.length_px, self.bend_px)
        curve = self.start_px + s[:, None] * self.axis + offset[:, None] * marks
        px = (curve[None] + d[:, None, None] * marks[None]).astype(np.float32)
        flat = _look_up(grey, px.reshape(-1, 2)).reshape(px.shape[:2])
        height, width = grey.shape
        x, y = px[..., 0], px[..., 1]
        flat[(x < 0) | (y < 0) | (x > width - 1) | (y > height - 1)] = np.nan
        return flat

    def column(self, s: FloatArray) -> FloatArray:
        """Columns of the picture at s."""
        return s * self.per_px

    def place(self, column: FloatArray) -> FloatArray:
        """s of columns of the picture."""
        return column / self.per_px


def strip_along(band: Band, grey: NDArray[np.float32], beyond: float = 0.15) -> Strip:
    """A strip over a band, longer at both ends by a share of its length."""
    axis = (band.end_px - band.start_px) / band.length_px
    extra = beyond * band.length_px
    mark = band.mark_rad
    # Marks point the same way for every band: to the left of its axis, y pointing down.
    if axis[1] * np.cos(mark) - axis[0] * np.sin(mark) < 0:
        mark += np.pi
    start, length = band.start_px - extra * axis, band.length_px + 2 * extra
    height, width = grey.shape
    low, high = 0.0, length
    for i, most in ((0, width - 1.0), (1, height - 1.0)):  # clip to the photo (Liang-Barsky)
        if abs(axis[i]) > 1e-9:
            a, b = sorted((-start[i] / axis[i], (most - start[i]) / axis[i]))
            low, high = max(low, a), min(high, b)
    length_px = max(high - low, 1.0)
    # The bow in shares of this strip's length instead of the band's.
    t = np.linspace(0, 1, 9)
    of_band = (low + t * length_px - extra) / band.length_px
    bow = np.polynomial.polynomial.polyval(of_band, np.array(band.bow_px))
    bend = np.polynomial.polynomial.polyfit(t, bow, 2)
    per_px = max(_COARSE, _FINE * band.scale)
    return Strip(start + low * axis, axis, length_px, bend, np.array([mark, 0.0]), per_px)


def _look_up(grey: NDArray[np.float32], px: NDArray[np.float32]) -> NDArray[np.float32]:
    out = np.empty(len(px), np.float32)
    step = 30_000
    for start in range(0, len(px), step):
        part = px[start : start + step]
        out[start : start + step] = cv2.remap(
            grey, part[None, :, 0], part[None, :, 1], cv2.INTER_CUBIC
        )[0]
    return out
