"""Displacements that a cause may give the whole pattern, as a few independent fields.

What a cause does to the places of a grid over the piece is freed of what moves the pattern as
a rigid body, which changes no dimension, boiled down to its principal modes and written as
polynomials, so that the pattern carries it without knowing any camera.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.pattern.budget import Field, powers

FloatArray = NDArray[np.float64]

_NODES = 7  # of the grid, either way
_LEAST_SHARE = 1e-4  # of the variance, of a mode worth keeping
_LEAST_MM = 1e-5


@dataclass(frozen=True, eq=False)
class Grid:
    """Places over a piece where displacements are looked at, and their frame."""

    places_mm: FloatArray  # (N, 2)
    origin_mm: tuple[float, float]
    size_mm: float

    @classmethod
    def over(cls, points_mm: FloatArray) -> Grid:
        """A grid over the box of some points (N, 2)."""
        low, high = points_mm.min(axis=0), points_mm.max(axis=0)
        middle, half = (low + high) / 2, np.maximum((high - low) / 2, 1e-3)
        share = np.linspace(-1.0, 1.0, _NODES)
        u, v = np.meshgrid(share, share)
        places = middle + np.column_stack([u.ravel(), v.ravel()]) * half
        return cls(places, (float(middle[0]), float(middle[1])), float(half.max()))

    @property
    def local(self) -> FloatArray:
        """The places (N, 2) in the frame."""
        return np.asarray((self.places_mm - np.asarray(self.origin_mm)) / self.size_mm)

    def fields(self, moves_mm: FloatArray) -> tuple[Field, ...]:
        """Independent fields of displacements (N, 2, modes), each mode of variance one."""
        n = len(self.places_mm)
        free = _without_rigid(self.local, moves_mm.reshape(2 * n, -1))
        u, size, _ = np.linalg.svd(free, full_matrices=False)
        least = max(_LEAST_SHARE * float((size**2).sum()), 2 * n * _LEAST_MM**2)
        kept = (u * size)[:, size**2 > least].reshape(n, 2, -1)
        terms = powers(self.local)
        found = []
        for k in range(kept.shape[2]):
            x, y = np.linalg.lstsq(terms, kept[:, :, k], rcond=None)[0].T
            found.append(Field(_short(x), _short(y)))
        return tuple(found)


def _short(coefficients_mm: FloatArray) -> tuple[float, ...]:
    """To ten nanometres: the document is read by people too."""
    return tuple(round(float(c), 5) + 0.0 for c in coefficients_mm)


def _without_rigid(local: FloatArray, moves: FloatArray) -> FloatArray:
    """Moves (2N, modes) less the shift and the turn that fit them best."""
    n = len(local)
    rigid = np.zeros((n, 2, 3))
    rigid[:, 0, 0] = rigid[:, 1, 1] = 1.0
    rigid[:, 0, 2], rigid[:, 1, 2] = -local[:, 1], local[:, 0]
    q, _ = np.linalg.qr(rigid.reshape(2 * n, 3))
    return np.asarray(moves - q @ (q.T @ moves))


def by_camera(
    grid: Grid, camera: Camera, height_mm: float, covariance: FloatArray
) -> tuple[Field, ...]:
    """Fields of a covariance (11, 11) of the camera, over a face at a height."""
    lifted = np.column_stack([grid.places_mm, np.full(len(grid.places_mm), height_mm)])
    moves = camera.moves_on_sheet(camera.to_px(lifted), height_mm)
    return grid.fields(np.nan_to_num(moves) @ root(covariance))


def by_scale(grid: Grid, u: float) -> tuple[Field, ...]:
    """The field of a scale known to ``u``, relative."""
    return grid.fields((grid.places_mm * u)[:, :, None]) if u > 0 else ()


def by_height(
    grid: Grid, camera: Camera, height_mm: float, u_mm: Sequence[float]
) -> tuple[Field, ...]:
    """Fields of a face whose height is known to u (at its middle, at its ends along x, along y).

    A face dh higher than thought is read dh / (H - h) of its distance from the camera's foot
    too large.
    """
    centre = camera.centre_mm
    outward = (grid.places_mm - centre[:2]) / (centre[2] - height_mm)
    x, y = grid.local.T
    rise = np.stack([np.full_like(x, u_mm[0]), x * u_mm[1], y * u_mm[2]], axis=1)
    return grid.fields(outward[:, :, None] * rise[:, None, :]) if any(u_mm) else ()


def root(covariance: FloatArray) -> FloatArray:
    """A (n, n) matrix L with L L' = covariance, also of one that is not of full rank."""
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, axes = np.linalg.eigh(covariance / np.outer(size, size))
    return np.asarray(size[:, None] * axes * np.sqrt(np.maximum(values, 0.0)))
