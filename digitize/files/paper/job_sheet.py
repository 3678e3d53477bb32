"""The job sheet: one page for the bench, and after it the blank at 1:1 on as many as it takes.

The page holds the blank, the folded piece, bends in order, stock, notes and cautions.  The blank
on it is drawn to fit, not to scale, in the lines of the template: cut edges wide, bend lines
narrow and long-dashed dotted, each bend with its name and, ringed, its place in the order.
The same plan always gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from PIL import Image
from shapely.ops import nearest_points

from digitize.bending_plan.operation import Step, bend_names
from digitize.bending_plan.plan import Plan
from digitize.bending_plan.tools import Tool
from digitize.bending_plan.wording import NO_WAY_OUT, blocked, how, verdict, which_way
from digitize.blank.develop import Blank
from digitize.files.lettering import BOLD, REGULAR, broken, shortened, width
from digitize.files.notes import note_lines
from digitize.files.paper import writer as paper
from digitize.files.paper.page import (
    FINE_MM,
    HEAD_MM,
    LEADING_MM,
    LONG_DASHED_DOTTED,
    NARROW_MM,
    SMALL_MM,
    TEXT_MM,
    WIDE_MM,
    Pages,
)
from digitize.files.paper.template import Template, laid_out
from digitize.files.paper.tiling import PAPERS_MM
from digitize.files.units import Unit, length
from digitize.folding.regions import regions
from digitize.folding.sizes import face_name
from digitize.nesting.need import Need
from digitize.pattern.extent import extent_mm
from digitize.pattern.segments import Point

MARGIN_MM = 12.0
PICTURE_MM, LEAST_PICTURE_MM = 88.0, 40.0  # height of the two pictures
RING_MM = 2.1
POUND_KG = 0.45359237  # exactly, by the agreement of 1959

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
    """What goes on the page; ``folded`` is a PNG of the folded piece.

    ``notices`` come in the order of their weight: the last are left out where room is short.
    """

    blank: Blank
    plan: Plan
    metal_title: str
    need: Need
    folded: bytes
    notices: tuple[str, ...] = ()


def render(sheet: JobSheet, options: paper.PaperOptions | None = None) -> bytes:
    """The PDF: the job sheet upright on its paper, then the template as ``paper`` draws it."""
    options = options or paper.PaperOptions()
    template = laid_out(sheet.blank.pattern, options)
    pages = Pages(f"{template.name}, job sheet")
    size_mm = PAPERS_MM[options.paper]
    pages.start(size_mm)
    _Page(pages, sheet, template, size_mm).draw()
    pages.end()
    paper.add_to(pages, template)
    return pages.finished()


class _Page:
    """The sheet itself, drawn downward from the top."""

    def __init__(
        self, pages: Pages, sheet: JobSheet, template: Template, size_mm: tuple[float, float]
    ) -> None:
        self.pages, self.sheet, self.template = pages, sheet, template
        self.canvas, self.unit = pages.canvas, template.unit
        self.w, self.h = size_mm
        self.room = self.w - 2 * MARGIN_MM
        self.y = self.h - MARGIN_MM
        found = sheet.plan
        self.ways = (
            (found.steps,)
            if found.steps
            else tuple(p for r in found.remedies[:1] for p in r.pieces[:1])
        )
        # Many steps leave less room for pictures.
        rows = sum(map(len, (found.steps, *(p for r in found.remedies for p in r.pieces))))
        short = self.h - PAPERS_MM["A4"][1]
        fitting = PICTURE_MM + short - 5.5 * max(rows - 7, 0)
        self.picture = min(max(fitting, LEAST_PICTURE_MM), PICTURE_MM)

    def draw(self) -> None:
        pattern = self.sheet.blank.pattern
        name, size = note_lines(pattern, self.unit)[0], HEAD_MM + 0.6
        if width(name, size, BOLD) > self.room:
            size = TEXT_MM
        self.y = self.pages.wrapped(MARGIN_MM, self.y, name, size, room=self.room, face=BOLD) - 0.8
        thick = length(pattern.thickness_mm or 0.0, self.unit, 2)
        self._line(f"{self.sheet.metal_title}, {thick}; {self.sheet.plan.tool.title}", TEXT_MM)
        self._pictures()
        self._stock()
        if self.sheet.plan.steps:
            self._table(self.sheet.plan.steps, "Bends in order", self.sheet.plan.tool)
        else:
            self._impossible()
        self._about_the_table()
        self._notes(down_to=MARGIN_MM + self._cautions_mm() + 1.5)
        self._cautions()

    # Pictures

    def _pictures(self) -> None:
        top, half = self.y - 2.0, (self.room - 6.0) / 2
        self._blank(MARGIN_MM, top - self.picture, half, self.picture)
        image = Image.open(io.BytesIO(self.sheet.folded))
        right = MARGIN_MM + half + 6.0
        self.pages.picture(image, (right, top - self.picture), (half, self.picture))
        self.y = top - self.picture - 1.0
        words = "Blank, traced face up, not to scale; dash-dot: bend; ringed: its place in order"
        foot = self.pages.wrapped(MARGIN_MM, self.y, words, SMALL_MM, room=half)
        self.pages.text(right, self.y - SMALL_MM, "Folded; the traced face is light", SMALL_MM)
        self.y = foot - 2.0

    def _blank(self, left: float, bottom: float, w: float, h: float) -> None:
        pattern = self.sheet.blank.pattern
        x0, y0, x1, y1 = extent_mm(pattern)
        scale = min((w - 8) / max(x1 - x0, 1e-6), (h - 8) / max(y1 - y0, 1e-6))
        dx = left + w / 2 - scale * (x0 + x1) / 2
        dy = bottom + h / 2 - scale * (y0 + y1) / 2

        def at(p: Sequence[float]) -> Point:
            return p[0] * scale + dx, p[1] * scale + dy

        self.pages.pen(WIDE_MM)
        for closed in (pattern.outline, *pattern.openings):
            points = closed.points_mm(0.05 / scale).tolist()
            self.pages.polyline([at(p) for p in points], close=True)
        self.pages.pen(NARROW_MM, LONG_DASHED_DOTTED)
        for bend in pattern.bends:
            self.canvas.line(*at(bend.start_mm), *at(bend.end_mm))
        self.pages.pen(FINE_MM)
        order = {s.operation.name: i + 1 for way in self.ways for i, s in enumerate(way)}
        taken = []
        for number, bend in enumerate(pattern.bends, 1):
            (ax, ay), (bx, by) = at(bend.start_mm), at(bend.end_mm)
            taken.append(self._bend_name(((ax + bx) / 2, (ay + by) / 2), f"B{number}", order))
        parts = regions(self.sheet.blank.tree, pattern)
        for face, area in enumerate(parts.faces):
            on_page = shapely.transform(area, lambda xy: xy * scale + (dx, dy))
            free = on_page.difference(shapely.union_all(taken)) if taken else on_page
            if not area.is_empty:
                self._face_name(face_name(face), free if not free.is_empty else on_page)

    def _face_name(self, name: str, free: shapely.Geometry) -> None:
        """A face's name near the face's middle, clear of edges and of the bends' names."""
        widest = shapely.maximum_inscribed_circle(free, tolerance=0.2)
        roomy = free.buffer(-0.8 * widest.length)
        at = widest if roomy.is_empty else nearest_points(roomy, free.centroid)[0]
        x, y = (float(v) for v in at.coords[0])
        self.pages.text(x - width(name, SMALL_MM) / 2, y - 0.75, name, SMALL_MM)

    def _bend_name(self, at: Point, name: str, order: dict[str, int]) -> shapely.Polygon:
        """A bend's name with its ringed places in the order; the room it takes."""
        x, y = at
        places = [i for key, i in order.items() if name in bend_names(key)]
        w, step = width(name, SMALL_MM), 2 * RING_MM + 0.8
        room = w + 1.6 + step * len(places)
        left, low = x - room / 2, y - RING_MM - 0.3
        self.canvas.setFillGray(1)
        self.canvas.rect(left, low, room, 2 * (y - low), stroke=0, fill=1)
        self.canvas.setFillGray(0)
        self.pages.text(left + 0.8, y - 0.8, name, SMALL_MM)
        for k, place in enumerate(places):
            cx = left + w + 1.6 + RING_MM + step * k
            self.canvas.circle(cx, y, RING_MM)
            number = str(place)
            self.pages.text(cx - width(number, SMALL_MM) / 2, y - 0.75, number, SMALL_MM)
        taken: shapely.Polygon = shapely.box(left, low, left + room, 2 * y - low)
        return taken

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
        self._wrapped(words, TEXT_MM)
        count = len(self.template.tiling.pages) + self.template.has_cover
        many = f"the {count} pages after this one" if count > 1 else "the page after this one"
        self._wrapped(
            f"Template at 1:1: {many}. Print at 100 % and measure its bar before you mark out.",
            TEXT_MM,
        )
        self.y -= 1.0

    def _table(self, steps: Sequence[Step], title: str, tool: Tool) -> None:
        self._line(title, TEXT_MM, BOLD)
        columns = (0.0, 6.0, 17.0, 27.0, 51.0, 66.0)
        heads = ("", "bend", "way", "bend to, stays", "radius", "how to hold it")
        self._row(columns, heads, BOLD)
        for number, step in enumerate(steps, 1):
            fold = self.sheet.blank.tree.folds[step.operation.folds[0]]
            words = how(self.sheet.blank, tool, step, self._length)
            cells = (
                str(number),
                step.operation.name,
                which_way(step),
                f"{step.bend.angle_deg:.1f}°, {fold.facts.angle_deg:.1f}°",
                length(fold.facts.radius_mm, self.unit),
                words,
            )
            self._row(columns, cells)
        self.y -= 1.5

    def _about_the_table(self) -> None:
        found = self.sheet.plan
        ways = (found.steps, *(steps for r in found.remedies for steps in r.pieces))
        sources = list(dict.fromkeys(step.bend.source for steps in ways for step in steps))
        if not sources:
            return
        self.y += 1.0
        self._wrapped(
            "Up: toward the traced face. Bend to: the angle under load, of which the other stays "
            f"(spring-back: {'; '.join(sources)}).",
            SMALL_MM,
        )
        self.y -= 1.5

    def _row(self, columns: Sequence[float], cells: Sequence[str], face: str = REGULAR) -> None:
        for x, cell in zip(columns[:-1], cells[:-1], strict=True):
            self.pages.text(MARGIN_MM + x, self.y - SMALL_MM, cell, SMALL_MM, face)
        x, room = MARGIN_MM + columns[-1], self.room - columns[-1]
        self.y = self.pages.wrapped(x, self.y, cells[-1], SMALL_MM, room=room, face=face) - 0.5
        self.pages.pen(FINE_MM)
        self.canvas.line(MARGIN_MM, self.y, self.w - MARGIN_MM, self.y)
        self.y -= 0.8

    def _impossible(self) -> None:
        plan = self.sheet.plan
        self._line(verdict(plan), TEXT_MM, BOLD)
        for sentence in blocked(plan.blocks[:6]):
            self._wrapped(sentence, SMALL_MM)
        self.y -= 1.0
        for remedy in plan.remedies:
            self._wrapped(f"Way out: {remedy.text}", TEXT_MM)
            for k, steps in enumerate(remedy.pieces, 1):
                piece = f", piece {k}" if len(remedy.pieces) > 1 else ""
                title = f"Bends in order, that way{piece}"
                self._table(steps, title, remedy.tool or plan.tool)
        if not plan.remedies:
            self._wrapped(NO_WAY_OUT, TEXT_MM)

    def _notes(self, down_to: float) -> None:
        """Whole notes as far as there is room, and how many there was none for."""
        pitch = SMALL_MM + LEADING_MM
        lines = [broken(note, SMALL_MM, self.room) for note in self.sheet.notices]
        rows = int((self.y - TEXT_MM - 1.6 - down_to) / pitch)
        kept = len(lines)
        while kept and sum(map(len, lines[:kept])) + (kept < len(lines)) > rows:
            kept -= 1
        if not lines or (rows < 1 and not kept):
            return
        self._line("Notes", TEXT_MM, BOLD)
        for note in self.sheet.notices[:kept]:
            self._wrapped(note, SMALL_MM)
        if kept < len(lines):
            self._wrapped(f"{len(lines) - kept} more on the screen and in --json", SMALL_MM)
        self.y -= 1.0

    def _caution_lines(self) -> list[str]:
        return [part for text in CAUTIONS for part in broken(text, SMALL_MM, self.room - 3.0)]

    def _cautions_mm(self) -> float:
        return (SMALL_MM + LEADING_MM) * len(self._caution_lines()) + TEXT_MM + 4.0

    def _cautions(self) -> None:
        height = self._cautions_mm()
        self.pages.pen(NARROW_MM)
        self.canvas.rect(MARGIN_MM, self.y - height, self.room, height)
        left, top = MARGIN_MM + 1.5, self.y - 1.2
        self.pages.text(left, top - TEXT_MM, "Cautions", TEXT_MM, BOLD)
        top -= TEXT_MM + 1.2
        for line in self._caution_lines():
            self.pages.text(left, top - SMALL_MM, line, SMALL_MM)
            top -= SMALL_MM + LEADING_MM

    def _length(self, value_mm: float) -> str:
        return length(value_mm, self.unit)

    def _line(self, text: str, size: float, face: str = REGULAR) -> None:
        short = shortened(text, size, self.room, face)
        self.pages.text(MARGIN_MM, self.y - size, short, size, face)
        self.y -= size + 1.6

    def _wrapped(self, text: str, size: float) -> None:
        self.y = self.pages.wrapped(MARGIN_MM, self.y, text, size, room=self.room)


def _weight(kg: float, unit: Unit) -> str:
    if unit == "in":
        return f"{kg / POUND_KG:.2f} lb"
    return f"{kg:.2f} kg" if kg >= 0.1 else f"{1000 * kg:.0f} g"
