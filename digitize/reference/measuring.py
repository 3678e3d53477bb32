"""Where each mark truly lies: a stroke fitted to the photo's own pixels, in linear light.

Model, u across the mark and v along it:  ground + slope u + the mark's depth times a
Gaussian stroke about  offset + turn v , with the same stroke where the neighbours are.
Least squares over the raw pixels round the mark, nothing resampled.  The line found is
handed on as two points whose errors do not depend on each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.reference.row import Row

FloatArray = NDArray[np.float64]

_STEPS = 5
_LEAST_CONTRAST = 5.0  # depth over its standard deviation
_FARTHEST = 0.3  # spacings from where the comb says
_LEAST_ROWS_PX = 3.0
_LEAST_HALF_PX = 3.5
_FLOOR_PX = 0.02  # of a mark's place: stroke shape, lens detail (judgement, no source)
_WIDTHS_PX = (0.5, 0.65, 0.85, 1.1, 1.5, 2.0, 2.7, 3.6)


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """The measured marks of a row."""

    index: NDArray[np.intp]  # (N,)
    px: FloatArray  # (N, 2, 2) two points on each mark
    sigma_px: FloatArray  # (N, 2) of each point, across the mark
    base_px: FloatArray  # (2,) a point on the row, at its middle
    width_px: float  # one sigma of the stroke with its blur


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """Where the marks of a row begin and end, along them, and how far apart they are."""

    base_px: float
    tip_px: FloatArray  # (N,)
    spacing_px: FloatArray  # (N,)


def measure(photo: Photo, row: Row) -> Marks:
    """Every mark of a row that shows well enough; may be none."""
    ends = _Ends(*_base_and_tip(row), row.spacing_px)
    some = np.linspace(0, len(row.comb.index) - 1, min(25, len(row.comb.index))).astype(int)
    trial = []
    for width in _WIDTHS_PX:
        fits = [_fit(photo, row, int(i), ends, width) for i in some]
        trial.append((width, [fit[2] for fit in fits if fit is not None]))
    most = max(len(residuals) for _, residuals in trial)
    if most == 0:
        return Marks(np.empty(0, np.intp), np.empty((0, 2, 2)), np.empty((0, 2)), np.zeros(2), 0.0)
    fitting = [(float(np.median(r)), width) for width, r in trial if len(r) >= 0.8 * most]
    width = min(fitting)[1]
    index, px, sigma = [], [], []
    for i in range(len(row.comb.index)):
        fit = _fit(photo, row, i, ends, width)
        if fit is None:
            continue
        index.append(int(row.comb.index[i]))
        px.append(fit[0])
        sigma.append(fit[1])
    middle = len(row.comb.index) // 2
    base_px = row.strip.to_px(row.comb.at[[middle]], np.array([ends.base_px]))[0]
    return Marks(
        np.array(index, dtype=np.intp),
        np.array(px).reshape(-1, 2, 2),
        np.array(sigma).reshape(-1, 2),
        base_px,
        width,
    )


def _base_and_tip(row: Row) -> tuple[float, FloatArray]:
    """Where marks begin, along them, and where each ends; the even end is the beginning."""
    begin, end = (row.low_px, row.high_px) if row.tips_high else (row.high_px, row.low_px)
    base = float(np.nanmedian(begin))
    typical = float(np.nanpercentile(end, 30 if row.tips_high else 70))
    return base, np.where(np.isfinite(end), end, typical)


def _fit(
    photo: Photo,
    row: Row,
    i: int,
    ends: _Ends,
    width: float,
) -> tuple[FloatArray, FloatArray, float] | None:
    """Two points (2, 2), their sigmas (2,) and the residual of mark ``i``, or None."""
    comb, strip, base, tip = row.comb, row.strip, ends.base_px, ends.tip_px
    s = comb.at[[i]]
    along = strip.marks(s)[0]
    forward = 1.0 if tip[i] > base else -1.0
    length = abs(float(tip[i]) - base)
    inset = min(1.5, 0.2 * length)
    low, high = inset, length - inset
    if high - low < _LEAST_ROWS_PX:
        return None
    along = along * forward
    across = np.array([-along[1], along[0]])
    if across @ strip.axis < 0:
        across = -across
    origin = strip.to_px(s, np.array([base]))[0]
    slant = abs(float(across @ strip.axis))
    spacing = float(ends.spacing_px[i]) * slant
    # Dense marks: a window of one spacing would take a slope of light for a shift.
    half = max(0.5 * spacing, min(_LEAST_HALF_PX, 1.3 * spacing))
    middle = (low + high) / 2
    centre = origin + middle * along
    reach = np.abs(along) * (high - low) / 2 + np.abs(across) * half + 1
    x0, y0 = np.maximum(np.floor(centre - reach).astype(int), 0)
    x1, y1 = np.ceil(centre + reach).astype(int) + 1
    if x0 < 1 or y0 < 1 or x1 >= photo.width_px or y1 >= photo.height_px:
        return None
    window = photo.linear_grey[y0:y1, x0:x1].astype(float)
    yy, xx = np.mgrid[y0:y1, x0:x1]
    rel = np.stack([xx - centre[0], yy - centre[1]], axis=-1).reshape(-1, 2)
    u, v = rel @ across, rel @ along
    inside = (np.abs(u) <= half) & (np.abs(v) <= (high - low) / 2)
    if inside.sum() < 12:
        return None
    u, v, values = u[inside], v[inside], window.ravel()[inside]
    if (values > 0.98).mean() > 0.2:
        return None
    beside = []
    for step in (-2, -1, 1, 2):
        j = int(np.searchsorted(comb.index, comb.index[i] + step))
        if 0 <= j < len(comb.index) and comb.index[j] == comb.index[i] + step:
            beside.append((step * spacing, abs(float(tip[j]) - base) - middle))
        else:
            beside.append((step * spacing, (high - low) / 2))
    offset, turn = 0.0, 0.0
    covariance = np.eye(2)
    residual = np.inf
    for _ in range(_STEPS):
        z = (u - offset - turn * v) / width
        stroke = np.exp(-(z**2) / 2)
        for shift, until in beside:
            z_side = (u - shift - offset - turn * v) / width
            stroke = stroke + np.exp(-(z_side**2) / 2) * (v < until)
        linear = np.column_stack([np.ones_like(u), u, stroke])
        level, *_ = np.linalg.lstsq(linear, values, rcond=None)
        slope = level[2] * np.exp(-(z**2) / 2) * z / width
        jacobian = np.column_stack([linear, slope, slope * v])
        step_, *_ = np.linalg.lstsq(jacobian, values - linear @ level, rcond=None)
        offset += float(np.clip(step_[-2], -0.3 * spacing, 0.3 * spacing))
        turn += float(np.clip(step_[-1], -0.2, 0.2))
        if abs(offset) > _FARTHEST * spacing or abs(turn) > 0.5:
            return None
    off = values - linear @ level
    freedom = max(len(values) - jacobian.shape[1], 1)
    variance = float(off @ off) / freedom
    normal = jacobian.T @ jacobian
    scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-30))
    inverse = np.linalg.pinv(normal * np.outer(scale, scale)) * np.outer(scale, scale) * variance
    if abs(level[2]) < _LEAST_CONTRAST * np.sqrt(inverse[2, 2]) or (level[2] < 0) != row.dark:
        return None
    covariance = inverse[-2:, -2:]
    residual = float(np.sqrt(variance))
    # offset + turn v is surest at v0; half a turn's worth to either side errors are apart.
    v0 = -covariance[0, 1] / covariance[1, 1]
    least = covariance[0, 0] - covariance[0, 1] ** 2 / covariance[1, 1]
    half_way = float(np.sqrt(max(least, 0.0) / covariance[1, 1]))
    if not np.isfinite(half_way) or half_way > high - low:
        return None
    places = np.array([v0 - half_way, v0 + half_way])
    points = centre + places[:, None] * along + (offset + turn * places)[:, None] * across
    sigma = float(np.sqrt(2 * least + _FLOOR_PX**2))
    return points, np.full(2, sigma), residual
