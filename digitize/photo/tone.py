"""Coded values to linear light.

sRGB coding (IEC 61966-2-1) is undone by table, so that edges are read in values
proportional to light.  A picture whose embedded profile has another tone curve is first
brought to sRGB coding: the tone curve alone, read off by sending a grey ramp through the
profile.  Hues stay as they are, because a full colour conversion would clip saturated
pixels, and a clipped edge moves.
"""

from __future__ import annotations

from functools import cache
from io import BytesIO
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

LUMINANCE = (0.2126, 0.7152, 0.0722)
"""Weights of linear red, green, blue (ITU-R BT.709-6, 3.3)."""

_STRIP_ROWS = 32  # keeps the intermediate values in the processor's cache
_SAME_CURVE = 2.0  # 8-bit steps within which a profile counts as sRGB coded
_NODE_STEPS = 12  # 8-bit steps of the curve between its nodes


@cache
def linear_table(dtype: np.dtype[Any]) -> NDArray[np.float32]:
    """Linear light, 0 to 1, of every code value of uint8 or uint16 (IEC 61966-2-1)."""
    top = np.iinfo(dtype).max
    coded = np.arange(top + 1) / top
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    table = linear.astype(np.float32)
    table.flags.writeable = False
    return table


def linear(rgb: NDArray[Any]) -> NDArray[np.float32]:
    """Linear light of coded values, any shape with three channels last."""
    table = linear_table(rgb.dtype)
    if rgb.dtype == np.uint8 and rgb.size:
        return np.asarray(cv2.LUT(np.ascontiguousarray(rgb), table), dtype=np.float32)
    return np.take(table, rgb)


def luminance(rgb: NDArray[Any]) -> NDArray[np.float32]:
    """Linear luminance (height, width) of a coded picture (height, width, 3)."""
    grey = np.empty(rgb.shape[:2], np.float32)
    weights = np.array([LUMINANCE], np.float32)
    for y in range(0, len(grey), _STRIP_ROWS):
        cv2.transform(linear(rgb[y : y + _STRIP_ROWS]), weights, dst=grey[y : y + _STRIP_ROWS])
    return grey


def tone_curve(icc: bytes, mode: str) -> NDArray[np.float64] | None:
    """sRGB code (256,), 0 to 1, of 256 even steps of a profile's own coding.

    None where the profile is sRGB coded (Display P3 is too) or cannot be read.
    ``mode`` is the picture's Pillow mode, "RGB" or "L".
    """
    steps = np.arange(256)
    ramp = Image.fromarray(steps.astype(np.uint8)[None, :]).convert(mode)
    try:
        seen = ImageCms.profileToProfile(
            ramp,
            ImageCms.ImageCmsProfile(BytesIO(icc)),
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError):
        return None
    if seen is None:
        return None
    coded = np.asarray(seen)[0].mean(axis=1)
    if np.abs(coded - steps).max() <= _SAME_CURVE:
        return None
    # Whole steps make slopes jump in a 16-bit picture: keep only nodes that lie far apart.
    nodes = [0]
    for step in steps[1:]:
        if coded[step] >= coded[nodes[-1]] + _NODE_STEPS:
            nodes.append(int(step))
    nodes = [*nodes[:-1], 255] if len(nodes) > 1 else [0, 255]
    curve: NDArray[np.float64] = np.interp(steps, nodes, coded[nodes]) / 255
    return curve


def recode(rgb: NDArray[Any], curve: NDArray[np.float64]) -> NDArray[Any]:
    """A picture with a tone curve of ``tone_curve`` applied, in its own depth."""
    top = np.iinfo(rgb.dtype).max
    codes = np.interp(np.linspace(0, 1, top + 1), np.linspace(0, 1, len(curve)), curve)
    return np.take(np.round(codes * top).astype(rgb.dtype), rgb)
