"""From light to a JPEG file as a phone writes it: exposure, noise, coding, header."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image


@dataclass(frozen=True)
class Sensor:
    paper_level: float = 0.72  # linear value of the sheet's white, 0 to 1
    full_well_e: float = 9000.0  # electrons at linear 1
    read_noise_e: float = 9.0
    vignette: float = 0.12  # light lost in the farthest corner
    quality: int = 92
    seed: int = 1


def srgb(linear: NDArray[Any]) -> NDArray[Any]:
    """IEC 61966-2-1 transfer function."""
    x = np.clip(linear, 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def develop(light: NDArray[Any], paper_light: float, sensor: Sensor) -> NDArray[np.uint8]:
    """Radiance (height, width, 3) to coded pixels; ``paper_light`` is what white paper sends."""
    h, w = light.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    fall = 1.0 - sensor.vignette * r2
    signal = light * fall[..., None] * (sensor.paper_level / paper_light)
    rng = np.random.default_rng(sensor.seed)
    electrons = np.clip(signal, 0, 4) * sensor.full_well_e
    spread = np.sqrt(electrons + sensor.read_noise_e**2)
    noisy = (electrons + spread * rng.standard_normal(light.shape, dtype=np.float32)) / (
        sensor.full_well_e
    )
    return np.round(255.0 * srgb(noisy)).astype(np.uint8)


def exif(focal_px: float, size_px: tuple[int, int]) -> Image.Exif:
    """Header with the focal length as a phone states it: equivalent, in whole millimetres.

    Equivalent by the diagonal (CIPA DCG-001), 43.27 mm on 35 mm film.
    """
    header = Image.Exif()
    header[0x0112] = 1
    equivalent = round(focal_px / float(np.hypot(*size_px)) * 43.267)
    sub = header.get_ifd(0x8769)
    sub[0xA405] = equivalent
    sub[0xA002], sub[0xA003] = size_px
    return header


def write_jpeg(path: Path, rgb: NDArray[np.uint8], focal_px: float, quality: int) -> int:
    """Write with 4:2:0 chroma; returns the equivalent focal length stated, in mm."""
    h, w = rgb.shape[:2]
    header = exif(focal_px, (w, h))
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(
        buffer, "JPEG", quality=quality, subsampling=2, exif=header.tobytes(), optimize=True
    )
    path.write_bytes(buffer.getvalue())
    return int(header.get_ifd(0x8769)[0xA405])
