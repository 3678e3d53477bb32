"""What one photo knows of an edge: where it runs, and how sure that is at every point.

A stretch counts the more the surer it was seen: the noise across the edge, the camera's own
uncertainty there, and the slant, by which a wrong height moves the edge.  Toward the ends of
what a photo shows its say fades out, so that no step is left where another one takes over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from digitize.camera.camera import Camera
from digitize.tracing.traces import CUT, MEASURED, TracedLoop

FloatArray = NDArray[np.float64]

_HEIGHT_U_MM = 0.05  # of an edge over the plane: a caliper on worn sheet, a bench not flat
_BRIDGED_U_MM = 0.3  # added for what was not seen; more than any edge that was
_FADE_MM = 8.0  # from the end of what was seen
_FACING = 0.5  # least cosine between the directions of one edge in two photos


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """One closed loop of one photo, in the common frame, metal on the left."""

    points_mm: FloatArray  # (N, 2)
    along: FloatArray  # (N, 2) unit directions
    u_mm: FloatArray  # (N,) across the edge, everything included
    placing_u_mm: FloatArray  # (N,) the camera's part of that
    noise_u_mm: FloatArray  # (N,) the random part
    say: FloatArray  # (N,) from 0 where the photo ends to 1
    evidence: NDArray[np.uint8]  # (N,)
    points_px: FloatArray  # (N, 2)
    blur_mm: float
    photo: int


def stretches_of(
    loop: TracedLoop, camera: Camera, photo: int, height_mm: float, *, opening: bool
) -> Stretches:
    """Everything that one photo's loop contributes; ``height_mm`` is that of the face."""
    order = slice(None, None, -1) if opening else slice(None)
    points, px = loop.points_mm[order], loop.points_px[order]
    evidence = loop.evidence[order]
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    across = np.column_stack([along[:, 1], -along[:, 0]])
    spread = camera.covariance_on_sheet(px, height_mm)
    placing = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", across, spread, across), 0.0))
    placing = np.nan_to_num(placing, nan=1.0)
    centre = camera.centre_mm
    slant = np.abs(np.sum((points - centre[:2]) * across, axis=1)) / centre[2]
    noise = loop.u_mm[order]
    bridged = np.where(evidence == MEASURED, 0.0, _BRIDGED_U_MM)
    u = np.sqrt(noise**2 + placing**2 + (slant * _HEIGHT_U_MM) ** 2 + bridged**2)
    return Stretches(
        points,
        along,
        u,
        placing,
        noise,
        _say(points, evidence),
        evidence,
        px,
        loop.blur_mm,
        photo,
    )


def _say(points: FloatArray, evidence: NDArray[np.uint8]) -> FloatArray:
    """Smooth fade to nothing toward cut ends (N,)."""
    cut = evidence == CUT
    if not cut.any():
        return np.ones(len(points))
    away = np.clip(KDTree(points[cut]).query(points)[0] / _FADE_MM, 0.0, 1.0)
    return np.where(cut, 0.0, np.asarray(away**2 * (3 - 2 * away)))


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What one photo says at every station of a base curve; NaN offsets where nothing."""

    offset_mm: FloatArray  # (B, 2) from the station to the edge, straight across the edge
    u_mm: FloatArray  # (B,)
    placing_u_mm: FloatArray
    noise_u_mm: FloatArray
    say: FloatArray
    measured: NDArray[np.bool_]
    points_px: FloatArray  # (B, 2)


def read_along(
    base_mm: FloatArray, along: FloatArray, parts: list[Stretches], reach_mm: float
) -> Reading:
    """One photo's loops read across every station (B, 2) of a base curve.

    At each station the nearest point of an edge that runs the same way is taken, with the
    straight line through it for the edge.
    """
    count = len(base_mm)
    reading = Reading(
        np.full((count, 2), np.nan),
        np.full(count, np.inf),
        np.full(count, np.nan),
        np.full(count, np.nan),
        np.zeros(count),
        np.zeros(count, dtype=bool),
        np.full((count, 2), np.nan),
    )
    nearest = np.full(count, np.inf)
    for part in parts:
        useful = np.flatnonzero(part.say > 0)
        if len(useful) < 2:
            continue
        far, which = KDTree(part.points_mm[useful]).query(base_mm, k=4)
        for column in range(4):
            distance = far[:, column]
            here = useful[np.minimum(which[:, column], len(useful) - 1)]
            facing = np.sum(part.along[here] * along, axis=1)
            good = (distance < reach_mm) & (distance < nearest) & (facing > _FACING)
            rows = np.flatnonzero(good)
            at = here[rows]
            gap = part.points_mm[at] - base_mm[rows]
            slide = np.sum(gap * part.along[at], axis=1)
            reading.offset_mm[rows] = gap - slide[:, None] * part.along[at]
            reading.u_mm[rows] = part.u_mm[at]
            reading.placing_u_mm[rows] = part.placing_u_mm[at]
            reading.noise_u_mm[rows] = part.noise_u_mm[at]
            reading.say[rows] = part.say[at]
            reading.measured[rows] = part.evidence[at] == MEASURED
            reading.points_px[rows] = part.points_px[at]
            nearest[rows] = distance[rows]
    return reading
