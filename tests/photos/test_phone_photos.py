"""Cameras calibrated from six real photographs, as a belief about seven others.

The photographs are left01..14 and right01..14 (no 10) of the Debian package opencv-doc, of
two cameras (see test_camera_chessboards.py).  The reference is OpenCV's calibration of all
thirteen photos of a side, and the poses it finds with that lens.  One rendered photograph
from straight above shows what a known lens does for the height of the camera.
"""

from __future__ import annotations

import importlib.util
import json
import math
import sys
from datetime import date
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.camera.recover import recover
from digitize.phone.calibrate import calibrate, shot_of
from digitize.phone.expect import disagreement, expected
from digitize.photo.reading import read_photo
from digitize.sheets.layout import PrintScale
from digitize.sighting.sight import sight, sight_checkerboard

ROOT = Path(__file__).parents[2]
_SPEC = importlib.util.spec_from_file_location("chessboards", ROOT / "benchmarks/chessboards.py")
chessboards = sys.modules["chessboards"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(chessboards)

NUMBERS = [n for n in range(1, 15) if n != 10]
TODAY = date(2026, 5, 2)

packaged = pytest.mark.skipif(
    not (chessboards.FOLDER / "left01.jpg").exists(),
    reason="the package opencv-doc is not installed",
)


@cache
def seen(side):
    photos = [read_photo(chessboards.FOLDER / f"{side}{n:02d}.jpg") for n in NUMBERS]
    return photos, [sight_checkerboard(p, chessboards.SQUARE_MM, (9, 6)) for p in photos]


@cache
def reference(side):
    """OpenCV's matrix and lens from all photos of a side."""
    _, boards = seen(side)
    places = [np.column_stack([b.corners_mm, np.zeros(54)]).astype(np.float32) for b in boards]
    corners = [b.corners_px.astype(np.float32) for b in boards]
    flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    _, matrix, lens, *_ = cv2.calibrateCamera(places, corners, (640, 480), None, None, flags=flags)
    return matrix, lens.ravel()


@cache
def calibrated(side):
    photos, boards = seen(side)
    shots = [shot_of(p, b) for p, b in zip(photos[:6], boards[:6], strict=True)]
    return calibrate(side, shots, chessboards.AS_PRINTED, on=TODAY)


@packaged
@pytest.mark.parametrize("side", ["left", "right"])
def test_six_photos_give_the_camera_that_opencv_finds_in_all(side):
    made = calibrated(side)
    matrix, lens = reference(side)
    assert all(not p.left_out and p.rms_px < 0.25 for p in made.photos)
    assert made.profile.focal_px == pytest.approx(matrix[0, 0], rel=0.007)
    off = made.profile.mean[1:3] + np.array([319.5, 239.5]) - matrix[:2, 2]
    assert np.abs(off).max() < 9
    # At the picture's corner (r = 0.75) the two lenses must bend alike.
    ours, theirs = (k[0] * 0.75**2 + k[1] * 0.75**4 for k in (made.profile.mean[3:], lens))
    assert ours == pytest.approx(theirs, abs=0.006)


@packaged
@pytest.mark.parametrize("side", ["left", "right"])
def test_the_other_photos_are_placed_better(side):
    """Where the camera stood is what a single photo knows least."""
    photos, boards = seen(side)
    matrix, lens = reference(side)
    profile = calibrated(side).profile
    alone, known = [], []
    for photo, board in zip(photos[6:], boards[6:], strict=True):
        places = np.column_stack([board.corners_mm, np.zeros(54)])
        _, turn, moved = cv2.solvePnP(places, board.corners_px, matrix, lens)
        centre = (-cv2.Rodrigues(turn)[0].T @ moved).ravel()
        belief = expected(profile, photo)
        assert belief.notices == ()
        for which, results in ((None, alone), (belief.lens, known)):
            found = recover(board, chessboards.AS_PRINTED, photo, which)
            results.append(
                (
                    np.linalg.norm(found.camera.centre_mm - centre),
                    abs(math.log(found.camera.focal_px / matrix[0, 0])),
                )
            )
            assert disagreement(belief, found) == () or which is None
    ratios = np.sqrt((np.array(alone) ** 2).mean(axis=0) / (np.array(known) ** 2).mean(axis=0))
    assert (ratios > {"left": 1.4, "right": 3.0}[side]).all()


@pytest.mark.parametrize("name", ["straight-down"])
def test_a_rendered_photo_from_straight_above(name):
    """The lens as OpenCV's projection shows it in four other views of the same sheet."""
    truth = json.loads((ROOT / "samples" / f"{name}.json").read_text())
    photo = read_photo(ROOT / "samples" / truth["photo"])
    camera, target = truth["camera"], truth["targets"][0]
    (sighting, *_) = sight(photo)
    scale = PrintScale(*target["print_scale"], 5e-4, 5e-4, True, "as rendered")
    profile = calibrate("rendered", _views(camera, sighting, scale, photo), scale, on=TODAY).profile
    alone = recover(sighting, scale, photo)
    known = recover(sighting, scale, photo, expected(profile, photo).lens)
    assert known.prior == "known"
    height = camera["centre_mm"][2]
    u = [math.sqrt(s.camera.covariance[6, 6]) for s in (alone, known)]
    off = [abs(s.camera.centre_mm[2] / height - 1) for s in (alone, known)]
    assert u[1] < u[0] / 3
    assert off[1] < 0.012
    assert off[1] < 3 * u[1]


def _views(camera, sighting, scale, photo):
    """Four sightings of the sheet at a slant, by OpenCV."""
    import dataclasses

    rng = np.random.default_rng(5)
    f, (cx, cy) = camera["focal_px"], camera["principal_px"]
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
    printed = sighting.sheet.x_corners() * sighting.sheet.square_mm * (scale.x, scale.y)
    middle = np.append(printed.mean(axis=0), 0.0)
    shots = []
    for n, azimuth in enumerate((0.2, 1.8, 3.3, 4.9)):
        axis = np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
        rotation = np.diag([1.0, -1.0, -1.0]) @ cv2.Rodrigues(0.44 * axis)[0]
        translation = np.array([0, 0, 420.0]) - rotation @ middle
        px, _ = cv2.projectPoints(
            np.column_stack([printed, np.zeros(len(printed))]),
            cv2.Rodrigues(rotation)[0],
            translation,
            matrix,
            np.array([camera["k1"], camera["k2"], 0, 0]),
        )
        view = dataclasses.replace(
            sighting,
            corners_px=px[:, 0] + rng.normal(0, 0.03, (len(printed), 2)),
            corners_mm=sighting.sheet.x_corners() * sighting.sheet.square_mm,
            sigma_px=np.full(len(printed), 0.03),
        )
        shots.append(dataclasses.replace(shot_of(photo, view), name=f"{n}", sha256=f"{n:064x}"))
    return shots
