"""Local homographies: where any place of a lattice falls in the photo.

Around each place asked for, a homography is fitted to the nearest known corners only.
Over that short reach lens distortion and curl do not show, so no camera is needed yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from digitize.sighting.corners import FloatArray
from digitize.sighting.lattice import Lattice

RIDGE = 1e-7  # settles the perspective terms where few corners leave them open


@dataclass(frozen=True, eq=False)
class LocalMaps:
    """One px-from-lattice homography per place."""

    at_ij: FloatArray  # (M, 2)
    coefficients: FloatArray  # (M, 8): xy = (a u + b v + c, d u + e v + f) / (g u + h v + 1)
    reach: FloatArray  # (M,) distance to the nearest known corner, in squares

    def px(self, ij: FloatArray) -> FloatArray:
        """Pixels (M, K, 2) of lattice points (M, K, 2), row m by map m."""
        u, v = np.moveaxis(ij - self.at_ij[:, None], -1, 0)
        a, b, c, d, e, f, g, h = (k[:, None] for k in self.coefficients.T)
        # Beyond its vanishing line a map has no answer; far outside the photo will do.
        w = np.maximum(g * u + h * v + 1.0, 1e-3)
        return np.stack([(a * u + b * v + c) / w, (d * u + e * v + f) / w], axis=-1)

    @property
    def centres_px(self) -> FloatArray:
        """Pixels (M, 2) of the places themselves."""
        return self.coefficients[:, [2, 5]]

    @property
    def axes_px(self) -> FloatArray:
        """Derivatives (M, 2, 2): ``[m, k]`` is the step in pixels for one square along axis k."""
        a, b, c, d, e, f, g, h = self.coefficients.T
        along_i = np.column_stack([a - c * g, d - f * g])
        along_j = np.column_stack([b - c * h, e - f * h])
        return np.stack([along_i, along_j], axis=1)

    @property
    def sides_px(self) -> FloatArray:
        """Length (M,) of the shorter axis."""
        return np.asarray(np.linalg.norm(self.axes_px, axis=2).min(1))

    def chosen(self, keep: NDArray[np.bool_]) -> LocalMaps:
        """The maps where ``keep`` (M,) is true."""
        return LocalMaps(self.at_ij[keep], self.coefficients[keep], self.reach[keep])

    def edges_rad(self, dark_up_right: NDArray[np.bool_]) -> FloatArray:
        """Directions (M, 2) of the two edges at the places, first to second spanning dark."""
        axes = self.axes_px
        angle = np.arctan2(-axes[..., 1], axes[..., 0])
        along_i, along_j = angle[:, 0], angle[:, 1]
        first = np.where(dark_up_right, along_i, along_j)
        second = np.where(dark_up_right, along_j, along_i + np.pi)
        return np.column_stack([first, second])


def local_maps(
    lattice: Lattice, at_ij: FloatArray, neighbours: int = 16, leave_out: bool = False
) -> LocalMaps:
    """Homographies about places (M, 2), each from the ``neighbours`` nearest corners.

    ``leave_out`` ignores a corner that sits at the place itself.
    """
    at = np.asarray(at_ij, float).reshape(-1, 2)
    skip = int(leave_out)
    count = min(neighbours + skip, len(lattice))
    known = lattice.ij.astype(float)
    distance, index = KDTree(known).query(at, k=count)
    distance, index = distance.reshape(len(at), count), index.reshape(len(at), count)
    if leave_out:
        distance, index = distance[:, 1:], index[:, 1:]
    uv = known[index] - at[:, None]
    xy = lattice.xy_px[index]
    middle = xy.mean(1, keepdims=True)
    scale = np.sqrt(((xy - middle) ** 2).sum(-1).mean(1))[:, None] / np.maximum(
        np.sqrt((uv**2).sum(-1).mean(1))[:, None], 1e-9
    )
    scale = np.maximum(scale, 1e-9)
    x, y = np.moveaxis((xy - middle) / scale[..., None], -1, 0)
    u, v = np.moveaxis(uv, -1, 0)
    one, none = np.ones_like(u), np.zeros_like(u)
    rows = np.concatenate(
        [
            np.stack([u, v, one, none, none, none, -u * x, -v * x], axis=-1),
            np.stack([none, none, none, u, v, one, -u * y, -v * y], axis=-1),
        ],
        axis=1,
    )
    target = np.concatenate([x, y], axis=1)
    normal = np.matmul(np.swapaxes(rows, 1, 2), rows)
    size = np.einsum("mkk->mk", normal)
    normal = normal + RIDGE * (size.mean(1) + 1e-12)[:, None, None] * np.eye(8)
    right = np.einsum("mrk,mr->mk", rows, target)
    a, b, c, d, e, f, g, h = np.linalg.solve(normal, right[:, :, None])[:, :, 0].T
    s, (mx, my) = scale[:, 0], middle[:, 0].T
    coefficients = np.column_stack(
        [
            s * a + mx * g,
            s * b + mx * h,
            s * c + mx,
            s * d + my * g,
            s * e + my * h,
            s * f + my,
            g,
            h,
        ]
    )
    return LocalMaps(at, coefficients, distance[:, 0])
