"""Drawn lines read as a pattern: outlines, openings, bend lines and point marks.

A solid closed line is an outline; closed lines within it are openings; a row of dashes or
dots is a bend line; a small cross is a point mark.  Everything else that was drawn is left
out and listed.  Strokes are found on a coarse view from above (``overview``, ``strokes``,
``loops``) and measured in the photo's own pixels (``stroke_edges``, ``closed_line``).

Which side of the line the piece ends at is named from the metal.  "inside": at the edge of
the stroke nearest the metal, as when tracing round a piece - the inner edge of an outline,
and of an opening the edge away from its middle, because the pen ran inside the hole.
"outside": at the other edge.  "centre": midway.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import Point, Polygon, box, prepare

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Notice
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.tracing import gaps
from digitize.tracing.closed_line import ClosedLine, LineSide, measure_closed, put_on_side, to_px
from digitize.tracing.crosses import Cross, as_cross, fit_mark
from digitize.tracing.dashes import Row, find_rows, fit_bend, looks_like_dash
from digitize.tracing.lettering import in_writing, is_clean_loop
from digitize.tracing.light import fit_paper_light
from digitize.tracing.loops import Loops, find_loops
from digitize.tracing.overview import PITCH_MM, Overview, look_down
from digitize.tracing.shapes import Shapes, describe
from digitize.tracing.strokes import NothingDrawn, Strokes, find_on_paper
from digitize.tracing.surface_strokes import (
    SEARCH_PITCH_MM,
    SurfaceInk,
    find_on_surface,
    learn_ink,
)
from digitize.tracing.traces import (
    LeftOut,
    Traced,
    TracedBend,
    TracedLoop,
    TracedPiece,
)

FloatArray = NDArray[np.float64]

_SMALLEST_PIECE_MM = 8.0
_LONG_STROKE_MM = 20.0  # from which an open line may be meant as an outline
_LISTED_MM = 0.8  # smaller specks are not worth a line in the list
_FAR_CARRIED_MM = 15.0


@dataclass(frozen=True, eq=False)
class InkOptions:
    """What the user may say about a drawing."""

    line_side: LineSide = "inside"  # most lines are drawn round a piece
    height_mm: float = 0.0  # of the drawn surface over the target's plane
    region_mm: FloatArray | None = None  # (N, 2) polygon on the sheet
    scale_xy: tuple[float, float] = (1.0, 1.0)  # printed over nominal size of the target


class OutlineOpen(DigitizeError):
    """The drawn outline does not close, and the gap is too wide to close it by rule."""

    def __init__(
        self, at_mm: tuple[float, float], at_px: tuple[float, float], gap_mm: float | None
    ) -> None:
        self.at_mm, self.at_px, self.gap_mm = at_mm, at_px, gap_mm
        where = (
            f"at x {at_mm[0]:.1f}, y {at_mm[1]:.1f} mm on the sheet, "
            f"pixel {at_px[0]:.0f}, {at_px[1]:.0f}"
        )
        what = "the outline is open"
        if gap_mm is not None:
            what += f" by {gap_mm:.1f} mm"
        super().__init__(what, where=where, do="close the line with the marker")


class OutlineCutOff(DigitizeError):
    """The drawn outline runs off the surface that can be measured."""

    def __init__(self, at_mm: tuple[float, float], at_px: tuple[float, float]) -> None:
        self.at_mm, self.at_px = at_mm, at_px
        super().__init__(
            "the outline runs out of the area that can be traced",
            where=f"at x {at_mm[0]:.1f}, y {at_mm[1]:.1f} mm on the sheet, "
            f"pixel {at_px[0]:.0f}, {at_px[1]:.0f}",
            do="keep the whole drawing inside the target's blank middle, the region and the photo",
        )


@dataclass(frozen=True, eq=False)
class _Scene:
    """Everything about one photo that reading the strokes needs."""

    image: NDArray[np.float32]
    camera: Camera
    view: Overview
    strokes: Strokes
    darker: bool  # whether the lines are darker than the surface in ``image``
    options: InkOptions


def trace_ink(
    photo: Photo, camera: Camera, sheet: Sheet, options: InkOptions | None = None
) -> Traced:
    """Trace the drawing on paper in a ring, or on a surface beside a card.

    Raises
    ------
    NothingDrawn
        No marker line, or only lines as faint as pencil.
    OutlineOpen, OutlineCutOff
        No outline closes; says where it does not.
    NothingInRegion, PaperNotSeen
        See ``overview`` and ``light``.
    """
    options = options or InkOptions()
    light = fit_paper_light(photo, camera, sheet, options.scale_xy)

    def view(region_mm: FloatArray | None, pitch_mm: float) -> Overview:
        return look_down(
            light,
            camera,
            sheet,
            height_mm=options.height_mm,
            region_mm=region_mm,
            scale_xy=options.scale_xy,
            pitch_mm=pitch_mm,
        )

    if sheet.work_area_mm is not None:
        paper = view(options.region_mm, PITCH_MM)
        return _read(_Scene(photo.linear_grey, camera, paper, find_on_paper(paper), True, options))
    ink = learn_ink(view(options.region_mm, SEARCH_PITCH_MM))
    surface = view(_both(options.region_mm, ink.box_mm), PITCH_MM)
    image, darker = _image_for(photo, camera, surface, ink)
    return _read(_Scene(image, camera, surface, find_on_surface(surface, ink), darker, options))


def _both(region_mm: FloatArray | None, box_mm: tuple[float, float, float, float]) -> FloatArray:
    """The part (N, 2) of a region that lies in a box."""
    part = box(*box_mm)
    if region_mm is not None:
        part = part.intersection(Polygon(region_mm).buffer(0))
        if part.geom_type != "Polygon" or part.is_empty:
            return region_mm
    return np.asarray(part.exterior.coords)[:-1]


def _image_for(
    photo: Photo, camera: Camera, view: Overview, ink: SurfaceInk
) -> tuple[NDArray[np.float32], bool]:
    """The light (height, width) in which this ink stands out, and whether it is darker there."""
    if ink.is_grey:
        return photo.linear_grey, bool(ink.weights.sum() > 0)
    rows, columns = view.valid.shape
    side = np.linspace(0.0, 1.0, 9)
    edge = np.array([(u, v) for u in side for v in side]) * (columns - 1, rows - 1)
    px = to_px(camera, view.to_mm(edge), view.height_mm)
    px = px[np.isfinite(px).all(axis=1)]
    x0, y0 = np.clip(px.min(axis=0) - 20, 0, None).astype(int)
    x1, y1 = np.minimum(px.max(axis=0) + 20, (photo.width_px, photo.height_px)).astype(int)
    image = np.zeros((photo.height_px, photo.width_px), np.float32)
    colour = photo.linear_rgb(int(x0), int(y0), int(x1), int(y1))
    image[y0:y1, x0:x1] = colour @ ink.weights.astype(np.float32)
    return image, True


def _read(scene: _Scene) -> Traced:
    view = scene.view
    loops = find_loops(scene.strokes.ink, view.pitch_mm)
    shapes = describe(loops, view)
    left_out: dict[int, str] = {}
    pen = _pen_width_mm(loops, shapes, view)
    rows = _rows(loops, shapes, pen)
    bridges: list[gaps.Bridge] = []
    in_rows = {k for row in rows for k in row.strokes}
    open_long = [
        s
        for s in range(1, len(loops.stroke_box))
        if shapes.size_mm[s] > _LONG_STROKE_MM
        and s not in in_rows
        and not _encloses_piece(loops, view, s)
    ]
    still_open: list[gaps.End] = []
    if open_long:
        ends = gaps.find_ends(loops, view, open_long, pen)
        bridges, still_open = gaps.find_bridges(loops, view, ends, pen)
        if bridges:
            ink = gaps.closed_over(scene.strokes.ink, view, bridges, pen)
            loops = find_loops(ink, view.pitch_mm)
            shapes = describe(loops, view)
            rows = _rows(loops, shapes, pen)
            in_rows = {k for row in rows for k in row.strokes}
    n = len(loops.stroke_box)
    loose = np.ones(n, dtype=bool)
    loose[0] = False
    loose[list(in_rows)] = False
    clean, rounded = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    for s in np.flatnonzero((shapes.loops > 0) & loose):
        clean[s], rounded[s] = is_clean_loop(loops, shapes, int(s), view.pitch_mm)
    writing = loose & (shapes.size_mm < 0.5 * shapes.size_mm.max(initial=0.0) + 1e-9)
    outlines = [
        s
        for s in loops.strokes_in(0)
        if _encloses_piece(loops, view, s) and not in_writing(shapes, s, writing, rounded)
    ]
    if not outlines:
        raise _no_outline(scene, loops, shapes, still_open, open_long, pen)
    pieces = []
    used_rows: set[int] = set()
    outlines.sort(key=lambda s: -float(loops.face_area[loops.inner_faces(s)].sum()))
    for s in outlines:
        piece = _piece(
            scene,
            loops,
            shapes,
            s,
            pen,
            rows,
            used_rows,
            writing,
            rounded,
            clean,
            bridges,
            left_out,
        )
        if piece is None:
            left_out[s] = "its edges are not those of a pen line"
        else:
            pieces.append(piece)
    if not pieces:
        raise _no_outline(scene, loops, shapes, still_open, open_long, pen)
    used = set(outlines) | {k for i in used_rows for k in rows[i].strokes}
    return Traced(
        "ink", tuple(pieces), _listed(scene, loops, shapes, used, rows, used_rows, left_out)
    )


def _pen_width_mm(loops: Loops, shapes: Shapes, view: Overview) -> float:
    """Width of the pen, from the stroke with the most ink: its area over its length."""
    s = int(np.argmax(shapes.area_mm2[1:])) + 1
    rows, columns = loops.box(s, 2)
    ink = loops.stroke[rows, columns] == s
    step = max(1, int(np.sqrt(ink.size / 2_000_000)))
    del step
    inner = (
        ink & np.roll(ink, 1, 0) & np.roll(ink, -1, 0) & np.roll(ink, 1, 1) & np.roll(ink, -1, 1)
    )
    # Every millimetre of a line has two millimetres of edge.
    edge_cells = ink.sum() - inner.sum()
    length = max(edge_cells * view.pitch_mm * 1.12 / 2, view.pitch_mm)
    return float(np.clip(shapes.area_mm2[s] / length, 0.4, 4.0))


def _rows(loops: Loops, shapes: Shapes, pen_mm: float) -> list[Row]:
    """Dashed lines, each within one face."""
    candidates = looks_like_dash(shapes, pen_mm)
    rows: list[Row] = []
    for face in np.unique(loops.parent_face[candidates]):
        rows += find_rows(shapes, candidates & (loops.parent_face == face), pen_mm)
    return rows


def _encloses_piece(loops: Loops, view: Overview, stroke: int) -> bool:
    faces = loops.inner_faces(stroke)
    if not faces:
        return False
    area = loops.face_area[faces[0]] * view.pitch_mm**2
    return bool(area > 0.6 * _SMALLEST_PIECE_MM**2)


def _piece(
    scene: _Scene,
    loops: Loops,
    shapes: Shapes,
    outline: int,
    pen: float,
    rows: list[Row],
    used_rows: set[int],
    writing: NDArray[np.bool_],
    rounded: NDArray[np.bool_],
    clean: NDArray[np.bool_],
    bridges: list[gaps.Bridge],
    left_out: dict[int, str],
) -> TracedPiece | None:
    notices: list[Notice] = []
    faces = _main_faces(loops, outline)
    everything = set(faces)
    inside: list[int] = []
    for face in faces:
        for s in loops.strokes_in(face):
            inside.append(s)
            everything |= loops.all_faces_within(s)
    line = _closed(scene, loops, outline, everything, pen)
    if line is None:
        return None
    loop = _on_side(scene, line, hole=False)
    if len(faces) > 1:
        notices.append(
            Notice(
                "line-across",
                "a solid line divides the outline and was left out; draw bend lines dashed",
            )
        )
    openings, marks, bends = [], [], []
    in_rows = {k for row in rows for k in row.strokes}
    crosses: list[Cross] = []
    kept: set[int] = set()
    lines = [line]
    for s in inside:
        if s in in_rows:
            continue
        cross = as_cross(loops, scene.view, s, float(shapes.size_mm[s]), pen)
        if cross is not None:
            if in_writing(shapes, s, writing, rounded):
                left_out[s] = "handwriting"
            else:
                crosses.append(cross)
                kept.add(s)
            continue
        if not loops.inner_faces(s):
            continue
        reason = _not_an_opening(loops, shapes, scene.view, s, pen, writing, rounded, clean)
        if reason is not None:
            left_out[s] = reason
            continue
        hole = _closed(scene, loops, s, _within_main_face(loops, s), pen)
        if hole is None:
            left_out[s] = "its edges are not those of a pen line"
            continue
        lines.append(hole)
        openings.append(_on_side(scene, hole, hole=True))
        kept.add(s)
        for face in loops.inner_faces(s):
            for inner in loops.strokes_in(face):
                left_out[inner] = "inside an opening"
    polygon = Polygon(loop.points_mm).buffer(pen)
    prepare(polygon)
    for i, row in enumerate(rows):
        if i in used_rows or not polygon.contains(Point(*((row.start_mm + row.end_mm) / 2))):
            continue
        bend, carried = fit_bend(
            scene.image,
            scene.camera,
            row,
            shapes,
            loop.points_mm,
            scene.options.height_mm,
            pen,
            darker=scene.darker,
        )
        used_rows.add(i)
        bends.append(bend)
        if carried > max(_FAR_CARRIED_MM, 3 * row.pitch_mm):
            notices.append(
                Notice(
                    "bend-carried-far",
                    f"a bend line was carried {carried:.0f} mm beyond its last dash to the outline",
                    "doubt",
                )
            )
    for cross in crosses:
        if _on_bends(cross, bends):
            left_out[cross.stroke] = "two dashed lines cross here"
            kept.discard(cross.stroke)
            continue
        marks.append(
            fit_mark(
                scene.image,
                scene.camera,
                cross,
                scene.options.height_mm,
                pen,
                darker=scene.darker,
            )
        )
    notices += _gap_notices(lines, bridges, scene)
    for s in inside:
        if s not in kept and s not in in_rows and s not in left_out:
            left_out[s] = _why_left_out(scene, shapes, s, pen, writing, rounded)
    for s in kept:
        left_out.pop(s, None)
    loops_kept = tuple(sorted(openings, key=lambda o: -_area(o)))
    # Strokes that became something are not in the list of what was left out.
    left_out.update(dict.fromkeys(kept, ""))
    return TracedPiece(loop, loops_kept, tuple(bends), tuple(marks), tuple(notices))


def _main_faces(loops: Loops, outline: int) -> list[int]:
    """The faces that make up the piece: the largest and those of like size beside it."""
    faces = loops.inner_faces(outline)
    area = loops.face_area[faces].astype(float)
    return [f for f, a in zip(faces, area, strict=True) if a > 0.04 * area[0]]


def _within_main_face(loops: Loops, stroke: int) -> set[int]:
    """A stroke's largest face and all that lies within it.

    Writing that touches a drawn loop from outside brings faces of its own, which are not
    part of the loop.
    """
    main = loops.inner_faces(stroke)[0]
    faces = {main}
    for inner in loops.strokes_in(main):
        faces |= loops.all_faces_within(inner)
    return faces


def _closed(
    scene: _Scene, loops: Loops, stroke: int, faces: set[int], pen: float
) -> ClosedLine | None:
    coarse = scene.view.to_mm(loops.centre_line(stroke, faces))
    return measure_closed(
        scene.image,
        scene.camera,
        coarse,
        scene.options.height_mm,
        pen,
        darker=scene.darker,
    )


def _on_side(scene: _Scene, line: ClosedLine, *, hole: bool) -> TracedLoop:
    side = scene.options.line_side
    toward: Literal["in", "centre", "out"]
    if side == "centre":
        toward = "centre"
    else:
        toward = "in" if (side == "inside") != hole else "out"
    return put_on_side(
        scene.image,
        scene.camera,
        line,
        scene.options.height_mm,
        toward,
        darker=scene.darker,
    )


def _not_an_opening(
    loops: Loops,
    shapes: Shapes,
    view: Overview,
    stroke: int,
    pen: float,
    writing: NDArray[np.bool_],
    rounded: NDArray[np.bool_],
    clean: NDArray[np.bool_],
) -> str | None:
    area = loops.face_area[loops.inner_faces(stroke)] * view.pitch_mm**2
    across = 2.0 * float(np.sqrt(area[0] / np.pi))
    if across < max(1.2 * pen, 1.5):
        return "too small a loop for the pen's width"
    if in_writing(shapes, stroke, writing, rounded):
        return "handwriting"
    if not clean[stroke] and shapes.size_mm[stroke] < 15.0:
        return "a loop with tails or several loops in one stroke"
    return None


def _on_bends(cross: Cross, bends: list[TracedBend]) -> bool:
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


def _gap_notices(
    lines: list[ClosedLine], bridges: list[gaps.Bridge], scene: _Scene
) -> list[Notice]:
    notices = []
    for bridge in bridges:
        middle = bridge.middle_mm
        for line in lines:
            if np.hypot(*(line.points_mm - middle).T).min() < 1.0 + bridge.length_mm / 4:
                at = to_px(scene.camera, middle[None], scene.options.height_mm)[0]
                notices.append(
                    Notice(
                        "gap-bridged",
                        f"a gap of {bridge.length_mm:.1f} mm in the line was closed "
                        f"at x {middle[0]:.1f}, y {middle[1]:.1f} mm "
                        f"(pixel {at[0]:.0f}, {at[1]:.0f})",
                        "doubt",
                    )
                )
                break
    return notices


def _why_left_out(
    scene: _Scene,
    shapes: Shapes,
    stroke: int,
    pen: float,
    writing: NDArray[np.bool_],
    rounded: NDArray[np.bool_],
) -> str:
    if (
        shapes.size_mm[stroke] < 2.2 * pen
        and shapes.long_mm[stroke] < 1.7 * shapes.short_mm[stroke]
    ):
        return "a single dot"
    if in_writing(shapes, stroke, writing, rounded):
        return "handwriting"
    del scene
    return "a stroke that closes round nothing and belongs to no dashed line"


def _listed(
    scene: _Scene,
    loops: Loops,
    shapes: Shapes,
    used: set[int],
    rows: list[Row],
    used_rows: set[int],
    reasons: dict[int, str],
) -> tuple[LeftOut, ...]:
    off_piece = {k for i, row in enumerate(rows) if i not in used_rows for k in row.strokes}
    listed = []
    for s in range(1, len(loops.stroke_box)):
        if s in used and s not in reasons:
            continue
        reason = reasons.get(s)
        if reason == "":
            continue
        if reason is None:
            reason = (
                "a dashed line outside every outline" if s in off_piece else "outside every outline"
            )
        size = float(shapes.size_mm[s])
        if size >= _LISTED_MM:
            x, y = shapes.centre_mm[s]
            listed.append(LeftOut((float(x), float(y)), size, reason))
    del scene
    return tuple(listed)


def _no_outline(
    scene: _Scene,
    loops: Loops,
    shapes: Shapes,
    ends: list[gaps.End],
    open_long: list[int],
    pen: float,
) -> DigitizeError:
    """The error for a drawing in which nothing closes: where the nearest gap is."""
    if not open_long:
        return NothingDrawn(
            "no closed line was found among the drawn strokes",
            do="draw the outline as one solid closed line",
        )
    camera, height = scene.camera, scene.options.height_mm

    def place(mm: FloatArray) -> tuple[tuple[float, float], tuple[float, float]]:
        px = to_px(camera, mm[None], height)[0]
        return (float(mm[0]), float(mm[1])), (float(px[0]), float(px[1]))

    del loops, shapes
    cut = [e for e in ends if _at_limit(scene.view, e, pen)]
    free = [e for e in ends if e not in cut]
    pairs = [
        (float(np.hypot(*(a.tip_mm - b.tip_mm))), a, b)
        for i, a in enumerate(free)
        for b in free[i + 1 :]
    ]
    if cut and not pairs:
        return OutlineCutOff(*place(cut[0].tip_mm))
    if pairs:
        gap, a, b = min(pairs, key=lambda p: p[0])
        return OutlineOpen(*place((a.tip_mm + b.tip_mm) / 2), gap)
    if free:
        return OutlineOpen(*place(free[0].tip_mm), None)
    return NothingDrawn(
        "no closed line was found among the drawn strokes",
        do="draw the outline as one solid closed line",
    )


def _at_limit(view: Overview, end: gaps.End, pen: float) -> bool:
    """Whether a line stops because the surface that is looked at stops."""
    reach = max(3, round(1.2 * pen / view.pitch_mm))
    column, row = end.cell
    rows, columns = view.valid.shape
    if min(column, row, columns - 1 - column, rows - 1 - row) < reach:
        return True
    return not bool(
        view.valid[row - reach : row + reach + 1, column - reach : column + reach + 1].all()
    )


def _area(loop: TracedLoop) -> float:
    return float(Polygon(loop.points_mm).area)
