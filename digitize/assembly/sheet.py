"""A flat piece as a closed mesh: its traced face at height 0, the sheet below it."""

from __future__ import annotations

import numpy as np
import shapely

from digitize.assembly.body import Body
from digitize.pattern.model import Pattern
from digitize.pattern.region import metal

_CHORD_MM = 0.05


def sheet(name: str, pattern: Pattern, thickness_mm: float) -> Body:
    """A pattern without bends, as thick as that."""
    area = metal(pattern, _CHORD_MM)
    whole = shapely.get_parts(shapely.constrained_delaunay_triangles(area))
    corners = np.array([shapely.get_coordinates(t)[:3] for t in whole])
    (ux, uy), (vx, vy) = ((corners[:, k] - corners[:, 0]).T for k in (1, 2))
    corners[ux * vy - uy * vx < 0] = corners[ux * vy - uy * vx < 0][:, ::-1]
    flat, index = np.unique(corners.reshape(-1, 2), axis=0, return_inverse=True)
    upper = index.reshape(-1, 3)
    count = len(flat)
    sides = np.vstack([upper[:, [0, 1]], upper[:, [1, 2]], upper[:, [2, 0]]])
    known = {(int(a), int(b)) for a, b in sides}
    rim = [(a, b) for a, b in known if (b, a) not in known]
    walls = [t for a, b in rim for t in ((b, a, a + count), (b, a + count, b + count))]
    vertices = np.vstack(
        (
            np.column_stack((flat, np.zeros(count))),
            np.column_stack((flat, np.full(count, -thickness_mm))),
        )
    )
    triangles = np.vstack((upper, upper[:, ::-1] + count, np.array(walls)))
    return Body(name, vertices, triangles.astype(np.int64))
