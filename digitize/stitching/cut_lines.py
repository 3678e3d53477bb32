"""Lines that run out of what the photos show.

An outline that is cut off leaves its openings whole, and an opening alone looks like a
small piece.  So the rim of what is shown is walked round: where ink crosses it, something
goes on outside.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import median_filter  # type: ignore[attr-defined]

from digitize.stitching.orthophoto import Orthophoto

FloatArray = NDArray[np.float64]

_INSET_MM = 3.0  # from the rim, clear of its own blur
_STEP_MM = 0.25
_AROUND_MM = 30.0  # along the rim, for the usual light there
_INK = 0.35  # share of the light that a line takes away, or adds
_WIDEST_MM = 6.0  # broader things are no pen line
_NARROWEST_MM = 0.5


def lines_cut(picture: Orthophoto, region_mm: FloatArray) -> FloatArray:
    """Places (N, 2) where a line crosses the rim of a region (M, 2)."""
    inner = shapely.buffer(shapely.make_valid(shapely.Polygon(region_mm)), -_INSET_MM)
    found = [
        place
        for part in shapely.get_parts(inner)
        if part.geom_type == "Polygon" and not part.is_empty
        for place in _crossings(picture, part.exterior)
    ]
    return np.array(found).reshape(-1, 2)


def _crossings(picture: Orthophoto, rim: shapely.LinearRing) -> list[FloatArray]:
    count = max(int(rim.length / _STEP_MM), 16)
    at = np.arange(count) * rim.length / count
    places = shapely.get_coordinates(shapely.line_interpolate_point(rim, at))
    px = np.round(picture.camera.to_px(places)).astype(np.intp)
    rows, columns = picture.source.shape
    px = np.clip(px, 0, (columns - 1, rows - 1))
    light = _linear(picture, px)
    usual = median_filter(light, min(2 * round(_AROUND_MM / _STEP_MM / 2) + 1, count), mode="wrap")
    ink = (np.abs(light - usual) > _INK * usual) & (picture.source[px[:, 1], px[:, 0]] >= 0)
    ink[0] = False
    edges = np.flatnonzero(np.diff(np.concatenate(([0], ink.astype(np.int8), [0])))).reshape(-1, 2)
    return [
        places[(a + b) // 2] for a, b in edges if _NARROWEST_MM <= (b - a) * _STEP_MM <= _WIDEST_MM
    ]


def _linear(picture: Orthophoto, px: NDArray[np.intp]) -> FloatArray:
    """Green light (N,) at pixels."""
    coded = picture.photo.rgb[px[:, 1], px[:, 0], 1] / 65535
    return np.asarray(np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4))
