"""One edge out of several photos: a base curve moved to where they say it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d  # type: ignore[attr-defined]

from digitize.stitching.stretches import Reading, Stretches, read_along
from digitize.tracing.traces import BRIDGED, CUT, MEASURED

FloatArray = NDArray[np.float64]

_REACH_MM = (2.0, 1.0)  # of each round: how far an edge may lie from the base curve
_BEST = 2  # power of the usual weights: the surest photo is heard most
_BLEND_MM = 4.0  # standard deviation, along the edge, of how the photos' shares change
_CORNER_MM = 1.0  # chord that directions are taken over
_DISAGREE = 4.0  # standard deviations, of two photos from one another
_DISAGREE_MM = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """A closed edge out of several photos, metal on the left."""

    points_mm: FloatArray  # (N, 2)
    points_px: FloatArray  # (N, 2) in the photo that had most to say
    photo: NDArray[np.intp]  # (N,) which that is; -1 where none
    evidence: NDArray[np.uint8]  # (N,) CUT where no photo shows the edge
    u_mm: FloatArray  # (N,) random part, and what the photos disagree by
    placing_u_mm: FloatArray  # (N,) the cameras' part
    apart_mm: FloatArray  # (N,) how far photos lie apart beyond their uncertainty; 0 mostly


def joined(ring_mm: FloatArray, photos: list[list[Stretches]], spacing_mm: float) -> Joined:
    """The edge round a rough ring (N, 2), metal on its left, from the loops of each photo.

    Readings across the edge are averaged with weights that favour the photo that saw it
    best and change smoothly along it, so that one photo passes into the next without a step.
    """
    base = _spaced(ring_mm, spacing_mm)
    for reach_mm in _REACH_MM:
        along = directions(base, spacing_mm)
        readings = [read_along(base, along, parts, reach_mm) for parts in photos]
        shares = _shares(readings, spacing_mm)
        known = shares.sum(axis=0) > 0
        offsets = np.nan_to_num(np.stack([r.offset_mm for r in readings]))
        moved = _carried(np.sum(shares[..., None] * offsets, axis=0), known)
        base = base + moved
        across = np.column_stack([along[:, 1], -along[:, 0]])
        left = np.sum((offsets - moved) * across, axis=2)
    return _joined(base, readings, shares, left)


def _joined(
    base: FloatArray, readings: list[Reading], shares: FloatArray, left: FloatArray
) -> Joined:
    known = shares.sum(axis=0) > 0
    best = np.where(known, shares.argmax(axis=0), -1)
    station = np.arange(len(base))

    def of_best(name: str) -> FloatArray:
        return np.asarray(np.stack([getattr(r, name) for r in readings])[best, station])

    measured = np.stack([r.measured for r in readings])
    seen = np.sum(shares * measured, axis=0) > 0.5
    evidence = np.where(seen, MEASURED, BRIDGED).astype(np.uint8)
    evidence[~known] = CUT
    noise = np.stack([np.nan_to_num(r.noise_u_mm) for r in readings])
    total = np.stack([np.where(np.isfinite(r.u_mm), r.u_mm, 0.0) for r in readings])
    spread = np.sqrt(np.sum(shares * left**2, axis=0))
    apart = _apart(shares, left, total)
    placing = np.stack([np.nan_to_num(r.placing_u_mm) for r in readings])
    return Joined(
        points_mm=base,
        points_px=of_best("points_px"),
        photo=best.astype(np.intp),
        evidence=evidence,
        u_mm=np.where(apart > 0, spread, np.sqrt(np.sum((shares * noise) ** 2, axis=0))),
        # The cameras share lens and layout: their errors do not average out.
        placing_u_mm=np.sum(shares * placing, axis=0),
        apart_mm=apart,
    )


def _apart(shares: FloatArray, left: FloatArray, total: FloatArray) -> FloatArray:
    """How far the two photos with most to say lie apart (B,), where it is too far."""
    if len(shares) < 2:
        return np.zeros(shares.shape[1])
    order = np.argsort(-shares, axis=0)[:2]
    station = np.arange(shares.shape[1])
    first, second = order
    both = (shares[first, station] > 0) & (shares[second, station] > 0)
    gap = np.abs(left[first, station] - left[second, station])
    u = np.hypot(total[first, station], total[second, station])
    return np.where(both & (gap > np.maximum(_DISAGREE * u, _DISAGREE_MM)), gap, 0.0)


def _shares(readings: list[Reading], spacing_mm: float) -> FloatArray:
    """How much each photo is heard at each station (P, B); sums to one, or nought."""
    weights = np.stack(
        [np.where(np.isfinite(r.u_mm), (r.say / r.u_mm**2) ** _BEST, 0.0) for r in readings]
    )
    total = weights.sum(axis=0)
    shares = np.divide(weights, total, out=np.zeros_like(weights), where=total > 0)
    # Smooth shares, each kept to nothing where its photo says nothing.
    smooth = gaussian_filter1d(shares, _BLEND_MM / spacing_mm, axis=1, mode="wrap")
    smooth *= np.stack([r.say * np.isfinite(r.u_mm) for r in readings])
    total = smooth.sum(axis=0)
    return np.asarray(np.divide(smooth, total, out=np.zeros_like(smooth), where=total > 1e-9))


def _carried(values: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    """Values (B, 2) joined straight over stations that no photo shows."""
    if known.all() or not known.any():
        return values
    at = np.flatnonzero(known)
    count = len(values)
    columns = [np.interp(np.arange(count), at, v[at], period=count) for v in values.T]
    return np.column_stack(columns)


def _spaced(ring: FloatArray, spacing_mm: float) -> FloatArray:
    """The same closed line with points (B, 2) so far apart."""
    line = shapely.LinearRing(ring)
    count = max(int(np.ceil(line.length / spacing_mm)), 16)
    places = np.arange(count) * (line.length / count)
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(line, places)))


def directions(points: FloatArray, spacing_mm: float) -> FloatArray:
    """Unit directions (B, 2) of a closed line of evenly spaced points."""
    step = max(1, round(_CORNER_MM / 2 / spacing_mm))
    chord = np.roll(points, -step, axis=0) - np.roll(points, step, axis=0)
    return np.asarray(chord / np.maximum(np.hypot(*chord.T), 1e-12)[:, None])
