"""How a sheet may lie off the common plane: as a whole, aslant, or bulging.

Three terms say how the surface under the sheet departs from the plane, the others how the
paper departs from the surface (``camera.flatness``).  Each term is scaled to a root mean
square of one over all corners of the sheet, so that every coefficient is in millimetres
and means the same in every photo, however little of the sheet it shows.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from digitize.camera.flatness import TERMS, height_terms
from digitize.sheets.layout import Sheet

FloatArray = NDArray[np.float64]

LEVEL = 3
"""Terms that lift and tilt the sheet as a whole."""

HEIGHTS = LEVEL + TERMS


def height_basis(sheet: Sheet, corners_mm: FloatArray) -> FloatArray:
    """Heights (N, HEIGHTS) that each unit coefficient gives nominal corners (N, 2)."""
    first, table = _table(sheet)
    nodes = np.round(corners_mm / sheet.square_mm).astype(int) - first
    return np.asarray(table[nodes[:, 0], nodes[:, 1]])


@lru_cache(maxsize=128)
def _table(sheet: Sheet) -> tuple[NDArray[np.intp], FloatArray]:
    """The smallest node (2,), and the terms (columns, rows, HEIGHTS) of all from there."""
    nodes = sheet.x_corners()
    places = np.asarray(nodes * sheet.square_mm, dtype=float)
    from_middle = places - places.mean(axis=0)
    slopes = from_middle / np.sqrt((from_middle**2).mean(axis=0))
    terms = np.column_stack([np.ones(len(nodes)), slopes, height_terms(places)])
    first = nodes.min(axis=0)
    table = np.zeros((*(nodes.max(axis=0) - first + 1), HEIGHTS))
    table[tuple((nodes - first).T)] = terms
    return first, table


def all_heights(sheet: Sheet) -> FloatArray:
    """The same (N, HEIGHTS) for all corners of the sheet."""
    return height_basis(sheet, np.asarray(sheet.x_corners() * sheet.square_mm, dtype=float))
