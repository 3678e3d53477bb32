"""Names on the part of a template: holes, bends, what to trim, and the part itself.

A name goes where it clears every line, seam and lay mark, and else is left out.  A bend's name
stands nearer to its own line than to any other bend's; where that is close to call, a leader
runs from the name to a dot on the line.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import product

import shapely
from shapely.geometry.base import BaseGeometry

from digitize.files.lettering import drawable, shortened, width
from digitize.files.paper.fold_marks import FoldMark
from digitize.files.paper.offcut import Offcut
from digitize.files.paper.page import FINE_MM, SMALL_MM, TEXT_MM, Pages
from digitize.files.paper.seams import LAY_MARK_MM, seams
from digitize.files.paper.template import Template
from digitize.files.paper.tiling import part_area
from digitize.files.units import Unit, length, rounded
from digitize.pattern.contour import Circle, Slot
from digitize.pattern.dimensions import DimensionList, Kind, dimensions
from digitize.pattern.edge_names import opening_letter
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import BendLine
from digitize.pattern.segments import Point

_CLEAR_MM = 0.6  # round a name
_ALONG = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.12, 0.88)  # shares of a line, best first
_PLAIN = 2.0  # times nearer to its own line than to any other, that needs no leader
_DOT_MM = 0.4  # radius of the dot at a leader's end


def draw_labels(pages: Pages, template: Template) -> None:
    """Draw every name there is room for."""
    pages.canvas.setFillGray(0)
    _Labels(pages, template).draw()


class _Labels:
    """Places names one after another, none over another."""

    def __init__(self, pages: Pages, template: Template) -> None:
        self.pages, self.template, self.pattern = pages, template, template.pattern
        self.inside = part_area(self.pattern)
        between = [shapely.LineString(s) for s in seams(template.tiling)]
        marks = [shapely.Point(p).buffer(LAY_MARK_MM + 2) for p in template.lay_marks]
        self.taken: list[BaseGeometry] = [template.lines, *between, *marks]
        closed = (self.pattern.outline, *self.pattern.openings)
        self.edges = shapely.MultiLineString([shapely.LinearRing(c.points_mm(0.1)) for c in closed])
        self.names: list[BaseGeometry] = []

    def draw(self) -> None:
        sizes, counts = dimensions(self.pattern), Counter[str]()
        for hole in self.pattern.openings:
            if isinstance(hole, Circle | Slot):
                letter = opening_letter(hole)
                counts[letter] += 1
                text = _hole_size(sizes, f"{letter}{counts[letter]}", hole, self.template.unit)
                self._beside_hole(text, hole)
        bends = self.template.marks[: len(self.pattern.bends)]
        for number, (bend, mark) in enumerate(zip(self.pattern.bends, bends, strict=True), 1):
            others = tuple(other for other in bends if other is not mark)
            self._along(_bend_words(number, bend), mark, others)
        for mark in self.template.marks:
            if mark.kind in ("tool", "tangent and tool"):
                others = tuple(other for other in self.template.marks if other is not mark)
                self._along("tool line", mark, others)
        for offcut in self.template.offcuts:
            self._beside_present_edge(offcut)
        name = self.template.name
        x0, _, x1, _ = self.inside.bounds
        short = shortened(name, TEXT_MM, 0.5 * (x1 - x0))
        for text in (f"{name}; {self.template.sheet_line}", name, short):
            if self._on_part(text):
                break

    def _free(self, room: BaseGeometry) -> bool:
        """Whether nothing is there yet; from then on the room is taken."""
        if any(room.intersects(t) for t in self.taken):
            return False
        self.taken.append(room)
        self.names.append(room)
        return True

    def _beside_hole(self, text: str, hole: Circle | Slot) -> None:
        x0, y0, x1, y1 = closed_extent_mm(hole)
        cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
        w, h, gap = width(text, SMALL_MM), SMALL_MM, 1.2
        spots = [
            (x1 + gap, cy - h / 2),
            (x0 - gap - w, cy - h / 2),
            (cx - w / 2, y1 + gap),
            (cx - w / 2, y0 - gap - h),
            *product((x1, x0 - w), (y1, y0 - h)),
        ]
        for x, y in spots:
            if self._free(_box(x, y, w, h, _CLEAR_MM)):
                self.pages.text(x, y + 0.25 * h, text, SMALL_MM)
                return

    def _beside_present_edge(self, offcut: Offcut) -> None:
        """How much comes off, beside the middle of the present edge and off the part."""
        if not offcut.apart_mm:
            return
        text = f"trim {length(offcut.depth_mm, self.template.unit)}"
        w, h = width(text, SMALL_MM), SMALL_MM
        edge = shapely.LineString(max(offcut.apart_mm, key=len))
        tiling = self.template.tiling
        shown = shapely.box(
            *shapely.MultiPolygon([shapely.box(*tiling.window(p)) for p in tiling.pages]).bounds
        )
        spots = product((1.5, 4.0, 8.0), (0.5, 0.4, 0.6, 0.25, 0.75, 0.1, 0.9), range(8))
        for gap, share, turn in spots:
            at = edge.interpolate(share, normalized=True)
            dx, dy = math.cos(turn * math.pi / 4), math.sin(turn * math.pi / 4)
            x, y = at.x + dx * (w / 2 + gap) - w / 2, at.y + dy * (h / 2 + gap) - h / 2
            room = _box(x, y, w, h, _CLEAR_MM)
            if shown.contains(room) and not room.intersects(self.inside) and self._free(room):
                self.pages.text(x, y + 0.25 * h, text, SMALL_MM)
                return

    def _along(self, text: str, mark: FoldMark, others: Sequence[FoldMark]) -> None:
        """A line's name along it: ``others`` are the lines it could be taken to name."""
        line = shapely.LineString((mark.start_mm, mark.end_mm))
        rivals = shapely.MultiLineString([(m.start_mm, m.end_mm) for m in others])
        if line.length == 0:
            return
        # Beside the line, else clear of the tangent lines of its bend, else far off on a leader.
        near, far = (1.0, 4.0, 8.0), (12.0, 17.0, 23.0, 30.0)
        for away in (near, near + far):
            for share, gap, left in product(_ALONG, away, (True, False)):
                room, place = _beside(line, share, gap, left, width(text, SMALL_MM))
                clear, from_rivals = room.distance(line), room.distance(rivals)
                own_side = others == () or clear < from_rivals
                if not own_side and away is near:
                    continue
                doubtful = bool(others) and from_rivals < _PLAIN * clear
                leader = _leader(line, share, gap, left) if doubtful else None
                if leader is not None and not self._leads(leader):
                    continue
                if self._free(room.buffer(_CLEAR_MM)):
                    self._written(text, place)
                    self._led(leader)
                    return

    def _leads(self, leader: BaseGeometry) -> bool:
        """Whether a leader crosses neither an edge nor a name."""
        return not any(leader.intersects(t) for t in (self.edges, *self.names))

    def _written(self, text: str, place: tuple[Point, float]) -> None:
        (x, y), turn_deg = place
        self.pages.canvas.saveState()
        self.pages.canvas.translate(x, y)
        self.pages.canvas.rotate(turn_deg)
        self.pages.text(0, 0.25 * SMALL_MM, text, SMALL_MM)
        self.pages.canvas.restoreState()

    def _led(self, leader: BaseGeometry | None) -> None:
        if leader is None:
            return
        (x, y), (u, v) = leader.coords
        self.names.append(leader)
        self.taken.append(leader)
        self.pages.pen(FINE_MM)
        self.pages.canvas.line(x, y, u, v)
        self.pages.canvas.circle(x, y, _DOT_MM, stroke=0, fill=1)

    def _on_part(self, text: str) -> bool:
        """Put the name where it stays on the piece that is cut out."""
        text = drawable(text)
        w, h = width(text, TEXT_MM), TEXT_MM
        x0, y0, x1, y1 = self.inside.bounds
        holes = shapely.union_all(
            [shapely.Polygon(o.points_mm(0.1)) for o in self.pattern.openings]
        )
        cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
        shares = [i / 12 for i in range(13)]
        spots = sorted(
            ((x0 + (x1 - x0 - w) * a, y0 + (y1 - y0 - h) * b) for a, b in product(shares, shares)),
            key=lambda p: math.dist((p[0] + w / 2, p[1] + h / 2), (cx, cy)),
        )
        for x, y in spots:
            room = _box(x, y, w, h, 2.0)
            on_metal = self.inside.contains(room) and not room.intersects(holes)
            if on_metal and self._free(room):
                self.pages.text(x, y + 0.25 * h, text, TEXT_MM)
                return True
        return False


def _hole_size(sizes: DimensionList, name: str, hole: Circle | Slot, unit: Unit) -> str:
    found = {d.kind: d for d in sizes.of(name)}

    def size(kind: Kind) -> str:
        return rounded(found[kind].value, found[kind].expanded, unit)[0]

    if isinstance(hole, Circle):
        return f"Ø{size('diameter')}"
    return f"{size('length')} × {size('width')}"


def _bend_words(number: int, bend: BendLine) -> str:
    if bend.bead is not None:
        return f"B{number} bead {bend.bead}, not bent"
    text = f"B{number} bend"
    if bend.angle_deg is not None:
        text += f" {bend.angle_deg:g}°"
    if bend.toward_face is not None:
        text += " up" if bend.toward_face else " down"
    return text


def _beside(
    line: BaseGeometry, share: float, gap: float, left: bool, w: float
) -> tuple[BaseGeometry, tuple[Point, float]]:
    """The room of a name along a line, and where and how its foot begins."""
    (x0, y0), (x1, y1) = sorted(line.coords)
    ux, uy = (x1 - x0) / line.length, (y1 - y0) / line.length
    s, side = share * line.length - w / 2, gap if left else -gap - SMALL_MM
    corners: list[Point] = [
        (x0 + ux * a - uy * b, y0 + uy * a + ux * b)
        for a, b in ((s, side), (s + w, side), (s + w, side + SMALL_MM), (s, side + SMALL_MM))
    ]
    return shapely.Polygon(corners), (corners[0], math.degrees(math.atan2(uy, ux)))


def _leader(line: BaseGeometry, share: float, gap: float, left: bool) -> BaseGeometry:
    """From the line straight across to a name beside it."""
    (x0, y0), (x1, y1) = sorted(line.coords)
    ux, uy = (x1 - x0) / line.length, (y1 - y0) / line.length
    x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
    across = (gap - 0.3) * (1.0 if left else -1.0)
    leader: BaseGeometry = shapely.LineString([(x, y), (x - uy * across, y + ux * across)])
    return leader


def _box(x: float, y: float, w: float, h: float, clear_mm: float) -> BaseGeometry:
    room: BaseGeometry = shapely.box(x - clear_mm, y - clear_mm, x + w + clear_mm, y + h + clear_mm)
    return room
