"""The area a closed edge encloses, as polygons with chords within a stated error.

They serve tests of inside, outside and overlap, never dimensions.
"""

from __future__ import annotations

import shapely

from digitize.pattern.contour import Closed
from digitize.pattern.model import Pattern


def polygon(closed: Closed, chord_error_mm: float = 0.01) -> shapely.Polygon:
    """The enclosed area."""
    return shapely.Polygon(closed.points_mm(chord_error_mm))


def metal(pattern: Pattern, chord_error_mm: float = 0.01) -> shapely.Polygon | shapely.MultiPolygon:
    """The outline's area less its openings."""
    holes = shapely.union_all([polygon(o, chord_error_mm) for o in pattern.openings])
    area: shapely.Polygon | shapely.MultiPolygon
    area = polygon(pattern.outline, chord_error_mm).difference(holes)
    return area
