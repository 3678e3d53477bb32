"""How far a tone curve that was not undone moves an edge.

Edges are read in linear light.  What a phone adds to sRGB coding of its own accord cannot be
undone and is taken as an unknown power of light; the half-way place of a blurred step of
light from ``dark`` to ``bright`` then lies off to the dark side, alike on every edge.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

FloatArray = NDArray[np.float64]

LOG_POWER_U = 0.25
"""Standard uncertainty of the logarithm of the power: phones' contrast curves, a judgement
without a source.  A picture read in its coding, 1 / 2.2, would be off by 0.79."""

_REACH = 3.0  # blurs to either side of an edge
_SAMPLES = 7
_MOST = 30_000  # points looked at


def shift_px(dark: FloatArray, bright: FloatArray, blur_px: float, log_power: float) -> FloatArray:
    """Shift (N,) of edges toward the dark side, of steps between linear levels (N,)."""
    power = np.exp(log_power)
    half_way = ((dark**power + bright**power) / 2) ** (1 / power)
    share = (half_way - dark) / np.maximum(bright - dark, 1e-9)
    return np.asarray(-blur_px * ndtri(np.clip(share, 1e-6, 1 - 1e-6)))


def u_px(light: NDArray[np.float32], points_px: FloatArray, blur_px: float) -> float:
    """Standard uncertainty of edges seen at (N, 2), from the levels on both sides of them."""
    ahead = np.roll(points_px, -2, axis=0) - np.roll(points_px, 2, axis=0)
    length = np.maximum(np.linalg.norm(ahead, axis=1), 1e-9)
    normal = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / length[:, None]
    steps = np.linspace(-_REACH, _REACH, _SAMPLES) * max(blur_px, 0.5)
    at = points_px[:, None, :] + steps[None, :, None] * normal[:, None, :]
    # Laid down: remap holds no more than 32767 rows.
    x, y = (at[..., i].T.astype(np.float32)[:, :_MOST] for i in (0, 1))
    values = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).T
    dark = np.maximum(values.min(axis=1).astype(float), 1e-4)
    bright = np.maximum(values.max(axis=1).astype(float), dark * 1.001)
    wide = shift_px(dark, bright, blur_px, LOG_POWER_U) - shift_px(
        dark, bright, blur_px, -LOG_POWER_U
    )
    return float(np.median(np.abs(wide)) / 2)
