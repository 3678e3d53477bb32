"""The job sheet: one page for the bench with the blank, its bends in order, stock and cautions.

The blank is drawn to fit, not to scale: lines follow the ISO 128 family as on the 1:1
template (edges continuous wide, bend lines continuous narrow), each bend with its name and,
ringed, its place in the order.  The same plan always gives the same bytes.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import assert_never

import shapely
from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from digitize.bending_plan.operation import Step, bend_names
from digitize.bending_plan.plan import Plan
from digitize.bending_plan.wording import how, which_way
from digitize.blank.develop import Blank
from digitize.files.lettering import BOLD, REGULAR, drawable, registered, shortened, width
from digitize.files.notes import note_lines
from digitize.files.units import Unit, length
from digitize.folding.regions import regions
from digitize.folding.sizes import face_name
from digitize.nesting.need import Need
from digitize.pattern.contour import Closed
from digitize.pattern.extent import extent_mm
from digitize.pattern.segments import Arc, Line, Point

PT_PER_MM = 72 / 25.4
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN_MM = 12.0
WIDE_MM, NARROW_MM, FINE_MM = 0.5, 0.25, 0.13  # ISO 128 line widths (from memory)
TEXT_MM, SMALL_MM, HEAD_MM = 2.5, 2.1, 4.2
PICTURE_MM = 88.0  # height of the two pictures

CAUTIONS = (
    "Cut edges, burrs and wire edges cut to the bone: gloves, and deburr before bending. Eye "
    "protection at every cut and every hammer blow; ear protection; no gloves at a turning drill.",
    "Keep fingers out of the folder and from between jaw and sheet; have the leaf's path clear.",
    "Bend a test strip of the same sheet first: spring-back, radius and the blank's allowance "
    "vary with the coil and the tool. Check the first bend before the second.",
    "Where something is welded: extract the fume, grind zinc back first, and mind what burns "
    "behind the panel; never near fuel.",
    "Whether a part may be made or repaired at all, and how, is for the local code, the maker's "
    "method and licensed practice to say, above all where it carries load or keeps people alive.",
)


@dataclass(frozen=True, slots=True)
class JobSheet:
    """What goes on the page; ``folded`` is a PNG of the folded piece."""

    blank: Blank
    plan: Plan
    metal_title: str
    need: Need
    folded: bytes
    notices: tuple[str, ...] = ()


def render(sheet: JobSheet, unit: Unit = "mm", paper: str = "A4") -> bytes:
    """The PDF page of a job sheet."""
    return _Page(sheet, unit, PAPERS_MM[paper]).render()


class _Page:
    """One page drawn in millimetres, downward from the top."""

    def __init__(self, sheet: JobSheet, unit: Unit, size_mm: tuple[float, float]) -> None:
        self.sheet, self.unit = sheet, unit
        self.w, self.h = size_mm
        self.stream = io.BytesIO()
        page = (self.w * PT_PER_MM, self.h * PT_PER_MM)
        self.canvas = Canvas(self.stream, pagesize=page, invariant=1, pageCompression=1)
        self.y = self.h - MARGIN_MM
        found = sheet.plan
        self.ways = (
            (found.steps,)
            if found.steps
            else tuple(p for r in found.remedies[:1] for p in r.pieces[:1])
        )
        # Many steps leave less room for pictures and notes.
        self.rows = sum(map(len, (found.steps, *(p for r in found.remedies for p in r.pieces))))
        short = self.h - PAPERS_MM["A4"][1]
        self.picture = min(max(PICTURE_MM + short - 5.5 * max(self.rows - 7, 0), 40.0), PICTURE_MM)

    def render(self) -> bytes:
        canvas, pattern = self.canvas, self.sheet.blank.pattern
        title = note_lines(pattern, self.unit)[0]
        canvas.setTitle(drawable(f"{title}, job sheet"))
        canvas.setCreator("digitize")
        canvas.scale(PT_PER_MM, PT_PER_MM)
        self._line(title, HEAD_MM, BOLD)
        thick = length(pattern.thickness_mm or 0.0, self.unit, 2)
        self._line(f"{self.sheet.metal_title}, {thick}; {self.sheet.plan.tool.title}", TEXT_MM)
        self._pictures()
        self._stock()
        if self.sheet.plan.steps:
            self._table(self.sheet.plan.steps, "Bends in order")
        else:
            self._impossible()
        self._said("Notes", self.sheet.notices, 6 if self.rows < 8 else 3)
        self._cautions()
        canvas.showPage()
        canvas.save()
        return self.stream.getvalue()

    # Pictures

    def _pictures(self) -> None:
        top, half = self.y - 2.0, (self.w - 2 * MARGIN_MM - 6.0) / 2
        self._blank(MARGIN_MM, top - self.picture, half, self.picture)
        image = Image.open(io.BytesIO(self.sheet.folded))
        scale = min(half / image.width, self.picture / image.height)
        w, h = image.width * scale, image.height * scale
        left = MARGIN_MM + half + 6.0 + (half - w) / 2
        bottom = top - self.picture + (self.picture - h) / 2
        self.canvas.drawImage(ImageReader(image), left, bottom, w, h)
        self.y = top - self.picture - 1.0
        x = MARGIN_MM
        self._text(
            x,
            self.y - SMALL_MM,
            "Blank, not to scale, marked face up; ringed: order",
            SMALL_MM,
        )
        x = MARGIN_MM + half + 6.0
        self._text(x, self.y - SMALL_MM, "Folded, marked face light", SMALL_MM)
        self.y -= SMALL_MM + 3.0

    def _blank(self, left: float, bottom: float, w: float, h: float) -> None:
        pattern = self.sheet.blank.pattern
        x0, y0, x1, y1 = extent_mm(pattern)
        scale = min((w - 8) / max(x1 - x0, 1e-6), (h - 8) / max(y1 - y0, 1e-6))
        dx = left + w / 2 - scale * (x0 + x1) / 2
        dy = bottom + h / 2 - scale * (y0 + y1) / 2

        def at(p: Point) -> Point:
            return p[0] * scale + dx, p[1] * scale + dy

        self.canvas.setLineWidth(WIDE_MM)
        for closed in (pattern.outline, *pattern.openings):
            self._closed(closed, at)
        self.canvas.setLineWidth(NARROW_MM)
        order = {s.operation.name: i + 1 for way in self.ways for i, s in enumerate(way)}
        for bend in pattern.bends:
            self.canvas.line(*at(bend.start_mm), *at(bend.end_mm))
        for name, (x, y) in self._faces().items():
            px, py = at((x, y))
            self._text(px - width(name, SMALL_MM) / 2, py - 0.75, name, SMALL_MM)
        for number, bend in enumerate(pattern.bends, 1):
            self._bend_name(at(bend.start_mm), at(bend.end_mm), f"B{number}", order)

    def _faces(self) -> dict[str, Point]:
        """Where to write the faces' names on the blank."""
        parts = regions(self.sheet.blank.tree, self.sheet.blank.pattern)
        places = {}
        for face, area in enumerate(parts.faces):
            if not area.is_empty:
                centre = shapely.maximum_inscribed_circle(area, tolerance=1.0).coords[0]
                places[face_name(face)] = (float(centre[0]), float(centre[1]))
        return places

    def _closed(self, closed: Closed, at: Callable[[Point], Point]) -> None:
        path = self.canvas.beginPath()
        edges = closed.as_contour().edges
        path.moveTo(*at(edges[0].segment.start_mm))
        for edge in edges:
            segment = edge.segment
            match segment:
                case Line():
                    path.lineTo(*at(segment.end_mm))
                case Arc():
                    for x, y in segment.points_mm(0.05)[1:]:
                        path.lineTo(*at((float(x), float(y))))
                case _:
                    assert_never(segment)
        path.close()
        self.canvas.drawPath(path)

    def _bend_name(self, a: Point, b: Point, name: str, order: dict[str, int]) -> None:
        x, y = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
        places = [i for key, i in order.items() if name in bend_names(key)]
        text = name
        w = width(text, SMALL_MM)
        room = w + 1.6 + (5.0 * len(places))
        self.canvas.setFillGray(1)
        self.canvas.rect(x - room / 2, y - 2.4, room, 4.8, stroke=0, fill=1)
        self.canvas.setFillGray(0)
        self._text(x - room / 2 + 0.8, y - 0.8, text, SMALL_MM)
        for k, place in enumerate(places):
            cx = x - room / 2 + 0.8 + w + 2.6 + 5.0 * k
            self.canvas.setLineWidth(FINE_MM)
            self.canvas.circle(cx, y, 2.1)
            self._text(cx - width(str(place), SMALL_MM) / 2, y - 0.75, str(place), SMALL_MM)
            self.canvas.setLineWidth(NARROW_MM)

    # Words

    def _stock(self) -> None:
        need, unit = self.sheet.need, self.unit
        rectangle = need.rectangle
        words = (
            f"Stock: {length(rectangle.length_mm, unit)} x {length(rectangle.width_mm, unit)} at "
            f"{rectangle.direction_deg:.0f}° on the blank, {100 * need.waste:.0f} % of it waste"
        )
        if need.grain_deg is not None:
            words += f"; grain at {need.grain_deg:.0f}°"
        if need.weight_kg is not None:
            words += f"; weight {_weight(need.weight_kg, unit)}"
        self._line(words, TEXT_MM)
        self.y -= 1.0

    def _table(self, steps: Sequence[Step], title: str) -> None:
        self._line(title, TEXT_MM, BOLD)
        columns = (0.0, 7.0, 18.0, 29.0, 56.0, 76.0)
        heads = ("", "bend", "way", "bend to, stays", "radius", "how to hold it")
        self._row(columns, heads, BOLD)
        for number, step in enumerate(steps, 1):
            fold = self.sheet.blank.tree.folds[step.operation.folds[0]]
            words = how(self.sheet.blank, self.sheet.plan.tool, step, self._length)
            cells = (
                str(number),
                step.operation.name,
                which_way(step),
                f"{step.bend.angle_deg:.1f}°, {fold.facts.angle_deg:.1f}°",
                length(fold.facts.radius_mm, self.unit),
                words,
            )
            self._row(columns, cells)
        sources = list(dict.fromkeys(step.bend.source for step in steps))
        self._wrapped("Spring-back: " + "; ".join(sources), SMALL_MM)
        self.y -= 1.5

    def _row(self, columns: Sequence[float], cells: Sequence[str], face: str = REGULAR) -> None:
        room = self.w - 2 * MARGIN_MM - columns[-1]
        lines = _broken(cells[-1], SMALL_MM, room)
        for x, cell in zip(columns[:-1], cells[:-1], strict=True):
            self._text(MARGIN_MM + x, self.y - SMALL_MM, cell, SMALL_MM, face)
        for line in lines:
            self._text(MARGIN_MM + columns[-1], self.y - SMALL_MM, line, SMALL_MM, face)
            self.y -= SMALL_MM + 0.9
        self.y -= 0.5
        self.canvas.setLineWidth(FINE_MM)
        self.canvas.line(MARGIN_MM, self.y, self.w - MARGIN_MM, self.y)
        self.y -= 0.8

    def _impossible(self) -> None:
        plan = self.sheet.plan
        verdict = "works" if plan.proven else "was found"
        self._line(f"No order of bends {verdict} with the {plan.tool.title}", TEXT_MM, BOLD)
        for block in plan.blocks[:6]:
            because = f" ({block.because} is in the way)" if block.because else ""
            self._wrapped(block.sentence + because, SMALL_MM)
        self.y -= 1.0
        for remedy in plan.remedies:
            self._wrapped(f"Way out: {remedy.text}", TEXT_MM)
            for k, steps in enumerate(remedy.pieces, 1):
                many = len(remedy.pieces) > 1
                self._table(steps, f"Piece {k}" if many else "Bends in that order")

    def _said(self, title: str, lines: Sequence[str], most: int) -> None:
        if not lines:
            return
        self._line(title, TEXT_MM, BOLD)
        for line in lines[:most]:
            self._wrapped(textwrap.shorten(line, 260, placeholder=" ..."), SMALL_MM)
        if len(lines) > most:
            self._wrapped(f"and {len(lines) - most} more, kept with the blank", SMALL_MM)
        self.y -= 1.0

    def _cautions(self) -> None:
        room = self.w - 2 * MARGIN_MM - 3.0
        lines = [part for text in CAUTIONS for part in _broken(text, SMALL_MM, room)]
        height = (SMALL_MM + 0.9) * len(lines) + TEXT_MM + 4.0
        self.canvas.setLineWidth(NARROW_MM)
        self.canvas.rect(MARGIN_MM, self.y - height, self.w - 2 * MARGIN_MM, height)
        self.y -= 1.2
        self._text(MARGIN_MM + 1.5, self.y - TEXT_MM, "Cautions", TEXT_MM, BOLD)
        self.y -= TEXT_MM + 1.2
        for line in lines:
            self._text(MARGIN_MM + 1.5, self.y - SMALL_MM, line, SMALL_MM)
            self.y -= SMALL_MM + 0.9

    def _length(self, value_mm: float) -> str:
        return length(value_mm, self.unit)

    def _line(self, text: str, size: float, face: str = REGULAR) -> None:
        room = self.w - 2 * MARGIN_MM
        self._text(MARGIN_MM, self.y - size, shortened(text, size, room, face), size, face)
        self.y -= size + 1.6

    def _wrapped(self, text: str, size: float) -> None:
        for line in _broken(text, size, self.w - 2 * MARGIN_MM):
            self._text(MARGIN_MM, self.y - size, line, size)
            self.y -= size + 0.9

    def _text(self, x: float, y: float, text: str, size: float, face: str = REGULAR) -> None:
        self.canvas.setFont(registered(face), size)
        self.canvas.drawString(x, y, drawable(text))


def _broken(text: str, size: float, room: float) -> list[str]:
    """Text in lines that fit."""
    lines: list[str] = []
    for word in drawable(text).split():
        if lines and width(f"{lines[-1]} {word}", size) <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines or [""]


def _weight(kg: float, unit: Unit) -> str:
    if unit == "in":
        return f"{kg / 0.45359237:.2f} lb"  # the international pound
    return f"{kg:.2f} kg" if kg >= 0.1 else f"{1000 * kg:.0f} g"
