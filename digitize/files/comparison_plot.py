"""The deviation along the edge as a plot: how far off, from corner to corner, as PNG.

The new edge is rolled out from the corner nearest the old piece's datum, counter-clockwise.
The grey band is what the measurement can be wrong by.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.comparing.comparison import Comparison
from digitize.comparing.sides import Sides
from digitize.files.diverging import SAME, colour, full_scale_mm
from digitize.files.palette import Rgb
from digitize.files.picture import Lettering, Picture, draw_lines, png
from digitize.files.units import Unit, length, mm_per
from digitize.pattern.dimensions import datum_of

FloatArray = NDArray[np.float64]

WIDE_PX, HIGH_PX = 2000, 760
LEFT, RIGHT, TOP, BOTTOM = 170, 40, 70, 130
INK: Rgb = (24, 28, 36)
GREY: Rgb = (190, 190, 190)
BAND: Rgb = (228, 228, 224)


def render(found: Comparison, headline: str, unit: Unit = "mm") -> bytes:
    """The plot of a comparison as PNG."""
    side = found.deviation.new
    datum = np.array(datum_of(found.old).origin_mm)
    first = int(np.argmin(np.hypot(*(side.other_mm - datum).T)))
    order = (first + np.arange(len(side.along_mm))) % len(side.along_mm)
    whole = side.boundary.perimeter_mm
    along = (side.along_mm[order] - side.along_mm[first]) % whole
    off, expanded = side.signed_mm[order], side.expanded_mm[order]
    full = full_scale_mm(float(max(np.abs(off).max(), 1.5 * expanded.max())))
    canvas: Picture = np.full((HIGH_PX, WIDE_PX, 3), 255, np.uint8)

    def px(s: FloatArray, d: FloatArray) -> FloatArray:
        x = LEFT + s / whole * (WIDE_PX - LEFT - RIGHT)
        y = TOP + (full - d) / (2 * full) * (HIGH_PX - TOP - BOTTOM)
        return np.column_stack((x, y))

    band = np.vstack((px(along, expanded), px(along, -expanded)[::-1]))
    cv2.fillPoly(canvas, [np.round(band).astype(np.int32)], BAND)
    _fill(canvas, px(along, off), px(along, np.zeros_like(off)), off, expanded, full_mm=full)
    ends = np.array([0.0, whole])
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        level = px(ends, np.full(2, share * full))
        draw_lines(canvas, [level], INK if share == 0 else GREY, 2 if share == 0 else 1, halo=None)
    names = np.array(Sides.of(found.old).names)[side.other_segment[order]]
    cuts = [0, *(np.flatnonzero(names[1:] != names[:-1]) + 1).tolist(), len(names)]
    with Lettering(canvas) as lettering:
        for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
            y = float(px(ends, np.full(2, share * full))[0, 1])
            text = f"{share * full / mm_per(unit):+.{2 if unit == 'mm' else 3}f}"
            lettering.line(LEFT - 14, y, text if share else "0", 24, anchor="rm")
        lettering.line(
            LEFT,
            22,
            f"{found.new.name} over {found.old.name}: {headline}",
            26,
            bold=True,
        )
        for a, b in pairwise(cuts):
            middle = (along[a] + along[b - 1]) / 2
            x = float(px(np.array([middle]), np.zeros(1))[0, 0])
            if names[a] and (along[b - 1] - along[a]) / whole * WIDE_PX > 34:
                lettering.line(x, HIGH_PX - BOTTOM + 12, str(names[a]), 22, anchor="ma")
        for s in _ticks(whole, unit):
            x = float(px(np.array([s]), np.zeros(1))[0, 0])
            lettering.line(x, HIGH_PX - BOTTOM + 46, f"{s / mm_per(unit):.0f}", 22, anchor="ma")
        text = f"along the new edge from the datum corner, counter-clockwise, {unit}; "
        text += f"{length(whole, unit, 0)} in all"
        lettering.line(WIDE_PX / 2, HIGH_PX - 44, text, 24, anchor="ma")
    for a, _ in pairwise(cuts):
        s = float(along[a])
        draw_lines(canvas, [px(np.array([s, s]), np.array([-full, full]))], GREY, 1, halo=None)
    draw_lines(canvas, [px(along, off)], INK, 2, halo=None)
    return png(canvas)


def _fill(
    canvas: Picture,
    top: FloatArray,
    base: FloatArray,
    off: FloatArray,
    expanded: FloatArray,
    *,
    full_mm: float,
) -> None:
    """What lies between the line and zero, in the colours of the picture."""
    for i in range(len(off) - 1):
        shade = SAME if abs(off[i]) <= expanded[i] else colour(float(off[i]), full_mm)
        quad = np.vstack((top[i : i + 2], base[i : i + 2][::-1]))
        cv2.fillConvexPoly(canvas, np.round(quad).astype(np.int32), shade)


def _ticks(whole_mm: float, unit: Unit) -> FloatArray:
    step = full_scale_mm(whole_mm / mm_per(unit) / 14) * mm_per(unit)
    return np.arange(0.0, whole_mm, step)
