"""Known points and lengths on real photographs, made by nobody here.

The Debian package opencv-doc carries left01..14 and right01..14 (no 10): a board of 9 x 6
inner corners, 25 mm a square (``square_size`` in left_intrinsics.yml of the same package),
two cameras and no header.  Their barrel distortion, 16 % at the corner, lies 1.6 standard
deviations out in what is believed of a lens, and four points cannot show it, so errors come
to that many of the stated ones in every photo: coverage is asked for at three.  OpenCV's
own sector-based finder picks the corners; a few are told as known, and lengths between the
others predicted.  No photograph with a rule in it was found in the packages looked through.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.photo.reading import read_photo
from digitize.reference.by_knowns import camera_by_knowns
from digitize.reference.knowns import KnownLength, KnownPoint, Knowns
from digitize.reference.shape import length_u_mm

FOLDER = Path("/usr/share/doc/opencv-doc/examples/data")
SQUARE_MM = 25.0
WIDE, HIGH = 9, 6

pytestmark = pytest.mark.skipif(
    not (FOLDER / "left01.jpg").exists(), reason="the package opencv-doc is not installed"
)
PHOTOS = [f"{s}{n:02d}.jpg" for s in ("left", "right") for n in (1, 2, 3, 6, 7, 8, 9, 11, 12, 13)]
OUTER = (0, 4, 8, 17 + 9, 53, 49, 45, 18)
FOUR = (0, 8, 53, 45)


@cache
def board(name):
    """Corners (54, 2) in pixels and in mm, right-handed with y up."""
    grey = cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE)
    found, corners = cv2.findChessboardCornersSB(grey, (WIDE, HIGH))
    if not found:
        return None
    px = corners.reshape(-1, 2).astype(float)
    places = np.array([(i, -j) for j in range(HIGH) for i in range(WIDE)]) * SQUARE_MM
    right, up = px[8] - px[0], px[0] - px[45]
    if right[0] * -up[1] + right[1] * up[0] < 0:
        places = places * [1.0, -1.0]
    return px, places


def predicted(name, known, told):
    px, places = board(name)
    camera = camera_by_knowns(read_photo(FOLDER / name), known).solution.camera
    mm = camera.to_sheet(px)
    rows = []
    others = [k for k in range(0, 54, 5) if k not in told]
    for i, j in combinations(others, 2):
        true = float(np.hypot(*(places[i] - places[j])))
        u = np.hypot(length_u_mm(camera, px[[i, j]]), 0.15)  # the finder's own noise
        rows.append((float(np.hypot(*(mm[i] - mm[j]))) - true, u))
    return np.array(rows)


def together(known_of, told):
    rows = [
        predicted(name, known_of(*board(name)), told) for name in PHOTOS if board(name) is not None
    ]
    assert len(rows) >= 12
    return np.vstack(rows)


@pytest.mark.parametrize(("told", "typical_mm"), [(FOUR, 4.0), (OUTER, 1.0)])
def test_lengths_by_known_points(told, typical_mm):
    def known_of(px, places):
        points = (KnownPoint(tuple(px[k]), tuple(places[k]), 0.1) for k in told)
        return Knowns(tuple(points), pick_px=0.2)

    rows = together(known_of, told)
    assert np.median(np.abs(rows[:, 0])) < typical_mm
    within = [float(np.mean(np.abs(rows[:, 0]) < k * rows[:, 1])) for k in (2, 3)]
    assert within[0] > 0.65
    assert within[1] > 0.9


def test_lengths_by_known_lengths():
    def known_of(px, places):
        return Knowns(
            lengths=tuple(
                KnownLength(
                    tuple(px[a]), tuple(px[b]), float(np.hypot(*(places[a] - places[b]))), 0.1
                )
                for a, b in combinations(FOUR, 2)
            ),
            pick_px=0.2,
        )

    rows = together(known_of, FOUR)
    within = [float(np.mean(np.abs(rows[:, 0]) < k * rows[:, 1])) for k in (2, 3)]
    assert within[0] > 0.65
    assert within[1] > 0.9
