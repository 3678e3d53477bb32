"""Printed pages among litter, hard packed, tiny and huge, covered and cut off.

The page comes from the printing code at ten pixels to the millimetre; OpenCV warps it, so
where each corner lies is OpenCV's homography.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from digitize.sighting.sight import sight
from digitize.sighting.sighting import Sighting

RIM = np.array([(330, 930), (900, 900), (830, 60), (400, 40)], float)


def off_px(sighting: Sighting, px: Callable[..., Any]) -> Any:
    return np.linalg.norm(sighting.corners_px - px(sighting.corners_mm), axis=1)


def test_packed_to_a_fifth_of_the_bytes(photographed: Callable[..., Any]) -> None:
    """JPEG quality 40: edges ring, and marks are blocks."""
    photo, px = photographed("ring", "A4", 11, RIM, quality=40)
    (sighting,) = sight(photo)
    off = off_px(sighting, px)
    assert sighting.sheet.number == 11
    assert len(off) >= 210
    assert np.median(off) < 0.1
    assert off.max() < 0.8


def test_a_packed_card_of_many_small_squares(photographed: Callable[..., Any]) -> None:
    photo, px = photographed("card", "A4", 21, RIM, quality=40)
    sighting = next(s for s in sight(photo) if s.sheet.number == 21)
    off = off_px(sighting, px)
    assert len(off) >= 0.9 * len(sighting.sheet.x_corners())
    assert np.median(off) < 0.1


@pytest.mark.parametrize("size_px", [(620, 480), (840, 600)])
def test_tiny(photographed: Callable[..., Any], size_px: tuple[int, int]) -> None:
    """0.3 to 0.5 megapixels."""
    width, height = size_px
    rim = RIM * (height / 960) + ((width - 1280 * height / 960) / 2, 0)
    photo, px = photographed("ring", "A4", 9, rim, size_px=size_px, finer=6)
    (sighting,) = sight(photo)
    off = off_px(sighting, px)
    assert sighting.sheet.number == 9
    assert len(off) >= 200
    assert np.median(off) < 0.15
    assert off.max() < 0.8


def test_huge(photographed: Callable[..., Any]) -> None:
    """52 megapixels, soft as such sensors are."""
    size_px = (8320, 6240)
    photo, px = photographed("ring", "A4", 5, RIM * 6.5, size_px=size_px, finer=1)
    (sighting,) = sight(photo)
    off = off_px(sighting, px)
    assert sighting.sheet.number == 5
    assert len(off) >= 210
    assert np.median(off) < 0.1
    assert off.max() < 1.0


@pytest.mark.parametrize("side", range(4))
def test_sixty_per_cent_out_of_the_photo(photographed: Callable[..., Any], side: int) -> None:
    """Each side in turn; 40 % of the page is left in the picture."""
    middle, reach = np.array([640.0, 480.0]), np.array([420.0, 420.0])
    rim = middle + reach * np.array([(-1, 1), (1, 1.06), (0.96, -1), (-1, -0.97)])
    shift = np.array([(-724, 0), (724, 0), (0, -564), (0, 564)])[side]
    photo, px = photographed("ring", "A4", 30, rim + shift)
    (sighting,) = sight(photo)
    off = off_px(sighting, px)
    whole = px(sighting.sheet.x_corners() * sighting.sheet.square_mm)
    seen = ((whole > 8) & (whole < (1271, 951))).all(axis=1)
    assert seen.mean() < 0.5
    assert len(off) >= 0.9 * seen.sum()
    assert off.max() < 0.6


@pytest.mark.parametrize("side", range(4))
def test_sixty_per_cent_covered(photographed: Callable[..., Any], side: int) -> None:
    """A chequered cloth as dark and bright as the print lies over the page, askew."""
    y, x = np.mgrid[:960, :1280]
    covered = (x > 500, x < 740, y > 400, y < 570)[side]
    stripes = np.where(((8 * x + 6 * y) // 130 + (6 * x - 8 * y) // 290) % 2 == 0, 0.05, 0.7)

    def laid_over(light: Any) -> Any:
        return np.where(covered, stripes, light)

    photo, px = photographed("ring", "A4", 44, RIM, change=laid_over)
    # The cover is itself a checkered lattice without marks, and must not be taken for a sheet.
    (sighting,) = sight(photo)
    off = off_px(sighting, px)
    at = np.rint(sighting.corners_px).astype(int)
    assert sighting.sheet.number == 44
    assert len(off) >= 40
    assert not covered[at[:, 1], at[:, 0]].any()
    assert off.max() < 0.6
