"""Where a step edge lies across a curve, to a small fraction of a pixel.

Around each curve point the raw pixels of a short strip across the edge are gathered, with
no interpolation, and each pixel's signed distance to the curve is the abscissa.  An error
function step with free levels and free blur is fitted by maximum likelihood; this reaches
the Cramer-Rao bound (a straight edge, L pixels long: 1.88 sqrt(blur / L) noise / contrast).
The image must be in linear light.  A blurred edge of radius R px lies blur^2 / (2 R) px
too far inward; that is left for the circle fit, which knows R, and ``blur_px`` is reported.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from digitize.photo.tone import linear_table

FloatArray = NDArray[np.float64]

_CHUNK = 1024  # strips at once: keeps the work arrays in the processor's cache
_ROUNDS = 12
_REWEIGH_AT = 4  # of these rounds
_LAGS = 3  # pixels over which neighbours are taken to be alike
_POOLED = 150  # strips that tell how much
_TINY_PX = 0.002  # a further step cannot matter
_LEAST_SIDE = 0.12  # of a strip's pixels that must lie on either side of its edge
_LEAST_BEHIND = 0.05  # and behind a band
_STANDS_OUT = 0.4  # of a band's larger step: the smaller one
_BAND_SHOWS = 0.5  # of what two levels leave unexplained, where a band is believed from the start
_ASSUMED_NOISE = 0.02  # of the contrast, to scale the two priors below
_SLOPE_SD = 0.15  # contrasts per pixel: how much the outside may slope
_BAND_SD = 1.0  # contrasts: how high a second edge may be
_PHI0 = 1.0 / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, eq=False)
class Edges:
    """One fitted step per curve point; distances count along the given normal."""

    offset_px: FloatArray  # (N,) from the curve point to the edge
    sigma_px: FloatArray  # (N,) standard deviation of the offset, from the fit's own noise
    blur_px: FloatArray  # (N,) one Gaussian sigma, pixel aperture included
    inside: FloatArray  # (N,) level on the side the normal comes from
    outside: FloatArray  # (N,) level just beyond the edge, where the normal points to
    noise: FloatArray  # (N,) standard deviation of the pixels about the fit
    band_px: FloatArray  # (N,) distance of a second edge outside; fitted if left free
    ok: NDArray[np.bool_]  # (N,) a clear edge, well inside the search range


def no_edges(count: int) -> Edges:
    """Places for ``count`` edges, none of them measured."""
    a, b, c, d, e, f, g = (np.zeros(count) for _ in range(7))
    return Edges(a, b, c, d, e, f, g, np.zeros(count, dtype=bool))


def locate(
    image: NDArray[Any],
    points_px: FloatArray,
    normals: FloatArray,
    *,
    reach_px: float = 5.0,
    along_px: int = 7,
    inside_px: FloatArray | None = None,
    outside_px: FloatArray | None = None,
    curvature_per_px: FloatArray | None = None,
    blur_range_px: tuple[float, float] = (0.3, 4.0),
    start_px: FloatArray | None = None,
    weights: FloatArray | None = None,
    sloping: bool = False,
    inner_band_px: FloatArray | None = None,
    outer_band_px: FloatArray | None = None,
    outer_band_sd_px: float | None = None,
    worst_sigma_px: float = 0.5,
) -> Edges:
    """Fit a blurred step across each of (N, 2) points along its unit normal (N, 2).

    ``image`` is (height, width) in linear light, or (height, width, 3) uint8 or uint16 as
    coded, of which ``weights`` (N, 3) times linear light is taken.

    Pixels from ``-reach_px`` to ``reach_px`` across and ``along_px`` pixel rows along the
    edge are used; ``inside_px`` and ``outside_px`` (N,) narrow the range point by point
    (both counted positive), for example to keep a second edge out.  ``start_px`` (N,) is a
    first guess of the offset; without it the best split of each strip is searched.

    ``curvature_per_px`` (N,) is positive where the inside is convex; without it a strip
    across a circle of radius R reads (along_px)^2 / (24 R) px too far inward.

    ``sloping`` lets the outside level change evenly with distance, as paper in contact
    shadow does; read as level, such an edge moves outward by half a pixel.

    ``inner_band_px`` and ``outer_band_px`` (N,) tell of a second edge so far inside or
    outside the first (0: none), such as the far side of a visible wall; its height is
    fitted, its distance believed, and the first edge is the one reported.  With
    ``outer_band_sd_px`` the outer distance is fitted too, with that prior deviation.
    """
    points = np.asarray(points_px, dtype=np.float64)
    normal = np.asarray(normals, dtype=np.float64)
    n = len(points)
    inner = np.full(n, reach_px) if inside_px is None else np.minimum(inside_px, reach_px)
    outer = np.full(n, reach_px) if outside_px is None else np.minimum(outside_px, reach_px)
    bend = np.zeros(n) if curvature_per_px is None else np.asarray(curvature_per_px, np.float64)
    parts = []
    colour = None if weights is None else np.asarray(weights, dtype=np.float32)
    for a in range(0, max(n, 1), _CHUNK):
        cut = slice(a, a + _CHUNK)
        x, y, distance, used = _strips(
            image.shape,
            points[cut],
            normal[cut],
            bend[cut],
            reach_px=reach_px,
            along_px=along_px,
        )
        used &= (distance >= -inner[cut, None, None]) & (distance <= outer[cut, None, None])
        values = _values(image, x, y, None if colour is None else colour[cut])
        start = None if start_px is None else np.asarray(start_px, np.float64)[cut]
        bands = [None if b is None else np.asarray(b)[cut] for b in (inner_band_px, outer_band_px)]
        extra = _Extra(sloping, bands[0], bands[1], outer_band_sd_px, worst_sigma_px)
        parts.append(
            _fit(values, distance, used, inner[cut], outer[cut], start, blur_range_px, extra)
        )
    return Edges(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Edges)))


@dataclass(frozen=True, eq=False)
class _Extra:
    """What else may be in a strip besides one step."""

    sloping: bool
    inner_band: FloatArray | None
    outer_band: FloatArray | None
    outer_sd: float | None
    worst_sigma: float


def _strips(
    shape: tuple[int, ...],
    points: FloatArray,
    normals: FloatArray,
    bend: FloatArray,
    *,
    reach_px: float,
    along_px: int,
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray, NDArray[np.bool_]]:
    """Column, row and signed distance of each strip's pixels, and which of them to use.

    All are (N, rows, across).
    """
    height, width = shape[:2]
    # Rows of pixels run along the image axis nearest to the normal, so that every strip has
    # the same number of them and none has to be interpolated.
    steep = np.abs(normals[:, 1]) >= np.abs(normals[:, 0])
    pu = np.where(steep, points[:, 0], points[:, 1])[:, None, None]
    pv = np.where(steep, points[:, 1], points[:, 0])[:, None, None]
    nu = np.where(steep, normals[:, 0], normals[:, 1])[:, None, None]
    nv = np.where(steep, normals[:, 1], normals[:, 0])[:, None, None]
    half = along_px // 2
    far = int(np.ceil(reach_px * np.sqrt(2.0))) + 1
    u = np.rint(pu) + np.arange(-half, half + 1)[None, :, None]
    v = np.rint(pv - nu / nv * (u - pu)) + np.arange(-far, far + 1)[None, None, :]
    across = nu * (u - pu) + nv * (v - pv)
    along_sq = (nu * (v - pv) - nv * (u - pu)) ** 2
    k = bend[:, None, None]
    # Distance to the osculating circle, written so that zero curvature is no special case.
    root = np.sqrt(np.maximum((1.0 + k * across) ** 2 + k * k * along_sq, 0.0))
    distance = (2.0 * across + k * (across**2 + along_sq)) / (1.0 + root)
    x = np.where(steep[:, None, None], u, v).astype(np.intp)
    y = np.where(steep[:, None, None], v, u).astype(np.intp)
    used = (x >= 0) & (x < width) & (y >= 0) & (y < height) & (along_sq <= (half + 0.71) ** 2)
    return np.clip(x, 0, width - 1), np.clip(y, 0, height - 1), distance, used


def _values(
    image: NDArray[Any], x: NDArray[np.intp], y: NDArray[np.intp], weights: NDArray[Any] | None
) -> FloatArray:
    if weights is None:
        return np.asarray(image[y, x], dtype=np.float64)
    coded = image[y, x]
    seen = np.take(linear_table(image.dtype), coded)
    return np.asarray(np.einsum("nrac,nc->nra", seen, weights), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Guess:
    """Where a strip's edge may be, (N,) each."""

    place: FloatArray
    inside: FloatArray  # level
    outside: FloatArray
    contrast: FloatArray  # over the edge itself: from the band, where one lies inside
    band: FloatArray  # how much brighter that is than what lies behind it


def _first_guess(
    values: FloatArray, distance: FloatArray, weight: FloatArray, band: FloatArray | None
) -> _Guess:
    """Best two-level split of each strip, or three-level where a ``band`` (N,) lies inside.

    A dark wall between metal and paper that are alike would draw a single step to either of
    its edges.
    """
    n = len(values)
    reach = int(np.ceil(np.abs(distance * weight).max(initial=1.0))) + 1
    bins = 2 * (2 * reach + 1)
    index = np.clip(np.floor((distance + reach) * 2.0), 0, bins - 1).astype(np.intp)
    flat = (index + (np.arange(n) * bins)[:, None, None]).ravel()
    count, total = (
        np.bincount(flat, w.ravel(), n * bins).astype(np.float64).reshape(n, bins)
        for w in (weight, weight * values)
    )
    c0, s0 = np.cumsum(count, axis=1)[:, :-1], np.cumsum(total, axis=1)[:, :-1]
    c1, s1 = count.sum(axis=1)[:, None] - c0, total.sum(axis=1)[:, None] - s0
    pixels = count.sum(axis=1)[:, None]
    least = _LEAST_SIDE * pixels
    with np.errstate(divide="ignore", invalid="ignore"):
        explained = np.where((c0 > least) & (c1 > least), s0**2 / c0 + s1**2 / c1, -np.inf)
    best = explained.argmax(axis=1)
    at = np.arange(n)
    inside = s0[at, best] / np.maximum(c0[at, best], 1e-9)
    outside = s1[at, best] / np.maximum(c1[at, best], 1e-9)
    two = _Guess((best + 1) / 2.0 - reach, inside, outside, outside - inside, np.zeros(n))
    if band is None or not np.any(band):
        return two
    power = (weight * values**2).sum(axis=(1, 2))
    return _with_band(two, (c0, s0, c1, s1), band, power, power - explained[at, best])


def _with_band(
    two: _Guess,
    sums: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    band: FloatArray,
    power: FloatArray,
    left: FloatArray,
) -> _Guess:
    """The best split into metal, a band so wide and paper, where that explains far more.

    ``sums`` (N, bins) are pixels and their values up to each half pixel and beyond it;
    ``power`` (N,) is the sum of squares, and ``left`` what two levels leave of it.
    """
    c0, s0, c1, s1 = sums
    n, places = c0.shape
    at, pixels = np.arange(n), c0[:, :1] + c1[:, :1]
    wide = np.rint(2.0 * band).astype(np.intp)[:, None]
    behind = np.arange(places) - wide
    before = np.maximum(behind, 0)
    ci, si = np.take_along_axis(c0, before, axis=1), np.take_along_axis(s0, before, axis=1)
    cb, sb = c0 - ci, s0 - si
    possible = (behind >= 0) & (wide > 0) & (cb > 0)
    possible &= (ci > _LEAST_BEHIND * pixels) & (c1 > _LEAST_SIDE * pixels)
    with np.errstate(divide="ignore", invalid="ignore"):
        explained = np.where(possible, si**2 / ci + sb**2 / cb + s1**2 / c1, -np.inf)
    best = explained.argmax(axis=1)
    metal, wall, paper = (
        np.asarray(s[at, best] / np.maximum(c[at, best], 1e-9))
        for s, c in ((si, ci), (sb, cb), (s1, c1))
    )
    # A band of a level in between is the blur, or shade on the paper; one edge explains that.
    up, down = wall - metal, wall - paper
    smaller, larger = np.minimum(np.abs(up), np.abs(down)), np.maximum(np.abs(up), np.abs(down))
    three = (up * down > 0.0) & (smaller > _STANDS_OUT * larger)
    three &= power - explained[at, best] < _BAND_SHOWS * np.maximum(left, 0.0)
    reach = (places + 1) // 4
    return _Guess(
        np.where(three, (best + 1) / 2.0 - reach, two.place),
        np.where(three, metal, two.inside),
        np.where(three, paper, two.outside),
        np.where(three, paper - wall, two.contrast),
        np.where(three, wall - metal, 0.0),
    )


def _fit(  # noqa: PLR0917
    values: FloatArray,
    distance: FloatArray,
    used: NDArray[np.bool_],
    inner: FloatArray,
    outer: FloatArray,
    start: FloatArray | None,
    blur_range: tuple[float, float],
    extra: _Extra,
) -> Edges:
    """Damped least squares (Levenberg 1944) for all strips at once."""
    n = len(values)
    guess = _first_guess(values, distance, used.astype(np.float64), extra.inner_band)
    low, place = guess.inside, guess.place if start is None else start.copy()
    margin = 0.5  # an edge nearer than this to the end of its strip has one level unseen
    lowest, highest = -inner + margin, np.maximum(outer - margin, -inner + margin)
    place = np.clip(place, lowest, highest)
    strip = _packed(values, distance, used, low=low, split=guess.contrast, extra=extra)
    terms = strip.ties.shape[1]
    kept = np.zeros((n, terms))
    kept[:, :4] = np.stack([np.zeros(n), guess.contrast, place, np.full(n, 0.9)], axis=1)
    term = strip.inner_term
    if term is not None:
        kept[:, term] = guess.band
    cost, normal, gradient = _normal_equations(strip, kept)
    damping = np.full(n, 1e-3)
    diagonal = np.arange(terms)
    active = np.arange(n)
    for turn in range(_ROUNDS):
        if turn == _REWEIGH_AT:
            # Rust is rough and paper is not: each side counts by its own scatter.
            strip = _reweighed(strip, kept)
            cost, normal, gradient = _normal_equations(strip, kept)
            damping, active = np.full(n, 1e-3), np.arange(n)
        now = kept[active]
        damped = normal[active]
        damped[:, diagonal, diagonal] *= 1.0 + damping[active, None]
        damped[:, diagonal, diagonal] += 1e-12
        step = np.linalg.solve(damped, gradient[active][:, :, None])[:, :, 0]
        step[:, 2] = np.clip(step[:, 2], -1.5, 1.5)
        moved = now + step
        moved[:, 2] = np.clip(moved[:, 2], lowest[active], highest[active])
        moved[:, 3] = np.clip(moved[:, 3], now[:, 3] * 0.5, now[:, 3] * 2.0)
        moved[:, 3] = np.clip(moved[:, 3], *blur_range)
        new_cost, new_normal, new_gradient = _normal_equations(strip.some(active), moved)
        better = new_cost <= cost[active]
        settled = (np.abs(moved[:, 2] - now[:, 2]) < _TINY_PX) | (damping[active] > 1e6)
        take = active[better]
        kept[take], cost[take] = moved[better], new_cost[better]
        normal[take], gradient[take] = new_normal[better], new_gradient[better]
        damping[active] *= np.where(better, 0.2, 8.0)
        active = active[~settled]
        if not len(active) and turn >= _REWEIGH_AT:
            break
    _, contrast, place, blur = kept.T[:4]
    count = used.sum(axis=(1, 2))
    variance = cost / np.maximum(count - terms, 1.0)
    inverse = np.linalg.inv(normal + np.eye(terms) * 1e-12)
    shared, total = _correlated(strip, kept, used, np.asarray(inverse))
    sigma = np.sqrt(np.maximum(variance * shared, 0.0))
    # Contrast of the best split, by its own scatter: the fitted one may be shared with a band.
    u_contrast = 2.0 * np.sqrt(variance * total / np.maximum(count, 1.0))
    ok = (
        (count >= 12)
        & (place > lowest + 1e-6)
        & (place < highest - 1e-6)
        & (np.abs(guess.contrast) > 5.0 * u_contrast)
        & (blur < blur_range[1] * 0.98)
        & (sigma < extra.worst_sigma)
    )
    return Edges(
        offset_px=place,
        sigma_px=sigma,
        blur_px=blur,
        inside=low + kept[:, 0],
        outside=low + kept[:, 0] + contrast + (0.0 if term is None else kept[:, term]),
        noise=np.sqrt(variance),
        band_px=_bands(strip, kept),
        ok=ok,
    )


@dataclass(frozen=True, eq=False)
class _Packed:
    """The used pixels of strips side by side, (N, P) single precision, and the model's terms."""

    values: NDArray[np.float32]  # less the first guess of the inside level
    distance: NDArray[np.float32]
    weight: NDArray[np.float32]  # root of the weight: about 1 for a pixel, 0 for filling
    order: NDArray[np.intp]  # (N, P) which of the strip's pixels each is
    shifts: tuple[FloatArray | None, ...]  # None: a ramp beyond the edge; else a band (N,)
    ties: FloatArray  # (N, terms) weak prior that ties a term to zero, on the contrast's scale
    free: bool  # the last term is what to add to the last band's distance

    @property
    def inner_term(self) -> int | None:
        """The term of a band inside the edge, if there is one."""
        inner = [k for k, s in enumerate(self.shifts, 4) if s is not None and s.min() < 0.0]
        return inner[0] if inner else None

    def some(self, rows: NDArray[np.intp]) -> _Packed:
        """Only these strips."""
        return _Packed(
            self.values[rows],
            self.distance[rows],
            self.weight[rows],
            self.order[rows],
            tuple(None if s is None else s[rows] for s in self.shifts),
            self.ties[rows],
            self.free,
        )


def _packed(
    values: FloatArray,
    distance: FloatArray,
    used: NDArray[np.bool_],
    *,
    low: FloatArray,
    split: FloatArray,
    extra: _Extra,
) -> _Packed:
    flat = used.reshape(len(used), used.shape[1] * used.shape[2])
    most = int(flat.sum(axis=1).max(initial=1))
    order = np.argsort(~flat, axis=1, kind="stable")[:, :most]
    y, d, w = (
        np.take_along_axis(a.reshape(flat.shape), order, axis=1).astype(np.float32)
        for a in (values - low[:, None, None], distance, used)
    )
    shifts: list[FloatArray | None] = [None] if extra.sloping else []
    for sign, band in ((-1.0, extra.inner_band), (1.0, extra.outer_band)):
        if band is not None and np.any(band):
            shifts.append(sign * np.asarray(band, np.float64))
    sizes = [_SLOPE_SD if s is None else _BAND_SD for s in shifts]
    ties = np.tile([0.0] * 4 + [(_ASSUMED_NOISE / size) ** 2 for size in sizes], (len(y), 1))
    free = extra.outer_sd is not None and len(shifts) > 0 and shifts[-1] is not None
    if free and extra.outer_sd is not None:
        tie = (_ASSUMED_NOISE * np.maximum(np.abs(split), 1e-6) / extra.outer_sd) ** 2
        ties = np.column_stack([ties, tie])
    return _Packed(y, d, w, order, tuple(shifts), ties, free)


def _bands(strip: _Packed, p: FloatArray) -> FloatArray:
    outer = strip.shifts[-1] if strip.shifts else None
    if outer is None or outer.max(initial=0.0) <= 0.0:
        return np.zeros(len(p))
    return outer + np.where(outer > 0, p[:, -1], 0.0) if strip.free else outer


def _model(
    strip: _Packed, p: FloatArray, jacobian: NDArray[np.float32] | None
) -> NDArray[np.float32]:
    """Levels (N, P) for parameters (N, terms); fills the Jacobian (N, terms, P) if given.

    The parameters are inside level, contrast, place, blur and the size of each further term.
    """
    low, contrast, place, blur = (c[:, None] for c in p.astype(np.float32).T[:4])
    u = (strip.distance - place) / blur
    step = ndtr(u)
    bell = np.exp(-0.5 * u * u) * np.float32(_PHI0)
    model = low + contrast * step
    by_place = (-contrast / blur) * bell
    by_blur = by_place * u
    for k, shift in enumerate(strip.shifts, 4):
        size = p[:, k, None].astype(np.float32)
        if shift is None:
            shape = blur * (u * step + bell)
            by_place -= size * step
            by_blur += size * bell
        else:
            there = (shift != 0).astype(np.float32)[:, None]
            last = strip.free and k == 3 + len(strip.shifts)
            away = shift + p[:, -1] if last else shift
            v = u - away.astype(np.float32)[:, None] / blur
            shape = ndtr(v) * there
            tail = (size / blur * there * np.float32(_PHI0)) * np.exp(-0.5 * v * v)
            by_place -= tail
            by_blur -= tail * v
            if last and jacobian is not None:
                jacobian[:, -1] = -tail
        model += size * shape
        if jacobian is not None:
            jacobian[:, k] = shape
    if jacobian is not None:
        jacobian[:, 0] = 1.0
        jacobian[:, 1] = step
        jacobian[:, 2] = by_place
        jacobian[:, 3] = by_blur
        jacobian *= strip.weight[:, None, :]
    return np.asarray(model)


def _normal_equations(strip: _Packed, p: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cost (N,), normal matrix (N, terms, terms) and gradient (N, terms)."""
    terms = p.shape[1]
    jacobian = np.empty((len(p), terms, strip.values.shape[1]), np.float32)
    residual = (strip.values - _model(strip, p, jacobian)) * strip.weight
    normal = np.matmul(jacobian, jacobian.transpose(0, 2, 1)).astype(np.float64)
    diagonal = np.arange(terms)
    normal[:, diagonal, diagonal] += strip.ties
    gradient = np.matmul(jacobian, residual[:, :, None])[:, :, 0] - strip.ties * p
    cost = np.einsum("np,np->n", residual, residual) + (p * p * strip.ties).sum(axis=1)
    return cost, normal, gradient


def _reweighed(strip: _Packed, p: FloatArray) -> _Packed:
    """The same pixels, each weighed by the scatter of its side of the edge."""
    u = (strip.distance - p[:, 2, None].astype(np.float32)) / p[:, 3, None].astype(np.float32)
    share, used = ndtr(u), strip.weight > 0
    square = np.where(used, (strip.values - _model(strip, p, None)) ** 2, 0.0)
    outer, inner = np.where(used, share, 0.0), np.where(used, 1.0 - share, 0.0)
    both = square.sum(axis=1) / np.maximum(used.sum(axis=1), 1)
    var_out = (square * outer).sum(axis=1) / np.maximum(outer.sum(axis=1), 1e-9)
    var_in = (square * inner).sum(axis=1) / np.maximum(inner.sum(axis=1), 1e-9)
    least = 0.05 * both + 1e-12  # a handful of pixels can be too even by chance
    var_in, var_out = (np.maximum(v, least)[:, None] for v in (var_in, var_out))
    weight = np.where(used, 1.0 / (inner * var_in + outer * var_out + 1e-12), 0.0)
    weight /= np.maximum(weight.sum(axis=1) / np.maximum(used.sum(axis=1), 1), 1e-12)[:, None]
    return replace(strip, weight=np.sqrt(weight).astype(np.float32))


def _correlated(
    strip: _Packed, p: FloatArray, used: NDArray[np.bool_], inverse: FloatArray
) -> tuple[FloatArray, float]:
    """Variance of the place (N,) per unit pixel variance, and of a mean per that of white noise.

    Demosaicing, in-camera smoothing and rust make neighbouring pixels alike.  Their
    autocorrelation, pooled over all strips, is carried through each pixel's influence on
    the place.  ``inverse`` (N, terms, terms) is that of the normal matrices.
    """
    jacobian = np.empty((len(p), p.shape[1], strip.values.shape[1]), np.float32)
    left = (strip.values - _model(strip, p, jacobian)) * strip.weight
    influence = np.einsum("nt,ntp->np", inverse[:, 2].astype(np.float32), jacobian)
    at_place = _spread(influence, strip, used)
    shared = (at_place * at_place).sum(axis=(1, 2)).astype(np.float64)
    least = 0.5 * shared
    some = np.arange(0, len(p), max(1, len(p) // _POOLED))
    few = strip.some(some)
    residual, inside = _spread(left[some], few, used[some]), used[some]
    # A fit leaves residuals that are less alike than the noise was: the hat matrix is what it
    # took. Its own lagged sums are added back.
    by = jacobian[some]
    solved = np.matmul(inverse[some].astype(np.float32), by)
    taken = [
        (_spread(by[:, k], few, inside), _spread(solved[:, k], few, inside))
        for k in range(p.shape[1])
    ]
    power = float((residual * residual).sum())
    if power <= 0.0:
        return shared, 1.0
    lags = [
        (along, across)
        for along in range(_LAGS + 1)
        for across in range(-_LAGS, _LAGS + 1)
        if along > 0 or across > 0
    ]
    sums = []
    for lag in lags:
        here, there = _lagged(*lag)
        pairs = float((inside[here] & inside[there]).sum())
        seen = float((residual[here] * residual[there]).sum())
        hat = sum(float((f[here] * g[there]).sum()) for f, g in taken)
        sums.append((max(pairs, 1.0), seen, hat))
    pairs, seen, hat = np.array(sums).T
    count, own = float(inside.sum()), sum(float((f * g).sum()) for f, g in taken)
    more, rho = 1.0, np.zeros(len(lags))
    for _ in range(4):
        # Noise that is alike lets the fit take up ``more`` of it than it would of white noise.
        variance = power / max(count - more * own, 0.3 * count)
        rho = (seen / variance + more * hat) / pairs
        # What chance alone makes of this few pairs says nothing.
        rho = np.where(np.abs(rho) > 1.5 / np.sqrt(pairs), np.clip(rho, -0.5, 1.0), 0.0)
        more = float(np.clip(1.0 + 2.0 * (rho @ hat) / max(own, 1e-9), 1.0, 6.0))
    for lag, r in zip(lags, rho, strict=True):
        here, there = _lagged(*lag)
        if abs(r) > 0.01:
            shared += 2.0 * r * (at_place[here] * at_place[there]).sum(axis=(1, 2))
    hidden = (count - own) / max(count - more * own, 0.3 * count)
    return np.maximum(shared, least) * hidden, max(float(1.0 + 2.0 * rho.sum()), 0.5) * hidden


def _lagged(along: int, across: int) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """Windows of a (N, rows, across) field and of the same field moved by a lag."""
    first, second = slice(None, -along or None), slice(along, None)
    if across >= 0:
        left, right = slice(None, -across or None), slice(across, None)
    else:
        left, right = slice(-across, None), slice(None, across)
    return (slice(None), first, left), (slice(None), second, right)


def _spread(
    packed: NDArray[np.float32], strip: _Packed, used: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Packed values (N, P) back at their places (N, rows, across), 0 elsewhere."""
    whole = np.zeros((len(packed), used.shape[1] * used.shape[2]), np.float32)
    np.put_along_axis(whole, strip.order, packed * (strip.weight > 0), axis=1)
    return whole.reshape(used.shape)
