"""How bright white paper would be at every place of the photo.

The clean parts of a target's white squares, and paper of the work area that agrees with
them, give a smooth field: a cubic polynomial of the logarithm of linear light for each
channel.  Dividing by it takes lamp, vignetting and white balance out of the picture.
A shadow lying over part of the target is left out by a robust fit, not averaged in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet

FloatArray = NDArray[np.float64]

_POWERS = tuple((i, j) for i in range(4) for j in range(4 - i))
# What lamps, windows and lenses do across half a photo, as standard deviations of the log
# coefficients by order. They keep a small card from sending the field astray far from it.
_PRIOR_SD = np.array([(10.0, 0.3, 0.2, 0.05)[i + j] for i, j in _POWERS])
_SAMPLES = 14  # across one square
_FLOOR = 1e-4  # of full scale: below this a logarithm only shows noise


class PaperNotSeen(DigitizeError):
    """The target's white squares give no usable paper white."""

    exit_code = Exit.TARGET


@dataclass(frozen=True, eq=False)
class PaperLight:
    """The level of white paper over one photo, in linear light."""

    photo: Photo
    coefficients: FloatArray  # (10, 3) of log white per channel, in powers of (u, v)
    inlier_share: float  # of the target's white squares that follow the field
    scatter: float  # robust relative standard deviation of those squares about the field
    clipped_share: float  # of the squares' samples that are at full scale
    squares: int  # white squares used for the fit

    def white_at(self, points_px: FloatArray) -> FloatArray:
        """Paper white (N, 3), linear 0 to 1 and beyond, at pixels (N, 2)."""
        u, v = self._normal(points_px[:, 0], points_px[:, 1])
        return np.asarray(np.exp(_basis(u, v) @ self.coefficients))

    def white(self, x0: int, y0: int, x1: int, y1: int, step: int = 1) -> NDArray[np.float32]:
        """Paper white (rows, columns, 3) of a window, one value per ``step`` x ``step`` block."""
        columns, rows = (x1 - x0) // step, (y1 - y0) // step
        # The field is so smooth that every 16th value, linearly joined, is exact to 0.1 %.
        # One node more on every side keeps the joining from stopping half a node short.
        k, pad = (16, 1) if columns * rows > 40_000 else (1, 0)
        n_c, n_r = -(-columns // k), -(-rows // k)
        x = x0 + (np.arange(-pad, n_c + pad) + 0.5) * k * step - 0.5
        y = y0 + (np.arange(-pad, n_r + pad) + 0.5) * k * step - 0.5
        u, v = self._normal(x, y)
        field = np.empty((len(y), len(x), 3), np.float32)
        for channel in range(3):
            cubic = np.zeros((4, 4))
            for (i, j), c in zip(_POWERS, self.coefficients[:, channel], strict=True):
                cubic[j, i] = c
            field[..., channel] = np.exp(
                np.vander(v, 4, increasing=True) @ cubic @ np.vander(u, 4, increasing=True).T
            )
        if k == 1:
            return field
        size = (len(x) * k, len(y) * k)
        whole = cv2.resize(field, size, interpolation=cv2.INTER_LINEAR)
        return np.asarray(whole[k : k + rows, k : k + columns], np.float32)

    def ratio(self, x0: int, y0: int, x1: int, y1: int, step: int = 1) -> NDArray[np.float32]:
        """Photo over paper white, (rows, columns, 3), of a window in pixels.

        With ``step`` > 1 each value stands for a block of ``step`` x ``step`` pixels whose
        centre is pixel ``x0 + (column + 0.5) * step - 0.5``; incomplete blocks at the right
        and lower side are dropped.  Blocks are averaged as coded, which is good enough to
        find things and not to measure them.
        """
        if step == 1:
            linear = self.photo.linear_rgb(x0, y0, x1, y1)
        else:
            linear = reduced(self.photo, x0, y0, x1, y1, step=step)
        return np.asarray(linear / self.white(x0, y0, x1, y1, step), np.float32)

    def clipped(self, x0: int, y0: int, x1: int, y1: int, step: int = 1) -> NDArray[np.bool_]:
        """Where (rows, columns) any pixel of a window's blocks stands at full scale."""
        columns, rows = (x1 - x0) // step, (y1 - y0) // step
        coded = self.photo.rgb[y0 : y0 + rows * step, x0 : x0 + columns * step]
        # Whole rows first: maxima over three neighbouring bytes are slow.
        highest = coded.reshape(rows, step, columns * step * 3).max(axis=1)
        return np.asarray(
            highest.reshape(rows, columns, step * 3).max(axis=2) >= np.iinfo(coded.dtype).max
        )

    def _normal(self, x: NDArray[Any], y: NDArray[Any]) -> tuple[FloatArray, FloatArray]:
        width, height = self.photo.width_px, self.photo.height_px
        half = max(width, height) / 2
        return (x - (width - 1) / 2) / half, (y - (height - 1) / 2) / half


def reduced(photo: Photo, x0: int, y0: int, x1: int, y1: int, *, step: int) -> NDArray[np.float32]:
    """Linear RGB (rows, columns, 3) of a window, block-averaged as coded."""
    columns, rows = (x1 - x0) // step, (y1 - y0) // step
    coded = photo.rgb[y0 : y0 + rows * step, x0 : x0 + columns * step]
    small = cv2.resize(coded, (columns, rows), interpolation=cv2.INTER_AREA)
    return replace(photo, rgb=small).linear_rgb(0, 0, columns, rows)


def fit_paper_light(
    photo: Photo, camera: Camera, sheet: Sheet, scale_xy: tuple[float, float] = (1.0, 1.0)
) -> PaperLight:
    """The paper white of a photo from its target.

    ``scale_xy`` is printed over nominal size, where known; the default serves a target
    within 1.5 % of its size.  The fit is a maximum a posteriori polynomial with Tukey
    weights, started from the best of many minimal fits (Fischler and Bolles 1981) so that
    a shadow over less than half of the visible target does not bend it.

    Raises
    ------
    PaperNotSeen
        No white square of the target is in the photo, or its paper is nearly black.
    """
    points, values, clipped_share = _square_whites(photo, camera, sheet, scale_xy)
    if len(points) < 3:
        raise PaperNotSeen(
            "fewer than three white squares of the target are in the photo",
            do="take the photo again with more of the target in the frame",
        )
    if float(np.median(values.max(axis=1))) < 0.01:
        raise PaperNotSeen(
            "the photo is too dark to tell paper from ink",
            do="take it again with more light on the sheet",
        )
    light = PaperLight(photo, np.zeros((len(_POWERS), 3)), 1.0, 0.0, 0.0, 0)
    basis = _basis(*light._normal(points[:, 0], points[:, 1]))
    logs = np.log(np.maximum(values, _FLOOR))
    keep, scatter = _consensus(basis, logs)
    inlier_share = float(keep.mean())
    rows, targets = basis[keep], logs[keep]
    coefficients = _posterior(rows, targets, scatter)
    if sheet.work_area_mm is not None:
        inside, seen = _work_area(photo, camera, sheet, scale_xy)
        if len(inside):
            more = _basis(*light._normal(inside[:, 0], inside[:, 1]))
            seen_logs = np.log(np.maximum(seen, _FLOOR))
            off = seen_logs - more @ coefficients
            # Paper differs from the ring's paper by a few per cent of brightness and by
            # no colour; metal, rust, ink and shadow do not.
            like = (np.abs(off).max(axis=1) < 0.08) & (np.ptp(off, axis=1) < 0.05)
            rows, targets = np.vstack((rows, more[like])), np.vstack((targets, seen_logs[like]))
            for _ in range(4):
                residual = targets - rows @ coefficients
                size = np.abs(residual).max(axis=1)
                spread = max(1.4826 * float(np.median(size)), 0.005)
                weight = np.clip(1 - (size / (4.7 * spread)) ** 2, 0, None) ** 2
                coefficients = _posterior(rows, targets, spread, weight)
    return replace(
        light,
        coefficients=coefficients,
        inlier_share=inlier_share,
        scatter=scatter,
        clipped_share=clipped_share,
        squares=int(keep.sum()),
    )


def _basis(u: FloatArray, v: FloatArray) -> FloatArray:
    return np.column_stack([u**i * v**j for i, j in _POWERS])


def _posterior(
    basis: FloatArray, logs: FloatArray, scatter: float, weight: FloatArray | None = None
) -> FloatArray:
    """Coefficients (10, C) for samples of relative standard deviation ``scatter``."""
    w = np.ones(len(basis)) if weight is None else weight
    # Neighbouring squares share whatever makes them differ from the field, so their number
    # must not talk the prior down without limit.
    precision = min(1.0, 60.0 / max(w.sum(), 1.0)) / max(scatter, 0.01) ** 2
    normal = precision * (basis.T * w) @ basis + np.diag(_PRIOR_SD**-2.0)
    return np.asarray(np.linalg.solve(normal, precision * (basis.T * w) @ logs))


def _consensus(basis: FloatArray, logs: FloatArray) -> tuple[NDArray[np.bool_], float]:
    """Squares (N,) that follow one smooth field, and their scatter about it."""
    n = len(basis)
    grey = logs @ np.array([0.2126, 0.7152, 0.0722])
    rng = np.random.default_rng(0)
    prior = np.diag(_PRIOR_SD**-2.0)
    tolerance = 0.06
    best, best_cost = np.ones(n, dtype=bool), np.inf
    trials = min(300, 40 + 10 * n)
    picks = rng.integers(0, n, (trials, min(n, 8)))
    a = basis[picks]
    normal = np.einsum("tki,tkj->tij", a, a) / 0.02**2 + prior
    right = np.einsum("tki,tk->ti", a, grey[picks]) / 0.02**2
    trial = np.linalg.solve(normal, right[..., None])[..., 0]
    off = grey[None, :] - trial @ basis.T
    for row in off:
        cost = float(np.minimum((row / tolerance) ** 2, 1.0).sum())
        if cost < best_cost:
            best, best_cost = np.abs(row) < 1.5 * tolerance, cost
    scatter = 0.02
    for _ in range(5):
        fit = _posterior(basis[best], grey[best, None], scatter)[:, 0]
        residual = grey - basis @ fit
        scatter = max(1.4826 * float(np.median(np.abs(residual[best]))), 0.005)
        following = np.abs(residual) < max(4 * scatter, 0.03)
        if following.sum() < 3 or np.array_equal(following, best):
            break
        best = following
    return best, scatter


def _gather(photo: Photo, points_px: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Linear RGB (N, 3) of the nearest pixels and whether each is clipped; all in the frame."""
    column = np.rint(points_px[:, 0]).astype(np.intp)
    row = np.rint(points_px[:, 1]).astype(np.intp)
    coded = photo.rgb[row, column]
    linear = replace(photo, rgb=coded[None]).linear_rgb(0, 0, len(coded), 1)[0]
    return linear.astype(np.float64), coded.max(axis=1) >= np.iinfo(coded.dtype).max


def in_frame(photo: Photo, points_px: FloatArray, margin_px: float = 0.0) -> NDArray[np.bool_]:
    """Which pixels (N, 2) lie in the photo, ``margin_px`` from its sides."""
    x, y = points_px[:, 0], points_px[:, 1]
    return np.asarray(
        (x >= margin_px)
        & (y >= margin_px)
        & (x <= photo.width_px - 1 - margin_px)
        & (y <= photo.height_px - 1 - margin_px)
    )


def _square_whites(
    photo: Photo, camera: Camera, sheet: Sheet, scale_xy: tuple[float, float]
) -> tuple[FloatArray, FloatArray, float]:
    """Centres (N, 2) px of the visible white squares, their paper's colour (N, 3) and the
    share of samples at full scale."""
    squares = np.array(
        [
            (c, r)
            for c in range(sheet.columns)
            for r in range(sheet.rows)
            if sheet.printed(c, r) and not sheet.black(c, r)
        ],
        dtype=np.float64,
    )
    inset = np.linspace(0.1, 0.9, _SAMPLES)
    patch = np.stack(np.meshgrid(inset, inset), axis=-1).reshape(-1, 2)
    nominal = (squares[:, None, :] + patch) * sheet.square_mm * np.asarray(scale_xy)
    px = camera.to_px(nominal.reshape(-1, 2)).reshape(len(squares), -1, 2)
    whole = in_frame(photo, px.reshape(-1, 2)).reshape(len(squares), -1).all(axis=1)
    px = px[whole]
    if not len(px):
        return np.empty((0, 2)), np.empty((0, 3)), 0.0
    colour, at_top = _gather(photo, px.reshape(-1, 2))
    colour = colour.reshape(len(px), -1, 3)
    grey = colour.sum(axis=2)
    low, high = np.percentile(grey, (5, 90), axis=1)
    # Every white square carries a small dark mark: its paper is what lies above mid level.
    # Where the square holds nothing dark, noise must not be cut in half.
    level = np.where(low > 0.7 * high, 0.0, (low + high) / 2)
    bright = grey > level[:, None]
    ordered = np.sort(np.where(bright[..., None], colour, np.inf), axis=1)
    middle = ((bright.sum(axis=1) - 1) // 2)[:, None, None]
    white = np.take_along_axis(ordered, middle, axis=1)[:, 0]
    return px.mean(axis=1), white, float(at_top.mean())


def _work_area(
    photo: Photo, camera: Camera, sheet: Sheet, scale_xy: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Pixels (N, 2) spread over the ring's blank middle, and their colours (N, 3)."""
    area = sheet.work_area_mm
    assert area is not None
    x0, y0, x1, y1 = area
    edge = 0.1 * sheet.square_mm
    grid = np.stack(
        np.meshgrid(np.linspace(x0 + edge, x1 - edge, 48), np.linspace(y0 + edge, y1 - edge, 48)),
        axis=-1,
    ).reshape(-1, 2)
    px = camera.to_px(grid * np.asarray(scale_xy))
    px = px[in_frame(photo, px, margin_px=2.0)]
    if not len(px):
        return px, np.empty((0, 3))
    shifts = [(i, j) for i in (-1.0, 0.0, 1.0) for j in (-1.0, 0.0, 1.0)]
    return px, np.mean([_gather(photo, px + shift)[0] for shift in shifts], axis=0)
