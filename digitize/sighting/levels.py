"""The photo at several sizes, and what is seen on each.

X-corners are found where squares are some 8 to 80 px wide and edges a pixel or two, so a
large or blurred photo is searched on a reduced picture and a tiny one on an enlarged one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.sighting.corners import Corners, GreyArray, detect, smooth
from digitize.sighting.lattice import Lattice, grow

GreyPicture = NDArray[np.uint8]

FIRST_LEVEL_PIXELS = 1.3e6  # the first picture searched is the largest below this
SMALLEST_LEVEL_PIXELS = 4.0e4
LARGEST_LEVEL_PIXELS = 2.6e7
ENLARGE_BELOW_PIXELS = 1.0e6  # a tiny photo is also tried at twice its size


@dataclass(frozen=True, eq=False)
class Level:
    """One picture and what is seen on it, in its own pixels; searched when first asked."""

    scale: float  # photo pixels per level pixel
    grey: GreyPicture

    @cached_property
    def smoothed(self) -> GreyArray:
        """The picture as the detector sees it."""
        return smooth(self.grey)

    @cached_property
    def corners(self) -> Corners:
        """Every X-corner candidate."""
        return detect(self.smoothed)

    @cached_property
    def lattices(self) -> list[Lattice]:
        """What grows from the candidates, largest first."""
        return grow(self.smoothed, self.corners)

    def in_photo(self, lattice: Lattice) -> Lattice:
        """A lattice of this level in photo pixels."""
        return replace(lattice, xy_px=(lattice.xy_px + 0.5) * self.scale - 0.5)

    def in_level(self, lattice: Lattice) -> Lattice:
        """A lattice in photo pixels on this level."""
        return replace(lattice, xy_px=(lattice.xy_px + 0.5) / self.scale - 0.5)


def grey_of(photo: Photo) -> GreyPicture:
    """Coded grey, 8 bit: enough to find and to read, not to measure."""
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    if grey.dtype != np.uint8:
        grey = cv2.convertScaleAbs(grey, alpha=1.0 / 257.0)
    return np.asarray(grey, np.uint8)


def levels(grey: GreyPicture) -> list[Level]:
    """The pictures that can be searched, the likeliest size first."""
    pictures = [grey]
    while pictures[-1].size >= 4 * SMALLEST_LEVEL_PIXELS:
        pictures.append(halved(pictures[-1]))
    first = next(
        (k for k, picture in enumerate(pictures) if picture.size <= FIRST_LEVEL_PIXELS),
        len(pictures) - 1,
    )
    order = [first]
    for step in range(1, len(pictures) + 1):
        order += [first + step, first - step]  # the coarser one costs next to nothing
    found = []
    for k in order:
        if 0 <= k < len(pictures) and pictures[k].size <= LARGEST_LEVEL_PIXELS:
            found.append(Level(float(2**k), pictures[k]))
        elif k == -1 and grey.size <= ENLARGE_BELOW_PIXELS:
            doubled = cv2.resize(grey, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC)
            found.append(Level(0.5, np.asarray(doubled, np.uint8)))
    return found


def halved(grey: GreyPicture) -> GreyPicture:
    """Half the size; an odd last row or column is dropped."""
    height, width = grey.shape[0] // 2 * 2, grey.shape[1] // 2 * 2
    half = cv2.resize(
        grey[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA
    )
    return np.asarray(half, np.uint8)
