"""Edges that rust has nibbled: bites taken out of a sound outline."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def eaten(outline: FloatArray, share: float, seed: int) -> tuple[FloatArray, list[dict[str, Any]]]:
    """A nibbled outline (N, 2), and the stretches of the sound edge that are gone.

    Bites are small discs set along about ``share`` of the edge, in runs with sound edge
    between them, up to some 2.5 mm deep; sharp whiskers between bites are worn away.
    """
    rng = np.random.default_rng(seed)
    sound = shapely.Polygon(outline)
    ring = sound.exterior
    length = ring.length
    runs = 9
    discs = []
    for k in range(runs):
        start = length * (k + rng.uniform(0.0, 0.6)) / runs
        run = length * share / runs * rng.uniform(0.6, 1.4)
        depth = rng.uniform(0.6, 2.2)
        at = start
        while at < start + run:
            radius = rng.uniform(0.5, 2.6)
            p = ring.interpolate(at % length)
            d = 0.5
            q = ring.interpolate((at + d) % length)
            # The outline runs counter-clockwise: outward is to the right of travel.
            out = np.array([q.y - p.y, -(q.x - p.x)]) / d
            envelope = np.sin(np.pi * (at - start) / run) ** 0.5
            bite = min(depth * envelope * rng.uniform(0.3, 1.0), 1.6 * radius)
            centre = np.array([p.x, p.y]) + out * (radius - bite)
            discs.append(shapely.Point(centre).buffer(radius, quad_segs=24))
            at += radius * rng.uniform(0.3, 1.1)
    left = sound.difference(shapely.union_all(discs))
    left = left.buffer(-0.25, quad_segs=12).buffer(0.25, quad_segs=12).intersection(sound)
    if left.geom_type == "MultiPolygon":
        left = max(left.geoms, key=lambda g: g.area)
    left = shapely.simplify(left, 0.003)
    gone = ring.difference(left.exterior.buffer(0.03))
    stretches = [
        {"start_mm": list(g.coords[0]), "end_mm": list(g.coords[-1]), "length_mm": g.length}
        for g in shapely.get_parts(shapely.line_merge(gone))
        if g.length > 0.5
    ]
    points = np.asarray(shapely.orient_polygons(left).exterior.coords)[:-1]
    return points, stretches
