"""Where the sheets' paper lies, so that nothing is traced there.

A sheet is paper beyond its lattice: bars, words and margins.  What is to be traced lies
among the sheets and clear of their paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate, translate

from digitize.bundle.joint import JointSolution, Placement
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]

_LEFT_MM, _RIGHT_MM, _BELOW_MM, _ABOVE_MM = 24.0, 14.0, 32.0, 14.0
"""How far the paper reaches beyond the lattice, and the shadow of its edge: from the page
layout, rounded up.  Sheets on a board or on a larger paper reach no farther."""

_AROUND_MM = 400.0  # beyond the outermost sheets nothing is looked for
_SLIT_MM = 1.0


def paper(placement: Placement) -> shapely.Geometry:
    """The paper of one sheet in the common frame."""
    width, height = np.array(placement.sheet.size_mm) * np.array(placement.scale) / 2
    flat = shapely.box(
        -width - _LEFT_MM, -height - _BELOW_MM, width + _RIGHT_MM, height + _ABOVE_MM
    )
    turned = rotate(flat, placement.angle_rad, origin=(0, 0), use_radians=True)
    x, y = placement.middle_mm
    moved: shapely.Geometry = translate(turned, x, y)
    return moved


def strays(
    joint: JointSolution, photo: int, sightings: Sequence[Sighting]
) -> tuple[Placement, ...]:
    """Where the sheets left out of a photo seem to lie in it: about, as if in the plane.

    Such a sheet hides the ground like any other, and its squares are nothing to trace.
    """
    view = joint.views[photo]
    found = []
    for sighting, used in zip(sightings, view.used, strict=True):
        seen = view.camera.to_sheet(sighting.corners_px)
        visible = np.isfinite(seen).all(axis=1)
        if used.any() or visible.sum() < 3:
            continue
        local = sighting.corners_mm - np.array(sighting.sheet.size_mm) / 2
        x, y = local[visible].T
        # Turned, stretched and moved: u = a x - b y + c, v = b x + a y + d.
        one, none = np.ones_like(x), np.zeros_like(x)
        rows = np.vstack([np.column_stack([x, -y, one, none]), np.column_stack([y, x, none, one])])
        a, b, c, d = np.linalg.lstsq(rows, seen[visible].T.ravel(), rcond=None)[0]
        size = float(np.hypot(a, b))
        found.append(
            replace(
                joint.placements[0],
                sheet=sighting.sheet,
                middle_mm=(float(c), float(d)),
                angle_rad=float(np.arctan2(b, a)),
                scale=(size, size),
            )
        )
    return tuple(found)


def clear_of_papers(placements: Sequence[Placement]) -> FloatArray:
    """The ground among and around the sheets as one polygon (N, 2), in the common frame.

    Its rim passes every paper: from each one a narrow slit leads outward, away from the
    middle of all, where it crosses nothing that lies among the sheets.
    """
    papers = [paper(p) for p in placements]
    hull = shapely.convex_hull(shapely.union_all(papers))
    ground = shapely.buffer(hull, _AROUND_MM, join_style="mitre")
    middle = np.array([p.middle_mm for p in placements]).mean(axis=0)
    cuts = list(papers)
    for one in placements:
        outward = np.array(one.middle_mm) - middle
        length = float(np.hypot(*outward))
        outward = outward / length if length > 1e-6 else np.array([1.0, 0.0])
        far = np.array(one.middle_mm) + outward * 10 * np.sqrt(ground.area)
        cuts.append(shapely.buffer(shapely.LineString([one.middle_mm, far]), _SLIT_MM / 2))
    parts = shapely.get_parts(shapely.difference(ground, shapely.union_all(cuts)))
    largest = max(parts, key=lambda part: part.area)
    return np.asarray(shapely.get_coordinates(largest.exterior)[:-1])
