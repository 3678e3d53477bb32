"""How far a camera's uncertainty bends, stretches and scales a piece; where it lies is not asked.

``Camera.covariance_on_sheet`` says how sure each place on the bench is, measured from the
reference.  A piece far from its rule is then unsure as a whole, which moves it and changes
nothing about it.  Here the piece's own movement is taken out, so that only what a
dimension can feel is left, and that is split into scale and the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.camera.projection import see

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ShapeDoubt:
    """Standard uncertainties of a piece's shape from the camera alone."""

    scale_u: float  # relative, common to the whole piece
    edge_u_mm: float  # of a point, per axis, besides that

    def length_u_mm(self, length_mm: float) -> float:
        """Of a length between two of its points."""
        return math.hypot(math.sqrt(2) * self.edge_u_mm, self.scale_u * length_mm)


def shape_doubt(camera: Camera, points_px: FloatArray, height_mm: float = 0.0) -> ShapeDoubt:
    """What the camera's covariance means for the shape of an outline (N, 2) in pixels."""
    mm, by_camera = _by_camera(camera, points_px, height_mm)
    root = _root(camera.covariance)
    centred = mm - mm.mean(axis=0)
    n = len(mm)
    motions = np.zeros((2 * n, 3))
    motions[0::2, 0] = motions[1::2, 1] = 1.0
    motions[0::2, 2], motions[1::2, 2] = -centred[:, 1], centred[:, 0]
    size = float(np.linalg.norm(centred))
    growth = centred.ravel() / size
    modes = by_camera.reshape(2 * n, -1) @ root
    rigid, _ = np.linalg.qr(motions)
    modes = modes - rigid @ (rigid.T @ modes)
    scale = growth @ modes
    rest = modes - np.outer(growth, scale)
    return ShapeDoubt(
        scale_u=float(np.linalg.norm(scale)) / size,
        edge_u_mm=float(np.sqrt((rest**2).sum() / (2 * n))),
    )


def length_u_mm(camera: Camera, ends_px: FloatArray, height_mm: float = 0.0) -> float:
    """Standard uncertainty of the distance between two pixels (2, 2) on the work plane."""
    mm, by_camera = _by_camera(camera, ends_px, height_mm)
    along = (mm[1] - mm[0]) / np.linalg.norm(mm[1] - mm[0])
    slope = along @ (by_camera[1] - by_camera[0])
    return math.sqrt(max(float(slope @ camera.covariance @ slope), 0.0))


def _by_camera(
    camera: Camera, points_px: FloatArray, height_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Places (N, 2) of pixels and their change (N, 2, 11) with the camera, pixels held."""
    mm = camera.to_sheet(points_px, height_mm)
    seen = see(camera.pinhole, np.column_stack([mm, np.full(len(mm), height_mm)]))
    return mm, np.asarray(-np.linalg.solve(seen.by_point[:, :, :2], seen.by_parameter))


def _root(covariance: FloatArray) -> FloatArray:
    """R with R R^T = covariance, for unknowns of very different units."""
    scale = np.sqrt(np.diag(covariance))
    values, axes = np.linalg.eigh(covariance / np.outer(scale, scale))
    return np.asarray(scale[:, None] * axes * np.sqrt(np.maximum(values, 0.0)))
