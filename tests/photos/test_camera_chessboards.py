"""Real photographs of a chessboard, made by nobody here.

The Debian package opencv-doc carries left01..14 and right01..14 (no 10): a printed board
of 9 x 6 inner corners held before two cameras with visible barrel distortion.  The board
measures 25 mm a square (``square_size`` in left_intrinsics.yml of the same package).  The
camera is recovered from the outer ring of corners alone, and the inner ones predicted.

Known from an earlier trial with another corner finder: 0.034-0.060 of a square by one
homography, 0.0028-0.0104 by a homography with radial terms; 11 of the 13 left photos.
"""

from __future__ import annotations

import dataclasses
import re
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.camera.recover import recover
from digitize.photo.reading import read_photo
from digitize.sheets.layout import PrintScale
from digitize.sighting.sight import sight_checkerboard

FOLDER = Path("/usr/share/doc/opencv-doc/examples/data")
SQUARE_MM = 25.0
AS_PRINTED = PrintScale(1.0, 1.0, 0.0, 0.0, True, "the board's own squares")
NUMBERS = [n for n in range(1, 15) if n != 10]
PHOTOS = [f"{side}{n:02d}.jpg" for side in ("left", "right") for n in NUMBERS]

pytestmark = pytest.mark.skipif(
    not (FOLDER / "left01.jpg").exists(), reason="the package opencv-doc is not installed"
)


@cache
def photo_and_board(name):
    photo = read_photo(FOLDER / name)
    return photo, sight_checkerboard(photo, SQUARE_MM, (9, 6))


def rms(errors):
    return float(np.sqrt((np.asarray(errors) ** 2).sum(axis=1).mean()))


@cache
def predicted(name):
    """RMS of the inner corners: mm by us, px by us, mm by one homography; and the camera."""
    photo, board = photo_and_board(name)
    places = np.round(board.corners_mm / SQUARE_MM)
    outer = ((places == places.min(axis=0)) | (places == places.max(axis=0))).any(axis=1)
    ring = dataclasses.replace(
        board,
        corners_px=board.corners_px[outer],
        corners_mm=board.corners_mm[outer],
        sigma_px=board.sigma_px[outer],
    )
    px, mm = board.corners_px[~outer], board.corners_mm[~outer]
    camera = recover(ring, AS_PRINTED, photo).camera
    plain, _ = cv2.findHomography(ring.corners_px, ring.corners_mm)
    by_plain = cv2.perspectiveTransform(px[None], plain)[0]
    return rms(camera.to_sheet(px) - mm), rms(camera.to_px(mm) - px), rms(by_plain - mm), camera


def test_squares_are_25_mm_by_the_packages_own_calibration():
    text = (FOLDER / "left_intrinsics.yml").read_text()
    assert float(re.search(r"square_size: (\S+)", text)[1]) == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize("name", PHOTOS)
def test_inner_corners_from_the_outer_ring(name):
    ours_mm, ours_px, plain_mm, _ = predicted(name)
    assert len(photo_and_board(name)[1].corners_px) == 54
    assert 0.001 < ours_mm / SQUARE_MM < 0.0085
    assert ours_px < 0.33
    assert plain_mm > 3 * ours_mm


def test_most_photos_are_at_the_level_of_the_corners():
    """The reference calibration of all photos together leaves 0.14-0.23 px a photo."""
    ours = np.array([predicted(name)[:3] for name in PHOTOS])
    assert np.median(ours[:, 1]) < 0.21
    assert np.median(ours[:, 0] / SQUARE_MM) < 0.006
    assert np.median(ours[:, 2] / ours[:, 0]) > 7


@pytest.mark.parametrize("side", ["left", "right"])
def test_lens_agrees_with_a_calibration_of_all_photos(side):
    """OpenCV's calibration (reference library) sees one lens in all thirteen photos."""
    names = [n for n in PHOTOS if n.startswith(side)]
    boards = [photo_and_board(n)[1] for n in names]
    places = [np.column_stack([b.corners_mm, np.zeros(54)]).astype(np.float32) for b in boards]
    corners = [b.corners_px.astype(np.float32) for b in boards]
    flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    _, matrix, lens, *_ = cv2.calibrateCamera(places, corners, (640, 480), None, None, flags=flags)
    cameras = [
        recover(b, AS_PRINTED, read_photo(FOLDER / n)).camera
        for b, n in zip(boards, names, strict=True)
    ]
    focal = np.array([c.focal_px for c in cameras])
    off = np.array([c.principal_px for c in cameras]) - matrix[:2, 2]
    assert np.median(focal) == pytest.approx(matrix[0, 0], rel=0.015)
    assert np.abs(np.median(off, axis=0)).max() < 12
    # At the picture's corner (r = 0.75) the two lenses must bend alike.
    theirs = lens.ravel()[0] * 0.75**2 + lens.ravel()[1] * 0.75**4
    bends = np.array([c.k1 * 0.75**2 + c.k2 * 0.75**4 for c in cameras])
    assert np.median(bends) == pytest.approx(theirs, abs=0.015)
