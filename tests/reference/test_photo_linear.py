"""Linear light against a reference library (scikit-image) and the standard's own values."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2xyz

from digitize.photo.photo import Photo


def photo(rgb):
    return Photo("a.jpg", "", rgb, None, None)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_luminance_is_the_y_of_scikit_image(dtype):
    rgb = np.random.default_rng(0).integers(0, np.iinfo(dtype).max, (70, 90, 3), dtype=dtype)
    # Its matrix has the weights 0.212671, 0.715160, 0.072169.
    np.testing.assert_allclose(photo(rgb).linear_grey, rgb2xyz(rgb)[..., 1], atol=2e-4)


def test_coding_of_the_standard():
    """IEC 61966-2-1: 0.04045 coded is 0.0031308 linear; 18 % grey is coded 118 of 255."""
    grey = np.array([0, 10, 11, 118, 255], np.uint8)
    rgb = np.repeat(grey[None, :, None], 3, axis=2)
    seen = photo(rgb).linear_grey[0]
    np.testing.assert_allclose(seen[[0, 1, 4]], [0, 10 / 255 / 12.92, 1], atol=1e-7)
    assert seen[2] == pytest.approx(((11 / 255 + 0.055) / 1.055) ** 2.4, rel=1e-5)
    assert seen[3] == pytest.approx(0.18, abs=0.002)


def test_both_depths_agree():
    rgb = np.random.default_rng(1).integers(0, 255, (40, 50, 3), dtype=np.uint8)
    deep = rgb.astype(np.uint16) * 257
    np.testing.assert_allclose(photo(rgb).linear_grey, photo(deep).linear_grey, atol=1e-6)
    np.testing.assert_allclose(
        photo(rgb).linear_rgb(3, 5, 20, 30), photo(deep).linear_rgb(3, 5, 20, 30), atol=1e-6
    )
