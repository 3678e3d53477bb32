"""The photo with what was found drawn on it, for a person to check before cutting.

The job hands over curves in the photo's own pixels and says what each is; here they are
drawn over the photo, reduced to screen size, above a caption with the key numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.files.pictures.legend import ROW, draw_legend, legend_rows
from digitize.files.pictures.palette import COLOURS, Kind
from digitize.files.pictures.picture import (
    FloatArray,
    Lettering,
    Picture,
    draw_lines,
    eight_bit,
    png,
    tag_size,
    wrapped,
)
from digitize.files.pictures.tag_places import TagPlaces, beside
from digitize.pattern.extent import Box

LONGEST_PX = 2400
SHORTEST_PX = 1000  # a smaller photo is enlarged, or its lettering would crowd it


@dataclass(frozen=True, eq=False)
class Overlay:
    """Something found in the photo.

    ``points_px`` (N, 2) is a polyline in the photo's pixels; for ``target`` and ``mark``
    every point stands alone, and for ``left-out`` the points only say how far it reaches.
    ``label`` is drawn beside it; that of a ``left-out`` thing is the reason, and goes into
    the caption under a number.
    """

    points_px: FloatArray
    kind: Kind
    closed: bool = False
    label: str = ""


def render(
    rgb: NDArray[Any],
    overlays: Sequence[Overlay],
    caption: Sequence[str] = (),
    longest_px: int = LONGEST_PX,
) -> bytes:
    """The proof as PNG.

    ``rgb`` (height, width, 3) has 8 or 16 bits; the first line of ``caption`` is its title.
    """
    photo = eight_bit(rgb)
    height, width = photo.shape[:2]
    k = min(1.0, longest_px / max(height, width))
    if max(height, width) < SHORTEST_PX:
        k = SHORTEST_PX / max(height, width)
    size = max(1, round(width * k)), max(1, round(height * k))
    scale = np.array([size[0] / width, size[1] / height])
    reduced = cv2.resize(photo, size, interpolation=cv2.INTER_AREA if k < 1 else cv2.INTER_LINEAR)
    type_px = max(15, round(max(size) / 85))
    left_out = [o for o in overlays if o.kind == "left-out"]
    lines = [*caption]
    if left_out:
        reasons = "; ".join(_numbered([o.label for o in left_out]))
        lines.append(f"Seen, not used: {reasons}")
    kinds = [kind for kind in COLOURS if any(o.kind == kind for o in overlays)]
    strip = _strip_height(lines, kinds, size[0], type_px)
    canvas: Picture = np.full((size[1] + strip, size[0], 3), 255, np.uint8)
    view = canvas[: size[1]]
    view[:] = reduced
    line_px = max(1, round(max(size) / 1000))
    order: tuple[Kind, ...] = (
        "target", "left-out", "outline", "opening", "restored", "bend", "mark",
    )  # fmt: skip
    for kind in order:
        for overlay in (o for o in overlays if o.kind == kind and len(o.points_px)):
            points = (np.asarray(overlay.points_px, np.float64) + 0.5) * scale - 0.5
            _draw(view, points, overlay, line_px)
    with Lettering(canvas) as lettering:
        _tags(lettering, overlays, scale, size, round(0.8 * type_px))
        _strip(lettering, lines, kinds, size, type_px)
    return png(canvas)


def _draw(view: Picture, points: FloatArray, overlay: Overlay, line_px: int) -> None:
    colour = COLOURS[overlay.kind]
    match overlay.kind:
        case "target":
            ring = _ring(3.0 * line_px)
            draw_lines(view, [ring + p for p in points], colour, line_px, closed=True, halo=None)
        case "mark":
            arm = 8.0 * line_px
            cross = [np.array([[-arm, 0], [arm, 0]]), np.array([[0, -arm], [0, arm]])]
            draw_lines(view, [c + p for p in points for c in cross], colour, line_px)
        case "left-out":
            low, high = points.min(axis=0), points.max(axis=0)
            pad = np.maximum(12.0 * line_px - (high - low) / 2, 3.0 * line_px)
            (x0, y0), (x1, y1) = low - pad, high + pad
            strokes = [np.array([[x0, y0], [x1, y1]]), np.array([[x0, y1], [x1, y0]])]
            draw_lines(view, strokes, colour, line_px)
        case _:
            wider = line_px + 1 if overlay.kind == "restored" else line_px
            draw_lines(view, [points], colour, wider, closed=overlay.closed)


def _numbered(reasons: Sequence[str]) -> list[str]:
    """Reasons with their numbers, those of neighbours that share one put together."""
    lines, first = [], 1
    for reason, run in groupby(reasons):
        last = first + len(list(run)) - 1
        number = f"{first}" if first == last else f"{first} to {last}"
        lines.append(f"{number} {reason}".strip())
        first = last + 1
    return lines


def _ring(radius_px: float) -> FloatArray:
    a = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    return radius_px * np.column_stack((np.cos(a), np.sin(a)))


def _tags(
    lettering: Lettering,
    overlays: Sequence[Overlay],
    scale: FloatArray,
    size: tuple[int, int],
    type_px: int,
) -> None:
    left_out = (o for o in overlays if o.kind == "left-out")
    numbers = {id(o): str(n) for n, o in enumerate(left_out, 1)}
    # What a tag must not hide: holes and marks, and tags already there.
    taken = (
        _extent(np.asarray(o.points_px, np.float64) * scale)
        for o in overlays
        if o.kind in ("opening", "mark") and len(o.points_px)
    )
    places = TagPlaces((0.0, 0.0, size[0] - 1.0, size[1] - 1.0), taken)
    for overlay in overlays:
        text = numbers.get(id(overlay), overlay.label)
        if not text or not len(overlay.points_px):
            continue
        points = np.asarray(overlay.points_px, np.float64) * scale
        w, h = tag_size(text, type_px)
        match overlay.kind:
            case "bend":
                around = [_extent(points.mean(axis=0, keepdims=True))]
            case "outline":
                n = len(points)
                starts = ((n // 2 + i * n // 12) % n for i in range(12))
                around = [_extent(points[i : i + 1]) for i in starts]
            case _:
                around = [_extent(points)]
        spots = (spot for one in around for spot in beside(one, w, h, 0.8 * type_px))
        box = places.least_crowded(spots)
        lettering.tag(box[0], box[1], text, type_px, edge=COLOURS[overlay.kind])


def _extent(points: FloatArray) -> Box:
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _wrapped(lines: Sequence[str], room: float, type_px: int) -> list[tuple[str, bool]]:
    """Caption lines that fit, and whether each belongs to the title."""
    title = wrapped(lines[:1], room, round(1.4 * type_px))
    return [(t, True) for t in title] + [(t, False) for t in wrapped(lines[1:], room, type_px)]


def _strip_height(lines: Sequence[str], kinds: Sequence[Kind], width_px: int, type_px: int) -> int:
    room = width_px - 2 * type_px
    height = sum((2.2 if title else 1.5) * type_px for _, title in _wrapped(lines, room, type_px))
    height += ROW * type_px * len(legend_rows(kinds, room, type_px))
    return round(height + 1.6 * type_px) if height else 0


def _strip(
    lettering: Lettering,
    lines: Sequence[str],
    kinds: Sequence[Kind],
    size: tuple[int, int],
    type_px: int,
) -> None:
    left, room = type_px, size[0] - 2 * type_px
    rows = legend_rows(kinds, room, type_px)
    y = draw_legend(lettering, left, size[1] + 0.8 * type_px, rows, type_px)
    for text, title in _wrapped(lines, room, type_px):
        lettering.line(left, y, text, round(1.4 * type_px) if title else type_px, bold=title)
        y += (2.2 if title else 1.5) * type_px
