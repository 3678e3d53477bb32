"""The gaps that the piece's own edge sees, across to the opening's edge and through no metal.

The closest place of the opening to the bottom of a slit may lie behind the tongue beside it, and
next to a corner it lies on the edge round the corner.  Where that is so the gap is taken straight
ahead, square to the piece's edge; what looks at nothing but metal sees no gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.comparing.boundary import IntArray
from digitize.comparing.deviation import Deviation
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_FACING = 0.7  # cosine of 45 degrees
_TOUCH_MM = 0.03  # metal no deeper than this is the edge itself


@dataclass(frozen=True, eq=False)
class Seen:
    """Gaps seen by N samples of the piece's edge, negative where it is past the opening's."""

    gap_mm: FloatArray  # (N,)
    segment: IntArray  # (N,) of the opening's edge, on which it was seen
    along_mm: FloatArray  # (N,) on the opening's edge
    clear: BoolArray  # (N,) whether there is anything but metal between


def seen(off: Deviation, piece: Pattern, opening: Pattern) -> Seen:
    """The gaps seen from a piece that lies in its opening."""
    side, edge = off.new, off.old.boundary
    metal = polygon(piece.outline).buffer(-_TOUCH_MM)
    shapely.prepare(metal)
    gap, segment, along = -side.square_mm, side.other_segment.copy(), side.other_along_mm.copy()
    across = side.other_mm - side.places_mm
    inside = side.signed_mm < 0.0
    ahead = np.einsum("ij,ij->i", across, side.normal) > _FACING * np.abs(side.signed_mm)
    clear = ~inside | ~_through(metal, side.places_mm, side.other_mm)
    askew = np.flatnonzero(inside & ~(clear & ahead))
    if not len(askew):
        return Seen(gap, segment, along, clear)
    places, normal = side.places_mm[askew], side.normal[askew]
    far = shapely.linestrings(np.stack((places, places + 2.0 * edge.size_mm * normal), axis=1))
    met = shapely.intersection(far, polygon(opening.outline).exterior)
    straight = shapely.distance(shapely.points(places), met)
    ends = places + straight[:, None] * normal
    # What sees its way, to a mouth beside it, looks past the corner of the opening at most.
    shallow_mm = float(-off.old.square_mm.min()) + _TOUCH_MM
    better = np.isfinite(straight) & ~(clear[askew] & (straight > shallow_mm))
    better[better] = ~_through(metal, places[better], ends[better])
    there, nearest = askew[better], edge.nearest(ends[better])
    gap[there], segment[there], clear[there] = straight[better], nearest.segment, True
    along[there] = edge.begins_mm[nearest.segment] + nearest.share * edge.length_mm[nearest.segment]
    return Seen(gap, segment, along, clear)


def _through(metal: shapely.Geometry, from_mm: FloatArray, to_mm: FloatArray) -> BoolArray:
    ways = shapely.linestrings(np.stack((from_mm, to_mm), axis=1))
    return np.asarray(shapely.intersects(metal, ways))
