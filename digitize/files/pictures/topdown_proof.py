"""The pattern over its top-down picture, with a grid and the main dimensions.

For people: the picture shows at a glance whether the pattern sits on the piece, and the
numbers can be held against a rule.  Nothing is measured in it.  Everything is turned so
that the datum's axes lie level and upright, and the grid counts from the datum as the x
and y of the dimension list do.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.files.lettering import BOLD
from digitize.files.notes import note_lines
from digitize.files.pictures.legend import ROW, draw_legend, legend_rows
from digitize.files.pictures.palette import BLUISH_GREEN, COLOURS, HALO, WHITE, Kind, Rgb
from digitize.files.pictures.picture import (
    FloatArray,
    Lettering,
    Picture,
    draw_lines,
    eight_bit,
    png,
    tag_size,
    text_size,
    wrapped,
)
from digitize.files.pictures.tag_places import TagPlaces, beside, upon
from digitize.files.units import Unit, mm_per, rounded
from digitize.pattern.contour import Closed
from digitize.pattern.datum import Datum
from digitize.pattern.dimensions import Dimension, dimensions
from digitize.pattern.edge_names import opening_letter
from digitize.pattern.edge_runs import EdgeRun
from digitize.pattern.extent import Box, closed_extent_mm, extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.segments import Point

LONGEST_PX, SHORTEST_PX = 2200, 1500
AIR_MM = 12.0
AIR_SHARE = 0.035  # of the extent, so that names have room beside a large pattern
GRID_GREY: Rgb = (120, 120, 120)
INK: Rgb = (24, 28, 36)


@dataclass(frozen=True, eq=False)
class TopdownPicture:
    """A rectified picture: ``box_mm`` is the outer edge of its outermost pixels."""

    rgb: NDArray[Any]  # (height, width, 3), 8 or 16 bits; row 0 at the top (largest y)
    box_mm: Box


@dataclass(frozen=True, slots=True)
class Callout:
    """A dimension written beside something of the pattern, which fills a box (or a point).

    ``or_around_mm`` are other places that would do, where the first is crowded.
    """

    text: str
    around_mm: Box
    kind: Kind = "opening"
    or_around_mm: tuple[Box, ...] = ()


def render(
    pattern: Pattern,
    picture: TopdownPicture | None = None,
    callouts: Sequence[Callout] | None = None,
    unit: Unit = "mm",
) -> bytes:
    """The proof as PNG; without a picture the pattern is drawn on white.

    ``callouts`` None writes sizes of holes and bends as ``default_callouts`` does.
    """
    view = _View(pattern, picture, unit, _kinds(pattern))
    if callouts is None:
        placed_callouts = default_callouts(view.pattern, unit)
    else:
        placed_callouts = [_in_datum(c, view.datum) for c in callouts]
    return png(view.draw(placed_callouts))


def shown_mm(pattern: Pattern) -> Box:
    """The box of the sheet, in the pattern's own coordinates, that the proof shows part of.

    A picture of it fills the whole proof.
    """
    datum = dimensions(pattern).datum
    x0, y0, x1, y1 = _with_air(_squared_up(pattern, datum))
    corners = [datum.back(p) for p in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    xs, ys = zip(*corners, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def default_callouts(pattern: Pattern, unit: Unit = "mm") -> list[Callout]:
    """Every opening and bend with its size, every mark, by the names of the dimension list."""
    listed = dimensions(pattern)
    callouts = []
    counts = Counter[str]()
    for opening in pattern.openings:
        letter = opening_letter(opening)
        counts[letter] += 1
        name = f"{letter}{counts[letter]}"
        size = {d.kind: d for d in listed.of(name)}
        if "diameter" in size:
            text = f"Ø{_stated(size['diameter'], unit)}"
        else:
            text = _sizes(size["length"], size["width"], unit)
        callouts.append(Callout(f"{name} {text}", closed_extent_mm(opening)))
    for number, bend in enumerate(pattern.bends, 1):
        text = f"B{number}"
        if bend.angle_deg is not None:
            text += f" {bend.angle_deg:g}°"
        if bend.toward_face is not None:
            text += " up" if bend.toward_face else " down"
        to_edge = next((d for d in listed.of(f"B{number}") if d.kind == "to edge"), None)
        if to_edge is not None:
            text += f", {_stated(to_edge, unit)} to {to_edge.other}"
        (xa, ya), (xb, yb) = bend.start_mm, bend.end_mm
        first, *others = (
            (x, y, x, y)
            for t in (0.5, 0.7, 0.3, 0.85, 0.15)
            for x, y in [(xa + t * (xb - xa), ya + t * (yb - ya))]
        )
        callouts.append(Callout(text, first, "bend", tuple(others)))
    callouts += [
        Callout(f"M{n}", (*m.at_mm, *m.at_mm), "mark") for n, m in enumerate(pattern.marks, 1)
    ]
    return callouts


def _stated(dimension: Dimension, unit: Unit) -> str:
    """A dimension with its ± where that is known, without the unit."""
    value, expanded = rounded(dimension.value, dimension.expanded, unit)
    return f"{value} ± {expanded}" if expanded else value


def _sizes(along: Dimension, across: Dimension, unit: Unit) -> str:
    """Length by width with the wider of the two ±."""
    known = [d.expanded for d in (along, across) if d.expanded is not None]
    worst = max(known) if known else None
    (first, expanded), (second, _) = (rounded(d.value, worst, unit) for d in (along, across))
    return f"{first} × {second}" + (f" ± {expanded}" if expanded else "")


def _in_datum(callout: Callout, datum: Datum) -> Callout:
    """A callout with its boxes, given in the pattern's coordinates, in the datum's."""

    def box(old: Box) -> Box:
        x0, y0, x1, y1 = old
        xs, ys = zip(*(datum.of(p) for p in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))), strict=True)
        return min(xs), min(ys), max(xs), max(ys)

    others = tuple(box(b) for b in callout.or_around_mm)
    return replace(callout, around_mm=box(callout.around_mm), or_around_mm=others)


class _View:
    """One drawing: where the pattern lies on it, and the layers from the bottom up."""

    def __init__(
        self,
        pattern: Pattern,
        picture: TopdownPicture | None,
        unit: Unit,
        kinds: Sequence[Kind],
    ) -> None:
        listed = dimensions(pattern)
        self.datum, self.runs = listed.datum, listed.runs
        self.overall = listed.of("OL")[0], listed.of("OW")[0]
        pattern = _squared_up(pattern, self.datum)
        self.pattern, self.picture, self.unit = pattern, picture, unit
        box = _with_air(pattern)
        longest_mm = max(box[2] - box[0], box[3] - box[1])
        wanted = float(LONGEST_PX)
        if picture is not None:
            px_per_mm = picture.rgb.shape[1] / (picture.box_mm[2] - picture.box_mm[0])
            wanted = min(max(px_per_mm * longest_mm, SHORTEST_PX), LONGEST_PX)
        self.px_per_mm = wanted / longest_mm
        self.box = box
        self.view_w = max(1, round((box[2] - box[0]) * self.px_per_mm))
        self.view_h = max(1, round((box[3] - box[1]) * self.px_per_mm))
        self.type_px = max(18, round(max(self.view_w, self.view_h) / 80))
        self.line_px = max(2, round(max(self.view_w, self.view_h) / 900))
        self.arm_px = 8.0 * self.line_px  # of the cross of a mark
        self.left_px = 7 * self.type_px
        self.top_px = round(1.2 * self.type_px)
        self.right_px = 2 * self.type_px
        # A narrow part still has a caption to carry.
        room = max(self.view_w, 32 * self.type_px)
        self.right_px += room - self.view_w
        name, *lines = note_lines(pattern, unit)
        self.notes = wrapped([name], room, round(1.4 * self.type_px))
        self.titles = len(self.notes)
        self.notes += wrapped([lines[0], self._datum_note(), *lines[1:]], room, self.type_px)
        self.key = legend_rows(kinds, room, self.type_px)
        rows = ROW * len(self.key) + 2.2 * self.titles + 1.5 * (len(self.notes) - self.titles)
        self.foot_px = round((5.5 + rows + 1.0) * self.type_px)

    def _datum_note(self) -> str:
        """What the numbers of the grid count from, and where that lies on the target."""
        unit, (x, y) = self.unit, self.datum.origin_mm
        x, y = x / mm_per(unit), y / mm_per(unit)
        digits = 1 if unit == "mm" else 2
        turn = round(math.degrees(self.datum.direction_rad), 1) + 0.0
        along = f", squared up by {self.datum.edge}" if self.datum.edge else ""
        return (
            f"grid in {'inches' if unit == 'in' else unit} from the datum corner{along}; "
            f"that corner lies at {x:.{digits}f}, {y:.{digits}f} {unit} on the sheet, "
            f"x turned by {turn:.1f}°"
        )

    def draw(self, callouts: Sequence[Callout]) -> Picture:
        size = (
            self.top_px + self.view_h + self.foot_px,
            self.left_px + self.view_w + self.right_px,
        )
        canvas: Picture = np.full((*size, 3), 255, np.uint8)
        view = canvas[
            self.top_px : self.top_px + self.view_h, self.left_px : self.left_px + self.view_w
        ]
        if self.picture is not None:
            view[:] = self._background(self.picture)
        bold = self._grid(view)
        # Lines are drawn on the whole canvas, so that dimension lines may leave the view.
        self._shapes(canvas)
        self._datum_arrows(canvas)
        with Lettering(canvas) as lettering:
            places = self._places()
            self._tags(lettering, callouts, places)
            self._edge_names(lettering, places)
        self._overall(canvas)
        with Lettering(canvas) as lettering:
            self._rulers(lettering, bold)
            self._caption(lettering)
        return canvas

    def px(self, points_mm: FloatArray | Sequence[Point]) -> FloatArray:
        """Canvas pixels of points (N, 2) in the datum's axes."""
        p = np.asarray(points_mm, np.float64).reshape(-1, 2)
        x = self.left_px + (p[:, 0] - self.box[0]) * self.px_per_mm - 0.5
        y = self.top_px + (self.box[3] - p[:, 1]) * self.px_per_mm - 0.5
        return np.column_stack((x, y))

    def _background(self, picture: TopdownPicture) -> Picture:
        """The picture over the view, a little faded so that lines stand out."""
        rgb = eight_bit(picture.rgb)
        px0, _, px1, py1 = picture.box_mm
        sx = (px1 - px0) / rgb.shape[1]
        sy = (py1 - picture.box_mm[1]) / rgb.shape[0]
        k = 1 / self.px_per_mm
        # The sheet's place of view pixel (0, 0), and how far a pixel right or down goes on it.
        x_mm, y_mm = self.datum.back((self.box[0] + k / 2, self.box[3] - k / 2))
        c, s = (f(self.datum.direction_rad) * k for f in (math.cos, math.sin))
        shrink = min(k / sx, k / sy)
        if shrink > 1.5:
            rgb = np.asarray(cv2.GaussianBlur(rgb, (0, 0), 0.4 * shrink), np.uint8)
        view_to_picture = np.array(
            [
                [c / sx, s / sx, (x_mm - px0) / sx - 0.5],
                [-s / sy, c / sy, (py1 - y_mm) / sy - 0.5],
            ]
        )
        warped = cv2.warpAffine(
            rgb,
            view_to_picture,
            (self.view_w, self.view_h),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=WHITE,
        )
        faded = cv2.convertScaleAbs(warped, alpha=0.75, beta=64)
        return np.asarray(faded, np.uint8)

    def _steps_mm(self) -> tuple[float, int, int]:
        """Grid step, and every how many steps a line is bold or labelled."""
        step, bold, labelled = (10.0, 5, 10) if self.unit == "mm" else (mm_per("in") / 2, 2, 4)
        while step * self.px_per_mm < 8:
            step *= 10
        while step * self.px_per_mm > 250:
            step /= 10
        room = 3.5 * self.type_px / (step * self.px_per_mm)
        if room < bold:
            labelled = bold
        while labelled < room:
            labelled *= 2
        return step, bold, labelled

    def _grid(self, view: Picture) -> list[tuple[str, float]]:
        """Draw the grid; gives the labelled lines as axis and millimetres."""
        step, bold, labelled = self._steps_mm()
        under = view.copy()
        lines = []
        for axis, low, high in (("x", self.box[0], self.box[2]), ("y", self.box[1], self.box[3])):
            for n in range(math.ceil(low / step), math.floor(high / step) + 1):
                at = n * step
                px = (
                    round((at - self.box[0]) * self.px_per_mm)
                    if axis == "x"
                    else round((self.box[3] - at) * self.px_per_mm)
                )
                wide = 1 + (n % bold == 0) + (n % (2 * bold) == 0)
                lines_at = slice(max(0, px - wide // 2), max(0, px - wide // 2) + wide)
                if axis == "x":
                    view[:, lines_at] = GRID_GREY
                else:
                    view[lines_at, :] = GRID_GREY
                if n % labelled == 0:
                    lines.append((axis, at))
        cv2.addWeighted(view, 0.45, under, 0.55, 0.0, dst=view)
        return lines

    def _shapes(self, canvas: Picture) -> None:
        pattern = self.pattern
        self._closed(canvas, pattern.outline, "outline")
        for opening in pattern.openings:
            self._closed(canvas, opening, "opening")
        for closed in (pattern.outline, *pattern.openings):
            for edge in closed.as_contour().edges:
                if edge.evidence != "measured":
                    points = self.px(edge.segment.points_mm(0.2 / self.px_per_mm))
                    draw_lines(canvas, [points], COLOURS["restored"], self.line_px + 1)
        bends = [self.px([b.start_mm, b.end_mm]) for b in pattern.bends]
        draw_lines(canvas, bends, COLOURS["bend"], self.line_px)
        arm = self.arm_px
        for mark in pattern.marks:
            at = self.px([mark.at_mm])[0]
            cross = [np.add(at, arm * np.array(c)) for c in ([[-1, 0], [1, 0]], [[0, -1], [0, 1]])]
            draw_lines(canvas, cross, BLUISH_GREEN, self.line_px)

    def _closed(self, canvas: Picture, closed: Closed, kind: Kind) -> None:
        points = self.px(closed.points_mm(0.2 / self.px_per_mm))
        draw_lines(canvas, [points], COLOURS[kind], self.line_px, closed=True)

    def _rulers(self, lettering: Lettering, lines: Sequence[tuple[str, float]]) -> None:
        size = round(0.85 * self.type_px)
        for axis, at in lines:
            text = f"{at / mm_per(self.unit):g}"
            if axis == "x":
                x = float(self.px([(at, 0.0)])[0, 0])
                y = self.top_px + self.view_h + 0.3 * self.type_px
                lettering.line(x, y, text, size, colour=GRID_GREY, anchor="ma", ground=WHITE)
            else:
                x = self.left_px - 0.4 * self.type_px
                y = float(self.px([(0.0, at)])[0, 1])
                lettering.line(x, y, text, size, colour=GRID_GREY, anchor="rm", ground=WHITE)

    def _places(self) -> TagPlaces:
        """The room in the view for words, off openings, marks and the datum's corner."""
        left, top = self.left_px, self.top_px
        places = TagPlaces((left, top, left + self.view_w, top + self.view_h))
        for opening in self.pattern.openings:
            places.take(self._box_px(closed_extent_mm(opening)))
        for mark in self.pattern.marks:
            x, y = self.px([mark.at_mm])[0]
            places.take((x - self.arm_px, y - self.arm_px, x + self.arm_px, y + self.arm_px))
        for _, box in self._datum_letters():
            places.take(box)
        x, y = self.px([(0.0, 0.0)])[0]
        half, reach = 0.4 * self.type_px, _AXIS * self.type_px
        places.take((x - half, y - half, x + reach, y + half))
        places.take((x - half, y - reach, x + half, y + half))
        return places

    def _tags(self, lettering: Lettering, callouts: Sequence[Callout], places: TagPlaces) -> None:
        """Write each callout where it hides least; bends last, as theirs may go along them."""
        size, gap = round(0.8 * self.type_px), 0.7 * self.type_px
        outline = shapely.LinearRing(self.px(self.pattern.outline.points_mm(0.2 / self.px_per_mm)))
        shapely.prepare(outline)

        def over_outline(box: Box) -> float:
            return 0.5 if outline.intersects(shapely.box(*box)) else 0.0

        for callout in sorted(callouts, key=lambda c: c.kind == "bend"):
            w, h = tag_size(callout.text, size)
            around = [self._box_px(mm) for mm in (callout.around_mm, *callout.or_around_mm)]
            boxes = [b for one in around for b in beside(one, w, h, gap)]
            if callout.kind == "bend":
                boxes = [upon(one, w, h) for one in around] + boxes
            box = places.least_crowded(boxes, over_outline)
            lettering.tag(box[0], box[1], callout.text, size, edge=COLOURS[callout.kind])

    def _edge_names(self, lettering: Lettering, places: TagPlaces) -> None:
        """Names of the outline's edges, just outside it or inside, where there is room."""
        size = round(0.7 * self.type_px)
        for run in self.runs:
            along, points = self._run_px(run)
            if along[-1] < 2.0 * size:
                continue
            half = np.array(text_size(run.name, size)) / 2
            middles = []
            for share in (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8):
                i = min(int(np.searchsorted(along, share * along[-1])), len(along) - 1)
                before, after = points[i - 1], points[i]
                t = (share * along[-1] - along[i - 1]) / max(along[i] - along[i - 1], 1e-9)
                # The outline runs counter-clockwise: outside is to the right of travel.
                dx, dy = (after - before) / max(along[i] - along[i - 1], 1e-9)
                out = np.array([-dy, dx])
                far = out * (np.abs(out) @ half + 2.5 * self.line_px)
                middles.append((before + t * (after - before), far))
            boxes = (
                (*(at + way * far - half), *(at + way * far + half))
                for way in (1.0, -1.0)
                for at, far in middles
            )
            box = places.first_free(boxes)
            if box is not None:
                x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
                lettering.line(x, y, run.name, size, anchor="mm", ground=WHITE)

    def _run_px(self, run: EdgeRun) -> tuple[FloatArray, FloatArray]:
        """Length up to each point of some edges, and the points (N, 2), on the canvas."""
        parts = [e.segment.points_mm(0.2 / self.px_per_mm) for e in run.edges]
        points = self.px([self.datum.of((x, y)) for x, y in np.vstack(parts)])
        along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
        return along, points

    def _box_px(self, box_mm: Box) -> Box:
        """A box on the canvas, top left then bottom right."""
        (x0, y1), (x1, y0) = self.px([box_mm[:2], box_mm[2:]])
        return float(x0), float(y0), float(x1), float(y1)

    def _overall(self, canvas: Picture) -> None:
        """Overall length below the view and overall width at its left."""
        x0, y0, x1, y1 = closed_extent_mm(self.pattern.outline)
        (left, bottom), (right, top) = self.px([(x0, y0), (x1, y1)])
        row = self.top_px + self.view_h + 3.2 * self.type_px
        column = self.left_px - 4.6 * self.type_px
        reach = 0.6 * self.type_px
        lines = [
            np.array([[left, bottom + reach], [left, row + reach]]),
            np.array([[right, bottom + reach], [right, row + reach]]),
            np.array([[left, row], [right, row]]),
            np.array([[left - reach, top], [column - reach, top]]),
            np.array([[left - reach, bottom], [column - reach, bottom]]),
            np.array([[column, top], [column, bottom]]),
        ]
        draw_lines(canvas, lines, INK, 1 + (self.type_px > 24), halo=None)
        for tip, direction in (
            ((left, row), (1.0, 0.0)),
            ((right, row), (-1.0, 0.0)),
            ((column, top), (0.0, 1.0)),
            ((column, bottom), (0.0, -1.0)),
        ):
            _arrow(canvas, np.array(tip), np.array(direction), 0.7 * self.type_px)
        wide, tall = (f"{_stated(d, self.unit)} {self.unit}" for d in self.overall)
        # Text longer than its dimension line stands beside it.
        aside_x, aside_y = (
            0.0 if span > text_size(text, self.type_px)[0] + 3 * self.type_px else self.type_px
            for span, text in ((right - left, wide), (bottom - top, tall))
        )
        self._boxed(canvas, wide, ((left + right) / 2, row + 1.1 * aside_x), upright=False)
        self._boxed(canvas, tall, (column - 1.1 * aside_y, (top + bottom) / 2), upright=True)

    def _boxed(self, canvas: Picture, text: str, at: tuple[float, float], *, upright: bool) -> None:
        """Text on white across a dimension line."""
        w, h = text_size(text, self.type_px)
        patch: Picture = np.full((h + 4, w + self.type_px, 3), 255, np.uint8)
        with Lettering(patch) as lettering:
            lettering.line(
                patch.shape[1] / 2, patch.shape[0] / 2, text, self.type_px, bold=False, anchor="mm"
            )
        if upright:
            patch = np.rot90(patch)
        ph, pw = patch.shape[:2]
        x = int(np.clip(round(at[0] - pw / 2), 0, max(0, canvas.shape[1] - pw)))
        y = int(np.clip(round(at[1] - ph / 2), 0, max(0, canvas.shape[0] - ph)))
        room = canvas[y : y + ph, x : x + pw]
        room[:] = patch[: room.shape[0], : room.shape[1]]

    def _caption(self, lettering: Lettering) -> None:
        x, y = self.left_px, self.top_px + self.view_h + 5.5 * self.type_px
        y = draw_legend(lettering, x, y, self.key, self.type_px)
        for row, line in enumerate(self.notes):
            title = row < self.titles
            size = round(1.4 * self.type_px) if title else self.type_px
            lettering.line(x, y, line, size, bold=title, colour=HALO)
            y += (2.2 if title else 1.5) * self.type_px

    def _datum_arrows(self, canvas: Picture) -> None:
        """The datum corner with its two axes, named."""
        at = self.px([(0.0, 0.0)])[0]
        reach = _AXIS * self.type_px
        tips = [at + np.array(d) for d in ((reach, 0.0), (0.0, -reach))]
        draw_lines(canvas, [np.array([at, tip]) for tip in tips], INK, self.line_px, halo=WHITE)
        for tip, direction in zip(tips, ((-1.0, 0.0), (0.0, 1.0)), strict=True):
            end = tip - np.array(direction) * 0.5 * self.type_px
            _arrow(canvas, end, np.array(direction), 0.8 * self.type_px)
        ring = [at + 0.3 * self.type_px * np.array((math.cos(a), math.sin(a))) for a in _ROUND]
        draw_lines(canvas, [np.array(ring)], INK, self.line_px, closed=True, halo=WHITE)
        size = round(0.8 * self.type_px)
        with Lettering(canvas) as lettering:
            for text, (x0, y0, x1, y1) in self._datum_letters():
                x, y = (x0 + x1) / 2, (y0 + y1) / 2
                bold = text == "datum"
                lettering.line(x, y, text, size, anchor="mm", outline=WHITE, bold=bold)

    def _datum_letters(self) -> list[tuple[str, Box]]:
        """The words at the datum's corner, each with its box."""
        size, reach = round(0.8 * self.type_px), _AXIS * self.type_px
        x, y = self.px([(0.0, 0.0)])[0]
        wide = text_size("datum", size, BOLD)[0]
        high, gap = 1.2 * size, 0.5 * size
        # Below and at the left of the axes: the outline lies above and at the right of them.
        return [
            ("x", (x + reach - gap, y + gap, x + reach + gap, y + gap + high)),
            ("y", (x - 3 * gap, y - reach - gap, x - gap, y - reach - gap + high)),
            ("datum", (x + gap, y + gap, x + gap + wide, y + gap + high)),
        ]


_AXIS = 4.2  # length of the datum's axes, in sizes of the type
_ROUND = np.linspace(0.0, math.tau, 24, endpoint=False)


def _with_air(pattern: Pattern) -> Box:
    """The pattern's extent and a margin."""
    x0, y0, x1, y1 = extent_mm(pattern)
    longest = max(x1 - x0, y1 - y0)
    air = min(max(0.1 * longest, 2.0), max(AIR_MM, AIR_SHARE * longest))
    return x0 - air, y0 - air, x1 + air, y1 + air


def _kinds(pattern: Pattern) -> list[Kind]:
    """What the proof shows lines of."""
    closed = (pattern.outline, *pattern.openings)
    rebuilt = any(e.evidence != "measured" for c in closed for e in c.as_contour().edges)
    shown: dict[Kind, bool] = {
        "outline": True,
        "opening": bool(pattern.openings),
        "bend": bool(pattern.bends),
        "mark": bool(pattern.marks),
        "restored": rebuilt,
    }
    return [kind for kind, is_there in shown.items() if is_there]


def _squared_up(pattern: Pattern, datum: Datum) -> Pattern:
    """The pattern in its datum's axes."""
    x, y = datum.of((0.0, 0.0))
    return placed(pattern, -datum.direction_rad, (x, y))


def _arrow(canvas: Picture, tip: FloatArray, direction: FloatArray, long_px: float) -> None:
    """A filled arrow head at ``tip``, its point away from ``direction``."""
    side = np.array([-direction[1], direction[0]]) * long_px / 5
    back = tip + direction * long_px
    points = np.round(np.array([tip, back + side, back - side]) * 16).astype(np.int32)
    cv2.fillConvexPoly(canvas, points, INK, cv2.LINE_AA, 4)
