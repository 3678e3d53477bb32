"""Both edges of a drawn stroke across its centre line, to a small fraction of a pixel.

Profiles of linear light are read along the normals and a blurred bar is fitted by least
squares: a sloping surface, less a contrast between two error functions of one common blur.
Where the stroke is narrow the two edges are fitted together, because their blurs overlap;
where it is broad each has its own levels, because ink is seldom even across a stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d  # type: ignore[attr-defined]
from scipy.special import ndtr

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_STEP_PX = 0.5  # between samples of a profile
_BROAD = 9.0  # stroke widths in blurs, from which each edge is fitted alone
_REACH = 4.0  # blurs of surface (and ink) that an edge is judged by
_FLOOR_PX = 0.02  # interpolation and pixel shape; below this the fit's own figure is not honest
_ROUGH = 0.06  # share of the contrast that the surface may vary by before profiles are averaged
_UNLIKE = 0.3  # share of the contrast that a profile may differ from the model by
_PHI0 = 1.0 / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, eq=False)
class StrokeEdges:
    """Where the two edges of a stroke lie, as distances along the normal from each point."""

    near_px: FloatArray  # (N,) the edge on the side that the normal comes from
    far_px: FloatArray  # (N,)
    u_near_px: FloatArray  # (N,) standard deviation from the fit's noise
    u_far_px: FloatArray
    near_ok: BoolArray  # (N,) a clear edge
    far_ok: BoolArray
    contrast: FloatArray  # (N,) linear light taken away (added, for lighter lines)
    expected: FloatArray  # (N,) what this ink should take away in the light there is
    blur_px: float  # one Gaussian sigma, pixel aperture and interpolation included

    @property
    def both_ok(self) -> BoolArray:
        """Points (N,) where both edges are clear."""
        return self.near_ok & self.far_ok

    @property
    def width_px(self) -> FloatArray:
        """Distance (N,) between the edges."""
        return self.far_px - self.near_px


def measure(
    image: NDArray[np.float32],
    points_px: FloatArray,
    normals: FloatArray,
    width_px: FloatArray,
    *,
    darker: bool,
    slack_px: float = 4.0,
    average: float = 0.0,
) -> StrokeEdges:
    """Find both edges across points (N, 2) that lie within ``slack_px`` of the middle.

    ``image`` is linear light; ``normals`` (N, 2) are unit vectors; ``width_px`` (N,) is a
    first guess of the stroke's width, right within about half.  On a rough surface the
    profiles of a closed line are averaged along it, with a Gaussian of up to ``average``
    points (one sigma).
    """
    half = float(np.max(width_px)) / 2 + slack_px + 5.0
    t = np.arange(-half, half + _STEP_PX / 2, _STEP_PX)
    y = profiles(image, points_px, normals, t)
    if not darker:
        y = -y
    if average > 0.0:
        y = _averaged(y, np.abs(t) > float(np.median(width_px)) / 2 + slack_px / 2 + 2.0, average)
    near, far, contrast, level, found = _half_levels(y, t, width_px, slack_px)
    if found.sum() < 3:
        nothing = np.zeros(len(points_px), dtype=bool)
        one = np.ones(len(points_px))
        return StrokeEdges(near, far, one, one, nothing, nothing, contrast, one, 1.0)
    usual = _expected_contrast(contrast, level, found)
    blur = _common_blur(y, t, (near, far), usual, found)
    width = far - near
    broad = float(np.median(width[found])) > _BROAD * blur
    if broad:
        near, u_near, c_near, ok_near = _fit_step(y, t, near, blur, usual, rising=False)
        far, u_far, c_far, ok_far = _fit_step(y, t, far, blur, usual, rising=True)
        contrast = (c_near + c_far) / 2
    else:
        near, far, u_near, u_far, contrast, ok = _fit_bar(y, t, (near, far), blur, usual)
        ok_near = ok_far = ok
    plausible = found & (far - near > 0.3 * blur)
    return StrokeEdges(
        near,
        far,
        np.hypot(u_near, _FLOOR_PX),
        np.hypot(u_far, _FLOOR_PX),
        ok_near & plausible,
        ok_far & plausible,
        contrast,
        usual,
        blur,
    )


def measure_one(
    image: NDArray[np.float32],
    points_px: FloatArray,
    normals: FloatArray,
    *,
    blur_px: float,
    contrast: FloatArray,
    reach_px: float,
    darker: bool,
    ink_behind: bool,
    average: float = 0.0,
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Offset (N,), its deviation and whether it is clear, of one edge near points (N, 2).

    ``ink_behind``: the normal points from the ink to the surface.
    """
    t = np.arange(-reach_px, reach_px + _STEP_PX / 2, _STEP_PX)
    y = profiles(image, points_px, normals, t)
    if not darker:
        y = -y
    if average > 0.0:
        y = _averaged(
            y,
            t * (1.0 if ink_behind else -1.0) > 2.5 * blur_px,
            average,
            float(np.median(contrast)),
        )
    start = _steepest(y, t, rising=ink_behind)
    place, u, _, ok = _fit_step(y, t, start, blur_px, contrast, rising=ink_behind)
    return place, np.hypot(u, _FLOOR_PX), ok


def profiles(
    image: NDArray[np.float32], points_px: FloatArray, normals: FloatArray, t: FloatArray
) -> FloatArray:
    """Light (N, M) at distances ``t`` (M,) along the normals."""
    x = (points_px[:, :1] + normals[:, :1] * t).astype(np.float32)
    y = (points_px[:, 1:] + normals[:, 1:] * t).astype(np.float32)
    x0, y0 = max(int(x.min()) - 2, 0), max(int(y.min()) - 2, 0)
    x1, y1 = int(x.max()) + 3, int(y.max()) + 3
    window = image[y0 : min(y1, image.shape[0]), x0 : min(x1, image.shape[1])]
    # remap wants fewer than 32768 rows.
    parts = [
        cv2.remap(
            window,
            x[a : a + 16_000] - x0,
            y[a : a + 16_000] - y0,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for a in range(0, len(x), 16_000)
    ]
    return np.concatenate(parts).astype(np.float64)


def _averaged(
    y: FloatArray, surface: BoolArray, most: float, contrast: float | None = None
) -> FloatArray:
    """Profiles averaged with their neighbours as far as the surface's roughness asks for."""
    if surface.sum() < 3:
        return y
    beside = y[:, surface]
    rough = float(np.median(beside.std(axis=1)))
    if contrast is None:
        contrast = float(np.median(np.median(beside, axis=1) - y.min(axis=1)))
    excess = rough / max(_ROUGH * contrast, 1e-9)
    if excess <= 1.0:
        return y
    return np.asarray(gaussian_filter1d(y, min(0.5 * excess**2, most), axis=0, mode="wrap"))


def _half_levels(
    y: FloatArray, t: FloatArray, width: FloatArray, slack: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, BoolArray]:
    """Half-level crossings either side of the darkest place near the middle, the contrast
    and the surface's level there, and where both crossings were found."""
    n, m = y.shape
    smooth = (y[:, :-2] + 2 * y[:, 1:-1] + y[:, 2:]) / 4
    smooth = np.column_stack((smooth[:, :1], smooth, smooth[:, -1:]))
    reach = np.abs(t)[None, :] <= np.maximum(slack, width / 4)[:, None]
    column = np.where(reach, smooth, np.inf).argmin(axis=1)
    rows = np.arange(n)
    ink = smooth[rows, column]
    index = np.arange(m)[None, :]
    outer = np.abs(t)[None, :] > (width / 2)[:, None]
    before = _quantile(smooth, outer & (index < column[:, None]), 0.7)
    after = _quantile(smooth, outer & (index > column[:, None]), 0.7)
    light = np.minimum(before, after)
    light = np.where(np.isfinite(light), light, ink)
    level = (ink + light) / 2
    above = smooth > level[:, None]
    left = np.where(above & (index < column[:, None]), index, -1).max(axis=1)
    right = np.where(above & (index > column[:, None]), index, m).min(axis=1)
    found = (left >= 0) & (right < m) & (light > ink)
    i, j = np.clip(left, 0, m - 2), np.clip(right, 1, m - 1)

    def crossing(k: NDArray[np.intp]) -> FloatArray:
        y0, y1 = smooth[rows, k], smooth[rows, k + 1]
        with np.errstate(all="ignore"):
            part = (level - y0) / (y1 - y0)
        return np.asarray(t[k] + np.clip(np.nan_to_num(part), 0, 1) * _STEP_PX)

    return crossing(i), crossing(j - 1), light - ink, light, found


def _expected_contrast(contrast: FloatArray, level: FloatArray, found: BoolArray) -> FloatArray:
    """What the ink should take away at every point (N,): in shade, as much less."""
    usual, light = float(np.median(contrast[found])), np.abs(level)
    middle = float(np.median(light[found]))
    if middle < 0.2 * usual:  # a mixture of colours, in which the surface may be anything
        return np.full(len(contrast), usual)
    return np.asarray(usual * np.clip(light / middle, 0.1, 10.0))


def _quantile(y: FloatArray, chosen: BoolArray, share: float) -> FloatArray:
    """The given quantile (N,) of the chosen samples of each row; infinite where there are none."""
    ordered = np.sort(np.where(chosen, y, np.inf), axis=1)
    at = (share * np.maximum(chosen.sum(axis=1) - 1, 0)).astype(np.intp)
    return np.asarray(ordered[np.arange(len(y)), at])


def _steepest(y: FloatArray, t: FloatArray, *, rising: bool) -> FloatArray:
    slope = y[:, 2:] - y[:, :-2]
    slope = slope if rising else -slope
    # A strong edge farther off belongs to another stroke; prefer what is near.
    nearness = 1.0 / (1.0 + (t[1:-1] / (0.6 * t[-1])) ** 4)
    return np.asarray(t[1:-1][(slope * nearness).argmax(axis=1)])


def _common_blur(
    y: FloatArray,
    t: FloatArray,
    edges: tuple[FloatArray, FloatArray],
    usual: FloatArray,
    found: BoolArray,
) -> float:
    """Blur of the strokes' edges: the median over a hundred well-seen profiles."""
    near, far = edges
    good = np.flatnonzero(found)
    good = good[:: max(1, len(good) // 120)]
    place = near[good]
    inside = np.minimum(far[good] - near[good], 8.0) / 2
    blur = np.full(len(good), 0.9)
    weight = ((t - place[:, None] > -6.0) & (t - place[:, None] < inside[:, None])).astype(float)
    light = np.max(np.where(weight > 0, y[good], -np.inf), axis=1)
    contrast = usual[good]
    for _ in range(12):
        u = (t - place[:, None]) / blur[:, None]
        bell = np.exp(-0.5 * u * u) * _PHI0 / blur[:, None]
        jac = np.stack(
            (np.ones_like(u), -ndtr(u), contrast[:, None] * bell, contrast[:, None] * bell * u),
            axis=-1,
        )
        r = y[good] - (light[:, None] - contrast[:, None] * ndtr(u))
        change = _solve(jac, r, weight, np.array([0.0, 0.0, 0.0, 1e-6]))
        light, contrast = light + change[:, 0], contrast + change[:, 1]
        place = place + np.clip(change[:, 2], -1, 1)
        blur = np.clip(blur + np.clip(change[:, 3], -0.3, 0.3), 0.3, 5.0)
    return float(np.clip(np.median(blur), 0.4, 4.0))


def _solve(jac: FloatArray, r: FloatArray, w: FloatArray, prior: FloatArray) -> FloatArray:
    weighted = jac * w[..., None]
    normal = np.matmul(weighted.transpose(0, 2, 1), jac)
    k = jac.shape[2]
    normal[:, np.arange(k), np.arange(k)] *= 1.0 + 1e-6
    normal[:, np.arange(k), np.arange(k)] += prior + 1e-9
    right = np.matmul(weighted.transpose(0, 2, 1), r[..., None])
    return np.asarray(np.linalg.solve(normal, right)[..., 0])


def _fit_step(
    y: FloatArray,
    t: FloatArray,
    start: FloatArray,
    blur: float,
    usual: FloatArray | float,
    *,
    rising: bool,
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """One edge: place, deviation, contrast, clear.  ``rising``: light grows with t."""
    reach = max(_REACH * blur, 3.0)
    columns = np.arange(-int(reach / _STEP_PX) - 1, int(reach / _STEP_PX) + 2)
    at = np.rint((start - t[0]) / _STEP_PX).astype(np.intp)
    index = at[:, None] + columns
    inside = (index >= 0) & (index < len(t))
    index = np.clip(index, 0, len(t) - 1)
    values, d = np.take_along_axis(y, index, axis=1), t[index]
    w = inside.astype(np.float64)
    side = 1.0 if rising else -1.0
    place = start.copy()
    low = np.where(w > 0, values, np.inf).min(axis=1)
    high = np.where(w > 0, values, -np.inf).max(axis=1)
    contrast = high - low
    for _ in range(6):
        u = side * (d - place[:, None]) / blur
        step = ndtr(u)
        bell = np.exp(-0.5 * u * u) * (_PHI0 / blur)
        r = values - low[:, None] - contrast[:, None] * step
        jac = np.stack((np.ones_like(u), step, -side * contrast[:, None] * bell), axis=-1)
        change = _solve(jac, r, w, np.zeros(3))
        low, contrast = low + change[:, 0], contrast + change[:, 1]
        move = np.clip(change[:, 2], -1.5, 1.5)
        place = np.clip(place + move, start - reach, start + reach)
        if np.abs(move).max(initial=0.0) < 0.003:
            break
    # Samples every half pixel of a linearly interpolated image: two count as about one.
    noise = np.sqrt((r * r * w).sum(axis=1) / np.maximum(w.sum(axis=1) / 2 - 3, 1.0) / 2)
    with np.errstate(all="ignore"):
        sigma = 1.88 * np.sqrt(blur) * noise / np.abs(contrast)
    sigma = np.nan_to_num(sigma, nan=9.0, posinf=9.0)
    ok = (
        (contrast > 0.45 * usual)
        & (contrast < 2.0 * usual)
        & (noise < _UNLIKE * np.abs(contrast))
        & (np.abs(place - start) < reach * 0.9)
        & (w.sum(axis=1) > 8)
    )
    return place, sigma, contrast, ok


def _fit_bar(
    y: FloatArray,
    t: FloatArray,
    edges: tuple[FloatArray, FloatArray],
    blur: float,
    usual: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, BoolArray]:
    """Both edges together: near, far, their deviations, contrast, clear."""
    near, far = edges
    n = len(y)
    reach = max(_REACH * blur, 3.0)
    span = float(np.max(far - near)) / 2 + reach
    columns = np.arange(-int(span / _STEP_PX) - 1, int(span / _STEP_PX) + 2)
    middle = (near + far) / 2
    index = np.rint((middle - t[0]) / _STEP_PX).astype(np.intp)[:, None] + columns
    inside = (index >= 0) & (index < len(t))
    index = np.clip(index, 0, len(t) - 1)
    values, d = np.take_along_axis(y, index, axis=1), t[index]
    w = (inside & (d >= near[:, None] - reach) & (d <= far[:, None] + reach)).astype(np.float64)
    a, b = near.copy(), far.copy()
    contrast = usual.copy()
    level = np.where(w > 0, values, -np.inf).max(axis=1)
    slope = np.zeros(n)
    noise = 0.02 * usual
    # A very thin line does not tell its width from its darkness: the usual darkness of the
    # same line decides then.
    tight = 0.12 * usual
    for _ in range(8):
        ua, ub = (d - a[:, None]) / blur, (d - b[:, None]) / blur
        pa, pb = ndtr(ua), ndtr(ub)
        ba = np.exp(-0.5 * ua * ua) * (_PHI0 / blur)
        bb = np.exp(-0.5 * ub * ub) * (_PHI0 / blur)
        e = d - middle[:, None]
        c = contrast[:, None]
        model = level[:, None] + slope[:, None] * e - c * (pa - pb)
        r = values - model
        jac = np.stack((np.ones_like(e), e, pb - pa, c * ba, -c * bb), axis=-1)
        variance = np.maximum(noise, 0.005 * usual) ** 2
        prior = np.zeros((n, 5))
        prior[:, 2] = variance / tight**2
        weighted = jac * w[..., None]
        normal = np.matmul(weighted.transpose(0, 2, 1), jac)
        diagonal = np.arange(5)
        normal[:, diagonal, diagonal] = normal[:, diagonal, diagonal] * (1 + 1e-6) + prior + 1e-9
        right = np.matmul(weighted.transpose(0, 2, 1), r[..., None])[..., 0]
        right[:, 2] += prior[:, 2] * (usual - contrast)
        change = np.linalg.solve(normal, right[..., None])[..., 0]
        level, slope = level + change[:, 0], slope + change[:, 1]
        contrast = np.clip(contrast + change[:, 2], 0.2 * usual, 3.0 * usual)
        a = np.clip(a + np.clip(change[:, 3], -1, 1), near - reach, far)
        b = np.clip(b + np.clip(change[:, 4], -1, 1), near, far + reach)
        noise = np.sqrt((r * r * w).sum(axis=1) / np.maximum(w.sum(axis=1) - 5, 1.0))
        if np.abs(change[:, 3:]).max(initial=0.0) < 0.003:
            break
    inverse = np.linalg.inv(normal)
    # Half-pixel samples of a linearly interpolated image: two count as about one.
    u_a = noise * np.sqrt(2 * np.maximum(inverse[:, 3, 3], 0))
    u_b = noise * np.sqrt(2 * np.maximum(inverse[:, 4, 4], 0))
    ok = (
        (contrast > 0.45 * usual)
        & (noise < _UNLIKE * usual)
        & (np.abs(a - near) < 0.9 * reach)
        & (np.abs(b - far) < 0.9 * reach)
        & (b > a)
    )
    return a, b, u_a, u_b, contrast, ok
