"""What the steps of tracing a silhouette hand to one another.

An edge is kept as contours on the paper plane, where it seems to be; a reading is one
measurement across each of its points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.tracing.light import PaperLight
from digitize.tracing.silhouette.shadow import CastShadow
from digitize.tracing.silhouette.strips import Contours, contours_like

FloatArray = NDArray[np.float64]

_SPACING_PX = 2.0  # from point to point


@dataclass(frozen=True, eq=False)
class Bench:
    """What every step of one photo needs."""

    photo: Photo
    camera: Camera
    light: PaperLight
    thickness_mm: float
    pixel_mm: float

    @property
    def spacing_mm(self) -> float:
        """From point to point of an edge."""
        return _SPACING_PX * self.pixel_mm


@dataclass(frozen=True, eq=False)
class Edge:
    """An edge round every loop, on the paper plane, and the shadow that lies beside it."""

    contours: Contours
    shadow: CastShadow | None
    lit: NDArray[np.bool_]  # (N,) which points border on lit paper, or on a shadow cast there


@dataclass(frozen=True, eq=False)
class Reading:
    """One measurement across every point of an edge."""

    points_px: FloatArray  # (N, 2) where the edge is
    offset_mm: FloatArray  # (N,) how far that is from the contour, outward
    raw_mm: FloatArray  # (N,) the same before the shadow's law had its say; NaN beside none
    band_mm: FloatArray  # (N,) width of a narrow shadow beside it, as measured
    sigma_mm: FloatArray  # (N,)
    blur_mm: FloatArray  # (N,)
    paper: FloatArray  # (N,) level beside the edge over paper white; NaN beside a shadow
    metal: FloatArray  # (N,) level of the metal, likewise
    ok: NDArray[np.bool_]  # (N,)
    asked: NDArray[np.bool_]  # (N,) points that were measured at all


def moved_to(bench: Bench, edge: Edge, reading: Reading) -> Edge:
    """The edge where it was read to be."""
    points = bench.camera.to_sheet(reading.points_px)
    return replace(edge, contours=contours_like(edge.contours, points))
