"""Real photographs of checkerboards, made by nobody here, as they are and made worse.

All come with the Debian package opencv-doc.  left01..14 and right01..14 (no 10) show one
board of 9 x 6 inner corners; choriginal.jpg a partly covered board of 7 x 5 squares with
marks foreign to us in its white squares.  Where a corner lies in a photo that was made
worse is known from the same corner in the untouched one.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.photo.photo import Photo
from digitize.photo.reading import read_photo
from digitize.sighting.sight import sight, sight_checkerboard
from digitize.sighting.unseen import NoTargetFound, TargetUnreadable

DOC = Path("/usr/share/doc/opencv-doc")
FOLDER = DOC / "examples" / "data"
NAMES = [f"{side}{n:02d}.jpg" for side in ("left", "right") for n in range(1, 15) if n != 10]
HARDER = ["left02.jpg", "left05.jpg", "left12.jpg", "right03.jpg", "right08.jpg", "right14.jpg"]

pytestmark = pytest.mark.skipif(
    not (FOLDER / "left01.jpg").exists(), reason="the package opencv-doc is not installed"
)


@cache
def untouched(name: str) -> np.ndarray:
    return sight_checkerboard(read_photo(FOLDER / name), 25.0).corners_px


def photo_of(grey: np.ndarray) -> Photo:
    grey = np.clip(np.round(grey), 0, 255).astype(np.uint8)
    return Photo("altered", "", np.repeat(grey[:, :, None], 3, axis=2), None, None)


def distances(seen_px: np.ndarray, true_px: np.ndarray) -> np.ndarray:
    """From each corner seen to the nearest true one."""
    return np.linalg.norm(seen_px[:, None] - true_px[None], axis=2).min(1)


@pytest.mark.parametrize("name", NAMES)
def test_every_board_is_found_whole(name: str) -> None:
    photo = read_photo(FOLDER / name)
    sighting = sight_checkerboard(photo, 25.0)
    sheet = sighting.sheet
    assert sorted((sheet.columns, sheet.rows)) == [7, 10]
    assert len(sighting.corners_px) == 54
    assert sighting.marks_read == 0
    nodes = {(i, j) for i, j in np.rint(sighting.corners_mm / 25).astype(int).tolist()}
    assert nodes == {(i, j) for i, j in sheet.x_corners().tolist()}
    # x to the right and y up, as nearly as quarter turns allow, seen from above
    homography, _ = cv2.findHomography(sighting.corners_mm, sighting.corners_px)
    middle = np.array(sheet.size_mm) / 2
    ends = np.array([[middle, middle + np.array([1, 0]), middle + np.array([0, 1])]])
    origin, right, up = cv2.perspectiveTransform(ends, homography)[0]
    right, up = right - origin, up - origin
    assert right[0] > abs(up[0])
    assert -up[1] > 0
    assert right[0] * -up[1] + right[1] * up[0] > 0
    # the square at the lower left corner of the lattice is as dark as the sheet says
    node = np.array([[[1.5, 1.5]]]) * 25
    x, y = np.rint(cv2.perspectiveTransform(node, homography)[0, 0]).astype(int)
    inside = photo.rgb[y - 2 : y + 3, x - 2 : x + 3].mean()
    assert sheet.black(1, 1) == (inside < photo.rgb.mean())


@pytest.mark.parametrize("name", NAMES)
def test_corners_agree_with_the_librarys_own_finder(name: str) -> None:
    """OpenCV's finder and refinement, where it finds the board: their spread is 0.1 px."""
    grey = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    found, corners = cv2.findChessboardCorners(grey, (9, 6), flags=cv2.CALIB_CB_ADAPTIVE_THRESH)
    if not found:
        pytest.skip("the library's finder does not find this board")
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), stop).reshape(-1, 2)
    apart = distances(untouched(name), corners)
    assert np.median(apart) < 0.15
    assert apart.max() < 0.6


def blurred(grey: np.ndarray, true: np.ndarray) -> np.ndarray:
    return cv2.GaussianBlur(grey, (0, 0), 2.5)


def noisy(grey: np.ndarray, true: np.ndarray) -> np.ndarray:
    return grey + np.random.default_rng(1).normal(0, 12, grey.shape)


def packed(grey: np.ndarray, true: np.ndarray) -> np.ndarray:
    coded = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 40])[1]
    return cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)


@pytest.mark.parametrize("spoil", [blurred, noisy, packed])
@pytest.mark.parametrize("name", HARDER)
def test_blur_noise_and_packing(name, spoil) -> None:
    true = untouched(name)
    grey = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    sighting = sight_checkerboard(photo_of(spoil(grey, true)), 25.0)
    off = distances(sighting.corners_px, true)
    assert len(off) >= 50
    assert off.max() < 1.0
    assert np.median(off) < 0.2


@pytest.mark.parametrize("name", HARDER)
def test_quarter_size_squares_of_eight_pixels(name: str) -> None:
    true = untouched(name)
    grey = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    small = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    sighting = sight_checkerboard(photo_of(small), 25.0)
    off = distances(sighting.corners_px, (true + 0.5) / 4 - 0.5)
    assert len(off) >= 50
    assert np.median(off) < 0.1
    assert off.max() < 0.6


@pytest.mark.parametrize("name", HARDER)
def test_seen_askew_with_clutter_pasted_over(name: str) -> None:
    rng = np.random.default_rng(sum(name.encode()))
    true = untouched(name)
    grey = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    clutter = cv2.imread(str(FOLDER / "baboon.jpg"), cv2.IMREAD_GRAYSCALE)
    covered = np.zeros(grey.shape, bool)
    for _ in range(3):
        x, y = (true[rng.integers(len(true))] + rng.uniform(-30, 10, 2)).astype(int)
        patch = np.s_[max(y, 0) : max(y, 0) + 50, max(x, 0) : max(x, 0) + 50]
        grey[patch] = clutter[:50, :50][: grey[patch].shape[0], : grey[patch].shape[1]]
        covered[max(y - 8, 0) : y + 58, max(x - 8, 0) : x + 58] = True
    height, width = grey.shape
    rim = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    moved = rim + rng.uniform(-0.15, 0.15, (4, 2)) * (width, height)
    warp = cv2.getPerspectiveTransform(rim, moved.astype(np.float32))
    turn = np.eye(3)
    turn[:2] = cv2.getRotationMatrix2D((width / 2, height / 2), rng.uniform(0, 360), 1.0)
    shift = np.array([[1, 0, 250], [0, 1, 250], [0, 0, 1.0]])
    whole = shift @ turn @ warp
    size = (width + 500, height + 500)
    askew = cv2.warpPerspective(grey, whole, size, flags=cv2.INTER_CUBIC, borderValue=90)
    sighting = sight_checkerboard(photo_of(askew), 25.0)
    where = np.rint(true).astype(int)
    free = ~covered[where[:, 1], where[:, 0]]
    off = distances(sighting.corners_px, cv2.perspectiveTransform(true[None], whole)[0])
    assert len(off) >= 0.9 * free.sum()
    # A straight dark edge of the clutter may pass for the edge that it covers: rarely, and
    # then the corner moves by what such an edge may move it.
    assert (off > 0.5).sum() <= 1
    assert off.max() < 2.0
    assert np.median(off) < 0.1


@pytest.mark.parametrize("name", HARDER)
def test_halves_on_either_side_of_a_bar_are_one_board(name: str) -> None:
    true = untouched(name)
    grey = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    y, x = np.indices(grey.shape)
    centre = true.mean(0)
    away = np.abs((x - centre[0]) * 0.8 + (y - centre[1]) * 0.6)
    texture = np.tile(cv2.imread(str(FOLDER / "baboon.jpg"), cv2.IMREAD_GRAYSCALE), (1, 2))
    grey[away < 18] = texture[:480, :640][away < 18]
    sighting = sight_checkerboard(photo_of(grey), 25.0)
    at = np.abs((true - centre) @ (0.8, 0.6))
    off = distances(sighting.corners_px, true)
    assert off.max() < 1.0
    assert len(off) >= 0.9 * (at > 26).sum()
    # one board: nodes must still fit one homography but for lens distortion
    homography, _ = cv2.findHomography(sighting.corners_mm, sighting.corners_px)
    seen = cv2.perspectiveTransform(sighting.corners_mm[None], homography)[0]
    assert np.abs(seen - sighting.corners_px).max() < 8


@pytest.mark.parametrize("name", HARDER)
def test_half_the_board_out_of_the_photo(name: str) -> None:
    true = untouched(name)
    grey = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    cut = int(true[:, 0].mean())
    sighting = sight_checkerboard(photo_of(grey[:, cut:]), 25.0)
    off = distances(sighting.corners_px + np.array([cut, 0]), true)
    assert off.max() < 0.1
    assert len(off) >= 0.85 * (true[:, 0] > cut + 8).sum()


@pytest.mark.parametrize("inner", [(9, 6), (6, 9)])
def test_stated_corner_count(inner: tuple[int, int]) -> None:
    sighting = sight_checkerboard(read_photo(FOLDER / "left04.jpg"), 25.0, inner)
    assert (sighting.sheet.columns, sighting.sheet.rows) == (10, 7)
    assert len(sighting.corners_px) == 54


def test_smaller_count_than_seen_keeps_a_window_of_it() -> None:
    sighting = sight_checkerboard(read_photo(FOLDER / "left04.jpg"), 25.0, (5, 4))
    assert len(sighting.corners_px) == 20
    assert sorted((sighting.sheet.columns, sighting.sheet.rows)) == [5, 6]


def test_a_board_with_foreign_marks() -> None:
    path = DOC / "opencv4" / "html" / "choriginal.jpg"
    photo = read_photo(path)
    sighting = sight_checkerboard(photo, 30.0)
    assert sorted((sighting.sheet.columns, sighting.sheet.rows)) == [5, 7]
    with pytest.raises(TargetUnreadable, match=r"24 corners .* no coded mark can be read"):
        sight(photo)


@pytest.mark.parametrize("name", ["left01.jpg", "baboon.jpg", "building.jpg", "digits.png"])
def test_no_coded_sheet_is_read_into_other_pictures(name: str) -> None:
    with pytest.raises(NoTargetFound, match=r"no target is seen|no coded mark can be read"):
        sight(read_photo(FOLDER / name))
