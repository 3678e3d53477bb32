"""Strokes on real photographs of printed pages under uneven light, taken by nobody here.

``page`` is in the scikit-image wheel (skimage.data.page: a shaded, bent page of text);
``sudoku.png`` is in the Debian package opencv-doc (a creased newspaper page with a puzzle
grid, falling light and a soft shadow).  A single Otsu level fails on both.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage import data
from skimage.filters import threshold_otsu

from digitize.tracing.ink.loops import find_loops
from digitize.tracing.ink.strokes import find_on_paper
from digitize.tracing.overview import Overview

SUDOKU = Path("/usr/share/doc/opencv-doc/examples/data/sudoku.png")


def seen_flat(grey: NDArray[np.uint8], pitch_mm: float) -> Overview:
    """A grey picture taken as a view from above, in roughly linear light."""
    linear = ((grey / 255.0) ** 2.2).astype(np.float32)
    whole = np.ones(grey.shape, dtype=bool)
    rgb = np.repeat(linear[..., None], 3, axis=2)
    return Overview(rgb, whole, pitch_mm, 0.0, 0.0, 0.0, pitch_mm)


def test_print_on_a_shaded_page_is_ink_and_its_dark_corner_is_not():
    grey = data.page()
    ink = find_on_paper(seen_flat(grey, 0.25)).ink
    blank = (slice(133, 146), slice(5, 120))  # between the text and the listing, in the shade
    assert (grey[blank] < threshold_otsu(grey)).mean() > 0.5  # one level calls it ink
    assert ink[blank].mean() < 0.02
    heading, listing = (slice(10, 30), slice(5, 290)), (slice(172, 188), slice(15, 240))
    assert 0.1 < ink[heading].mean() < 0.4
    assert 0.1 < ink[listing].mean() < 0.4


@pytest.mark.skipif(not SUDOKU.exists(), reason="the package opencv-doc is not installed")
def test_the_nine_boxes_of_a_creased_puzzle_are_closed():
    grey = cv2.imread(str(SUDOKU), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    loops = find_loops(find_on_paper(seen_flat(grey, 0.35)).ink, 0.35)
    # One place in each of the nine boxes bounded by thick lines, read off by eye: x, y.
    places = [
        (131, 131), (280, 160), (392, 170),
        (90, 255), (240, 290), (440, 300),
        (120, 440), (250, 440), (390, 480),
    ]  # fmt: skip
    faces = [int(loops.zone[y + 1, x + 1]) for x, y in places]
    assert 0 not in faces  # none of them leaks to the edge of the picture
    assert len(set(faces)) == 9
