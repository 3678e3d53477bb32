"""The hard shadow that a flat piece casts on the paper beside it.

In hard light the shadow of a plate of thickness t is the plate swept along one vector s,
t times the tangent of the lamp's zenith angle, pointing away from the lamp.  From above,
the band of shadow beside an edge with outward normal n is therefore s . n wide, less what
the top edge hides from the camera: a cosine law.  (A near lamp makes s grow evenly away
from its foot point; the law gets one more number.)  The vector is found from the colours
in the unrolled contour: for the true one, the bands on one side all hold the same smooth
dark paper and differ from the metal seen on the other side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.tracing.silhouette.strips import Contours, Strips, along_loops

FloatArray = NDArray[np.float64]

_STEEPEST = 3.5  # tangent of the lamp's zenith angle up to which shadows are looked for
_GUARD_PX = 1.5  # blurred pixels next to an edge belong to neither side
_CLIP = 3.0  # most that one pixel may say for or against
_DIRECTIONS = 24
_LENGTHS = 28
_NEAREST_LAMP_MM = 300.0
_BEYOND_PX = 10  # metal looked at beyond the shadow
_DARKEST, _BRIGHTEST = 0.07, 0.75  # of shadow over lit paper
_WALL_ALIKE = 0.35  # of the wall's seen width, that a shadow may differ by and be the wall
_WALL_PX = 5.0  # a wider wall shows by itself
_LEAST_GAIN = 0.6  # mean log likelihood ratio per shadow pixel of a real shadow


@dataclass(frozen=True, eq=False)
class CastShadow:
    """One lamp's shadow: ``vector_mm + growth * (x - origin_mm)`` at paper point x."""

    vector_mm: FloatArray  # (2,) from an edge to its shadow
    growth: float
    origin_mm: FloatArray  # (2,)
    level: FloatArray  # (3,) linear light over paper white in the shadow
    contrast: FloatArray  # (3,) channel weights that tell shadow from metal best (Fisher)
    gain: float  # mean log likelihood ratio per pixel, shadow against metal

    def at(self, points_mm: FloatArray) -> FloatArray:
        """Shadow vectors (N, 2) at paper points (N, 2)."""
        return np.asarray(self.vector_mm + self.growth * (points_mm - self.origin_mm))


def band_mm(vector_mm: FloatArray, hidden_mm: FloatArray, normals: FloatArray) -> FloatArray:
    """Width (N,) of the visible shadow beside edges with outward normals (N, 2).

    ``vector_mm`` (N, 2) or (2,) is the shadow vector, ``hidden_mm`` (N, 2) how far the top
    face seems shifted on the paper plane by the camera's own view.
    """
    cast = np.sum(vector_mm * normals, axis=-1)
    hidden = np.maximum(np.sum(hidden_mm * normals, axis=-1), 0.0)
    return np.asarray(np.maximum(cast - hidden, 0.0))


def dark_mm(vector_mm: FloatArray, hidden_mm: FloatArray, normals: FloatArray) -> FloatArray:
    """Width (N,) from the shadow's end to the top face, where a shadow shows; else 0.

    A wall seen between them is turned from the lamp and about as dark as the shadow.
    """
    visible = band_mm(vector_mm, hidden_mm, normals) > 0
    return np.where(visible, np.sum((vector_mm - hidden_mm) * normals, axis=-1), 0.0)


def may_be_wall(vector_mm: FloatArray, hidden_mm: FloatArray, pixel_mm: float) -> bool:
    """Whether what was taken for a shadow may as well be the piece's own wall, seen from above.

    A wall is as wide as the top face seems shifted (N, 2), on the sides turned to the camera's
    foot.  Behind a shadow that happens to be as wide there is a wall too, but a wall of few
    pixels does not show by itself.
    """
    shift = hidden_mm.mean(axis=0)
    wide = float(np.hypot(*shift))
    return wide < _WALL_PX * pixel_mm and bool(np.hypot(*(vector_mm + shift)) < _WALL_ALIKE * wide)


def light_outside(strips: Strips, contours: Contours) -> FloatArray:
    """Log of light over paper white (N,) on the paper where each row begins."""
    begin = strips.ratio[:, : max(2, int(0.3 / strips.step_mm))]
    logs = np.log(np.maximum(begin, 0.01)).mean(axis=(1, 2))
    return along_loops(logs, contours, 3.0)


def find_shadow(
    strips: Strips,
    contours: Contours,
    edge_mm: FloatArray,
    hidden_mm: FloatArray,
    *,
    thickness_mm: float,
    trusted: NDArray[np.bool_],
) -> CastShadow | None:
    """The cast shadow that explains the bands inside the outermost edge, if there is one.

    ``edge_mm`` (N,) is the outermost edge's place along the normal, ``hidden_mm`` (N, 2)
    the shift of the top face as the camera sees it, ``trusted`` (N,) the rows to learn from.
    """
    step = strips.step_mm
    logs = np.log(np.maximum(strips.ratio, 0.01)).astype(np.float64)
    inward = _from_edge(logs, (strips.outside_mm - edge_mm) / step)
    depth = inward.shape[1]
    usable = strips.seen & trusted
    best: tuple[float, FloatArray, FloatArray, float] | None = None
    longest = min(_STEEPEST * thickness_mm, (depth - 6) * step)
    shortest = max(2.5 * step, 0.12 * thickness_mm)
    few = np.flatnonzero(usable)
    if len(few) < 20 or longest <= shortest:
        return None  # so thin a piece casts none that could be told from its edge
    lengths = np.geomspace(shortest, longest, _LENGTHS)
    few = few[:: max(1, len(few) // 700)]
    normals, hidden = contours.normals[few], hidden_mm[few]
    pixels = inward[few]
    for angle in np.arange(_DIRECTIONS) * 2 * np.pi / _DIRECTIONS:
        way = np.array([np.cos(angle), np.sin(angle)])
        facing = normals @ way
        shaded, lit = facing > 0.75, facing < -0.05
        if shaded.sum() < 8 or lit.sum() < 8:
            continue
        gain = _gains(pixels, shaded, lit, 4)
        if gain is None:
            continue
        total = np.concatenate([np.zeros((len(few), 1)), np.cumsum(gain, axis=1)], axis=1)
        for turn in (-0.18, 0.0, 0.18):
            c, s = np.cos(angle + turn), np.sin(angle + turn)
            vectors = lengths[:, None] * np.array([c, s])
            score = _score(total, vectors, hidden, normals, step)
            k = int(score.argmax())
            if best is None or score[k] > best[0]:
                best = (float(score[k]), vectors[k], np.zeros(3), 0.0)
    if best is None or best[0] <= 0:
        return None
    return _refined(
        pixels,
        normals,
        hidden,
        best[1],
        step=step,
        points=contours.points_mm[few],
        longest=longest,
    )


def fitted(
    shadow: CastShadow,
    points_mm: FloatArray,
    normals: FloatArray,
    cast_mm: FloatArray,
    sigma_mm: FloatArray,
    *,
    thickness_mm: float,
    near_lamp: bool,
) -> tuple[CastShadow, float]:
    """The same shadow with its vector fitted to measured s . n (N,), and how badly it fits.

    Robust least squares in three unknowns, both parts of the vector and its growth away
    from the lamp's foot point.  The growth is t / (lamp height - t), so it is not negative,
    and lamps nearer than ``_NEAREST_LAMP_MM`` are not believed.  It is only let change for a
    ``near_lamp``: while the vector is still rough it would take up the wrong edges.
    """
    terms = np.column_stack([normals, np.sum((points_mm - shadow.origin_mm) * normals, axis=1)])
    most = thickness_mm / _NEAREST_LAMP_MM
    prior = np.diag([1e-6, 1e-6, (most / 2) ** -2.0])
    solution = np.array([*shadow.vector_mm, shadow.growth if near_lamp else 0.0])
    highest = most if near_lamp else 0.0
    spread = np.inf
    for _ in range(12):
        off = cast_mm - terms @ solution
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.01)
        scale = np.hypot(sigma_mm, spread)
        w = np.clip(1 - (off / (4 * scale)) ** 2, 0.0, None) ** 2 / scale**2
        normal, right = (terms.T * w) @ terms + prior, (terms.T * w) @ cast_mm
        solution = np.linalg.solve(normal, right)
        growth = float(np.clip(solution[2], 0.0, highest))
        if growth != solution[2]:
            solution[:2] = np.linalg.solve(normal[:2, :2], right[:2] - normal[:2, 2] * growth)
            solution[2] = growth
    found = replace(shadow, vector_mm=solution[:2], growth=float(solution[2]))
    # Bands read at the wrong edge can be explained by a very near lamp: prefer a far one.
    return found, spread * (1.0 + (found.growth / most) ** 2)


def _from_edge(logs: FloatArray, column: FloatArray) -> FloatArray:
    """Strips (N, D, 3) that begin at the outermost edge."""
    n, count = logs.shape[:2]
    first = np.clip(np.rint(column).astype(np.intp), 0, count - 1)
    depth = count - int(np.percentile(first, 95))
    at = np.minimum(first[:, None] + np.arange(depth), count - 1)
    return np.asarray(logs[np.arange(n)[:, None], at])


def _gains(
    pixels: FloatArray, shaded: NDArray[np.bool_], lit: NDArray[np.bool_], deep: int
) -> FloatArray | None:
    """Log likelihood ratio (N, D) of shadow against metal for every pixel.

    Shadow is learnt from the band just inside the edge on the shaded side, metal from the
    lit side, where nothing but metal can be.
    """
    guard = int(np.ceil(_GUARD_PX))
    shadow = pixels[shaded, guard : guard + max(deep - guard, 2)].reshape(-1, 3)
    metal = pixels[lit, guard + 1 : guard + 14].reshape(-1, 3)
    middle = np.median(shadow, axis=0)
    grey = float(middle.mean())
    if grey > np.log(0.85) or np.ptp(middle) > 0.6:
        return None
    like_shadow = _log_density(pixels, shadow, 0.03)
    like_metal = np.logaddexp(_log_density(pixels, metal, 0.06), -4.0)
    return np.asarray(np.clip(like_shadow - like_metal, -_CLIP, _CLIP))


def _log_density(pixels: FloatArray, sample: FloatArray, least: float) -> FloatArray:
    """Robust Gaussian log density (N, D) learnt from a sample (M, 3)."""
    middle = np.median(sample, axis=0)
    off = sample - middle
    size = np.abs(off).max(axis=1)
    kept = off[size <= np.percentile(size, 80)]
    spread = 1.6 * (kept.T @ kept) / max(len(kept), 1) + np.eye(3) * least**2
    inverse = np.linalg.inv(spread)
    d = pixels - middle
    return np.asarray(
        -0.5 * np.einsum("nki,ij,nkj->nk", d, inverse, d)
        - 0.5 * np.log(np.linalg.det(spread))
        - 2.757
    )


def _score(
    total: FloatArray, vectors: FloatArray, hidden: FloatArray, normals: FloatArray, step: float
) -> FloatArray:
    """What each of (V, 2) shadow vectors gains over no shadow (V,)."""
    shift = np.sum(hidden * normals, axis=1)
    width = (vectors @ normals.T - np.maximum(shift, 0.0)) / step
    most = total.shape[1] - 1
    end = np.clip(np.rint(width - 0.5).astype(np.intp), 0, most)
    begin = np.minimum(int(np.ceil(_GUARD_PX)), end)
    # What lies beyond must be metal; otherwise smooth metal passes for an endless shadow.
    # A visible wall in between, itself turned from the lamp, says nothing.
    wall = np.maximum(-shift, 0.0) / step
    after = np.rint(np.maximum(width, begin) + wall + 1.0).astype(np.intp)
    after = np.minimum(after, most)
    last = np.minimum(after + _BEYOND_PX, most)
    rows = np.arange(len(total))
    inside = total[rows, end] - total[rows, begin]
    return np.asarray((inside - total[rows, last] + total[rows, after]).sum(axis=1))


def _refined(
    pixels: FloatArray,
    normals: FloatArray,
    hidden: FloatArray,
    vector: FloatArray,
    *,
    step: float,
    points: FloatArray,
    longest: float,
) -> CastShadow | None:
    """Sharpen colours and vector together, and judge whether it is a shadow at all."""
    columns = np.arange(pixels.shape[1])
    wall = np.maximum(-np.sum(hidden * normals, axis=1), 0.0)[:, None] / step
    for spread in (0.35, 0.2, 0.1, 0.05):
        in_band, beyond = _sides(columns, band_mm(vector, hidden, normals) / step, wall)
        if in_band.sum() < 30 or beyond.sum() < 30:
            return None
        like_shadow = _log_density(pixels, pixels[in_band], 0.03)
        like_metal = np.logaddexp(_log_density(pixels, pixels[beyond], 0.06), -4.0)
        gain = np.clip(like_shadow - like_metal, -_CLIP, _CLIP)
        total = np.concatenate([np.zeros((len(gain), 1)), np.cumsum(gain, axis=1)], axis=1)
        length, angle = float(np.hypot(*vector)), float(np.arctan2(vector[1], vector[0]))
        lengths = np.minimum(length * np.exp(np.linspace(-spread, spread, 13)), longest)
        angles = angle + np.linspace(-spread, spread, 13)
        a, b = np.meshgrid(lengths, angles)
        tries = np.stack([a * np.cos(b), a * np.sin(b)], axis=-1).reshape(-1, 2)
        vector = tries[int(_score(total, tries, hidden, normals, step).argmax())]
    in_band, beyond = _sides(columns, band_mm(vector, hidden, normals) / step, wall)
    shaded: NDArray[np.bool_] = np.asarray(in_band.any(axis=1))
    beyond &= shaded[:, None]
    if in_band.sum() < 30 or beyond.sum() < 30:
        return None
    for_it, against = float(gain[in_band].mean()), float(-gain[beyond].mean())
    agreeing = float((np.where(in_band, gain, 0.0).sum(axis=1)[shaded] > 0).mean())
    level = np.exp(np.median(pixels[in_band], axis=0))
    plausible = _DARKEST < level.mean() < _BRIGHTEST
    if min(for_it, against) < _LEAST_GAIN or agreeing < 0.7 or not plausible:
        return None
    contrast = _fisher(np.exp(pixels[in_band]), np.exp(pixels[beyond]))
    gain_px = min(for_it, against)
    return CastShadow(vector, 0.0, points.mean(axis=0), level, contrast, gain_px)


def _fisher(a: FloatArray, b: FloatArray) -> FloatArray:
    """Weights (3,) whose sum over channels separates two samples (N, 3) best, per unit step."""
    within = np.cov(a.T) + np.cov(b.T) + 1e-4 * np.eye(3)
    w = np.linalg.solve(within, a.mean(axis=0) - b.mean(axis=0))
    return np.asarray(w / np.abs(w).sum())


def _sides(
    columns: NDArray[np.intp], width: FloatArray, wall: FloatArray
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Pixels (N, D) of bands ``width`` (N,) px wide, and of the metal behind them."""
    w = width[:, None]
    in_band = (columns >= _GUARD_PX) & (columns <= w - _GUARD_PX)
    beyond = (columns >= w + wall + _GUARD_PX) & (columns <= w + wall + _GUARD_PX + _BEYOND_PX)
    return in_band, beyond
