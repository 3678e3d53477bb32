"""Which edge of the cut wall to read, where the wall of an opening shows.

A wall that faces the camera shows as a band below the upper edge, as wide as its height and
the view make it (see ``silhouette.walls``; the law is the same with the thickness counted
downward).  It may be dark, or as bright as the face: then its foot is the clearer edge.  So
face, wall and what lies beyond are held against a long stretch of rim at once, as three
levels of light with the wall's width between their two steps, before either is read finely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.photo.tone import LUMINANCE
from digitize.tracing.silhouette.edge import Bench
from digitize.tracing.silhouette.strips import Contours, unroll
from digitize.tracing.silhouette.walls import face_shift_mm, wall_width_mm

FloatArray = NDArray[np.float64]

_FINE = 2  # samples to the pixel
_ROUND_PX = 5  # beyond both steps, wherever they are, that is looked at
_SEEN_FROM_PX = 1.5  # narrower walls are blurred into their edges
_WAYS = 48  # that rim can face
_SLACK_PX = 1.0  # about either edge of the wall, where the other may be
_CLEARER = 2.0  # times the upper step: then the foot is read
_ROOM_PX = 3.0  # in a narrower wall no edge can be read beside a clearer one
_ALIKE = 1.5  # times the least sum of squares: as good an answer


@dataclass(frozen=True, eq=False)
class Walls:
    """What to read along a contour; N points."""

    outward_mm: FloatArray  # from the contour to the edge to be read
    foot: NDArray[np.bool_]  # that edge is the wall's foot and not its upper one
    faint: NDArray[np.bool_]  # the upper edge is to be read though the foot is clearer
    unsure_mm: FloatArray  # width of the wall where it is not told from face or inside, else 0


def wall_mm(bench: Bench, contours: Contours) -> FloatArray:
    """Width (N,) of the wall that shows below the upper edge, on the face's plane; 0: hidden."""
    shift = face_shift_mm(bench.camera, contours.points_mm, bench.thickness_mm)
    return wall_width_mm(shift, contours.normals)


def walls_along(bench: Bench, contours: Contours) -> Walls:
    """What to read along a contour that runs along either edge of the wall.

    Rim that faces one way is lit alike, so all of it speaks at once: what is stained or rusty
    somewhere on a side does not decide.
    """
    wall_px = wall_mm(bench, contours) / bench.pixel_mm
    reach = int(np.ceil(wall_px.max(initial=0.0))) + _ROUND_PX
    light = _across(bench, contours, reach)
    facing = np.arctan2(contours.normals[:, 1], contours.normals[:, 0])
    way = ((facing / (2.0 * np.pi) + 0.5) * _WAYS).astype(int) % _WAYS
    count = len(way)
    outward, unsure = np.zeros(count), np.zeros(count)
    foot, faint = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    for one in np.unique(way):
        mine = way == one
        wide = float(np.median(wall_px[mine]))
        if wide < _SEEN_FROM_PX:
            continue
        near = np.abs((way - one + _WAYS // 2) % _WAYS - _WAYS // 2) <= 1
        alike = near & (np.abs(wall_px - wide) < 1.0)
        found = _three_levels(np.median(light[alike if alike.any() else mine], axis=0), wide, reach)
        least = _CLEARER if wide > _ROOM_PX else 1.0
        foot[mine] = found.clearer > least
        faint[mine] = 1.0 < found.clearer <= least
        outward[mine] = found.top_px - np.where(foot[mine], wall_px[mine], 0.0)
        unsure[mine] = wall_px[mine] if found.unsure else 0.0
    return Walls(outward * bench.pixel_mm, foot, faint, unsure * bench.pixel_mm)


@dataclass(frozen=True, slots=True)
class _Found:
    top_px: float  # from the contour to the upper edge, outward
    clearer: float  # how many times as large the step at the foot is
    unsure: bool


def _three_levels(light: FloatArray, wall_px: float, reach_px: int) -> _Found:
    """Face, wall and what lies beyond in light (K,) from ``reach_px`` outside inward."""
    count, width = len(light), round(wall_px * _FINE)
    sums = np.concatenate([[0.0], np.cumsum(light)])
    top_px = np.arange(-_SLACK_PX, wall_px + _SLACK_PX, 1.0 / _FINE)
    first = np.rint((reach_px - top_px) * _FINE).astype(int)
    second = first + width
    face = sums[first] / first
    wall = (sums[second] - sums[first]) / width
    inside = (sums[-1] - sums[second]) / (count - second)
    explained = face**2 * first + wall**2 * width + inside**2 * (count - second)
    left = float((light**2).sum()) - explained
    best = int(left.argmin())
    # The other reading of one clear step: its wall on its other side.
    other = np.abs(np.abs(top_px - top_px[best]) - wall_px) < 1.0 / _FINE
    unsure = bool(other.any() and left[other].min() < _ALIKE * left[best])
    upper, lower = abs(face[best] - wall[best]), abs(wall[best] - inside[best])
    return _Found(float(top_px[best]), float(lower / max(upper, 1e-9)), unsure)


def _across(bench: Bench, contours: Contours, reach_px: int) -> FloatArray:
    """Light (N, K) from ``reach_px`` outside the contour to as much inside."""
    strips = unroll(
        bench.photo,
        bench.camera,
        bench.light,
        contours,
        outside_mm=reach_px * bench.pixel_mm,
        inside_mm=reach_px * bench.pixel_mm,
        step_mm=bench.pixel_mm / _FINE,
    )
    return np.asarray(strips.ratio @ np.array(LUMINANCE, np.float32), dtype=np.float64)
