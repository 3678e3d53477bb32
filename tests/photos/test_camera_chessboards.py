"""Real photographs of a chessboard, made by nobody here.

The Debian package opencv-doc carries left01..14 and right01..14 (no 10): a printed board
of 9 x 6 inner corners held before two cameras with visible barrel distortion.  The board
measures 25 mm a square (``square_size`` in left_intrinsics.yml of the same package).  The
camera is recovered from the outer ring of corners alone, and the inner ones predicted.

Known from an earlier trial with another corner finder: 0.034-0.060 of a square by one
homography, 0.0028-0.0104 by a homography with radial terms; 11 of the 13 left photos.
"""

from __future__ import annotations

import importlib.util
import re
import sys
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.camera.recover import recover
from digitize.photo.reading import read_photo
from digitize.sighting.sight import sight_checkerboard

_SCRIPT = Path(__file__).parents[2] / "benchmarks" / "chessboards.py"
_SPEC = importlib.util.spec_from_file_location("chessboards", _SCRIPT)
chessboards = sys.modules["chessboards"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(chessboards)

SQUARE_MM = chessboards.SQUARE_MM
NUMBERS = [n for n in range(1, 15) if n != 10]
PHOTOS = [f"{side}{n:02d}.jpg" for side in ("left", "right") for n in NUMBERS]

pytestmark = pytest.mark.skipif(
    not (chessboards.FOLDER / "left01.jpg").exists(),
    reason="the package opencv-doc is not installed",
)


@cache
def predicted(name):
    return chessboards.inner_from_outer(chessboards.FOLDER / name)


def test_squares_are_25_mm_by_the_packages_own_calibration():
    text = (chessboards.FOLDER / "left_intrinsics.yml").read_text()
    assert float(re.search(r"square_size: (\S+)", text)[1]) == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize("name", PHOTOS)
def test_inner_corners_from_the_outer_ring(name):
    found = predicted(name)
    assert found.inner == 28
    assert 0.001 < found.mm / SQUARE_MM < 0.0085
    assert 0.05 < found.px < 0.33
    assert found.homography_mm > 3 * found.mm


def test_most_photos_are_at_the_level_of_the_corners():
    """The reference calibration of all photos together leaves 0.14-0.23 px a photo."""
    found = [predicted(name) for name in PHOTOS]
    assert np.median([p.px for p in found]) < 0.21
    assert np.median([p.mm for p in found]) / SQUARE_MM < 0.006
    assert np.median([p.homography_mm / p.mm for p in found]) > 7


@pytest.mark.parametrize("side", ["left", "right"])
def test_lens_agrees_with_a_calibration_of_all_photos(side):
    """OpenCV's calibration (reference library) sees one lens in all thirteen photos."""
    names = [n for n in PHOTOS if n.startswith(side)]
    photos = [read_photo(chessboards.FOLDER / n) for n in names]
    boards = [sight_checkerboard(p, SQUARE_MM, (9, 6)) for p in photos]
    places = [np.column_stack([b.corners_mm, np.zeros(54)]).astype(np.float32) for b in boards]
    corners = [b.corners_px.astype(np.float32) for b in boards]
    flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    _, matrix, lens, *_ = cv2.calibrateCamera(places, corners, (640, 480), None, None, flags=flags)
    cameras = [
        recover(b, chessboards.AS_PRINTED, p).camera for b, p in zip(boards, photos, strict=True)
    ]
    focal = np.array([c.focal_px for c in cameras])
    off = np.array([c.principal_px for c in cameras]) - matrix[:2, 2]
    assert np.median(focal) == pytest.approx(matrix[0, 0], rel=0.015)
    assert np.abs(np.median(off, axis=0)).max() < 12
    # At the picture's corner (r = 0.75) the two lenses must bend alike.
    theirs = lens.ravel()[0] * 0.75**2 + lens.ravel()[1] * 0.75**4
    bends = np.array([c.k1 * 0.75**2 + c.k2 * 0.75**4 for c in cameras])
    assert np.median(bends) == pytest.approx(theirs, abs=0.015)
