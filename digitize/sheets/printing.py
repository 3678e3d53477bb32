"""Pages of targets as vector PDF at exact size, and as PNG for those who need pixels.

The PDF asks viewers not to scale it, carries its fonts, and is the same to the byte
whenever the same version of the PDF library writes it.  The PNG gives every pixel the
share of it that is inked; at 508 dots per inch, 20 to the millimetre, every edge of a
lattice falls between two pixels.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
import reportlab
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from digitize.files.atomic import write_bytes
from digitize.files.units import MM_PER_INCH
from digitize.sheets.page import Page, Text, boxes, texts

CRISP_DPI = 508.0
"""20 pixels to the millimetre exactly, also in the PNG's own pixels per metre."""

_POINTS_PER_MM = 72.0 / MM_PER_INCH
_FONT_FILES = {False: "Vera.ttf", True: "VeraBd.ttf"}  # come with the PDF library
_FINER = 4  # text is drawn this much finer and averaged


def write_pdf(path: Path | str, pages: Sequence[Page], *, overwrite: bool = False) -> Path:
    """Write pages to a PDF; raises ``NotWritten``."""
    return write_bytes(path, pdf_bytes(pages), overwrite=overwrite)


def write_png(
    path: Path | str, page: Page, *, dpi: float = CRISP_DPI, overwrite: bool = False
) -> Path:
    """Write one page to a grey PNG, sRGB coded; raises ``NotWritten``."""
    return write_bytes(path, png_bytes(page, dpi), overwrite=overwrite)


def pdf_bytes(pages: Sequence[Page]) -> bytes:
    """The pages as a PDF, 1:1."""
    file = io.BytesIO()
    canvas = Canvas(file, invariant=1, pageCompression=1)
    canvas.setTitle("Printed targets: " + "; ".join(page.title for page in pages))
    canvas.setSubject("Print at 100 %, then measure both bars")
    canvas.setAuthor("digitize")
    canvas.setCreator("digitize")
    canvas.setViewerPreference("PrintScaling", "None")
    for page in pages:
        canvas.setPageSize(tuple(side * _POINTS_PER_MM for side in page.size_mm))
        # One path for all boxes: viewers that smooth edges then leave no seams between them.
        path = canvas.beginPath()
        for box in boxes(page):
            path.rect(
                box.x0_mm * _POINTS_PER_MM,
                box.y0_mm * _POINTS_PER_MM,
                (box.x1_mm - box.x0_mm) * _POINTS_PER_MM,
                (box.y1_mm - box.y0_mm) * _POINTS_PER_MM,
            )
        canvas.setFillGray(0.0)
        canvas.drawPath(path, stroke=0, fill=1)
        for text in texts(page):
            _draw_text(canvas, text)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def png_bytes(page: Page, dpi: float = CRISP_DPI) -> bytes:
    """The page as a grey PNG that states its dots per inch."""
    light = 1.0 - np.arange(256) / 255.0
    # A half inked pixel reflects half the light: coded by the sRGB curve (IEC 61966-2-1).
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    levels = np.round(255.0 * coded).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(levels[ink(page, dpi)]).save(file, "PNG", dpi=(dpi, dpi), optimize=False)
    return file.getvalue()


def ink(page: Page, dpi: float = CRISP_DPI) -> NDArray[np.uint8]:
    """Share of every pixel (rows, columns) that is inked, 255 for all; row 0 on top.

    The upper left corner of the paper is the upper left corner of the first pixel.
    """
    per_mm = dpi / MM_PER_INCH
    width_mm, height_mm = page.size_mm
    shape = round(height_mm * per_mm), round(width_mm * per_mm)
    inked = np.zeros(shape, dtype=np.uint8)
    for box in boxes(page):
        rows, in_rows = _covered((height_mm - box.y1_mm) * per_mm, (height_mm - box.y0_mm) * per_mm)
        columns, in_columns = _covered(box.x0_mm * per_mm, box.x1_mm * per_mm)
        part = inked[rows, columns]
        added = 255.0 * in_rows[: part.shape[0], None] * in_columns[None, : part.shape[1]]
        part[...] = np.minimum(255.0, part + np.round(added)).astype(np.uint8)
    for text in texts(page):
        _lay_text(inked, text, per_mm, height_mm)
    return inked


def _covered(start: float, end: float) -> tuple[slice, NDArray[np.float64]]:
    """The pixels between two places on an axis, and the share of each that lies between."""
    # Places on the grid would otherwise miss it by a rounding error.
    start, end = round(start, 6), round(end, 6)
    first, last = int(np.floor(start)), int(np.ceil(end))
    at = np.arange(first, last)
    return slice(first, last), np.minimum(at + 1.0, end) - np.maximum(at, start)


@cache
def _font_path(bold: bool) -> str:
    return str(Path(reportlab.__file__).parent / "fonts" / _FONT_FILES[bold])


def _font_name(bold: bool) -> str:
    name = "digitize-bold" if bold else "digitize-plain"
    if name not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(name, _font_path(bold)))
    return name


def text_width_mm(text: Text) -> float:
    """Length of a piece of text along its baseline."""
    width: float = pdfmetrics.stringWidth(text.text, _font_name(text.bold), text.size_mm)
    return width


def _draw_text(canvas: Canvas, text: Text) -> None:
    canvas.saveState()
    canvas.translate(text.x_mm * _POINTS_PER_MM, text.y_mm * _POINTS_PER_MM)
    if text.upward:
        canvas.rotate(90)
    canvas.setFont(_font_name(text.bold), text.size_mm * _POINTS_PER_MM)
    back = {"start": 0.0, "middle": 0.5, "end": 1.0}[text.anchor]
    canvas.drawString(-back * text_width_mm(text) * _POINTS_PER_MM, 0.0, text.text)
    canvas.restoreState()


def _lay_text(inked: NDArray[np.uint8], text: Text, per_mm: float, height_mm: float) -> None:
    size = max(1, round(text.size_mm * per_mm * _FINER))
    font = ImageFont.truetype(_font_path(text.bold), size, layout_engine=ImageFont.Layout.BASIC)
    width = int(np.ceil(text_width_mm(text) * per_mm)) + 2
    height, baseline = int(np.ceil(1.6 * size / _FINER)), int(np.ceil(1.1 * size / _FINER))
    fine = Image.new("L", (width * _FINER, height * _FINER))
    ImageDraw.Draw(fine).text(
        (_FINER, baseline * _FINER), text.text, fill=255, font=font, anchor="ls"
    )
    drawn = np.asarray(fine.reduce(_FINER))
    before = 1 + round({"start": 0.0, "middle": 0.5, "end": 1.0}[text.anchor] * (width - 2))
    x, y = round(text.x_mm * per_mm), round((height_mm - text.y_mm) * per_mm)
    if text.upward:
        drawn = np.rot90(drawn)
        top, left = y + before - width, x - baseline
    else:
        top, left = y - baseline, x - before
    rows = slice(max(top, 0), min(top + drawn.shape[0], inked.shape[0]))
    columns = slice(max(left, 0), min(left + drawn.shape[1], inked.shape[1]))
    part = inked[rows, columns]
    np.maximum(
        part,
        drawn[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left],
        out=part,
    )
