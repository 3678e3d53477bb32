"""A photograph as the other steps see it.

Pixel (0, 0) is the centre of the top-left pixel, x right, y down, after the EXIF
orientation has been applied.  ``linear`` values are proportional to light: edges read in
gamma-coded values move 0.2-0.5 px to the dark side.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from digitize.photo.focal import HeaderFacts
from digitize.photo.tone import linear, luminance


@dataclass(frozen=True, eq=False)
class Photo:
    """One photograph, read and turned upright."""

    name: str  # file name, no folder
    sha256: str  # of the file's bytes
    rgb: NDArray[Any]  # (height, width, 3) uint8 or uint16, as coded, upright
    focal_prior_px: float | None  # from EXIF where present and plausible
    focal_prior_rel: float | None  # its relative standard uncertainty
    maker: str | None = None  # camera text from the header, for the record
    header: HeaderFacts = field(default_factory=HeaderFacts)

    @property
    def width_px(self) -> int:
        """Width."""
        return int(self.rgb.shape[1])

    @property
    def height_px(self) -> int:
        """Height."""
        return int(self.rgb.shape[0])

    @cached_property
    def linear_grey(self) -> NDArray[np.float32]:
        """Linear luminance (height, width) float32, 0 to 1 (Rec. 709 weights)."""
        return luminance(self.rgb)

    def linear_rgb(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """Linear RGB (y1 - y0, x1 - x0, 3) float32, 0 to 1, of a window in pixels."""
        return linear(self.rgb[y0:y1, x0:x1])
