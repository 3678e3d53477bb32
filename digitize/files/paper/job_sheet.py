"""The job sheet: one page for the bench, and after it the blank at 1:1 on as many as it takes.

The page holds the blank, the folded piece, bends in order, stock, notes and cautions, in the
largest type that there is room for.
The same plan always gives the same bytes.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image

from digitize.bending_plan.operation import Step, bend_names
from digitize.bending_plan.plan import Plan
from digitize.bending_plan.tools import Tool
from digitize.bending_plan.wording import NO_WAY_OUT, blocked, how, verdict, which_way
from digitize.blank.develop import Blank
from digitize.files.lettering import BOLD, REGULAR, broken, shortened, width
from digitize.files.notes import note_lines
from digitize.files.paper import writer as paper
from digitize.files.paper.blank_figure import draw_blank
from digitize.files.paper.page import (
    FINE_MM,
    LEADING_MM,
    NARROW_MM,
    SMALL_MM,
    TEXT_MM,
    Pages,
)
from digitize.files.paper.template import Template, laid_out
from digitize.files.paper.tiling import PAPERS_MM
from digitize.files.units import Unit, length
from digitize.nesting.need import Need
from digitize.pattern.datum import datum_of

MARGIN_MM = 12.0
PICTURE_MM, LEAST_PICTURE_MM = 88.0, 40.0  # height of the two pictures
LARGER = (1.5, 1.4, 1.3, 1.2, 1.1)  # type than the usual, where there is room
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
    _Page(pages, sheet, template, size_mm, _larger(sheet, template, size_mm)).draw()
    pages.end()
    paper.add_to(pages, template)
    return pages.finished()


def _larger(sheet: JobSheet, template: Template, size_mm: tuple[float, float]) -> float:
    """The largest type that leaves everything on the page, as a multiple of the usual."""
    for larger in LARGER:
        trial = _Page(Pages("trial"), sheet, template, size_mm, larger)
        trial.draw()
        if trial.fits:
            return larger
    return 1.0


class _Page:
    """The sheet itself, drawn downward from the top."""

    def __init__(
        self,
        pages: Pages,
        sheet: JobSheet,
        template: Template,
        size_mm: tuple[float, float],
        larger: float,
    ) -> None:
        self.larger, self.small, self.text = larger, larger * SMALL_MM, larger * TEXT_MM
        self.all_said = True
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
        name, size = note_lines(pattern, self.unit)[0], self.text + 1.6
        if width(name, size, BOLD) > self.room:
            size = self.text
        self.y = self.pages.wrapped(MARGIN_MM, self.y, name, size, room=self.room, face=BOLD) - 0.8
        thick = length(pattern.thickness_mm or 0.0, self.unit, 2)
        self._line(f"{self.sheet.metal_title}, {thick}; {self.sheet.plan.tool.title}", self.text)
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
        room = (MARGIN_MM, top - self.picture, MARGIN_MM + half, top)
        draw_blank(
            self.pages,
            self.sheet.blank,
            self._places(),
            room,
            type_mm=self.small,
            unit=self.unit,
        )
        image = Image.open(io.BytesIO(self.sheet.folded))
        right = MARGIN_MM + half + 6.0
        self.pages.picture(image, (right, top - self.picture), (half, self.picture))
        self.y = top - self.picture - 1.0
        face = self.sheet.blank.pattern.drawn.face
        words = f"Blank, {face} up, not to scale; dash-dot: bend; ringed: its place in the order"
        foot = self.pages.wrapped(MARGIN_MM, self.y, words, self.small, room=half)
        self.pages.text(right, self.y - self.small, f"Folded; {face} is light", self.small)
        self.y = foot - 2.0

    def _places(self) -> dict[str, list[int]]:
        """Where in the order each bend is made."""
        places: dict[str, list[int]] = {}
        for way in self.ways:
            for place, step in enumerate(way, 1):
                for name in bend_names(step.operation.name):
                    places.setdefault(name, []).append(place)
        return places

    # Words

    def _stock(self) -> None:
        need, unit = self.sheet.need, self.unit
        rectangle = need.rectangle
        words = (
            f"Stock: {length(rectangle.length_mm, unit)} x {length(rectangle.width_mm, unit)}, "
            f"its long side {self._as_drawn(rectangle.direction_deg)}; "
            f"{100 * need.waste:.0f} % of it is waste"
        )
        if need.grain_deg is not None:
            words += f"; grain {self._as_drawn(need.grain_deg)}"
        if need.weight_kg is not None:
            words += f"; weight {_weight(need.weight_kg, unit)}"
        self._wrapped(words, self.text)
        count = len(self.template.tiling.pages) + self.template.has_cover
        many = f"the {count} pages after this one" if count > 1 else "the page after this one"
        self._wrapped(
            f"Template at 1:1: {many}. Print at 100 % and measure its bar before you mark out.",
            self.text,
        )
        self.y -= 1.0

    def _as_drawn(self, direction_deg: float) -> str:
        """A direction on the blank as the drawing on this page shows it."""
        datum_deg = math.degrees(datum_of(self.sheet.blank.pattern).direction_rad)
        drawn_deg = round(direction_deg - datum_deg) % 180
        straight = {0: "left to right", 90: "up and down"}
        if drawn_deg in straight:
            return f"{straight[drawn_deg]} in the drawing"
        return f"{drawn_deg}° counter-clockwise from left to right in the drawing"

    def _table(self, steps: Sequence[Step], title: str, tool: Tool) -> None:
        self._line(title, self.text, BOLD)
        columns = [self.larger * x for x in (0.0, 6.0, 17.0, 27.0, 51.0, 66.0)]
        heads = ("", "bend", "way", "bend to, stays", "radius", "how to hold it")
        self._row(columns, heads, BOLD)
        for number, step in enumerate(steps, 1):
            fold = self.sheet.blank.tree.folds[step.operation.folds[0]]
            words = how(self.sheet.blank, tool, step, self._length)
            cells = (
                str(number),
                step.operation.name.replace("+", "+ "),
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
            f"Up: toward {self.sheet.blank.pattern.drawn.face}. Bend to: the angle under load, of "
            f"which the other stays (spring-back: {'; '.join(sources)}).",
            self.small,
        )
        self.y -= 1.5

    def _row(self, columns: Sequence[float], cells: Sequence[str], face: str = REGULAR) -> None:
        feet = [
            self.pages.wrapped(
                MARGIN_MM + x, self.y, cell, self.small, room=beyond - x - 1.0, face=face
            )
            for x, beyond, cell in zip(columns, [*columns[1:], self.room + 1.0], cells, strict=True)
        ]
        self.y = min(feet) - 0.5
        self.pages.pen(FINE_MM)
        self.canvas.line(MARGIN_MM, self.y, self.w - MARGIN_MM, self.y)
        self.y -= 0.8

    def _impossible(self) -> None:
        plan = self.sheet.plan
        self._line(verdict(plan), self.text, BOLD)
        for sentence in blocked(plan.blocks[:6]):
            self._wrapped(sentence, self.small)
        self.y -= 1.0
        for remedy in plan.remedies:
            self._wrapped(f"Way out: {remedy.text}", self.text)
            for k, steps in enumerate(remedy.pieces, 1):
                piece = f", piece {k}" if len(remedy.pieces) > 1 else ""
                title = f"Bends in order, that way{piece}"
                self._table(steps, title, remedy.tool or plan.tool)
        if not plan.remedies:
            self._wrapped(NO_WAY_OUT, self.text)

    def _notes(self, down_to: float) -> None:
        """Whole notes as far as there is room, and how many there was none for."""
        pitch = self.small + LEADING_MM
        lines = [broken(note, self.small, self.room) for note in self.sheet.notices]
        rows = int((self.y - self.text - 1.6 - down_to) / pitch)
        kept = len(lines)
        while kept and sum(map(len, lines[:kept])) + (kept < len(lines)) > rows:
            kept -= 1
        if not lines or (rows < 1 and not kept):
            self.all_said = not lines
            return
        self._line("Notes", self.text, BOLD)
        for note in self.sheet.notices[:kept]:
            self._wrapped(note, self.small)
        if kept < len(lines):
            self.all_said = False
            self._wrapped(f"{len(lines) - kept} more on the screen and in --json", self.small)
        self.y -= 1.0

    def _caution_lines(self) -> list[str]:
        return [part for text in CAUTIONS for part in broken(text, self.small, self.room - 3.0)]

    def _cautions_mm(self) -> float:
        return (self.small + LEADING_MM) * len(self._caution_lines()) + self.text + 4.0

    def _cautions(self) -> None:
        height = self._cautions_mm()
        self.pages.pen(NARROW_MM)
        self.canvas.rect(MARGIN_MM, self.y - height, self.room, height)
        left, top = MARGIN_MM + 1.5, self.y - 1.2
        self.pages.text(left, top - self.text, "Cautions", self.text, BOLD)
        top -= self.text + 1.2
        for line in self._caution_lines():
            self.pages.text(left, top - self.small, line, self.small)
            top -= self.small + LEADING_MM
        self.y -= height

    @property
    def fits(self) -> bool:
        """Whether everything drawn is on the page, and nothing was left out."""
        return self.all_said and self.y >= MARGIN_MM

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
