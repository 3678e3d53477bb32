"""Photos in which no sheet can be named: each gets its own sentence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

from digitize.errors import Exit
from digitize.photo.photo import Photo
from digitize.sighting.sight import sight, sight_checkerboard
from digitize.sighting.unseen import NoTargetFound, TargetUnreadable, WrongSheet

RIM = np.array([(330, 930), (900, 900), (830, 60), (400, 40)], float)
AWAY = RIM + np.array([3000, 0])  # only the litter is in the picture


def sentence(error: pytest.ExceptionInfo[NoTargetFound]) -> str:
    assert error.value.exit_code == Exit.TARGET
    text = str(error.value)
    assert "drawn.jpg" in text
    assert text.count(".") == 2  # of the file name and at the end
    return text


@pytest.mark.parametrize("seek", [sight, lambda photo: sight_checkerboard(photo, 25.0)])
def test_no_sheet_there(photographed: Callable[..., Any], seek: Callable[..., Any]) -> None:
    photo, _ = photographed("ring", "A4", 7, AWAY)
    with pytest.raises(NoTargetFound) as error:
        seek(photo)
    assert "no target is seen (" in sentence(error)
    assert "with a printed sheet in it" in str(error.value)


@pytest.mark.parametrize("seek", [sight, lambda photo: sight_checkerboard(photo, 25.0)])
def test_too_blurred(photographed: Callable[..., Any], seek: Callable[..., Any]) -> None:
    photo, _ = photographed(
        "ring", "A4", 7, RIM, change=lambda light: cv2.GaussianBlur(light, (0, 0), 16)
    )
    with pytest.raises(NoTargetFound) as error:
        seek(photo)
    assert "too blurred" in sentence(error)
    assert "hold still" in str(error.value)


def test_shaken(photographed: Callable[..., Any]) -> None:
    """Smeared along one slant by two squares."""
    kernel = np.eye(71, dtype=np.float32) / 71
    photo, _ = photographed(
        "ring", "A4", 7, RIM, change=lambda light: cv2.filter2D(light, -1, kernel)
    )
    with pytest.raises(NoTargetFound) as error:
        sight(photo)
    sentence(error)


@pytest.mark.parametrize("seek", [sight, lambda photo: sight_checkerboard(photo, 25.0)])
def test_too_dark(photographed: Callable[..., Any], seek: Callable[..., Any]) -> None:
    photo, _ = photographed("ring", "A4", 7, RIM, change=lambda light: light * 0.003)
    with pytest.raises(NoTargetFound) as error:
        seek(photo)
    assert "too dark" in sentence(error)
    assert "more light" in str(error.value)


def test_corners_but_no_mark(photographed: Callable[..., Any]) -> None:
    """The same board with its white squares washed plain."""
    photo, px = photographed("card", "A4", 7, RIM)
    rgb = photo.rgb.copy()
    sheet = sight(photo)[0].sheet
    for column in range(sheet.columns):
        for row in range(sheet.rows):
            if not sheet.black(column, row):
                rim = np.array([(0.12, 0.12), (0.88, 0.12), (0.88, 0.88), (0.12, 0.88)])
                where = px((rim + np.array([column, row])) * sheet.square_mm)
                cv2.fillConvexPoly(rgb, np.rint(where).astype(np.int32), (236, 236, 236))
    # Only the upper of the page's two cards is washed: cover the other.
    rgb[px(np.array([[0.0, 0.0]]))[0, 1].astype(int) + 6 :] = 90
    with pytest.raises(TargetUnreadable) as error:
        sight(Photo("drawn.jpg", "", rgb, None, None))
    assert "corners of a checkered lattice are seen" in sentence(error)
    assert "no coded mark can be read" in str(error.value)
    assert "if it is a plain checkerboard, say --checkerboard" in str(error.value)


def test_another_number_than_asked(photographed: Callable[..., Any]) -> None:
    photo, _ = photographed("ring", "Letter", 7, RIM)
    with pytest.raises(WrongSheet) as error:
        sight(photo, only=8)
    assert "sheet 8 is not in the photo, only ring Letter, sheet 7" in sentence(error)
    assert [s.sheet.number for s in sight(photo, only=7)] == [7]


@pytest.mark.parametrize("shape", [(1, 1), (1, 4000), (4000, 1), (7, 7), (40, 40), (64, 3000)])
@pytest.mark.parametrize("seek", [sight, lambda photo: sight_checkerboard(photo, 25.0)])
def test_slivers(shape: tuple[int, int], seek: Callable[..., Any]) -> None:
    grey = np.random.default_rng(1).integers(0, 256, shape, np.uint8)
    photo = Photo("drawn.jpg", "", np.repeat(grey[:, :, None], 3, axis=2), None, None)
    with pytest.raises(NoTargetFound):
        seek(photo)
    with pytest.raises(NoTargetFound):
        seek(Photo("drawn.jpg", "", np.zeros((*shape, 3), np.uint16), None, None))
