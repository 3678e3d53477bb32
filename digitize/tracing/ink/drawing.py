"""What each stroke of a drawing means, and the pieces they make.

Order matters: rows of dashes are set aside before the ends of lines are joined, or dashes
would be joined into solid lines; small gaps are closed before it is asked what encloses
what; and a loop is held against its neighbours before it may become an opening.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Point, Polygon, prepare

from digitize.errors import DigitizeError, Exit, Notice, place_words
from digitize.tracing.ink import gaps
from digitize.tracing.ink.closed_line import ClosedLine, LineSide, measure_closed, put_on_side
from digitize.tracing.ink.crosses import Cross, as_cross, fit_mark
from digitize.tracing.ink.dashes import Row, find_rows, fit_bend, joined, looks_like_dash
from digitize.tracing.ink.drawn_surface import DrawnSurface
from digitize.tracing.ink.lettering import in_writing, is_clean_loop
from digitize.tracing.ink.loops import Loops, find_loops
from digitize.tracing.ink.shapes import Shapes, describe
from digitize.tracing.ink.strokes import NothingDrawn, Strokes, lines_too_faint
from digitize.tracing.overview import Overview
from digitize.tracing.traces import (
    LeftOut,
    Traced,
    TracedBend,
    TracedLoop,
    TracedMark,
    TracedPiece,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_SMALLEST_PIECE_MM = 8.0
_LONG_STROKE_MM = 20.0  # from which an open line may be meant as an outline
_SIDE_FACE = 0.04  # of the largest face: what a line across the outline may cut off
_UNTIDY_MM = 8.0  # a loop wider than this inside is an opening even with tails
_LISTED_MM, _FAINT_LISTED_MM = 0.8, 4.0  # smaller specks are not worth a line in the list
_FAINT_CONTRAST = 0.45  # of the lines, below which it is no wonder that they do not close
_HIDDEN_MM = 3.0  # from which a stretch of line that was not seen is worth a word
_CARRIED_MM = 15.0  # from which carrying a bend line on is worth a word
_DASHED_SHARE = 0.35  # of a bend line that its own dashes must cover


class OutlineOpen(DigitizeError):
    """The drawn outline does not close, and the gap is too wide to close it by rule."""

    exit_code = Exit.TRACE

    def __init__(
        self, at_mm: tuple[float, float], at_px: tuple[float, float], gap_mm: float | None
    ) -> None:
        """Hold the place on the sheet and in the photo, and the gap's width where known."""
        self.at_mm, self.at_px, self.gap_mm = at_mm, at_px, gap_mm
        what = "the outline is open" + ("" if gap_mm is None else f" by {gap_mm:.1f} mm")
        super().__init__(what, where=_place(at_mm, at_px), do="close the line with the marker")


class OutlineCutOff(DigitizeError):
    """The drawn outline runs off the surface that can be measured."""

    exit_code = Exit.TRACE

    def __init__(self, at_mm: tuple[float, float], at_px: tuple[float, float]) -> None:
        """Hold the place on the sheet and in the photo."""
        self.at_mm, self.at_px = at_mm, at_px
        super().__init__(
            "the outline runs out of the area that can be traced",
            where=_place(at_mm, at_px),
            do="keep the whole drawing inside the target's blank middle, the region and the photo",
        )


def _place(at_mm: tuple[float, float], at_px: tuple[float, float]) -> str:
    return (
        f"at x {at_mm[0]:.1f}, y {at_mm[1]:.1f} mm on the sheet, "
        f"pixel {at_px[0]:.0f}, {at_px[1]:.0f}"
    )


def read_drawing(view: Overview, strokes: Strokes, surface: DrawnSurface, side: LineSide) -> Traced:
    """All pieces of a drawing, largest first, and what was left out.

    Raises
    ------
    NothingDrawn, OutlineOpen, OutlineCutOff
        No closed outline.
    """
    drawing = _Drawing.of(view, strokes, find_loops(strokes.ink, view.pitch_mm))
    bridges, still_open = _close_gaps(drawing)
    if bridges:
        ink = gaps.closed_over(strokes.ink, view, bridges, drawing.pen_mm)
        drawing = _Drawing.of(view, strokes, find_loops(ink, view.pitch_mm))
    reader = _Reader(drawing, surface, side, bridges)
    pieces = [reader.piece(s) for s in drawing.outlines()]
    traced = tuple(p for p in pieces if p is not None)
    if not traced:
        raise _no_outline(drawing, surface, still_open)
    cut = [e.tip_mm for e in still_open if _at_limit(view, e, drawing.pen_mm)]
    return Traced("ink", traced, reader.left_out(), _cut_off(cut, traced, surface))


def _cut_off(
    ends_mm: list[FloatArray], pieces: tuple[TracedPiece, ...], surface: DrawnSurface
) -> tuple[Notice, ...]:
    """What to say of lines that run out of what is looked at.

    Raises ``OutlineCutOff`` where they span more than any piece found: then only openings
    of what was cut off close.
    """
    if not ends_mm:
        return ()
    tips = np.array(ends_mm)
    first_px = surface.to_px(tips[:1])[0]
    at = (float(tips[0, 0]), float(tips[0, 1])), (float(first_px[0]), float(first_px[1]))
    largest = max(float(np.ptp(piece.outline.points_mm, axis=0).max()) for piece in pieces)
    if float(np.ptp(tips, axis=0).max()) > largest:
        raise OutlineCutOff(*at)
    return (
        Notice(
            "line-cut-off",
            f"a line runs out of the area that can be traced {_place(*at)}: if it belongs to the "
            "outline, the piece found is only a part of it",
            "doubt",
        ),
    )


@dataclass(frozen=True, eq=False)
class _Drawing:
    """The strokes of a drawing and what can be said of each by looking at it."""

    view: Overview
    strokes: Strokes
    loops: Loops
    shapes: Shapes
    pen_mm: float
    rows: list[Row]
    clean: BoolArray  # (S,) one closed line without tails
    rounded: BoolArray  # (S,) and round
    letters: BoolArray  # (S,) what may be part of writing

    @classmethod
    def of(cls, view: Overview, strokes: Strokes, loops: Loops) -> _Drawing:
        shapes = describe(loops, view)
        n = len(loops.stroke_box)
        if n < 2:
            raise NothingDrawn(
                "no closed line was found among the drawn strokes",
                do="draw the outline as one solid closed line",
            )
        pen_mm = _pen_width_mm(loops, shapes, view)
        candidates = looks_like_dash(shapes, pen_mm)
        rows = [
            row
            for face in np.unique(loops.parent_face[candidates])
            for row in find_rows(shapes, candidates & (loops.parent_face == face), pen_mm)
        ]
        loose = np.ones(n, dtype=bool)
        loose[[0, *(k for row in rows for k in row.strokes)]] = False
        clean, rounded = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        for s in np.flatnonzero((shapes.loops > 0) & loose):
            clean[s], rounded[s] = is_clean_loop(loops, shapes, int(s), view.pitch_mm)
        letters = loose & (shapes.size_mm < 0.5 * shapes.size_mm[1:].max())
        return cls(view, strokes, loops, shapes, pen_mm, rows, clean, rounded, letters)

    @property
    def in_rows(self) -> set[int]:
        """Strokes that are dashes of some row."""
        return {k for row in self.rows for k in row.strokes}

    def is_writing(self, stroke: int, close: float = 0.7) -> bool:
        """Whether a stroke stands in a line of writing, so many heights from its neighbour."""
        return in_writing(
            self.loops,
            self.shapes,
            stroke,
            self.letters,
            self.rounded,
            pitch_mm=self.view.pitch_mm,
            close=close,
        )

    def encloses_piece(self, stroke: int) -> bool:
        """Whether a stroke closes round enough to be an outline."""
        faces = self.loops.inner_faces(stroke)
        least = 0.6 * (_SMALLEST_PIECE_MM / self.view.pitch_mm) ** 2
        return bool(faces) and bool(self.loops.face_area[faces[0]] > least)

    def outlines(self) -> list[int]:
        """Outermost closed lines, the largest first."""
        found = [
            s for s in self.loops.strokes_in(0) if self.encloses_piece(s) and not self.is_writing(s)
        ]
        area = {s: int(self.loops.face_area[self.loops.inner_faces(s)].sum()) for s in found}
        return sorted(found, key=lambda s: -area[s])

    def open_lines(self) -> list[int]:
        """Long strokes that are no closed line and no dash."""
        return [
            s
            for s in range(1, len(self.loops.stroke_box))
            if self.shapes.size_mm[s] > _LONG_STROKE_MM
            and s not in self.in_rows
            and not self.encloses_piece(s)
        ]


def _pen_width_mm(loops: Loops, shapes: Shapes, view: Overview) -> float:
    """Width of the pen, from the stroke with the most ink: its area over its length."""
    s = int(np.argmax(shapes.area_mm2[1:])) + 1
    rows, columns = loops.box(s, 2)
    ink = (loops.stroke[rows, columns] == s).astype(np.uint8)
    rim = int(ink.sum()) - int(cv2.erode(ink, np.ones((3, 3), np.uint8)).sum())
    # Every millimetre of line has two of rim, of which a cell shows a bit more than its side.
    length_mm = max(rim * view.pitch_mm * 1.05 / 2, view.pitch_mm)
    return float(np.clip(shapes.area_mm2[s] / length_mm, 0.4, 4.0))


def _close_gaps(drawing: _Drawing) -> tuple[list[gaps.Bridge], list[gaps.End]]:
    open_lines = drawing.open_lines()
    if not open_lines:
        return [], []
    ends = gaps.find_ends(drawing.loops, drawing.view, open_lines, drawing.pen_mm)
    return gaps.find_bridges(drawing.loops, drawing.view, ends, drawing.pen_mm)


@dataclass(eq=False)
class _Reader:
    """Turns strokes into pieces, and keeps account of what became of every stroke."""

    drawing: _Drawing
    surface: DrawnSurface
    side: LineSide
    bridges: list[gaps.Bridge]
    used: set[int] = field(default_factory=set)
    reasons: dict[int, str] = field(default_factory=dict)

    def piece(self, outline: int) -> TracedPiece | None:
        """One outline with all that lies in it."""
        loops = self.drawing.loops
        faces = self._piece_faces(outline)
        inside = [s for face in faces for s in loops.strokes_in(face)]
        line = self._measured(outline, self._all_within(faces))
        if line is None:
            return None
        self.used.add(outline)
        loop = self._on_side(line, hole=False)
        holes = [hole for s in inside if (hole := self._opening(s)) is not None]
        openings = [self._on_side(hole, hole=True) for hole in holes]
        bends, notices = self._bends(loop)
        marks = [mark for s in inside if (mark := self._mark(s, bends)) is not None]
        for s in inside:
            if s not in self.used and s not in self.reasons:
                self.reasons[s] = self._why_not(s)
        if len(faces) > 1:
            text = "a solid line divides the outline and was left out; draw bend lines dashed"
            notices.append(Notice("line-across", text))
        return TracedPiece(
            loop,
            tuple(sorted(openings, key=lambda o: -Polygon(o.points_mm).area)),
            tuple(bends),
            tuple(marks),
            (*notices, *self._gap_notices([line, *holes]), *self._hidden_notices([line, *holes])),
        )

    def left_out(self) -> tuple[LeftOut, ...]:
        """Everything seen and not used, with the reason."""
        drawing = self.drawing
        listed = []
        for s in range(1, len(drawing.loops.stroke_box)):
            size = float(drawing.shapes.size_mm[s])
            if s in self.used or size < _LISTED_MM:
                continue
            dashed = "a dashed line outside every outline"
            plain = dashed if s in drawing.in_rows else "outside every outline"
            x, y = drawing.shapes.centre_mm[s]
            listed.append(LeftOut((float(x), float(y)), size, self.reasons.get(s, plain)))
        _, _, boxes, centres = cv2.connectedComponentsWithStats(
            drawing.strokes.faint, connectivity=8
        )
        for (_, _, w, h, _), at in zip(boxes[1:], centres[1:], strict=True):
            size = float(max(w, h) * drawing.view.pitch_mm)
            if size >= _FAINT_LISTED_MM:
                x, y = drawing.view.to_mm(at[None])[0]
                reason = "fainter than the drawn lines: a shadow, an edge of paper or a smudge"
                listed.append(LeftOut((float(x), float(y)), size, reason))
        return tuple(listed)

    def _piece_faces(self, outline: int) -> list[int]:
        """The faces that make up a piece: the largest, and those of like size beside it."""
        faces = self.drawing.loops.inner_faces(outline)
        area = self.drawing.loops.face_area[faces]
        return [f for f, a in zip(faces, area, strict=True) if a > _SIDE_FACE * area[0]]

    def _all_within(self, faces: list[int]) -> set[int]:
        loops = self.drawing.loops
        found = set(faces)
        for face in faces:
            for s in loops.strokes_in(face):
                found |= loops.all_faces_within(s)
        return found

    def _measured(self, stroke: int, faces: set[int]) -> ClosedLine | None:
        drawing = self.drawing
        coarse = drawing.view.to_mm(drawing.loops.centre_line(stroke, faces))
        line = measure_closed(self.surface, coarse, drawing.pen_mm)
        if line is None:
            self.reasons[stroke] = "its edges are not those of a pen line"
        return line

    def _on_side(self, line: ClosedLine, *, hole: bool) -> TracedLoop:
        toward: Literal["in", "centre", "out"] = "centre"
        if self.side != "centre":
            toward = "in" if (self.side == "inside") != hole else "out"
        return put_on_side(self.surface, line, toward)

    def _opening(self, stroke: int) -> ClosedLine | None:
        """A closed line inside an outline, unless it is writing or too small to be meant."""
        drawing, loops = self.drawing, self.drawing.loops
        faces = loops.inner_faces(stroke)
        if not faces or stroke in drawing.in_rows:
            return None
        area_mm2 = float(loops.face_area[faces[0]]) * drawing.view.pitch_mm**2
        across_mm = 2.0 * float(np.sqrt(area_mm2 / np.pi))
        if across_mm < max(1.2 * drawing.pen_mm, 1.5):
            self.reasons[stroke] = "too small a loop for the pen's width"
        elif drawing.is_writing(stroke):
            self.reasons[stroke] = "handwriting"
        elif not drawing.clean[stroke] and across_mm < _UNTIDY_MM:
            several = drawing.shapes.loops[stroke] > 1
            self.reasons[stroke] = "handwriting" if several else "a loop with tails"
        if stroke in self.reasons:
            return None
        # Writing that touches the loop from outside brings faces that are not part of it.
        line = self._measured(stroke, self._all_within(faces[:1]))
        if line is not None:
            self.used.add(stroke)
            for face in faces:
                for s in loops.strokes_in(face):
                    self.reasons[s] = "inside an opening"
        return line

    def _bends(self, outline: TracedLoop) -> tuple[list[TracedBend], list[Notice]]:
        drawing = self.drawing
        polygon = Polygon(outline.points_mm).buffer(drawing.pen_mm)
        prepare(polygon)
        own = [
            row
            for row in drawing.rows
            if polygon.contains(Point(*((row.start_mm + row.end_mm) / 2)))
        ]
        rows = joined(own, drawing.shapes, outline.points_mm, drawing.pen_mm)
        bends, notices = [], []
        for row in rows:
            others = [other for other in rows if other is not row]
            fitted = fit_bend(
                self.surface,
                row,
                others,
                drawing.shapes,
                outline.points_mm,
                pen_mm=drawing.pen_mm,
            )
            if fitted.dashed_share < _DASHED_SHARE and fitted.carried_mm > _CARRIED_MM:
                far = "a row of dashes too short to carry to the outline"
                self.reasons.update(dict.fromkeys(row.strokes, far))
                continue
            self.used.update(row.strokes)
            bends.append(fitted.bend)
            if fitted.carried_mm > max(_CARRIED_MM, 2.5 * row.pitch_mm):
                text = (
                    f"a bend line was carried {fitted.carried_mm:.0f} mm "
                    "beyond its last dash to the outline"
                )
                notices.append(Notice("bend-carried-far", text, "doubt"))
        return bends, notices

    def _mark(self, stroke: int, bends: list[TracedBend]) -> TracedMark | None:
        drawing = self.drawing
        size = float(drawing.shapes.size_mm[stroke])
        cross = as_cross(drawing.loops, drawing.view, stroke, size, drawing.pen_mm)
        if cross is None or stroke in drawing.in_rows or stroke in self.used:
            return None
        # An x stands closer to its neighbours than a cross to the note that explains it.
        if drawing.is_writing(stroke, close=0.12):
            self.reasons[stroke] = "handwriting"
            return None
        if _both_arms_on(cross, bends):
            self.reasons[stroke] = "two dashed lines cross here"
            return None
        self.used.add(stroke)
        return fit_mark(self.surface, cross, drawing.pen_mm)

    def _why_not(self, stroke: int) -> str:
        drawing, shapes = self.drawing, self.drawing.shapes
        long_mm, short_mm = shapes.long_mm[stroke], shapes.short_mm[stroke]
        if short_mm > 2.2 * drawing.pen_mm and long_mm < 1.7 * short_mm:
            full = shapes.area_mm2[stroke] / (long_mm * short_mm)
            if full > 0.6 and not shapes.loops[stroke]:
                return "a blot or smudge"
        if long_mm < 2.2 * drawing.pen_mm and long_mm < 1.7 * short_mm:
            return "a single dot"
        if drawing.is_writing(stroke) or shapes.loops[stroke] > 1:
            return "handwriting"
        if short_mm > 2.0 * drawing.pen_mm and long_mm > 2.0 * short_mm:
            return "handwriting or a stray stroke"
        return "a stroke that closes round nothing and belongs to no dashed line"

    def _gap_notices(self, lines: list[ClosedLine]) -> list[Notice]:
        notices = []
        for bridge in self.bridges:
            at = bridge.middle_mm
            near = 1.0 + bridge.length_mm / 4
            if any(np.hypot(*(line.points_mm - at).T).min() < near for line in lines):
                place, named = self._named(at)
                text = f"a gap of {bridge.length_mm:.1f} mm in the line was closed {place}"
                notices.append(Notice("gap-bridged", text, "doubt", named))
        return notices

    def _hidden_notices(self, lines: list[ClosedLine]) -> list[Notice]:
        """Stretches where the line could not be told from the surface, gaps left aside."""
        notices = []
        for line in lines:
            for at, length_mm in line.hidden():
                near = [np.hypot(*(b.middle_mm - at)) < b.length_mm + 2.0 for b in self.bridges]
                if length_mm < _HIDDEN_MM or any(near):
                    continue
                place, named = self._named(at)
                text = (
                    f"the line could not be told from the surface over {length_mm:.1f} mm {place}"
                )
                notices.append(Notice("line-hidden", text, "doubt", named))
        return notices

    def _named(self, at_mm: FloatArray) -> tuple[str, tuple[tuple[float, float]]]:
        """How a notice names a place (2,), with the pixel that sees it, and the place."""
        px = self.surface.to_px(at_mm[None])[0]
        named = ((float(at_mm[0]), float(at_mm[1])),)
        return f"near {place_words(named[0])}, pixel {px[0]:.0f}, {px[1]:.0f}", named


def _both_arms_on(cross: Cross, bends: list[TracedBend]) -> bool:
    """Whether both arms of a cross are dashes of bend lines."""
    along = 0
    for k in (0, 1):
        arm = cross.tips_mm[k] - cross.tips_mm[k + 2]
        arm = arm / np.hypot(*arm)
        for bend in bends:
            start, end = np.asarray(bend.start_mm), np.asarray(bend.end_mm)
            d = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
            off = abs(float((cross.centre_mm - start) @ np.array([-d[1], d[0]])))
            if abs(float(arm @ d)) > np.cos(np.radians(12.0)) and off < 1.0:
                along += 1
                break
    return along == 2


def _no_outline(drawing: _Drawing, surface: DrawnSurface, ends: list[gaps.End]) -> DigitizeError:
    """The error for a drawing in which nothing closes: where the nearest gap is."""
    if drawing.strokes.typical_contrast < _FAINT_CONTRAST:
        return lines_too_faint()

    def place(mm: FloatArray) -> tuple[tuple[float, float], tuple[float, float]]:
        px = surface.to_px(mm[None])[0]
        return (float(mm[0]), float(mm[1])), (float(px[0]), float(px[1]))

    cut = [e for e in ends if _at_limit(drawing.view, e, drawing.pen_mm)]
    free = [e for e in ends if e not in cut]
    pairs = [
        (float(np.hypot(*(a.tip_mm - b.tip_mm))), a, b)
        for i, a in enumerate(free)
        for b in free[i + 1 :]
    ]
    if pairs:
        gap, a, b = min(pairs, key=lambda p: p[0])
        return OutlineOpen(*place((a.tip_mm + b.tip_mm) / 2), gap)
    if cut:
        return OutlineCutOff(*place(cut[0].tip_mm))
    if free:
        return OutlineOpen(*place(free[0].tip_mm), None)
    return NothingDrawn(
        "no closed line was found among the drawn strokes",
        do="draw the outline as one solid closed line",
    )


def _at_limit(view: Overview, end: gaps.End, pen_mm: float) -> bool:
    """Whether a line stops because the surface that is looked at stops."""
    reach = max(3, round(1.2 * pen_mm / view.pitch_mm))
    column, row = end.cell
    rows, columns = view.valid.shape
    if min(column, row, columns - 1 - column, rows - 1 - row) < reach:
        return True
    around = view.valid[row - reach : row + reach + 1, column - reach : column + reach + 1]
    return not bool(around.all())
