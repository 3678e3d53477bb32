"""The light of the plain ground that the sheets lie on, over a whole photo.

The white squares of one sheet tell the light near it.  Far from it the ground itself is the
surer witness: wherever no sheet lies, most of what a photo shows is ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.bundle.joint import Placement
from digitize.bundle.papers import paper
from digitize.camera.camera import Camera
from digitize.tracing.light import PaperLight

FloatArray = NDArray[np.float64]

_NEAR_PX = 5.0  # from what covers the ground
_BESIDE = 0.03  # of the photo's long side, from a sheet: what lies there is ground, mostly
_FEWEST = 50  # places that tell of the ground
_DARKEST = 1e-4  # linear light, below which a logarithm only shows noise


def papers_in(camera: Camera, placements: Sequence[Placement]) -> list[shapely.Polygon]:
    """The sheets' paper in a photo's pixels; ``camera`` is in the common frame."""
    return [
        shapely.Polygon(outline)
        for placement in placements
        if (outline := _in_photo(camera, paper(placement))) is not None
    ]


def ground_light(
    light: PaperLight, covered: shapely.Geometry, papers: shapely.Geometry
) -> PaperLight:
    """The level of the plain ground in place of paper's.

    ``covered`` is what of the photo, in pixels, is no ground, and ``papers`` the sheets in
    it: a large piece may hide most of the ground, but right beside the sheets it shows.  From
    there the field's own polynomial is fitted anew to all that goes with it, with Tukey weights.
    """
    points_px = _clear_of(covered, light.photo.width_px, light.photo.height_px)
    places = np.round(points_px).astype(np.intp)
    coded = light.photo.rgb[places[:, 1], places[:, 0]]
    linear = replace(light.photo, rgb=coded[None]).linear_rgb(0, 0, len(coded), 1)[0]
    logs = np.log(np.maximum(linear.astype(float), _DARKEST))
    terms = len(light.coefficients)
    # What each coefficient does to the light, asked of the light itself.
    basis = np.column_stack(
        [
            np.log(replace(light, coefficients=unit).white_at(points_px))
            for unit in np.eye(terms)[..., None]
        ]
    )
    off = logs - np.log(light.white_at(points_px))
    beside = shapely.distance(papers, shapely.points(points_px)) < _BESIDE * max(
        light.photo.width_px, light.photo.height_px
    )
    told = beside if beside.sum() > _FEWEST else np.ones(len(off), dtype=bool)
    size = np.abs(off - np.median(off[told], axis=0)).max(axis=1)
    coefficients = light.coefficients
    for _ in range(12):
        spread = float(np.clip(1.4826 * np.median(size[told]), 0.01, 0.1))
        told = size < 4.7 * spread
        root = np.clip(1 - (size / (4.7 * spread)) ** 2, 0, None)[:, None]
        coefficients = np.linalg.lstsq(basis * root, logs * root, rcond=1e-6)[0]
        size = np.abs(logs - basis @ coefficients).max(axis=1)
    return replace(light, coefficients=coefficients)


def _clear_of(covered: shapely.Geometry, width: int, height: int) -> FloatArray:
    """Pixels (N, 2) spread over what is not covered."""
    x, y = np.meshgrid(np.linspace(0, width - 1, 130), np.linspace(0, height - 1, 100))
    places = np.round(np.column_stack([x.ravel(), y.ravel()]))
    far = shapely.distance(covered, shapely.points(places))
    return np.asarray(places[far > _NEAR_PX])


def _in_photo(camera: Camera, shape: shapely.Geometry) -> FloatArray | None:
    """A polygon of the common frame as pixels (N, 2); None where it cannot be seen."""
    corners = shapely.get_coordinates(shapely.segmentize(shape, 5.0))[:-1]
    px = camera.to_px(corners)
    if not np.isfinite(px).all():
        return None
    width, height = camera.size_px
    touches = shapely.intersects(shapely.Polygon(px), shapely.box(0, 0, width, height))
    return px if touches else None
