"""Pages of a PDF drawn in millimetres: pens, type, and the bar that proves the scale.

Job sheets and paper templates are drawn with these, so that they look alike and can follow
one another in one file.  Lines follow the ISO 128 family: what is cut is wide, all other lines
are narrow.  The same calls always give the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import assert_never

from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from digitize.files.arcs import beziers
from digitize.files.lettering import REGULAR, broken, drawable, registered, width
from digitize.files.units import Unit, check_length_mm, check_text, mm_per
from digitize.pattern.segments import Arc, Line, Point, Segment

PT_PER_MM = 72 / 25.4

WIDE_MM, NARROW_MM, FINE_MM = 0.35, 0.18, 0.13  # ISO 128 line widths (from memory)
# Types of line by their numbers in ISO 128-2, dashes and gaps in mm (from memory).
DASHED = (2.4, 0.6)  # 02
DASHED_SPACED = (2.2, 3.2)  # 03
LONG_DASHED_DOTTED = (5.0, 0.8, 0.3, 0.8)  # 04
LONG_DASHED_DOUBLE_DOTTED = (5.0, 0.8, 0.3, 0.8, 0.3, 0.8)  # 05
LONG_DASHED_SHORT_DASHED = (4.0, 0.7, 1.6, 0.7)  # 08, shorter, so that a key shows it whole
LONG_DASHED_DOUBLE_SHORT_DASHED = (4.0, 0.6, 1.2, 0.6, 1.2, 0.6)  # 09, likewise
DOTTED = (0.3, 1.2)  # 07, wider apart
GREY = 0.45
SMALL_MM, TEXT_MM, HEAD_MM = 2.2, 2.6, 3.6  # heights of type
LEADING_MM = 0.8  # between lines of type
CHECK_BAR_MM = 6.6  # height of the bar with its words


class Pages:
    """A PDF of several pages; x to the right and y up in millimetres of the paper."""

    def __init__(self, title: str) -> None:
        """Begin a document without a page."""
        self._stream = io.BytesIO()
        self.canvas = Canvas(self._stream, invariant=1, pageCompression=1)
        self.canvas.setTitle(drawable(title))
        self.canvas.setCreator("digitize")
        self.canvas.setViewerPreference("PrintScaling", "None")

    def start(self, paper_mm: Point, printed: tuple[float, float] = (1.0, 1.0)) -> None:
        """Begin a page; ``printed`` is what the printer makes of 1 mm to the right and up."""
        (w, h), (x, y) = paper_mm, printed
        self.canvas.setPageSize((w / x * PT_PER_MM, h / y * PT_PER_MM))
        self.canvas.scale(PT_PER_MM / x, PT_PER_MM / y)

    def end(self) -> None:
        """End the page."""
        self.canvas.showPage()

    def finished(self) -> bytes:
        """The document."""
        self.canvas.save()
        return self._stream.getvalue()

    # Lines

    def pen(self, line_mm: float, dashes: Sequence[float] = (), grey: float = 0.0) -> None:
        """Draw with this pen from now on."""
        self.canvas.setLineWidth(line_mm)
        self.canvas.setDash(list(dashes))
        self.canvas.setStrokeGray(grey)

    def polyline(self, points: Sequence[Point], *, close: bool = False) -> None:
        """Straight lines from point to point."""
        path = self.canvas.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        if close:
            path.close()
        self.canvas.drawPath(path)

    def segments(self, way: Sequence[Segment], *, close: bool = False) -> None:
        """Lines and arcs that follow one another."""
        path = self.canvas.beginPath()
        path.moveTo(*way[0].start_mm)
        for segment in way:
            _trace(path, segment)
        if close:
            path.close()
        self.canvas.drawPath(path)

    def cross(self, at: Point, arm_mm: float) -> None:
        """Two short lines that cross."""
        x, y = at
        self.canvas.line(x - arm_mm, y, x + arm_mm, y)
        self.canvas.line(x, y - arm_mm, x, y + arm_mm)

    def picture(self, image: Image.Image, low_left: Point, room_mm: Point) -> None:
        """An image as large as the room allows, in its middle across and at its top."""
        (x, y), (w, h) = low_left, room_mm
        scale = min(w / image.width, h / image.height)
        wide, high = image.width * scale, image.height * scale
        self.canvas.drawImage(ImageReader(image), x + (w - wide) / 2, y + h - high, wide, high)

    # Type

    def text(self, x: float, y: float, text: str, size: float, face: str = REGULAR) -> None:
        """A line of type, ``y`` its foot."""
        self.canvas.setFont(registered(face), size)
        self.canvas.drawString(x, y, drawable(text))

    def text_before(self, x: float, y: float, text: str, size: float, face: str = REGULAR) -> None:
        """A line of type that ends at ``x``."""
        self.text(x - width(drawable(text), size, face), y, text, size, face)

    def wrapped(
        self, x: float, top: float, text: str, size: float, *, room: float, face: str = REGULAR
    ) -> float:
        """Lines of type under ``top`` that fit the room; the foot of the last."""
        for line in broken(text, size, room, face):
            self.text(x, top - size, line, size, face)
            top -= size + LEADING_MM
        return top

    def check_bar(self, x: float, y: float, unit: Unit) -> None:
        """A bar that any rule can check, ticked every 10 mm or half inch."""
        total = check_length_mm(unit)
        step = 10.0 if unit == "mm" else 0.5 * mm_per("in")
        count = round(total / step)
        self.pen(NARROW_MM)
        bar_y = y + 2.6
        self.canvas.line(x, bar_y, x + total, bar_y)
        for i in range(count + 1):
            tall = 3.0 if i in (0, count) else (2.0 if i * 2 == count else 1.2)
            self.canvas.line(x + i * step, bar_y, x + i * step, bar_y + tall)
        text = f"Print at 100 %, not “fit to page”. This bar must measure {check_text(unit)}."
        self.text(x, y - 0.4, text, SMALL_MM)


def _trace(path: PDFPathObject, segment: Segment) -> None:
    match segment:
        case Line():
            path.lineTo(*segment.end_mm)
        case Arc():
            for control1, control2, end in beziers(segment):
                path.curveTo(*control1, *control2, *end)
        case _:
            assert_never(segment)
