"""X-corners to a few hundredths of a pixel: a least-squares fit of a blurred saddle.

Around an X-corner, light is

    (1 + e . d) * (b + a (S(u / s, v / s) + g (N(u / s) + N(v / s))))

with d the offset from the centre, u and v the distances from the two edges through it, s
the Gaussian blur, b and a the mean and the half step of light and dark, e a slow ramp of
the illumination, and S the blurred product of the signs of u and v: two error functions
multiplied (Yang et al. 2018, doi 10.3390/app8112118) where the edges cross at right
angles, and exact here for any angle.  N is S's slope across an edge, so that g says how
far dark has spread over light, from ink or from a tone curve.  Fitted to pixels in
linear light by Gauss-Newton with Levenberg's damping, all corners at once.  Only e and
the centre break the symmetry about the centre: ink spread, tone curve and sharpening do
not move it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from digitize.photo.photo import Photo
from digitize.photo.tone import LUMINANCE, linear
from digitize.sighting.corners import FloatArray
from digitize.sighting.noise import corner_sigma

BoolArray = NDArray[np.bool_]

UNKNOWNS = 10
ITERATIONS = 25
SMALLEST_WINDOW_PX = 2.35  # radius: 5 x 5 pixels still outnumber the ten unknowns
LARGEST_WINDOW_PX = 5.7  # as many pixels as 11 x 11
BLUR_KEPT_OUT = 0.8  # blurs by which the window stays away from what is not the corner
WIDEST_WINDOW_PX = 20.0  # in a blurred photo
SETTLED_PX = 0.003  # a step below this is far under the noise of any photo
LARGEST_TURN_RAD = np.radians(12.0)  # of both edges together
LARGEST_OPENING_RAD = np.radians(35.0)  # against each other, as ink spread and tone make them
LARGEST_MISFIT = 0.2  # over the half step: an edge of something else shows
ODD_MISFIT = 0.05  # the same, against what is usual in the photo and what noise feigns
LEAST_MODULATION = 0.15  # half step over mean light, against what is usual: shadow keeps it
LARGEST_SIGMA_PX = 0.5
FIRST_BLUR_PX = 1.2
LEAST_BLUR_PX = 0.28  # a pixel's own width, 1 / sqrt 12: drawn pictures may have no other
ROOT_HALF = np.sqrt(0.5)
ROOT_TWO_PI = np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, eq=False)
class Refined:
    """The fitted corners, in the order asked; fields are meaningless where not ``good``."""

    xy_px: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,) standard deviation per axis
    blur_px: FloatArray  # (N,)
    misfit: FloatArray  # (N,) rms of what is not noise in the residual, over the half step
    good: BoolArray  # (N,)


def refine(
    photo: Photo, near_px: FloatArray, edges_rad: FloatArray, clear_px: FloatArray
) -> Refined:
    """Fit a blurred saddle near each place.

    ``near_px`` (N, 2) is good to a few pixels.  ``edges_rad`` (N, 2) are the directions of
    the two edges, counter-clockwise with y up, the quadrant from the first to the second
    being dark.  ``clear_px`` (N,) is the radius about the corner that holds nothing else.
    """
    n = len(near_px)
    if n == 0:
        none = np.empty(0)
        return Refined(np.empty((0, 2)), none, none, none, np.empty(0, bool))
    window = np.clip(clear_px - BLUR_KEPT_OUT, SMALLEST_WINDOW_PX, LARGEST_WINDOW_PX)
    fit = _fit(photo, near_px, edges_rad, window)
    tried = fit.good if fit.good.any() else fit.blur_px > 0
    blur = float(np.median(fit.blur_px[tried])) if tried.any() else 0.0
    if 4.0 * blur > LARGEST_WINDOW_PX:  # a blurred photo: the saddle is wider than the window
        widest = min(max(4.6 * blur, LARGEST_WINDOW_PX), WIDEST_WINDOW_PX)
        window = np.clip(
            clear_px - BLUR_KEPT_OUT * blur, max(SMALLEST_WINDOW_PX, 1.5 * blur), widest
        )
        fit = _fit(photo, near_px, edges_rad, window, first_blur=blur)
    return fit


@dataclass(frozen=True, eq=False)
class _Windows:
    """Pixels about each corner, scaled so that one damping and one set of tests serve all."""

    values: FloatArray  # (N, P) linear light, less its mean, over its contrast
    weight: FloatArray  # (N, P) 1 inside the window, 0 outside
    offset: FloatArray  # (N,) the mean taken off, over the contrast: the ramp multiplies it too
    grid: tuple[FloatArray, FloatArray]  # x, y (P,) from the middle pixel
    radius: FloatArray  # (N,)
    start: FloatArray  # (N, 2) from the middle pixel
    edges: FloatArray  # (N, 2)
    usable: BoolArray  # (N,) not one flat grey


def _fit(
    photo: Photo,
    near: FloatArray,
    edges: FloatArray,
    radius: FloatArray,
    first_blur: float = FIRST_BLUR_PX,
) -> Refined:
    reach = int(np.ceil(radius.max()))
    middle = np.rint(near).astype(np.intp)
    inside = (middle >= reach).all(1)
    inside &= (middle < (photo.width_px - reach, photo.height_px - reach)).all(1)
    at = np.flatnonzero(inside)
    windows = _cut_out(photo, near[at], edges[at], radius[at], reach)
    fit = _solve(windows, first_blur)

    n = len(near)
    xy, good = np.zeros((n, 2)), np.zeros(n, bool)
    sigma, blur, misfit = np.zeros(n), np.zeros(n), np.zeros(n)
    xy[at], good[at] = middle[at] + fit.xy_px, fit.good
    sigma[at], blur[at], misfit[at] = fit.sigma_px, fit.blur_px, fit.misfit
    return Refined(xy, sigma, blur, misfit, good)


def _cut_out(
    photo: Photo,
    near: FloatArray,
    edges: FloatArray,
    radius: FloatArray,
    reach: int,
) -> _Windows:
    middle = np.rint(near).astype(np.intp)
    step = np.arange(-reach, reach + 1)
    dx, dy = (g.ravel() for g in np.meshgrid(step, step))
    # Only windows are turned to linear light: the whole photo would take longer than the fit.
    coded = photo.rgb[middle[:, 1, None] + dy, middle[:, 0, None] + dx]
    pixels = linear(coded).astype(np.float64) @ np.array(LUMINANCE)
    weight = (np.hypot(dx, dy) <= radius[:, None] + 0.5).astype(float)
    total = weight.sum(1)
    level = (weight * pixels).sum(1) / total
    contrast = np.sqrt((weight * (pixels - level[:, None]) ** 2).sum(1) / total)
    usable = contrast > 1e-6
    contrast = np.where(usable, contrast, 1.0)
    return _Windows(
        values=(pixels - level[:, None]) / contrast[:, None],
        weight=weight,
        offset=level / contrast,
        grid=(dx.astype(float), dy.astype(float)),
        radius=radius,
        start=near - middle,
        edges=edges,
        usable=usable,
    )


def _solve(windows: _Windows, first_blur: float) -> Refined:
    """Levenberg-Marquardt on all windows; those that have settled drop out."""
    values, weight, grid, offset = windows.values, windows.weight, windows.grid, windows.offset
    n, reach = len(values), float(grid[0].max())
    parameters = np.zeros((n, UNKNOWNS))
    parameters[:, 0:2] = windows.start
    parameters[:, 2:4] = windows.edges
    parameters[:, 5] = -1.0
    parameters[:, 8] = np.log(first_blur)
    model, jacobian = _saddle(parameters, grid, offset)
    cost = (weight * (values - model) ** 2).sum(1)
    damping = np.full(n, 1e-2)
    live = np.flatnonzero(windows.usable)
    for _ in range(ITERATIONS):
        if len(live) == 0:
            break
        w = weight[live]
        residual = w * (values[live] - model[live])
        j = jacobian[live]
        gradient = np.einsum("npk,np->nk", j, residual)
        hessian = np.matmul(np.swapaxes(j * w[:, :, None], 1, 2), j)
        diagonal = np.einsum("nkk->nk", hessian) + 1e-9
        damped = hessian + (damping[live, None] * diagonal)[:, :, None] * np.eye(UNKNOWNS)
        move = np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
        move[:, 8] = np.clip(move[:, 8], -0.7, 0.7)
        trial = parameters[live] + move
        trial[:, 8] = np.clip(trial[:, 8], np.log(LEAST_BLUR_PX), np.log(4.0 * reach))
        trial_model, trial_jacobian = _saddle(trial, grid, offset[live])
        trial_cost = (w * (values[live] - trial_model) ** 2).sum(1)
        better = trial_cost <= cost[live]
        taken = live[better]
        parameters[taken], cost[taken] = trial[better], trial_cost[better]
        model[taken], jacobian[taken] = trial_model[better], trial_jacobian[better]
        damping[live] = np.where(better, damping[live] * 0.2, damping[live] * 8.0)
        still = np.hypot(move[:, 0], move[:, 1]) > SETTLED_PX
        live = live[(still | ~better) & (damping[live] < 1e4)]
    return _judge(windows, parameters, model, jacobian)


def _saddle(
    parameters: FloatArray, grid: tuple[FloatArray, FloatArray], offset: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Model (N, P) and its derivatives (N, P, UNKNOWNS).

    Unknowns: centre x, y; the two edge directions; mean; half step; ramp x, y; log
    blur; spread of dark in units of the blur.
    """
    cx, cy, first, second, mean, half, ex, ey, log_blur, spread = (c[:, None] for c in parameters.T)
    x, y = grid[0] - cx, grid[1] - cy
    k = np.exp(-log_blur)
    c1, s1, c2, s2 = np.cos(first), np.sin(first), np.cos(second), np.sin(second)
    # An edge runs along (cos, -sin) in pixels; its left-hand distance is -(x sin + y cos).
    u, v = -k * (x * s1 + y * c1), k * (x * s2 + y * c2)
    skew = -np.cos(second - first)
    saddle, du, dv, dskew = _blurred_signs(u, v, skew)
    nu, nv = _slope(u), _slope(v)
    shape = saddle + spread * (nu + nv)
    du, dv = du - spread * u * nu, dv - spread * v * nv
    flat = mean + offset[:, None] + half * shape
    ramp = 1.0 + ex * x + ey * y
    h = half * ramp
    turn = np.sin(second - first) * dskew
    out = np.empty((*saddle.shape, UNKNOWNS))
    out[..., 0] = h * k * (s1 * du - s2 * dv) - ex * flat
    out[..., 1] = h * k * (c1 * du - c2 * dv) - ey * flat
    out[..., 2] = -h * (k * (x * c1 - y * s1) * du + turn)
    out[..., 3] = h * (k * (x * c2 - y * s2) * dv + turn)
    out[..., 4] = ramp
    out[..., 5] = ramp * shape
    out[..., 6] = x * flat
    out[..., 7] = y * flat
    out[..., 8] = -h * (u * du + v * dv)
    out[..., 9] = h * (nu + nv)
    return flat * ramp - offset[:, None], out


def _slope(u: FloatArray) -> FloatArray:
    """Derivative of erf(u / sqrt 2)."""
    return np.asarray(2.0 / ROOT_TWO_PI * np.exp(-0.5 * u * u))


GAUSS_LEGENDRE = tuple(zip(*np.polynomial.legendre.leggauss(3), strict=True))


def _blurred_signs(
    u: FloatArray, v: FloatArray, skew: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """sign(u) sign(v) blurred by a unit Gaussian, and its derivatives by u, v and skew.

    ``skew`` is the cosine between the normals of the two edges.  With none the answer is
    erf(u / sqrt 2) erf(v / sqrt 2); its derivative by skew is four times the bivariate normal
    density (Plackett 1954), which is integrated by a three-point Gauss rule.
    """
    saddle = erf(u * ROOT_HALF) * erf(v * ROOT_HALF)
    square, product = u * u + v * v, u * v
    for node, weight in GAUSS_LEGENDRE:
        part = 0.5 * skew * (1.0 + node)
        saddle += 0.5 * weight * skew * _density(square, product, part)
    narrow = 1.0 / np.sqrt(1.0 - skew * skew)
    du = _slope(u) * erf((v - skew * u) * narrow * ROOT_HALF)
    dv = _slope(v) * erf((u - skew * v) * narrow * ROOT_HALF)
    return saddle, du, dv, _density(square, product, skew)


def _density(square: FloatArray, product: FloatArray, skew: FloatArray) -> FloatArray:
    """Four times the bivariate normal density with correlation ``skew``."""
    rest = 1.0 - skew * skew
    return np.asarray(
        np.exp((skew * product - 0.5 * square) / rest) * (2.0 / np.pi) / np.sqrt(rest)
    )


def _judge(
    windows: _Windows, parameters: FloatArray, model: FloatArray, jacobian: FloatArray
) -> Refined:
    """Places from the middle pixels, and whether each fit can be believed."""
    weight, radius = windows.weight, windows.radius
    residual = weight * (windows.values - model)
    blur = np.exp(parameters[:, 8])
    half = np.maximum(np.abs(parameters[:, 5]), 1e-9)
    misfit = _structure(residual, weight) / half
    noise = np.sqrt((residual**2).sum(1) / np.maximum(weight.sum(1) - UNKNOWNS, 1.0)) / half
    turned = (parameters[:, 2:4] - windows.edges + np.pi) % (2 * np.pi) - np.pi
    turn, opening = np.abs(turned.sum(1) / 2), np.abs(turned[:, 1] - turned[:, 0])
    place = parameters[:, 0:2]
    moved = np.linalg.norm(place - windows.start, axis=1)
    good = windows.usable & (parameters[:, 5] < 0) & (misfit < LARGEST_MISFIT)
    # A print or a lens may be odd everywhere; something else than print is so at a few corners.
    modulation = half / np.maximum(parameters[:, 4] + windows.offset, 1e-9)
    if good.any():
        good &= modulation > LEAST_MODULATION * float(np.median(modulation[good]))
    if good.any():
        usual, feigned = float(np.median(misfit[good])), 0.7 * float(np.median(noise[good]))
        good &= misfit < ODD_MISFIT + 3.0 * usual + feigned
    good &= (turn < LARGEST_TURN_RAD) & (opening < LARGEST_OPENING_RAD)
    good &= moved < np.maximum(0.8 * radius, 1.5)
    good &= (np.abs(place) < radius[:, None]).all(1)
    good &= blur < 1.2 * radius
    sigma = corner_sigma(residual, jacobian, weight, good)
    good &= np.isfinite(sigma) & (sigma < LARGEST_SIGMA_PX)
    # Light falls off before the lens blurs, which moves the picture against the ramp.
    moved_back = parameters[:, 6:8] * (blur**2)[:, None]
    return Refined(place + moved_back, sigma, blur, misfit, good)


def _structure(residual: FloatArray, weight: FloatArray) -> FloatArray:
    """Rms (N,) of the part of a residual that averaging over 3 x 3 pixels leaves standing."""
    side = round(np.sqrt(residual.shape[1]))
    inner = np.zeros((len(residual), side - 2, side - 2))
    full = inner.copy()
    for dy in range(3):
        for dx in range(3):
            part = np.s_[:, dy : dy + side - 2, dx : dx + side - 2]
            inner += residual.reshape(-1, side, side)[part] / 9.0
            full += weight.reshape(-1, side, side)[part] / 9.0
    count = np.maximum((full > 0.99).sum((1, 2)), 1)
    power = np.where(full > 0.99, inner**2, 0.0).sum((1, 2)) / count
    noise = (residual**2).sum(1) / np.maximum(weight.sum(1), 1.0) / 9.0
    return np.asarray(np.sqrt(np.maximum(power - noise, 0.0) * 9.0 / 8.0), np.float64)
