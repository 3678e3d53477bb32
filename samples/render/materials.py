"""Surfaces of metal: rust, bright steel, paint."""

from __future__ import annotations

from typing import Any

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray
from paint import Canvas, noise, ramp, rust
from solids import Box


def grey_map(values: NDArray[np.float32]) -> dict[str, Any]:
    """A one-channel texture."""
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(values[..., None], dtype=np.float32)),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }


def rusty(box: Box, seed: int, *, clean: float = 0.0, texel_mm: float = 0.08) -> tuple[Any, Box]:
    """Rust with pits; returns the surface and the box its texture covers."""
    canvas, height = rust(box, texel_mm, seed, clean=clean)
    # The bump is a slope per texture width; mm of height over mm of width keeps it true.
    width = canvas.box[2] - canvas.box[0]
    return {
        "type": "bumpmap",
        "arbitrary": grey_map(height / width),
        "scale": 1.0,
        "bsdf": {"type": "diffuse", "reflectance": canvas.texture()},
    }, canvas.box


def bright_steel(box: Box, seed: int, *, texel_mm: float = 0.1) -> tuple[Any, Box]:
    """Brushed bare steel: streaks along x, a broad sheen across them."""
    canvas = Canvas.filled(box, texel_mm, (0, 0, 0))
    h, w = canvas.pixels.shape[:2]
    streak = np.repeat(noise((h, w // 60 + 8), texel_mm, 0.25, seed), 60, axis=1)[:, :w]
    blot = noise((h, w), texel_mm, 25.0, seed + 1)
    spots = noise((h, w), texel_mm, 2.0, seed + 2)
    value = 0.58 + 0.035 * streak + 0.02 * blot - 0.12 * np.clip(spots - 2.2, 0, 1)
    canvas.pixels = ramp(
        np.clip(value, 0.2, 0.8).astype(np.float32),
        [(0.0, (0.0, 0.0, 0.0)), (1.0, (1.0, 0.985, 0.96))],
    )
    return {
        "type": "twosided",
        "b": {
            "type": "roughconductor",
            "distribution": "ggx",
            "alpha_u": 0.05,
            "alpha_v": 0.13,
            "specular_reflectance": canvas.texture(),
        },
    }, canvas.box


def painted(
    box: Box,
    seed: int,
    colour: tuple[float, float, float],
    *,
    rust_share: float = 0.0,
    texel_mm: float = 0.1,
) -> Canvas:
    """Old paint, with rust coming through where ``rust_share`` asks; albedo only."""
    canvas, _ = rust(box, texel_mm, seed + 50)
    shape = canvas.pixels.shape[:2]
    fade = noise(shape, texel_mm, 60.0, seed)
    dirt = noise(shape, texel_mm, 1.2, seed + 1)
    paint = np.asarray(colour, dtype=np.float32) * (1 + 0.06 * fade + 0.02 * dirt)[..., None]
    if rust_share > 0:
        field = (
            0.7 * noise(shape, texel_mm, 45.0, seed + 2)
            + 0.5 * noise(shape, texel_mm, 9.0, seed + 3)
            + 0.25 * noise(shape, texel_mm, 1.5, seed + 4)
        )
        edge = np.quantile(field, 1.0 - rust_share)
        cover = np.clip((field - edge) / 0.06, 0, 1)[..., None]
        stain = np.clip((field - edge + 0.45) / 0.45, 0, 1)[..., None] * (1 - cover)
        paint = paint * (1 - 0.45 * stain * np.array([0.3, 0.7, 1.0], dtype=np.float32))
        canvas.pixels = paint + cover * (canvas.pixels - paint)
    else:
        canvas.pixels = paint.astype(np.float32)
    return canvas


def gloss(canvas: Canvas, alpha: float = 0.12) -> Any:
    """Paint with a clear shine over its colour."""
    return {
        "type": "twosided",
        "b": {
            "type": "roughplastic",
            "distribution": "ggx",
            "alpha": alpha,
            "diffuse_reflectance": canvas.texture(),
        },
    }
