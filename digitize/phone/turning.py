"""Between the picture as the sensor stores it and the upright picture.

A lens sits off the middle of its sensor, not of the picture: held the other way round, the
same phone shows the principal point on the other side.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_UPRIGHT: dict[int, tuple[tuple[float, float], tuple[float, float]]] = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}


def upright_from_stored(orientation: int | None) -> FloatArray:
    """What turns (2, 2) an offset from the middle of the stored picture (Exif 2.32, 4.6.4 A).

    A header that is silent leaves the picture as it is stored.
    """
    return np.array(_UPRIGHT[orientation or 1], dtype=float)


def stored_size(width_px: int, height_px: int, orientation: int | None) -> tuple[int, int]:
    """Width and height of the stored picture of an upright one."""
    return (height_px, width_px) if orientation in (5, 6, 7, 8) else (width_px, height_px)
