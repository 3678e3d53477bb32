"""A paper pattern at 1:1: PDF pages to print, trim, tape together and cut out.

Lines follow the ISO 128 family: edges continuous wide, bend lines continuous narrow,
edges that were rebuilt or bridged long-dashed double-dotted, a present edge that is to come
off continuous narrow beside the edge to trim to.  Every page carries a check
bar, its place on a page map, and lay marks (circles with two quarters filled, unlike
anything that is punched) that it shares with its neighbours.
Nothing but the part's own lines is drawn over an edge.  The same pattern always gives
the same bytes.
"""

from __future__ import annotations

import io
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby, product
from pathlib import Path
from typing import assert_never

import shapely
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject
from shapely.geometry.base import BaseGeometry

from digitize.errors import DigitizeError, Exit
from digitize.files.atomic import write_bytes
from digitize.files.lettering import BOLD, REGULAR, drawable, registered, shortened, width
from digitize.files.notes import note_lines
from digitize.files.offcut import Offcut
from digitize.files.tiling import (
    FOOT_MM,
    MARGIN_MM,
    PAPERS_MM,
    Orientation,
    Page,
    Tiling,
    part_area,
    tile,
)
from digitize.files.units import Unit, check_length_mm, check_text, length, mm_per, rounded
from digitize.pattern.contour import Circle, Closed, Edge, Slot
from digitize.pattern.dimensions import Kind, dimensions, opening_letter
from digitize.pattern.extent import Box, closed_extent_mm, extent_mm
from digitize.pattern.model import BendLine, Pattern, ScribeKind
from digitize.pattern.placement import placed
from digitize.pattern.segments import Arc, Line, Point, Segment

PT_PER_MM = 72 / 25.4
WIDE_MM, NARROW_MM, FINE_MM = 0.35, 0.18, 0.13  # ISO 128 line widths (from memory)
LONG_DASHED_DOUBLE_DOTTED = [5.0, 0.8, 0.3, 0.8, 0.3, 0.8]  # ISO 128 type 05, in mm
LONG_DASHED_DOTTED = [5.0, 0.8, 0.3, 0.8]  # ISO 128 type 04
DASHED = [2.4, 0.6]  # ISO 128 type 02
SCRIBE_DASHES: dict[ScribeKind, list[float]] = {"tangent": DASHED, "tool": LONG_DASHED_DOTTED}
DOTTED = [0.3, 1.2]
GREY = 0.45
LAY_MARK_MM = 3.0  # radius
SMALL_MM, TEXT_MM, HEAD_MM = 2.2, 2.6, 3.6  # heights of type


@dataclass(frozen=True, slots=True)
class PaperOptions:
    """How the paper pattern is laid out.

    ``orientation`` None picks whichever needs fewer pages.  ``turn`` lets the part be
    turned on the paper where that saves pages.  ``print_scale`` is printed size over
    nominal size across the paper's short side and along its long one: a printer known to
    be untrue is then allowed for.
    """

    paper: str = "A4"
    orientation: Orientation | None = None
    overlap_mm: float = 12.0
    unit: Unit = "mm"
    turn: bool = False
    print_scale: tuple[float, float] = (1.0, 1.0)


class BadPaper(DigitizeError):
    """The paper or overlap asked for is not one that can be printed on."""

    exit_code = Exit.ASKED


def render(
    pattern: Pattern, options: PaperOptions | None = None, offcuts: Sequence[Offcut] = ()
) -> bytes:
    """The PDF of a pattern; a template for trimming where there are offcuts.

    A part with offcuts is not turned.  Raises BadPaper for unknown paper and TooManyPages for
    an absurd heap of it.
    """
    options = options or PaperOptions()
    turn_deg, pattern, tiling = _laid_out(pattern, options, offcuts)
    return _Book(pattern, tiling, options, turn_deg, offcuts).render()


def write(
    path: Path, pattern: Pattern, options: PaperOptions | None = None, *, overwrite: bool = False
) -> Path:
    """Write the PDF of a pattern; see ``atomic.write_bytes`` for what can go wrong."""
    return write_bytes(path, render(pattern, options), overwrite=overwrite)


def layout(pattern: Pattern, options: PaperOptions | None = None) -> Tiling:
    """The pages that ``render`` would print, in coordinates of the (turned) pattern."""
    return _laid_out(pattern, options or PaperOptions())[2]


def _laid_out(
    pattern: Pattern, options: PaperOptions, offcuts: Sequence[Offcut] = ()
) -> tuple[int, Pattern, Tiling]:
    """The turn in degrees that takes the fewest pages, the pattern so turned, its pages."""
    if options.paper not in PAPERS_MM:
        raise BadPaper(
            f"no paper called {options.paper!r}", do="choose one of " + ", ".join(PAPERS_MM)
        )
    if not 5.0 <= options.overlap_mm <= 40.0:
        raise BadPaper(f"pages cannot overlap by {options.overlap_mm:g} mm", do="choose 5 to 40 mm")
    across, along = options.print_scale
    if not (0.9 <= across <= 1.1 and 0.9 <= along <= 1.1):
        raise BadPaper(
            f"a printer that prints {across:g} by {along:g} of the true size scales the page",
            do="print at 100 % and measure the bars again",
        )
    short, long = PAPERS_MM[options.paper]
    # Laying out on the paper as printed, and shrinking or stretching the page once, keeps
    # every length on it true.
    paper = (short * across, long * along)
    turns = range(0, 180, 5) if options.turn and not offcuts else range(1)
    beyond = [piece for offcut in offcuts for piece in offcut.apart_mm]
    best: tuple[int, Pattern, Tiling] | None = None
    for turn_deg in turns:
        turned = placed(pattern, math.radians(turn_deg)) if turn_deg else pattern
        tiling = tile(turned, paper, options.overlap_mm, options.orientation, beyond)
        if best is None or len(tiling.pages) < len(best[2].pages):
            best = turn_deg, turned, tiling
    assert best is not None
    return best


class _Book:
    """The pages of one pattern on one canvas, drawn in millimetres."""

    def __init__(
        self,
        pattern: Pattern,
        tiling: Tiling,
        options: PaperOptions,
        turn_deg: int,
        offcuts: Sequence[Offcut],
    ) -> None:
        self.pattern, self.tiling, self.options, self.turn_deg = pattern, tiling, options, turn_deg
        across, along = options.print_scale
        upright = tiling.orientation == "portrait"
        self.printed_x, self.printed_y = (across, along) if upright else (along, across)
        self.stream = io.BytesIO()
        paper_w, paper_h = tiling.paper_mm
        self.canvas = Canvas(
            self.stream,
            pagesize=(
                paper_w / self.printed_x * PT_PER_MM,
                paper_h / self.printed_y * PT_PER_MM,
            ),
            invariant=1,
            pageCompression=1,
        )
        self.notes = note_lines(pattern, options.unit)
        self.dimensions = dimensions(pattern)
        self.offcuts = offcuts
        present = [shapely.LineString(piece) for o in offcuts for piece in o.apart_mm]
        self.lines = shapely.union_all([_lines_of(pattern), *present])
        self.lay_marks = _lay_marks(tiling, self.lines)
        self.has_cover = tiling.rows * tiling.columns > 6

    def render(self) -> bytes:
        canvas = self.canvas
        canvas.setTitle(drawable(self.notes[0]))
        canvas.setCreator("digitize")
        canvas.setViewerPreference("PrintScaling", "None")
        self._part_as_form()
        if self.has_cover:
            self._start()
            self._cover()
            canvas.showPage()
        for page in self.tiling.pages:
            self._start()
            canvas.bookmarkPage(page.label)
            canvas.addOutlineEntry(page.label, page.label)
            self._window(page)
            self._joins(page)
            self._foot(page)
            canvas.showPage()
        canvas.save()
        return self.stream.getvalue()

    def _start(self) -> None:
        self.canvas.scale(PT_PER_MM / self.printed_x, PT_PER_MM / self.printed_y)

    # The part

    def _part_as_form(self) -> None:
        """Draw the part once, in pattern millimetres; every page shows its window of it."""
        x0, y0, x1, y1 = _around([extent_mm(self.pattern), self.lines.bounds])
        pad = 20.0
        self.canvas.beginForm("part", x0 - pad, y0 - pad, x1 + pad, y1 + pad)
        self.canvas.setLineJoin(0)
        self._edges(self.pattern.outline)
        for offcut in self.offcuts:
            self._present_edge(offcut)
        for opening in dict.fromkeys(self.pattern.openings):
            self._edges(opening)
            self._centre_marks(opening)
        self._pen(NARROW_MM)
        for bend in self.pattern.bends:
            self.canvas.line(*bend.start_mm, *bend.end_mm)
        for scribe in dict.fromkeys(self.pattern.scribes):
            self._pen(NARROW_MM, SCRIBE_DASHES[scribe.kind])
            self.canvas.line(*scribe.start_mm, *scribe.end_mm)
        self._pen(NARROW_MM)
        for mark in self.pattern.marks:
            self._cross(mark.at_mm, 3.0)
            self.canvas.circle(*mark.at_mm, 1.2)
        self._labels()
        self.canvas.endForm()

    def _edges(self, closed: Closed) -> None:
        if isinstance(closed, Circle):
            self._edge_pen(closed.evidence == "measured")
            self.canvas.circle(*closed.centre_mm, closed.radius_mm)
            return
        edges = closed.as_contour().edges
        runs = _runs(edges)
        for measured, run in runs:
            self._edge_pen(measured)
            path = self.canvas.beginPath()
            path.moveTo(*run[0].segment.start_mm)
            for edge in run:
                _trace(path, edge.segment)
            if len(runs) == 1:
                path.close()
            self.canvas.drawPath(path)

    def _present_edge(self, offcut: Offcut) -> None:
        self._pen(NARROW_MM)
        for piece in offcut.apart_mm:
            path = self.canvas.beginPath()
            path.moveTo(*piece[0])
            for place in piece[1:]:
                path.lineTo(*place)
            self.canvas.drawPath(path)

    def _edge_pen(self, measured: bool) -> None:
        if measured:
            self._pen(WIDE_MM)
        else:
            self._pen(NARROW_MM, LONG_DASHED_DOUBLE_DOTTED)

    def _centre_marks(self, opening: Closed) -> None:
        """Small crosses to centre-punch, kept inside the hole."""
        match opening:
            case Circle():
                centres: tuple[Point, ...] = (opening.centre_mm,)
            case Slot():
                centres = (opening.start_mm, opening.end_mm)
            case _:
                return
        self._pen(NARROW_MM)
        for centre in centres:
            self._cross(centre, min(0.6 * opening.radius_mm, 4.0))

    def _labels(self) -> None:
        """Hole sizes, bends and the part's name, wherever they clear every line."""
        seams = [shapely.LineString(s) for s in _seams(self.tiling)]
        marks = [shapely.Point(p).buffer(LAY_MARK_MM + 2) for p in self.lay_marks]
        taken = [self.lines, *seams, *marks]
        self.canvas.setFillGray(0)
        name = f"{self.notes[0]}; {self.notes[1]}"
        inside = part_area(self.pattern)
        counts = Counter[str]()
        for hole in self.pattern.openings:
            if isinstance(hole, Circle | Slot):
                letter = opening_letter(hole)
                counts[letter] += 1
                taken.append(self._hole_label(f"{letter}{counts[letter]}", hole, taken))
        for number, bend in enumerate(self.pattern.bends, 1):
            taken.append(self._bend_label(number, bend, taken))
        for offcut in self.offcuts:
            taken.append(self._offcut_label(offcut, inside, taken))
        for text in (name, self.notes[0]):
            if self._name_label(text, inside, taken):
                break

    def _hole_label(
        self, name: str, hole: Circle | Slot, taken: list[BaseGeometry]
    ) -> BaseGeometry:
        sizes = {d.kind: d for d in self.dimensions.of(name)}

        def size(kind: Kind) -> str:
            return rounded(sizes[kind].value, sizes[kind].expanded, self.options.unit)[0]

        if isinstance(hole, Circle):
            text, at = f"Ø{size('diameter')}", hole.centre_mm
        else:
            text = f"{size('length')} × {size('width')}"
            (xa, ya), (xb, yb) = hole.start_mm, hole.end_mm
            at = ((xa + xb) / 2, (ya + yb) / 2)
        x0, y0, x1, y1 = closed_extent_mm(hole)
        w, h = width(text, SMALL_MM), SMALL_MM
        gap = 1.2
        spots = [
            (x1 + gap, at[1] - h / 2),
            (x0 - gap - w, at[1] - h / 2),
            (at[0] - w / 2, y1 + gap),
            (at[0] - w / 2, y0 - gap - h),
            (x1, y1),
            (x0 - w, y1),
            (x1, y0 - h),
            (x0 - w, y0 - h),
        ]
        for x, y in spots:
            room: BaseGeometry = shapely.box(x - 0.6, y - 0.6, x + w + 0.6, y + h + 0.6)
            if not any(room.intersects(t) for t in taken):
                self._text(x, y + 0.25 * h, text, SMALL_MM)
                return room
        return shapely.Point()

    def _offcut_label(
        self, offcut: Offcut, inside: BaseGeometry, taken: list[BaseGeometry]
    ) -> BaseGeometry:
        """How much comes off, beside the middle of the present edge and off the part."""
        text = f"trim {length(offcut.depth_mm, self.options.unit)}"
        w, h = width(text, SMALL_MM), SMALL_MM
        if not offcut.apart_mm:
            return shapely.Point()
        edge = shapely.LineString(max(offcut.apart_mm, key=len))
        window = shapely.box(*_around([self.tiling.window(p) for p in self.tiling.pages]))
        spots = product((1.5, 4.0, 8.0), (0.5, 0.4, 0.6, 0.25, 0.75, 0.1, 0.9), range(8))
        for gap, share, turn in spots:
            at = edge.interpolate(share, normalized=True)
            dx, dy = math.cos(turn * math.pi / 4), math.sin(turn * math.pi / 4)
            x, y = at.x + dx * (w / 2 + gap) - w / 2, at.y + dy * (h / 2 + gap) - h / 2
            room: BaseGeometry = shapely.box(x - 0.6, y - 0.6, x + w + 0.6, y + h + 0.6)
            clear = window.contains(room) and not room.intersects(inside)
            if clear and not any(room.intersects(t) for t in taken):
                self._text(x, y + 0.25 * h, text, SMALL_MM)
                return room
        return shapely.Point()

    def _bend_label(self, number: int, bend: BendLine, taken: list[BaseGeometry]) -> BaseGeometry:
        text = f"B{number} bend"
        if bend.angle_deg is not None:
            text += f" {bend.angle_deg:g}°"
        if bend.toward_face is not None:
            text += " up" if bend.toward_face else " down"
        (x0, y0), (x1, y1) = sorted((bend.start_mm, bend.end_mm))
        span = math.dist((x0, y0), (x1, y1))
        w, h = width(text, SMALL_MM), SMALL_MM
        if span == 0:
            return shapely.Point()
        ux, uy = (x1 - x0) / span, (y1 - y0) / span
        for along in (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.12, 0.88):
            # Beside the line, else clear of the tangent lines of its bend.
            for side in (1.0, -1.0 - h, 4.0, -4.0 - h, 8.0, -8.0 - h):
                s = along * span - w / 2
                corners = [
                    (x0 + ux * a - uy * b, y0 + uy * a + ux * b)
                    for a, b in ((s, side), (s + w, side), (s + w, side + h), (s, side + h))
                ]
                room: BaseGeometry = shapely.Polygon(corners).buffer(0.6)
                if not any(room.intersects(t) for t in taken):
                    self.canvas.saveState()
                    self.canvas.translate(*corners[0])
                    self.canvas.rotate(math.degrees(math.atan2(uy, ux)))
                    self._text(0, 0.25 * h, text, SMALL_MM)
                    self.canvas.restoreState()
                    return room
        return shapely.Point()

    def _name_label(self, text: str, inside: BaseGeometry, taken: list[BaseGeometry]) -> bool:
        """Put the name where it stays on the piece that is cut out."""
        text = drawable(text)
        w, h = width(text, TEXT_MM), TEXT_MM
        x0, y0, x1, y1 = inside.bounds
        holes = shapely.union_all(
            [shapely.Polygon(o.points_mm(0.1)) for o in self.pattern.openings]
        )
        cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
        steps = 12
        spots = sorted(
            (
                (x0 + (x1 - x0 - w) * i / steps, y0 + (y1 - y0 - h) * j / steps)
                for i in range(steps + 1)
                for j in range(steps + 1)
            ),
            key=lambda p: math.dist((p[0] + w / 2, p[1] + h / 2), (cx, cy)),
        )
        for x, y in spots:
            room = shapely.box(x - 2, y - 2, x + w + 2, y + h + 2)
            if (
                inside.contains(room)
                and not room.intersects(holes)
                and not any(room.intersects(t) for t in taken)
            ):
                self._text(x, y + 0.25 * h, text, TEXT_MM)
                return True
        return False

    # A page

    def _window(self, page: Page) -> None:
        canvas = self.canvas
        x0, y0, x1, y1 = self.tiling.window(page)
        canvas.saveState()
        path = canvas.beginPath()
        path.rect(MARGIN_MM, MARGIN_MM + FOOT_MM, x1 - x0, y1 - y0)
        canvas.clipPath(path, stroke=0)
        canvas.translate(MARGIN_MM - x0, MARGIN_MM + FOOT_MM - y0)
        canvas.doForm("part")
        canvas.restoreState()

    def _joins(self, page: Page) -> None:
        """Seams to the neighbours, their lay marks, and whose side goes on top."""
        canvas, tiling = self.canvas, self.tiling
        x0, y0, x1, y1 = tiling.window(page)
        dx, dy = MARGIN_MM - x0, MARGIN_MM + FOOT_MM - y0
        cx0, cy0, cx1, cy1 = tiling.core(page)
        pages = set(tiling.pages)
        for beside, start, end, trim in (
            (Page(page.row, page.column - 1), (cx0, cy0), (cx0, cy1), True),
            (Page(page.row, page.column + 1), (cx1, cy0), (cx1, cy1), False),
            (Page(page.row - 1, page.column), (cx0, cy1), (cx1, cy1), True),
            (Page(page.row + 1, page.column), (cx0, cy0), (cx1, cy0), False),
        ):
            if beside not in pages:
                continue
            self._pen(FINE_MM, DOTTED, GREY)
            upright = start[0] == end[0]
            # The seam runs the whole window, so that a straightedge can be laid on it.
            if upright:
                canvas.line(start[0] + dx, y0 + dy, end[0] + dx, y1 + dy)
            else:
                canvas.line(x0 + dx, start[1] + dy, x1 + dx, end[1] + dy)
            for x, y in _seam_marks(start, end, self.lines):
                self._lay_mark((x + dx, y + dy), LAY_MARK_MM)
            self._join_words(page, beside, trim)

    def _join_words(self, page: Page, beside: Page, trim: bool) -> None:
        """Say in the margin what to do along a seam, outside everything that is cut."""
        canvas = self.canvas
        paper_w, paper_h = self.tiling.paper_mm
        text = (
            f"trim on the dotted line, lay on {beside.label}"
            if trim
            else f"{beside.label} goes on top"
        )
        canvas.setFillGray(GREY)
        canvas.saveState()
        middle_y = (paper_h - MARGIN_MM + MARGIN_MM + FOOT_MM) / 2
        if beside.row == page.row:
            canvas.translate(MARGIN_MM - 1.2 if trim else paper_w - MARGIN_MM + 2.8, middle_y)
            canvas.rotate(90)
        else:
            below = MARGIN_MM + FOOT_MM - 2.4
            canvas.translate(paper_w / 2, paper_h - MARGIN_MM + 1.2 if trim else below)
        self._text(-width(text, SMALL_MM) / 2, 0, text, SMALL_MM)
        canvas.restoreState()
        canvas.setFillGray(0)

    def _foot(self, page: Page) -> None:
        canvas, tiling = self.canvas, self.tiling
        paper_w, _ = tiling.paper_mm
        left, right, base = MARGIN_MM, paper_w - MARGIN_MM, MARGIN_MM
        top = base + FOOT_MM - 3.4
        self._pen(FINE_MM, grey=GREY)
        canvas.line(left, top, right, top)
        room = check_length_mm(self.options.unit) + 3.0
        self._text(left, top - 4.2, shortened(self.notes[0], HEAD_MM, room, BOLD), HEAD_MM, BOLD)
        lines = [f"{self.notes[1]}; {self.notes[2]}"]
        lines += [f"scale 1:1{self._turned()}{self._allowed()}"]
        if len(tiling.pages) > 1:
            lines[-1] += (
                "; wide line: trim to it, narrow: the edge now"
                if self.offcuts
                else "; wide line: cut, narrow, named B: bend, dash-dot-dot: rebuilt"
            )
            self._lay_mark((right - 1.4, base + 4.0), 1.4)
            for words, y in (("lay page on", base + 4.6), ("page here", base + 1.6)):
                self._text(right - 3.6 - width(words, SMALL_MM), y, words, SMALL_MM)
        doubts = self.notes[3:]
        if len(doubts) > 1:
            count = sum(n.level == "doubt" for n in self.pattern.notices)
            lines.append(f"{count} doubts, first: {doubts[0].removeprefix('Doubt: ')}")
        else:
            lines += doubts
        for row, line in enumerate(lines[:3]):
            self._text(left, top - 7.6 - 3.0 * row, shortened(line, SMALL_MM, room), SMALL_MM)
        self._check_bar(left, base + 1.0)
        number = tiling.pages.index(page) + 1
        label_room = 19.0
        size = 10.0 if len(page.label) < 4 else 6.5
        if len(tiling.pages) > 1:
            self._text(right - width(page.label, size, BOLD), top - 9.5, page.label, size, BOLD)
        of = f"page {number} of {len(tiling.pages)}"
        self._text(right - width(of, SMALL_MM), top - 13.0, of, SMALL_MM)
        if len(tiling.pages) > 1:
            box = (left + room + 4.0, base, right - label_room - 2.0, top - 1.5)
            self._map(box, page, labels=False)
        else:
            self._legend(left + room + 4.0, top - 4.0)

    def _turned(self) -> str:
        return f", part turned {self.turn_deg}°" if self.turn_deg else ""

    def _allowed(self) -> str:
        across, along = self.options.print_scale
        if (across, along) == (1.0, 1.0):
            return ""
        return f", for a printer that prints {across:.4f} across and {along:.4f} along"

    def _check_bar(self, x: float, y: float) -> None:
        """A bar that any rule can check, ticked every 10 mm or half inch."""
        unit = self.options.unit
        total = check_length_mm(unit)
        step = 10.0 if unit == "mm" else 0.5 * mm_per("in")
        count = round(total / step)
        self._pen(NARROW_MM)
        bar_y = y + 2.6
        self.canvas.line(x, bar_y, x + total, bar_y)
        for i in range(count + 1):
            tall = 3.0 if i in (0, count) else (2.0 if i * 2 == count else 1.2)
            self.canvas.line(x + i * step, bar_y, x + i * step, bar_y + tall)
        text = f"Print at 100 %, not “fit to page”. This bar must measure {check_text(unit)}."
        self._text(x, y - 0.4, text, SMALL_MM)

    def _legend(self, x: float, y: float) -> None:
        pattern = self.pattern
        restored = any(
            e.evidence != "measured"
            for closed in (pattern.outline, *pattern.openings)
            for e in closed.as_contour().edges
        )
        rows: list[tuple[float, list[float], str]] = [
            (WIDE_MM, [], "cut on the middle of the line")
        ]
        if self.offcuts:
            rows = [
                (WIDE_MM, [], "the edge when trimmed; mark it"),
                (NARROW_MM, [], "the edge now; what lies outside comes off"),
            ]
        if pattern.bends:
            rows.append((NARROW_MM, [], "B1, B2...: bend; scribe, do not cut"))
        kinds = {scribe.kind for scribe in pattern.scribes}
        if "tangent" in kinds:
            rows.append((NARROW_MM, SCRIBE_DASHES["tangent"], "bend begins and ends here"))
        if "tool" in kinds:
            rows.append(
                (NARROW_MM, SCRIBE_DASHES["tool"], "edge of the folding tool, jaws of a vice")
            )
        if restored:
            rows.append((NARROW_MM, LONG_DASHED_DOUBLE_DOTTED, "cut; edge was rebuilt, check it"))
        for row, (pen, dashes, text) in enumerate(rows):
            yy = y - 3.6 * row
            self._pen(pen, dashes)
            self.canvas.line(x, yy, x + 10.0, yy)
            self._text(x + 12.0, yy - 0.8, text, SMALL_MM)
        if pattern.marks:
            yy = y - 3.6 * len(rows)
            self._pen(NARROW_MM)
            self._cross((x + 5.0, yy), 1.5)
            self.canvas.circle(x + 5.0, yy, 0.8)
            self._text(x + 12.0, yy - 0.8, "centre-punch", SMALL_MM)

    def _map(self, box: Box, current: Page | None, *, labels: bool) -> None:
        """The page map: shares of the pages that are printed, with the part over them."""
        canvas, tiling = self.canvas, self.tiling
        cells = {p: tiling.core(p) for p in _all_cells(tiling)}
        wx0, wy0, wx1, wy1 = _around(cells.values())
        bx0, by0, bx1, by1 = box
        k = min((bx1 - bx0) / (wx1 - wx0), (by1 - by0) / (wy1 - wy0))
        ox = (bx0 + bx1 - k * (wx0 + wx1)) / 2
        oy = (by0 + by1 - k * (wy0 + wy1)) / 2
        printed = set(tiling.pages)
        for page, (x0, y0, x1, y1) in cells.items():
            rect = (ox + k * x0, oy + k * y0, k * (x1 - x0), k * (y1 - y0))
            self._pen(FINE_MM, DOTTED if page not in printed else [], GREY)
            canvas.setFillGray(0.82 if page == current else 1.0)
            canvas.rect(*rect, fill=1 if page in printed else 0)
            canvas.setFillGray(0)
        self._pen(FINE_MM if labels else 0.1)
        for closed in (self.pattern.outline, *self.pattern.openings):
            path = canvas.beginPath()
            points = closed.points_mm(0.05 / k)
            path.moveTo(ox + k * points[0][0], oy + k * points[0][1])
            for x, y in points[1:]:
                path.lineTo(ox + k * x, oy + k * y)
            path.close()
            canvas.drawPath(path)
        if labels:
            for page in tiling.pages:
                x0, _, _, y1 = cells[page]
                x, y = ox + k * x0, oy + k * y1
                canvas.setFillGray(1)
                canvas.rect(x + 0.2, y - 4.0, width(page.label, TEXT_MM, BOLD) + 1.6, 3.8, 0, 1)
                canvas.setFillGray(0)
                self._text(x + 1.0, y - 3.2, page.label, TEXT_MM, BOLD)

    def _cover(self) -> None:
        """A page that says what this is, how to put it together, and shows the map."""
        tiling = self.tiling
        paper_w, paper_h = tiling.paper_mm
        left, right = MARGIN_MM, paper_w - MARGIN_MM
        y = paper_h - MARGIN_MM - 8.0
        self._text(left, y, shortened(self.notes[0], 6.5, right - left, BOLD), 6.5, BOLD)
        x0, y0, x1, y1 = closed_extent_mm(self.pattern.outline)
        unit = self.options.unit
        lines = [
            *self.notes[1:3],
            f"{length(x1 - x0, unit)} × {length(y1 - y0, unit)} overall as laid on the paper, "
            f"scale 1:1{self._turned()}{self._allowed()}",
            f"{len(tiling.pages)} pages {self.options.paper} {tiling.orientation}, "
            f"rows A to {Page(tiling.rows - 1, 0).label[:-1]}, columns 1 to {tiling.columns}; "
            "dotted pages of the map are empty and left out",
            *(f"Doubtful: {n.text}" for n in self.pattern.notices if n.level == "doubt"),
        ]
        y -= 2.0
        for line in lines:
            for part in _wrapped(line, TEXT_MM, right - left):
                y -= 4.2
                self._text(left, y, part, TEXT_MM)
        y -= 3.0
        steps = [
            f"Print at 100 % and measure the bar on a page: {check_text(unit)}, to the width of a "
            "scribed line.",
            "Trim each page on the dotted lines at its left and top; lay it on its neighbours' "
            "dotted lines so that the half-filled circles join to whole ones, and tape it.",
            "Measure the whole pattern's overall size before you cut anything.",
            (
                "Lay it on the piece by the edges that have no narrow line beside them. Mark the "
                "wide line and trim to it; the narrow line beside it is the edge now. "
                if self.offcuts
                else "Wide lines are cut. "
            )
            + "Narrow lines named B1, B2... are bends. Dash-dot-dot "
            "edges were rebuilt from what was left: hold the pattern to the machine before you "
            "trust them.",
        ]
        for number, step in enumerate(steps, 1):
            for row, part in enumerate(_wrapped(step, TEXT_MM, right - left - 6.0)):
                y -= 4.2
                if row == 0:
                    self._text(left, y, f"{number}.", TEXT_MM, BOLD)
                self._text(left + 6.0, y, part, TEXT_MM)
        self._check_bar(left, MARGIN_MM + 1.0)
        self._map((left, MARGIN_MM + 14.0, right, y - 6.0), None, labels=True)

    # Pens and type

    def _pen(self, line_mm: float, dashes: Sequence[float] = (), grey: float = 0.0) -> None:
        self.canvas.setLineWidth(line_mm)
        self.canvas.setDash(list(dashes))
        self.canvas.setStrokeGray(grey)

    def _cross(self, at: Point, arm: float) -> None:
        x, y = at
        self.canvas.line(x - arm, y, x + arm, y)
        self.canvas.line(x, y - arm, x, y + arm)

    def _lay_mark(self, at: Point, radius: float) -> None:
        """A circle with two opposite quarters filled; its lines meet where pages must."""
        x, y = at
        box = (x - radius, y - radius, x + radius, y + radius)
        self._pen(NARROW_MM)
        self.canvas.setFillGray(0)
        # Turned by 45 degrees, so that either page keeps half of the black and white.
        for start_deg in (-45.0, 135.0):
            path = self.canvas.beginPath()
            path.moveTo(x, y)
            path.arcTo(*box, start_deg, 90.0)
            path.close()
            self.canvas.drawPath(path, stroke=0, fill=1)
        self.canvas.circle(x, y, radius)

    def _text(self, x: float, y: float, text: str, size: float, name: str = REGULAR) -> None:
        self.canvas.setFont(registered(name), size)
        self.canvas.drawString(x, y, drawable(text))


def _trace(path: PDFPathObject, segment: Segment) -> None:
    match segment:
        case Line():
            path.lineTo(*segment.end_mm)
        case Arc():
            for control1, control2, end in beziers(segment):
                path.curveTo(*control1, *control2, *end)
        case _:
            assert_never(segment)


def beziers(arc: Arc) -> list[tuple[Point, Point, Point]]:
    """Cubic curves along an arc: two control points and the end of each.

    Pieces turn at most 30 degrees, which keeps the curve within 1e-6 radii of the circle.
    """
    n = math.ceil(abs(arc.included_rad) / math.radians(30) - 1e-9)
    (cx, cy), r, step = arc.centre_mm, arc.radius_mm, arc.included_rad / n
    start = math.atan2(arc.start_mm[1] - cy, arc.start_mm[0] - cx)
    k = 4 / 3 * math.tan(step / 4) * r
    pieces = []
    for i in range(n):
        a, b = start + i * step, start + (i + 1) * step
        ax, ay, bx, by = math.cos(a), math.sin(a), math.cos(b), math.sin(b)
        end = arc.end_mm if i == n - 1 else (cx + r * bx, cy + r * by)
        pieces.append(
            (
                (cx + r * ax - k * ay, cy + r * ay + k * ax),
                (end[0] + k * by, end[1] - k * bx),
                end,
            )
        )
    return pieces


def _runs(edges: Sequence[Edge]) -> list[tuple[bool, list[Edge]]]:
    """Edges in runs that are all measured or all not, none split by where the contour starts."""

    def measured(edge: Edge) -> bool:
        return edge.evidence == "measured"

    first = next((i for i in range(len(edges)) if measured(edges[i]) != measured(edges[i - 1])), 0)
    turned = [*edges[first:], *edges[:first]]
    return [(key, list(run)) for key, run in groupby(turned, measured)]


def _lines_of(pattern: Pattern) -> BaseGeometry:
    """Every line of the part, for keeping other things clear of it."""
    rings = [
        shapely.LinearRing(closed.points_mm(0.05))
        for closed in (pattern.outline, *pattern.openings)
    ]
    ends = [(line.start_mm, line.end_mm) for line in pattern.bends]
    ends += [(line.start_mm, line.end_mm) for line in pattern.scribes]
    bends = [shapely.LineString(pair) for pair in ends]
    marks = [shapely.Point(m.at_mm).buffer(3.0) for m in pattern.marks]
    whole: BaseGeometry = shapely.union_all([*rings, *bends, *marks])
    return whole


def _all_cells(tiling: Tiling) -> list[Page]:
    return [Page(r, c) for r in range(tiling.rows) for c in range(tiling.columns)]


def _around(boxes: Iterable[Box]) -> Box:
    x0, y0, x1, y1 = zip(*boxes, strict=True)
    return min(x0), min(y0), max(x1), max(y1)


def _seams(tiling: Tiling) -> list[tuple[Point, Point]]:
    """The stretches where two printed pages meet, lower or left end first."""
    pages = set(tiling.pages)
    seams = []
    for page in tiling.pages:
        x0, y0, x1, y1 = tiling.core(page)
        if Page(page.row, page.column + 1) in pages:
            seams.append(((x1, y0), (x1, y1)))
        if Page(page.row + 1, page.column) in pages:
            seams.append(((x0, y0), (x1, y0)))
    return seams


def _lay_marks(tiling: Tiling, lines: BaseGeometry) -> list[Point]:
    """Where every lay mark of a tiling goes."""
    return [p for start, end in _seams(tiling) for p in _seam_marks(start, end, lines)]


def _seam_marks(start: Point, end: Point, lines: BaseGeometry) -> list[Point]:
    """Two lay marks on a seam, toward its ends, where they keep clear of the part's lines."""
    span = math.dist(start, end)
    marks = []
    for nominal, low, high in ((0.15, 0.05, 0.45), (0.85, 0.55, 0.95)):
        candidates = [low + (high - low) * i / 20 for i in range(21)]

        def merit(t: float, nominal: float = nominal) -> tuple[float, float]:
            at = _along(start, end, t)
            return min(lines.distance(shapely.Point(at)), 7.0), -abs(t - nominal) * span

        marks.append(_along(start, end, max(candidates, key=merit)))
    return marks


def _along(start: Point, end: Point, t: float) -> Point:
    return start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1])


def _wrapped(text: str, size: float, room: float) -> list[str]:
    """Text broken into lines that fit the room."""
    lines, line = [], ""
    for word in drawable(text).split():
        longer = f"{line} {word}".strip()
        if line and width(longer, size) > room:
            lines.append(line)
            longer = word
        line = longer
    return [*lines, line]
