"""From a line beside which marks may stand to rows of them: numbered, with their lengths."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter  # type: ignore[attr-defined]
from scipy.signal import find_peaks  # type: ignore[attr-defined]

from digitize.reference.comb import Comb, number
from digitize.reference.finding import Band
from digitize.reference.graduation import IMPERIAL, METRIC, Division, Reading, read_lengths
from digitize.reference.strip import Strip, strip_along

FloatArray = NDArray[np.float64]

_WINDOWS = 8  # along a strip, for its slow changes
_PROMINENCE = 0.45  # of the local contrast
_LEAST_SHARE = 0.62
_MOST_RESIDUAL = 0.075
_REACH = 16.0  # spacings; how far along the marks their ends are looked for
_PRESENT = 0.45  # of a mark's own contrast
_FEWEST = 12
_SLOW_PX = 7.0  # one sigma of what counts as slow along a rule, at scale 1
_LEAN_ROWS = 6
_MOST_READ = 3  # combs beside one line whose lengths are worth reading
_LAYERS = ((2, 6), (5, 11), (9, 18), (15, 28), (24, 42))  # px from the line, at scale 1
_LEANS = np.tan(np.radians(np.arange(-35.0, 36.0, 2.5)))


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """Numbered marks of one graduated edge."""

    strip: Strip
    comb: Comb
    dark: bool  # marks are darker than the rule
    low_px: FloatArray  # (N,) where each mark ends, along it, on either side; NaN: not seen
    high_px: FloatArray  # (N,)
    reading: Reading | None  # what the lengths say
    tips_high: bool  # marks end at high_px and begin, all alike, at low_px
    scale: float  # of the picture its line was seen in
    reach_px: float  # how far from the line it was looked for

    @property
    def length_px(self) -> FloatArray:
        """Visible lengths (N,)."""
        return self.high_px - self.low_px

    @property
    def spacing_px(self) -> FloatArray:
        """Local distance (N,) between neighbouring marks."""
        return self.comb.spacing(self.comb.index.astype(float))

    @property
    def ends_px(self) -> FloatArray:
        """First and last mark (2, 2) in the photo."""
        middle = float(np.nanmedian((self.low_px + self.high_px) / 2))
        return self.strip.to_px(self.comb.at[[0, -1]], np.full(2, middle))

    def beyond(self, share: float = 0.5) -> Band:
        """A line along this row, longer at both ends by a share of its length."""
        s = np.linspace(self.comb.at[0], self.comb.at[-1], 9)
        px = self.strip.to_px(s, np.zeros(9))
        curve = np.polynomial.polynomial.polyfit(np.linspace(0, 1, 9), px, 2)
        ends = np.polynomial.polynomial.polyval(np.array([-share, 1 + share]), curve).T
        chord = np.linspace(0, 1, 9)
        along = np.polynomial.polynomial.polyval(-share + (1 + 2 * share) * chord, curve).T
        straight = ends[0] + chord[:, None] * (ends[1] - ends[0])
        angle = float(np.polynomial.polynomial.polyval(0.5, self.strip.mark_rad))
        axis = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        bow = np.polynomial.polynomial.polyfit(
            chord, (along - straight) @ np.array([axis[1], -axis[0]]), 2
        )
        return Band(
            ends[0],
            ends[1],
            self.reach_px,
            angle,
            self.scale,
            (float(bow[0]), float(bow[1]), float(bow[2])),
        )


def find_rows(
    grey: NDArray[np.float32],
    band: Band,
    divisions: tuple[Division, ...] = METRIC + IMPERIAL,
) -> list[Row]:
    """The rows of marks beside a line, on either side of it, best first."""
    rough = strip_along(band, grey)
    reach = int(band.half_width_px)
    found: list[tuple[float, Row]] = []
    for side in (1, -1):
        strip = _leaning(grey, rough, band, side)
        if strip is None:
            continue
        low, high = (0, reach) if side > 0 else (-reach, 0)
        picture = _flattened(strip.picture(grey, low, high), strip.per_px / band.scale)
        combs: list[tuple[float, Comb, bool, int]] = []
        for near, far in _LAYERS:
            a, b = round(near / band.scale), round(far / band.scale)
            if b > reach:
                break
            layer = picture[a : b + 1] if side > 0 else picture[reach - b : reach - a + 1]
            if np.isfinite(layer).mean() < 0.5:
                continue
            profile = np.nan_to_num(layer).mean(axis=0)
            for dark in (True, False):
                comb = _comb(strip, -profile if dark else profile, band.scale)
                if comb is not None:
                    # Marks are narrower than what lies between them.
                    likely = 1.0 if dark == _dark_is_narrow(profile) else 0.6
                    combs.append((likely * comb.worth, comb, dark, side * (a + b) // 2))
        combs.sort(key=lambda c: -c[0])
        best: tuple[float, Row] | None = None
        for likely, comb, dark, centre in combs[:_MOST_READ]:
            row = _row(grey, band, strip, comb, dark=dark, centre=centre, divisions=divisions)
            worth = likely * (2.0 if row.reading else 1.0)
            if best is None or worth > best[0]:
                best = (worth, row)
        if best is not None:
            found.append(best)
    found.sort(key=lambda f: -f[0])
    return [row for _, row in found]


def _flattened(picture: NDArray[np.float32], columns: float) -> NDArray[np.float32]:
    """Brightness less its slow change along the rule; the rule's own edge goes with it.

    ``columns`` is how many there are to a pixel of the picture the line was seen in.
    """
    known = np.isfinite(picture)
    weight = known.astype(np.float32)
    filled = np.where(known, picture, 0).astype(np.float32)
    sigma = _SLOW_PX * columns
    slow = cv2.GaussianBlur(filled, (0, 0), sigmaX=sigma, sigmaY=1e-3)
    share = cv2.GaussianBlur(weight, (0, 0), sigmaX=sigma, sigmaY=1e-3)
    return np.where(known, picture - slow / np.maximum(share, 1e-3), np.nan).astype(np.float32)


def _dark_is_narrow(profile: FloatArray) -> bool:
    """Whether a profile's minima stand out farther from its median than its maxima."""
    low, middle, high = np.percentile(profile, [5, 50, 95])
    return bool(middle - low > high - middle)


def _leaning(grey: NDArray[np.float32], strip: Strip, band: Band, side: int) -> Strip | None:
    """The strip with marks upright: the lean that makes column means strongest."""
    far = round(_LAYERS[1][1] / band.scale)
    low, high = (round(2 / band.scale), far) if side > 0 else (-far, -round(2 / band.scale))
    squares = []
    for lean in _LEANS:
        rows = _leant(strip, float(lean)).rows(grey, np.linspace(low, high, _LEAN_ROWS))
        picture = _flattened(rows, strip.per_px / band.scale)
        if picture.shape[1] < 4 * _WINDOWS or np.isfinite(picture).mean() < 0.3:
            return None
        squares.append(np.nan_to_num(picture).mean(axis=0) ** 2)
    width = len(squares[0]) // _WINDOWS
    power = np.array([q[: width * _WINDOWS].reshape(_WINDOWS, width).mean(1) for q in squares])
    m = _LEANS[power.argmax(axis=0)]
    wt = np.maximum(power.max(axis=0) / np.maximum(np.median(power, axis=0), 1e-9) - 1.5, 1e-3)
    t = (np.arange(_WINDOWS) + 0.5) / _WINDOWS
    fit = np.array([float(np.average(m, weights=wt)), 0.0])
    for _ in range(4):
        off = m - np.polynomial.polynomial.polyval(t, fit)
        robust = wt / (1 + (off / 0.08) ** 2)
        # A prior keeps the lean from changing more than a steep view would make it.
        normal = np.vstack(
            [
                np.sqrt(robust)[:, None] * np.column_stack([np.ones_like(t), t]),
                [[0.0, np.sqrt(robust.sum()) * 0.3]],
            ]
        )
        fit = np.linalg.lstsq(normal, np.append(np.sqrt(robust) * m, 0.0), rcond=None)[0]
    return _leant(strip, float(fit[0]), float(fit[1]))


def _leant(strip: Strip, lean: float, change: float = 0.0) -> Strip:
    """The strip with marks leaning forward along the axis by ``lean`` per unit of length."""
    marks = strip.marks(np.array([0.0, strip.length_px]))
    marks = marks + np.array([[lean], [lean + change]]) * strip.axis
    angles = np.unwrap(np.arctan2(marks[:, 1], marks[:, 0]))
    return replace(strip, mark_rad=np.array([angles[0], angles[1] - angles[0]]))


def _comb(strip: Strip, profile: FloatArray, scale: float) -> Comb | None:
    """Numbered maxima of a profile along the strip, if they are regular enough."""
    signal: NDArray[Any] = np.asarray(profile, dtype=np.float32)[None]
    signal = np.asarray(cv2.GaussianBlur(signal, (0, 0), sigmaX=0.45 * strip.per_px, sigmaY=1e-3))
    local = cv2.GaussianBlur(signal**2, (0, 0), sigmaX=30.0 * strip.per_px / scale, sigmaY=1e-3)
    even = (signal / np.sqrt(local + 0.05))[0]
    at, _ = find_peaks(even, prominence=_PROMINENCE)
    at = at[(at > 0) & (at < len(even) - 1)]
    if len(at) < _FEWEST:
        return None
    before, here, after = even[at - 1], even[at], even[at + 1]
    shift = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-6)
    comb = number(strip.place(at + np.clip(shift, -0.5, 0.5)))
    if comb is None or len(comb.index) < _FEWEST:
        return None
    return comb if comb.share >= _LEAST_SHARE and comb.residual <= _MOST_RESIDUAL else None


def _row(
    grey: NDArray[np.float32],
    band: Band,
    strip: Strip,
    comb: Comb,
    *,
    dark: bool,
    centre: int,
    divisions: tuple[Division, ...],
) -> Row:
    low, high = _ends(grey, strip, comb, dark, centre)
    index = comb.index.astype(float)
    spacing = comb.spacing(index)
    # One end is cut off by the rule's edge, the other tells the rank.
    spread = [float(np.nanmedian(np.abs(v - np.nanmedian(v)))) for v in (low, high)]
    tips_high, reading = spread[1] >= spread[0], None
    for is_high, ends, other in ((True, high, low), (False, -low, -high)):
        told = read_lengths(comb.index, (ends - np.nanmedian(other)) / spacing, divisions)
        if told is not None and (reading is None or told.badness < reading.badness):
            tips_high, reading = is_high, told
    return Row(strip, comb, dark, low, high, reading, tips_high, band.scale, band.half_width_px)


def _ends(
    grey: NDArray[np.float32], strip: Strip, comb: Comb, dark: bool, centre: int
) -> tuple[FloatArray, FloatArray]:
    """Where every mark ends on either side of ``centre``, along it."""
    spacing = float(np.median(np.diff(comb.at)))
    reach = int(min(max(_REACH * spacing, 12), 400))
    picture = strip.picture(grey, centre - reach, centre + reach)
    index = comb.index.astype(float)
    here = _at_columns(picture, strip.column(comb.at))
    beside = [_at_columns(picture, strip.column(comb.place(index + side))) for side in (-0.5, 0.5)]
    ground = (beside[0] + beside[1]) / 2
    contrast = (ground - here) if dark else (here - ground)
    own = contrast[reach - 1 : reach + 2].mean(axis=0)
    # Worn marks are measured against their neighbours' contrast, not their own.
    usual = float(np.nanmedian(own)) if np.isfinite(own).any() else 0.0
    own = np.where(np.isfinite(own), own, usual)
    typical = np.maximum(median_filter(own, 15, mode="nearest"), 0.4 * usual)
    present = np.nan_to_num(contrast / np.maximum(typical, 0.3)[None, :], nan=0.0) > _PRESENT
    low, high = np.full(len(index), np.nan), np.full(len(index), np.nan)
    for i in range(len(index)):
        if own[i] < _PRESENT * typical[i]:
            continue
        column = median_filter(present[:, i].astype(np.uint8), 3, mode="nearest") > 0
        high[i] = centre + _run(column[reach:]) - 0.5
        low[i] = centre - _run(column[reach::-1]) + 0.5
    return low, high


def _run(present: NDArray[np.bool_]) -> int:
    """How many values are true from the beginning, one gap of one forgiven."""
    for i in np.flatnonzero(~present):
        if i + 1 >= len(present) or not present[i + 1]:
            return int(i)
    return len(present)


def _at_columns(picture: NDArray[np.float32], column: FloatArray) -> FloatArray:
    """Values (rows, N) at fractional columns; NaN beyond the picture."""
    left = np.floor(column).astype(np.intp)
    share = column - left
    inside = (left >= 0) & (left + 1 < picture.shape[1])
    left = np.clip(left, 0, picture.shape[1] - 2)
    values = picture[:, left] * (1 - share) + picture[:, left + 1] * share
    return np.where(inside[None, :], values, np.nan).astype(float)
