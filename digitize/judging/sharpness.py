"""How sharp the target's corners are, in every direction.

A photo out of focus is blurred alike in all directions; a camera that moved blurs along
its way.  Both are one Gaussian with a covariance (2, 2) in pixels: an edge with normal n
is as blurred as n . C n says, and where two edges cross, n . C m is the correlation that
rounds the saddle off one way more than the other.  So crossings of edges that run only
two ways show blur along any direction.  All corners are fitted together, in linear light.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import erf

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.photo.tone import LUMINANCE, linear
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]

_MOST_CORNERS = 48
_FEWEST_CORNERS = 6
_CLEAR = {True: 0.26, False: 0.42}  # of a square: what marks (or only corners) leave free
_WIDEST_PX = 12
_SEEN_OF_BLUR = 2.2  # standard deviations to either side that show a blur's size
_PIXEL_VARIANCE = 1 / 12  # a pixel averages over its own width
_MOST_CORRELATED = 0.98  # edges that cross: beyond it the saddle is a line
_LEAST_CONTRAST = 1e-6
_GAUSS_LEGENDRE = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True, slots=True)
class Sharpness:
    """Gaussian blur of the target's edges, one sigma."""

    blur_px: float  # geometric mean of all directions
    farthest_blur_px: float  # the same in the quarter of the target that is least sharp
    motion_px: float  # length of the way that would blur so, if the camera moved evenly
    direction_deg: float  # of the way, from x toward y down


def measure(photo: Photo, sighting: Sighting, camera: Camera) -> Sharpness | None:
    """The blur at a target's corners.

    None where fewer than six can be looked at, and where marks leave too little of a wide
    blur to be seen.
    """
    windows = _windows(photo, sighting, camera)
    if windows is None:
        return None
    first = float(np.log(max(sighting.blur_px, 0.4)))
    whole = _fitted(windows, np.array([first, first, 0.0, 0.0, 0.0]))
    spread = _covariance(whole)
    (small, large), axes = np.linalg.eigh(spread)
    if not windows.show(_mean_blur(spread)):
        return None
    quarters = [q for q in windows.quarters() if q.show(_mean_blur(spread))]
    blurs = [_mean_blur(_covariance(_fitted(q, whole))) for q in quarters]
    return Sharpness(
        blur_px=_mean_blur(spread),
        farthest_blur_px=max([_mean_blur(spread), *blurs]),
        motion_px=float(np.sqrt(12 * (large - small))),
        direction_deg=float(np.degrees(np.arctan2(axes[1, 1], axes[0, 1])) % 180),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """Linear light about corners, with each pixel's place between the two edges."""

    centres_px: FloatArray  # (N, 2)
    normals: FloatArray  # (N, 2, 2) unit normals of the edges along sheet y and sheet x
    distances: FloatArray  # (N, P, 2) px from the two edges, along the normals
    values: FloatArray  # (N, P)
    weight: FloatArray  # (N, P) 1 where nothing but the two edges is seen, else 0
    dark: FloatArray  # (N,) +1 where the quadrant between both normals is dark, else -1

    def chosen(self, keep: NDArray[np.bool_]) -> _Windows:
        return _Windows(
            self.centres_px[keep],
            self.normals[keep],
            self.distances[keep],
            self.values[keep],
            self.weight[keep],
            self.dark[keep],
        )

    def show(self, blur_px: float) -> bool:
        """Whether enough windows are wide enough for a blur."""
        if len(self.centres_px) < _FEWEST_CORNERS:
            return False
        radius = (np.sqrt(np.median(self.weight.sum(axis=1))) - 1) / 2
        return bool(radius >= _SEEN_OF_BLUR * blur_px)

    def quarters(self) -> list[_Windows]:
        """The windows of each quarter of the target."""
        right, low = (self.centres_px > np.median(self.centres_px, axis=0)).T
        return [
            self.chosen((right == a) & (low == b)) for a in (False, True) for b in (False, True)
        ]


def _windows(photo: Photo, sighting: Sighting, camera: Camera) -> _Windows | None:
    square, sheet = sighting.sheet.square_mm, sighting.sheet
    step = 0.02 * square
    at = sighting.corners_mm
    along = [
        (camera.to_px(at + step * d) - camera.to_px(at - step * d)) / (2 * step) for d in np.eye(2)
    ]
    sides = square * np.min([np.linalg.norm(a, axis=1) for a in along], axis=0)
    # Marks are blurred, too, and begin that much earlier.
    clear = _CLEAR[sighting.marks_read > 0] * sides - 0.7 * sighting.blur_px
    reach = int(np.clip(np.percentile(clear, 90), 2, _WIDEST_PX))
    size = np.array([photo.width_px, photo.height_px])
    middle = np.rint(sighting.corners_px).astype(np.intp)
    keep = ((middle >= reach) & (middle < size - reach)).all(axis=1)
    keep &= np.isfinite(np.hstack(along)).all(axis=1)
    chosen = np.flatnonzero(keep)
    if len(chosen) < _FEWEST_CORNERS:
        return None
    chosen = chosen[np.linspace(0, len(chosen) - 1, min(len(chosen), _MOST_CORNERS)).astype(int)]
    offsets = np.arange(-reach, reach + 1)
    dx, dy = (g.ravel() for g in np.meshgrid(offsets, offsets))
    middle = middle[chosen]
    coded = photo.rgb[middle[:, 1, None] + dy, middle[:, 0, None] + dx]
    places = np.stack([dx, dy], axis=1) + (middle - sighting.corners_px[chosen])[:, None, :]
    x_way, y_way = along[0][chosen], along[1][chosen]
    normals = np.stack([_across(y_way, x_way), _across(x_way, y_way)], axis=1)
    nodes = np.round(at[chosen] / square).astype(int)
    dark = [1.0 if sheet.black(i, j) else -1.0 for i, j in nodes.tolist()]
    return _Windows(
        sighting.corners_px[chosen],
        normals,
        np.einsum("npk,nmk->npm", places, normals),
        linear(coded).astype(np.float64) @ np.array(LUMINANCE),
        (np.abs(places).max(axis=2) <= np.maximum(clear[chosen], 2.0)[:, None]).astype(float),
        np.array(dark),
    )


def _across(edge: FloatArray, toward: FloatArray) -> FloatArray:
    """Unit normals (N, 2) of edges, on the side of another direction."""
    normal = np.stack([-edge[:, 1], edge[:, 0]], axis=1)
    normal *= np.sign((normal * toward).sum(axis=1))[:, None]
    return np.asarray(normal / np.linalg.norm(normal, axis=1)[:, None])


def _fitted(windows: _Windows, first: FloatArray) -> FloatArray:
    """Log standard deviations, shear, ink and bridge (5,) of some windows, from a first guess."""

    def misfit(unknowns: FloatArray) -> FloatArray:
        shape = _saddle(windows, _spread(unknowns), unknowns[3], unknowns[4])
        return np.asarray(_leftover(shape, windows).ravel())

    def slopes(unknowns: FloatArray) -> FloatArray:
        shape = _saddle(windows, _spread(unknowns), unknowns[3], unknowns[4])
        return _leftover_slopes(shape, _saddle_slopes(windows, unknowns), windows)

    # A window says little of a blur wider than itself.
    widest = float(np.abs(windows.distances).max())
    top, side = np.log(widest), 0.8 * widest
    low = np.array([np.log(0.2), np.log(0.2), -side, -1.0, -0.5])
    high = np.array([top, top, side, 1.0, 0.5])
    inside = 0.01 * (high - low)
    found = least_squares(  # type: ignore[operator]  # taken for the module of that name
        misfit,
        np.clip(first, low + inside, high - inside),
        jac=slopes,
        bounds=(low, high),
        loss="soft_l1",
        f_scale=0.05,
        xtol=1e-4,
        ftol=1e-5,
        max_nfev=30,
    )
    return np.asarray(found.x)


def _covariance(unknowns: FloatArray) -> FloatArray:
    """Blur covariance (2, 2) in px^2, a pixel's own averaging taken off."""
    spread = _spread(unknowns) - _PIXEL_VARIANCE * np.eye(2)
    values, axes = np.linalg.eigh(spread)
    return np.asarray((axes * np.maximum(values, 1e-4)) @ axes.T)


def _spread(unknowns: FloatArray) -> FloatArray:
    """Covariance (2, 2) from log standard deviations along x and across, and a shear."""
    root = np.array([[np.exp(unknowns[0]), 0.0], [unknowns[2], np.exp(unknowns[1])]])
    return np.asarray(root @ root.T)


def _spread_slopes(unknowns: FloatArray) -> FloatArray:
    """Derivatives (3, 2, 2) of that covariance by its three unknowns."""
    root = np.array([[np.exp(unknowns[0]), 0.0], [unknowns[2], np.exp(unknowns[1])]])
    moved = np.zeros((3, 2, 2))
    moved[0, 0, 0], moved[1, 1, 1], moved[2, 1, 0] = root[0, 0], root[1, 1], 1.0
    half = moved @ root.T
    return np.asarray(half + half.transpose(0, 2, 1))


def _saddle(windows: _Windows, spread: FloatArray, ink: float, bridge: float) -> FloatArray:
    """Light (N, P) about each corner, from -1 to 1, blurred by a covariance.

    sign(u) sign(v) under a bivariate Gaussian: erf(u) erf(v) and, for the correlation,
    the integral of four times the density over it (Plackett 1954).  ``ink`` lets dark
    spread over light, or the other way round; ``bridge`` lets it round the saddle off from
    dark to dark, as marks beside it do, too, whichever way that lies.
    """
    across = np.einsum("nik,kl,njl->nij", windows.normals, spread, windows.normals)
    width = np.sqrt(np.einsum("nii->ni", across))
    u, v = np.moveaxis(windows.distances / width[:, None, :], -1, 0)
    correlation = across[:, 0, 1] / (width[:, 0] * width[:, 1]) + windows.dark * bridge
    correlation = np.clip(correlation, -_MOST_CORRELATED, _MOST_CORRELATED)[:, None]
    saddle = erf(u / np.sqrt(2)) * erf(v / np.sqrt(2))
    for node, weight in zip(*_GAUSS_LEGENDRE, strict=True):
        part = correlation * (1 + node) / 2
        rest = 1 - part**2
        exponent = (part * u * v - (u**2 + v**2) / 2) / rest
        saddle += weight / 2 * correlation * 2 / np.pi * np.exp(exponent) / np.sqrt(rest)
    lines = np.exp(-(u**2) / 2) + np.exp(-(v**2) / 2)
    return np.asarray(-windows.dark[:, None] * saddle - ink * lines)


def _saddle_slopes(windows: _Windows, unknowns: FloatArray) -> FloatArray:
    """Derivatives (5, N, P) of ``_saddle`` by the unknowns of ``_fitted``.

    Under the Gaussian, the mean of sign(u) sign(v) changes by u as the density of u times
    the mean of sign(v) given u, and by the correlation as four times the joint density.
    """
    ink, bridge = unknowns[3], unknowns[4]
    across = np.einsum("nik,kl,njl->nij", windows.normals, _spread(unknowns), windows.normals)
    width = np.sqrt(np.einsum("nii->ni", across))
    u, v = np.moveaxis(windows.distances / width[:, None, :], -1, 0)
    own = across[:, 0, 1] / (width[:, 0] * width[:, 1])
    free = np.abs(own + windows.dark * bridge) < _MOST_CORRELATED
    correlation = np.clip(own + windows.dark * bridge, -_MOST_CORRELATED, _MOST_CORRELATED)
    correlation, dark = correlation[:, None], windows.dark[:, None]
    rest = 1 - correlation**2
    line_u, line_v = np.exp(-(u**2) / 2), np.exp(-(v**2) / 2)
    by_u = np.sqrt(2 / np.pi) * line_u * erf((v - correlation * u) / np.sqrt(2 * rest))
    by_v = np.sqrt(2 / np.pi) * line_v * erf((u - correlation * v) / np.sqrt(2 * rest))
    joint = np.exp((correlation * u * v - (u**2 + v**2) / 2) / rest)
    by_correlation = -dark * free[:, None] * 2 / np.pi * joint / np.sqrt(rest)
    wider_u = u * (dark * by_u - ink * u * line_u)
    wider_v = v * (dark * by_v - ink * v * line_v)
    slopes = np.empty((5, *u.shape))
    for k, step in enumerate(_spread_slopes(unknowns)):
        moved = np.einsum("nik,kl,njl->nij", windows.normals, step, windows.normals)
        share = np.einsum("nii->ni", moved) / (2 * width**2)
        turned = moved[:, 0, 1] / (width[:, 0] * width[:, 1]) - own * share.sum(axis=1)
        slopes[k] = (
            share[:, :1] * wider_u + share[:, 1:] * wider_v + turned[:, None] * by_correlation
        )
    slopes[3] = -(line_u + line_v)
    slopes[4] = dark * by_correlation
    return slopes


def _leftover(shape: FloatArray, windows: _Windows) -> FloatArray:
    """Residual (N, P) of each window's best mean and contrast, in units of its contrast."""
    weight = windows.weight
    total = weight.sum(axis=1, keepdims=True)
    flat = shape - (weight * shape).sum(axis=1, keepdims=True) / total
    seen = windows.values - (weight * windows.values).sum(axis=1, keepdims=True) / total
    contrast = (weight * flat * seen).sum(axis=1) / (weight * flat**2).sum(axis=1)
    return np.asarray(weight * (seen / np.maximum(contrast, _LEAST_CONTRAST)[:, None] - flat))


def _leftover_slopes(shape: FloatArray, slopes: FloatArray, windows: _Windows) -> FloatArray:
    """Derivatives (N * P, K) of ``_leftover`` by what moves the shape by ``slopes`` (K, N, P)."""
    weight = windows.weight
    total = weight.sum(axis=1, keepdims=True)
    flat = shape - (weight * shape).sum(axis=1, keepdims=True) / total
    seen = windows.values - (weight * windows.values).sum(axis=1, keepdims=True) / total
    power = (weight * flat**2).sum(axis=1)
    contrast = (weight * flat * seen).sum(axis=1) / power
    # The mean drops out of both sums: flat and seen have none.
    along = np.einsum("np,knp->kn", weight * (seen - 2 * contrast[:, None] * flat), slopes)
    along = np.where(contrast > _LEAST_CONTRAST, along / power, 0.0)
    level = np.maximum(contrast, _LEAST_CONTRAST)
    means = np.einsum("np,knp->kn", weight, slopes) / total[:, 0]
    moved = -(along / level**2)[..., None] * seen - (slopes - means[..., None])
    return np.asarray((weight * moved).reshape(len(slopes), -1).T)


def _mean_blur(spread: FloatArray) -> float:
    return float(np.linalg.det(spread) ** 0.25)
