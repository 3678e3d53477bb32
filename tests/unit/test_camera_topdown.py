"""The picture from straight above: right places, right way up."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitize.camera.topdown import topdown
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet

SHEET = Sheet("ring", "A4", 1, 30, 20, 10.0, 3)
DOTS_MM = np.array([(20.0, 20.0), (280.0, 30.0), (150.0, 100.0), (40.0, 180.0)])


def photographed(view, height_mm, dtype=np.uint8):
    """A grey photo with a soft white dot at each place."""
    width, height = view.camera.size_px
    grey = np.full((height, width), 60.0)
    y, x = np.mgrid[0:height, 0:width]
    for u, v in view.px(np.column_stack([DOTS_MM, np.full(len(DOTS_MM), height_mm)])):
        grey += 150 * np.exp(-((x - u) ** 2 + (y - v) ** 2) / (2 * 5.0**2))
    rgb = np.repeat(grey[..., None], 3, axis=2)
    return Photo("a", "", (rgb * (257 if dtype == np.uint16 else 1)).astype(dtype), None, None)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("mm_per_px", [0.21, 0.5, 1.0])
@pytest.mark.parametrize("height_mm", [0.0, 12.0])
def test_dots_lie_where_they_are(over, mm_per_px, height_mm, dtype):
    view = over(SHEET, 25.0, size_px=(1600, 1200), focal_px=1200.0, k1=-0.06, k2=0.03)
    photo = photographed(view, height_mm, dtype)
    box = (-20.0, -10.0, 310.5, 205.0)
    picture = topdown(photo, view.camera, box, mm_per_px, height_mm=height_mm)
    assert picture.dtype == np.uint8
    rows, columns = picture.shape[:2]
    assert columns == round(330.5 / mm_per_px)
    assert rows == round(215 / mm_per_px)
    step_x, step_y = 330.5 / columns, 215 / rows
    for x, y in DOTS_MM:
        u, v = (x - box[0]) / step_x - 0.5, (box[3] - y) / step_y - 0.5
        r = round(6 / mm_per_px)
        u0, v0 = round(u) - r, round(v) - r
        patch = picture[v0 : v0 + 2 * r + 1, u0 : u0 + 2 * r + 1, 0].astype(float) - 60
        moments = cv2.moments(np.clip(patch, 5, None) - 5)
        at = np.array([moments["m10"], moments["m01"]]) / moments["m00"] + [u0, v0]
        # The tilt makes each dot a little lopsided, by less than 0.2 mm.
        assert np.hypot(*((at - [u, v]) * [step_x, step_y])) < 0.2


def test_what_the_photo_does_not_reach_is_grey(over):
    view = over(SHEET, 25.0, size_px=(800, 600), focal_px=600.0)
    photo = Photo("a", "", np.zeros((600, 800, 3), np.uint8), None, None)
    picture = topdown(photo, view.camera, (-400.0, -5.0, 300.0, 205.0), 1.0)
    assert (picture[100, 5] == 224).all()
    assert (picture[100, 550] == 0).all()


def test_behind_the_horizon_there_is_nothing(over):
    view = over(SHEET, 60.0, size_px=(800, 600), focal_px=600.0)
    photo = Photo("a", "", np.zeros((600, 800, 3), np.uint8), None, None)
    picture = topdown(photo, view.camera, (-5000.0, -5000.0, 5000.0, 5000.0), 10.0)
    assert (picture == 224).any(axis=2).sum() > 0.5 * picture[..., 0].size
