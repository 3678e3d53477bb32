"""Lines with a halo and legible type on a picture in memory, and its PNG.

Coordinates are pixels, (0, 0) the centre of the top left one, x right, y down.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from digitize.files.lettering import BOLD, REGULAR, drawable, font_path
from digitize.files.pictures.palette import HALO, WHITE, Rgb

Picture = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

# Matching strings in camera noise is wasted time; runs are what drawn lines and paper have.
_FAST = [
    *(cv2.IMWRITE_PNG_COMPRESSION, 1),
    *(cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE),
    *(cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_AVG),
]
_SHIFT = 4  # fractional bits of line coordinates
_FARTHEST_PX = 1e5  # the line drawer overflows beyond this


def eight_bit(rgb: NDArray[Any]) -> Picture:
    """A picture (height, width, 3) of 8 or 16 bits, in 8 bits.

    Raises ValueError for anything else.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or min(rgb.shape) == 0:
        raise ValueError(f"a picture is (height, width, 3), not {rgb.shape}")
    if rgb.dtype == np.uint16:
        return (rgb >> 8).astype(np.uint8)
    if rgb.dtype != np.uint8:
        raise ValueError(f"a picture has 8 or 16 bits, not {rgb.dtype}")
    return rgb


def png(picture: Picture) -> bytes:
    """The picture as PNG, fast rather than small."""
    done, data = cv2.imencode(".png", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), _FAST)
    if not done:
        raise ValueError(f"no PNG can be made of a picture of {picture.shape}")
    return data.tobytes()


def draw_lines(
    picture: Picture,
    polylines: list[FloatArray],
    colour: Rgb,
    line_px: int,
    *,
    closed: bool = False,
    halo: Rgb | None = HALO,
) -> None:
    """Draw polylines (N, 2) with a halo, antialiased, in place."""
    points = [
        np.round(np.clip(p, -_FARTHEST_PX, _FARTHEST_PX) * 2**_SHIFT).astype(np.int32)
        for p in polylines
        if len(p) > 1
    ]
    if halo is not None:
        wide = line_px + 2 * max(1, round(0.6 * line_px))
        cv2.polylines(picture, points, closed, halo, wide, cv2.LINE_AA, _SHIFT)
    cv2.polylines(picture, points, closed, colour, line_px, cv2.LINE_AA, _SHIFT)


@cache
def font(size_px: int, name: str = REGULAR) -> ImageFont.FreeTypeFont:
    """The typeface at a size."""
    return ImageFont.truetype(str(font_path(name)), size_px)


def text_size(text: str, size_px: int, name: str = REGULAR) -> tuple[int, int]:
    """Width and line height of drawable text."""
    return round(font(size_px, name).getlength(drawable(text))), round(1.2 * size_px)


def wrapped(lines: Sequence[str], room_px: float, size_px: int) -> list[str]:
    """Lines broken between words where they are too long for the room."""
    fitted = []
    for line in lines:
        now = ""
        for word in line.split():
            longer = f"{now} {word}".strip()
            if now and text_size(longer, size_px)[0] > room_px:
                fitted.append(now)
                longer = word
            now = longer
        fitted.append(now)
    return fitted


class Lettering:
    """Type on a picture; leaving the ``with`` block puts it there."""

    def __init__(self, picture: Picture) -> None:
        """Start lettering on a picture."""
        self._picture = picture
        self._image = Image.fromarray(picture)
        self._draw = ImageDraw.Draw(self._image)

    def __enter__(self) -> Lettering:
        """Itself."""
        return self

    def __exit__(self, *fault: object) -> None:
        """Put the type on the picture."""
        self._picture[:] = np.asarray(self._image)

    def line(
        self,
        x: float,
        y: float,
        text: str,
        size_px: int,
        *,
        colour: Rgb = HALO,
        bold: bool = False,
        anchor: str = "la",
        ground: Rgb | None = None,
        outline: Rgb | None = None,
    ) -> None:
        """Text at (x, y), on a ground or with an outline if asked; ``anchor`` as in Pillow."""
        name = BOLD if bold else REGULAR
        if ground is not None:
            x0, y0, x1, y1 = self._draw.textbbox(
                (x, y), drawable(text), font(size_px, name), anchor
            )
            pad = size_px // 8
            self._draw.rectangle((x0 - pad, y0 - pad, x1 + pad, y1 + pad), fill=ground)
        self._draw.text(
            (x, y),
            drawable(text),
            fill=colour,
            font=font(size_px, name),
            anchor=anchor,
            stroke_width=0 if outline is None else max(1, size_px // 10),
            stroke_fill=outline,
        )

    def tag(self, x: float, y: float, text: str, size_px: int, *, edge: Rgb = WHITE) -> None:
        """Light text on a dark tag with its left top corner at (x, y)."""
        w, h = text_size(text, size_px)
        pad = round(0.25 * size_px)
        self._draw.rectangle(
            (x, y, x + w + 2 * pad, y + h + 2 * pad), fill=HALO, outline=edge, width=2
        )
        self.line(x + pad, y + pad + h / 2, text, size_px, colour=WHITE, anchor="lm")

    def swatch(self, x: float, y: float, long_px: float, colour: Rgb, line_px: int) -> None:
        """A sample of a line for a legend, with its halo."""
        self._draw.line((x, y, x + long_px, y), fill=HALO, width=3 * line_px)
        self._draw.line((x + line_px, y, x + long_px - line_px, y), fill=colour, width=line_px)


def tag_size(text: str, size_px: int) -> tuple[float, float]:
    """Width and height of the tag that ``Lettering.tag`` draws."""
    w, h = text_size(text, size_px)
    pad = round(0.25 * size_px)
    return w + 2 * pad, h + 2 * pad
