"""A picture of blanks laid out on a sheet, each with its name and number."""

from __future__ import annotations

import io

from PIL import Image, ImageDraw, ImageFont

from digitize.files.lettering import font_path
from digitize.nesting.layout import Area, Layout
from digitize.pattern.contour import Closed
from digitize.pattern.region import polygon
from digitize.pattern.segments import Point

SHEET, BLANK, LINE, PAPER = (226, 230, 233), (176, 200, 214), (20, 24, 32), (255, 255, 255)
_FINE = 2


def render(layout: Layout, width_px: int = 1200) -> bytes:
    """A PNG of a layout, y up."""
    x0, y0, x1, y1 = layout.sheet.bounds
    rim = 20
    scale = (width_px - 2 * rim) / max(x1 - x0, y1 - y0)
    size = (round((x1 - x0) * scale) + 2 * rim, round((y1 - y0) * scale) + 2 * rim)
    image = Image.new("RGB", (size[0] * _FINE, size[1] * _FINE), PAPER)
    draw = ImageDraw.Draw(image)

    def at(p: Point) -> Point:
        return ((p[0] - x0) * scale + rim) * _FINE, ((y1 - p[1]) * scale + rim) * _FINE

    def ring(points: list[Point], fill: tuple[int, int, int]) -> None:
        draw.polygon([at(p) for p in points], fill=fill, outline=LINE, width=_FINE)

    for part in _parts(layout.sheet):
        ring(list(part.exterior.coords), SHEET)
        for hole in part.interiors:
            ring(list(hole.coords), PAPER)
    font = ImageFont.truetype(str(font_path()), 14 * _FINE)
    for number, piece in enumerate(layout.pieces, 1):
        blank = piece.on_sheet
        ring(_points(blank.outline), BLANK)
        for opening in blank.openings:
            ring(_points(opening), SHEET)
        for bend in blank.bends:
            draw.line([at(bend.start_mm), at(bend.end_mm)], fill=LINE, width=1)
        centre = polygon(blank.outline, 0.1).representative_point()
        left, _, right, _ = polygon(blank.outline, 0.1).bounds
        text = f"{number} {blank.name}"
        if draw.textlength(text, font=font) > 0.9 * (right - left) * scale * _FINE:
            text = str(number)
        draw.text(at((centre.x, centre.y)), text, font=font, fill=LINE, anchor="mm")
    out = io.BytesIO()
    image.resize(size, Image.Resampling.LANCZOS).save(out, "PNG", optimize=True)
    return out.getvalue()


def _points(closed: Closed) -> list[Point]:
    return [(float(x), float(y)) for x, y in closed.points_mm(0.1)]


def _parts(area: Area) -> list[Area]:
    return list(getattr(area, "geoms", [area]))
