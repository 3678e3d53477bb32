"""Roughly where the paper ends: pieces and the openings in them, to half a millimetre.

The photo is turned into a coarse top-down picture of light over paper white.  Paper is
what can be reached from the margin of the work area without crossing anything as abrupt
as the edge of a piece, so a soft shadow stays paper and a glare spot inside a piece does
not become paper.  What is left are pieces, with their hard cast shadows still attached.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit
from digitize.photo.tone import LUMINANCE
from digitize.sheets.layout import Sheet
from digitize.tracing.light import PaperLight

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CELL_MM = 0.25
_MOST_CELLS = 900_000
_NODE = 16  # cells between places where the camera is asked
# An edge is steeper close up than from afar, by this much log light per mm; the soft shadow
# of a hand or a bar is not.  The contact shadow of even a bright smooth piece is, and seals
# it off where metal and paper look alike.
_ABRUPT_PER_MM = 0.10
_CLOSE_MM, _AFAR_MM = 0.4, 1.4  # one Gaussian sigma each
_OPEN_PER_MM = 0.15  # abruptness round a real opening to the outside
_ROUGH = 2.5  # times the unevenness of plain paper
_DARKEST, _BRIGHTEST = float(np.log(0.2)), float(np.log(1.2))  # of paper over paper white
_TINT = 0.16  # log units that the colour of light in a shadow may differ
_MARGIN_MM = 0.6  # printed squares' own blur and the sheet's lie
_MARGIN_PX = 4.0  # blur, where the photo is small
_PRINT_MM = 1.6  # that, and what is abrupt about the squares at a lattice's border
_QUIET_MM = 1.5  # of paper round that, where a card or checkerboard is bare
_RIM_MM = 1.5  # of a sheet of paper, where nothing is looked for
_LEAST_LIT = float(np.log(0.45))  # darker things beside a target are not its paper's margin


class NoPieceFound(DigitizeError):
    """Nothing but paper."""

    exit_code = Exit.TRACE


class PieceOverBorder(DigitizeError):
    """A piece covers part of the printed target."""

    exit_code = Exit.TRACE


class PieceOutOfFrame(DigitizeError):
    """A piece reaches out of the photo."""

    exit_code = Exit.TRACE


@dataclass(frozen=True, eq=False)
class TopDown:
    """A coarse picture of light over paper white, seen from above."""

    origin_mm: tuple[float, float]  # centre of cell (0, 0)
    cell_mm: float
    log_ratio: NDArray[np.float32]  # (rows, columns, 3); rows run with y, upward
    domain: Mask  # (rows, columns) cells that may hold a piece and lie in the photo
    frame: Mask  # (rows, columns) cells of the domain next to the end of the photo
    brightest: float  # log ratio up to which something may be paper

    def to_mm(self, row_column: FloatArray) -> FloatArray:
        """Sheet points (N, 2) of (row, column) places (N, 2)."""
        return np.asarray(self.origin_mm) + self.cell_mm * row_column[:, ::-1]


@dataclass(frozen=True, eq=False)
class Opening:
    """Something inside a piece that may be an opening; drawn too small."""

    loop_mm: FloatArray  # (N, 2), clockwise: not-paper on the left, as with outlines
    rank: int  # 0: even lit paper, 1: even or lit, 2: off the metal's level, 3: only smooth


@dataclass(frozen=True, eq=False)
class Blob:
    """One thing that is not paper."""

    outline_mm: FloatArray  # (N, 2), counter-clockwise
    openings: tuple[Opening, ...]
    area_mm2: float  # of everything inside the outline
    touches_end: bool  # of the work area or the sheet
    touches_frame: bool
    touch_mm: tuple[float, float]  # where, if it does


def view_from_above(
    camera: Camera, sheet: Sheet, light: PaperLight, scale_xy: tuple[float, float]
) -> TopDown:
    """The blank area of a ring, or the paper that a card or checkerboard is printed on, from above.

    What lies round that paper is bench.  Only what the paper encloses can lie on it.
    """
    view = _looked_down(light, camera, sheet, _extent(camera, sheet, scale_xy), scale_xy)
    if sheet.work_area_mm is not None:
        return view
    paper = _own_paper(view, sheet, scale_xy)
    if not paper.any():
        return replace(view, domain=paper, frame=paper)
    r, c = np.nonzero(paper)
    low, high = view.to_mm(np.array([[r.min(), c.min()], [r.max(), c.max()]], dtype=np.float64))
    closer = _looked_down(light, camera, sheet, (*low, *high), scale_xy)
    paper = _own_paper(closer, sheet, scale_xy) & closer.domain
    return replace(closer, domain=paper, frame=closer.frame & paper)


def _looked_down(
    light: PaperLight,
    camera: Camera,
    sheet: Sheet,
    extent_mm: tuple[float, float, float, float],
    scale_xy: tuple[float, float],
) -> TopDown:
    x0, y0, x1, y1 = extent_mm
    cell = max(_CELL_MM, float(np.sqrt((x1 - x0) * (y1 - y0) / _MOST_CELLS)))
    columns, rows = int((x1 - x0) / cell) + 1, int((y1 - y0) / cell) + 1
    map_x, map_y = _pixel_maps(camera, (x0, y0), cell, (rows, columns))
    width, height = camera.size_px
    inside = (map_x > 1) & (map_y > 1) & (map_x < width - 2) & (map_y < height - 2)
    if not inside.any():
        raise NoPieceFound("the work area of the sheet is not in the photo")
    left, top = int(map_x[inside].min()), int(map_y[inside].min())
    right, bottom = int(map_x[inside].max()) + 2, int(map_y[inside].max()) + 2
    middle = np.array([[(x0 + x1) / 2, (y0 + y1) / 2]])
    pixel_mm = pixel_size_mm(camera, camera.to_px(middle))
    step = max(1, round(0.8 * cell / float(np.nanmedian(pixel_mm))))
    ratio = light.ratio(left, top, right, bottom, step)
    small_x = (map_x - left + 0.5) / step - 0.5
    small_y = (map_y - top + 0.5) / step - 0.5
    log_ratio = np.log(np.maximum(ratio, np.float32(0.01)))
    seen = cv2.remap(
        log_ratio,
        small_x.astype(np.float32),
        small_y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    domain = inside & ~_printed(sheet, scale_xy, (x0, y0), cell, (rows, columns))
    frame = domain & (cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0)
    # Where part of the target lies in shadow, its light may have been taken for the rule.
    brightest = _BRIGHTEST if light.inlier_share > 0.8 else _BRIGHTEST + 1.2
    return TopDown((x0, y0), cell, np.asarray(seen, np.float32), domain, frame, brightest)


def _own_paper(view: TopDown, sheet: Sheet, scale_xy: tuple[float, float]) -> Mask:
    """Cells (rows, columns) of the paper that bears a card or checkerboard, and all it encloses."""
    abrupt = _slope(view, _CLOSE_MM) - 1.3 * _slope(view, _AFAR_MM)
    lit = _grey(view.log_ratio) > _LEAST_LIT
    printed = _printed(sheet, scale_xy, view.origin_mm, view.cell_mm, view.domain.shape)
    beside = cv2.dilate(printed.astype(np.uint8), _disc(_QUIET_MM / view.cell_mm)) > 0
    paper = _connected_to(_maybe_paper(view, abrupt) & lit | beside, beside, 0.5 / view.cell_mm)
    # The rim of the paper is abrupt and left out already; what remains of its blur is not.
    return _eroded(_filled(paper), _RIM_MM / view.cell_mm) & view.domain


def pixel_size_mm(camera: Camera, points_px: FloatArray) -> FloatArray:
    """Millimetres on the sheet of one pixel (N,), the mean of all directions."""
    a = camera.to_sheet(points_px)
    right = camera.to_sheet(points_px + np.array([1.0, 0.0])) - a
    down = camera.to_sheet(points_px + np.array([0.0, 1.0])) - a
    return np.asarray(np.sqrt(np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0])))


def find_blobs(
    view: TopDown, thickness_mm: float, min_area_mm2: float
) -> tuple[tuple[Blob, ...], FloatArray]:
    """Everything that is not paper, largest first; and places (N, 2) of things left as too small.

    Openings are only candidates, drawn too small: what is smooth and of paper's colour.
    Whether they are bounded by a real edge is for the closer look to say.
    """
    margin = view.domain & ~_eroded(view.domain, 2.5 / view.cell_mm)
    grey = _grey(view.log_ratio)
    rough = _roughness(view, grey)
    abrupt = _slope(view, _CLOSE_MM) - 1.3 * _slope(view, _AFAR_MM)
    maybe = _maybe_paper(view, abrupt)
    paper = _reached(maybe, margin)
    if not paper.any():
        raise NoPieceFound(
            "no plain paper is visible along the margin of the work area",
            do="lay the piece inside the blank area with paper showing all round it",
        )
    strict = _reached(maybe & (rough < _ROUGH), margin)
    leaked = _leaked(paper, strict, abrupt, rough, view.cell_mm)
    leaked |= _plateau(paper & ~leaked, margin, grey, thickness_mm, view.cell_mm)
    if leaked.any():
        paper = _connected_to(paper & ~leaked, margin, 0.5 / view.cell_mm)
    solid = view.domain & ~paper
    solid = cv2.morphologyEx(solid.astype(np.uint8), cv2.MORPH_OPEN, _disc(0.8 / view.cell_mm)) > 0
    finer = _slope(view, 0.7 * _CLOSE_MM) - 1.3 * _slope(view, 0.7 * _AFAR_MM)
    smooth = _maybe_paper(view, finer)
    # First what is as even as paper; where metal is rough, no edge need show.
    plain = _openings(view, smooth & (rough < _ROUGH), grey, thickness_mm)
    looser = _openings(view, smooth, grey, thickness_mm)
    kinds = ((0, plain[0]), (1, plain[1]), (1, looser[0]), (3, looser[1]))
    level = np.asarray(cv2.GaussianBlur(grey, (0, 0), 0.3 / view.cell_mm), np.float32)
    coloured = _paper_coloured(view)
    blobs, small = [], []
    n, parts, part_stats, centroids = cv2.connectedComponentsWithStats(
        solid.astype(np.uint8), connectivity=4
    )
    end = view.domain & ~_eroded(view.domain, 1.6) & ~view.frame
    for i in range(1, n):
        x, y, w, h, _ = part_stats[i]
        window = np.s_[max(y - 3, 0) : y + h + 3, max(x - 3, 0) : x + w + 3]
        part = parts[window] == i
        whole = _filled(part)
        area = float(whole.sum()) * view.cell_mm**2
        if area < min_area_mm2:
            if area > 4.0:
                small.append(view.to_mm(centroids[i][None, ::-1])[0])
            continue
        deep = whole & _eroded(whole, 1.0 / view.cell_mm)
        other = _off_level(level[window], deep & ~plain[0][window]) & coloured[window]
        holes = [(2, other & deep)]
        holes += [
            (rank, cv2.dilate((deep & kind[window]).astype(np.uint8), _disc(1.0)) > 0)
            for rank, kind in kinds
        ]
        offset = np.array([window[0].start, window[1].start], dtype=np.float64)
        outer = _contours(whole)
        if not outer:
            continue
        outline = _turned(view.to_mm(max(outer, key=len) + offset), 1)
        openings = [
            Opening(_turned(view.to_mm(c + offset), -1), rank)
            for rank, hole in holes
            for c in _contours(hole)
            if len(c) >= 8
        ]
        at_end, at_frame = part & end[window], part & view.frame[window]
        touch = at_frame if at_frame.any() else at_end
        where = np.argwhere(touch).mean(axis=0) + offset if touch.any() else centroids[i][::-1]
        tx, ty = view.to_mm(where[None])[0]
        blobs.append(
            Blob(
                outline,
                tuple(openings),
                area,
                int(at_end.sum()) > 1,
                bool(at_frame.any()),
                (float(tx), float(ty)),
            )
        )
    blobs.sort(key=lambda b: -b.area_mm2)
    return tuple(blobs), np.array(small).reshape(-1, 2)


def _slope(view: TopDown, blur_mm: float) -> NDArray[np.float32]:
    """Steepest change of log light per mm over the channels (rows, columns)."""
    smooth = cv2.GaussianBlur(view.log_ratio, (0, 0), blur_mm / view.cell_mm)
    scale = 1 / (8 * view.cell_mm)
    steepest = np.zeros(smooth.shape[:2], np.float32)
    for channel in cv2.split(smooth):
        dx = cv2.Sobel(channel, cv2.CV_32F, 1, 0, ksize=3, scale=scale)
        dy = cv2.Sobel(channel, cv2.CV_32F, 0, 1, ksize=3, scale=scale)
        cv2.max(steepest, cv2.magnitude(dx, dy), dst=steepest)
    return steepest


def _grey(log_ratio: NDArray[np.float32]) -> NDArray[np.float32]:
    """Weighted mean (rows, columns) of the channels (rows, columns, 3)."""
    return np.asarray(cv2.transform(log_ratio, np.array([LUMINANCE], np.float32)), np.float32)


def _roughness(view: TopDown, grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """Fine unevenness over that of the plain paper, which is noise (rows, columns).

    It sees the thin dark line under an edge where metal and paper are equally bright.
    """
    fine = grey - cv2.GaussianBlur(grey, (0, 0), 0.6 / view.cell_mm)
    power = cv2.GaussianBlur(fine * fine, (0, 0), 0.7 / view.cell_mm)
    plain = max(float(np.median(power[view.domain])), 1e-8)
    # Noise is larger beside the light where there is less of it.
    return np.asarray(np.sqrt(power / plain) * np.exp(0.7 * np.clip(grey, -2.0, 0.0)), np.float32)


def _openings(
    view: TopDown, maybe: Mask, grey: NDArray[np.float32], thickness_mm: float
) -> tuple[Mask, Mask]:
    """Cells of regions that may be lit paper, or shaded paper, seen through an opening.

    Wide openings show lit paper.  Only narrow ones, deep for their width, are dark inside.
    """
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        maybe.astype(np.uint8), connectivity=4
    )
    area = stats[:, cv2.CC_STAT_AREA]
    mean = np.bincount(labels.ravel(), grey.ravel(), minlength=count) / np.maximum(area, 1)
    depth = cv2.distanceTransform(maybe.astype(np.uint8), cv2.DIST_L2, 3)
    wide = np.zeros(count, dtype=bool)
    wide[labels[depth > 3.0 * thickness_mm / view.cell_mm]] = True
    possible = area >= 4
    possible[0] = False
    lit = possible & (mean > -0.2) & (mean < view.brightest)
    dark = possible & ~wide & (mean <= -0.2)
    return lit[labels], dark[labels]


def _connected_to(mask: Mask, seed: Mask, neck_cells: float) -> Mask:
    """The part of a mask that hangs together with the seed by more than a narrow neck."""
    core = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, _disc(neck_cells))
    core = np.where(mask & seed, np.uint8(1), core)
    count, labels = cv2.connectedComponents(core, connectivity=4)
    hit = np.bincount(labels[seed & (core > 0)], minlength=count) > 5
    hit[0] = False
    return np.asarray(hit[labels])


def _extent(
    camera: Camera, sheet: Sheet, scale_xy: tuple[float, float]
) -> tuple[float, float, float, float]:
    sx, sy = scale_xy
    area = sheet.work_area_mm
    if area is not None:
        # Far from the camera a pixel grows by up to half and more.
        pixel_mm = 1.5 * float(camera.centre_mm[2]) / camera.focal_px
        margin = max(_MARGIN_MM, _MARGIN_PX * pixel_mm)
        return (
            area[0] * sx + margin,
            area[1] * sy + margin,
            area[2] * sx - margin,
            area[3] * sy - margin,
        )
    width, height = camera.size_px
    along = np.linspace(0.0, 1.0, 40)
    rim = np.concatenate(
        [np.column_stack([along * (width - 1), np.full(40, v)]) for v in (0.0, height - 1.0)]
        + [np.column_stack([np.full(40, u), along * (height - 1)]) for u in (0.0, width - 1.0)]
    )
    seen = camera.to_sheet(rim)
    seen = seen[np.isfinite(seen).all(axis=1)]
    w, h = sheet.size_mm[0] * sx, sheet.size_mm[1] * sy
    far = 4.0 * max(w, h)
    low = np.maximum(seen.min(axis=0), [-far, -far])
    high = np.minimum(seen.max(axis=0), [w + far, h + far])
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _printed(
    sheet: Sheet,
    scale_xy: tuple[float, float],
    origin: tuple[float, float],
    cell: float,
    shape: tuple[int, ...],
) -> Mask:
    """Cells (rows, columns) of a printed lattice that fills its sheet, and of its blur."""
    printed = np.zeros(shape, dtype=bool)
    if sheet.work_area_mm is None:
        w, h = sheet.size_mm[0] * scale_xy[0], sheet.size_mm[1] * scale_xy[1]
        x = origin[0] + cell * np.arange(shape[1])
        y = origin[1] + cell * np.arange(shape[0])
        over_x = (x > -_PRINT_MM) & (x < w + _PRINT_MM)
        over_y = (y > -_PRINT_MM) & (y < h + _PRINT_MM)
        printed[np.ix_(over_y, over_x)] = True
    return printed


def _pixel_maps(
    camera: Camera, origin: tuple[float, float], cell: float, shape: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Pixel column and row of every cell; asked of the camera at nodes and joined linearly."""
    rows, columns = shape
    n_r, n_c = rows // _NODE + 2, columns // _NODE + 2
    x = origin[0] + cell * _NODE * np.arange(n_c)
    y = origin[1] + cell * _NODE * np.arange(n_r)
    nodes = camera.to_px(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    nodes = np.nan_to_num(nodes, nan=-1e6).reshape(n_r, n_c, 2).astype(np.float32)
    r = np.arange(rows, dtype=np.float32) / _NODE
    c = np.arange(columns, dtype=np.float32) / _NODE
    at_c, at_r = np.meshgrid(c, r)
    both = cv2.remap(nodes, at_c, at_r, cv2.INTER_LINEAR)
    return np.asarray(both[..., 0], np.float32), np.asarray(both[..., 1], np.float32)


def _maybe_paper(view: TopDown, abrupt: NDArray[np.float32]) -> Mask:
    """Cells of paper's colour with no abrupt edge."""
    return np.asarray(view.domain & (abrupt < _ABRUPT_PER_MM) & _paper_coloured(view))


def _paper_coloured(view: TopDown) -> Mask:
    """Cells that may be paper by colour and level."""
    log_ratio = np.asarray(cv2.GaussianBlur(view.log_ratio, (3, 3), 0), np.float32)
    grey = _grey(log_ratio)
    tint = np.zeros_like(grey)
    for channel in cv2.split(log_ratio):
        cv2.max(tint, cv2.absdiff(channel, grey), dst=tint)
    # Shadow is lit by the sky or by walls and may well be bluish or brownish.
    most_tint = _TINT + 0.25 * np.clip(-grey, 0.0, 1.0)
    return np.asarray((grey > _DARKEST) & (grey < view.brightest) & (tint < most_tint))


def _off_level(level: NDArray[np.float32], metal: Mask) -> Mask:
    """Cells clearly brighter or darker than most of the metal (rows, columns)."""
    if not metal.any():
        return np.zeros_like(metal)
    middle = float(np.median(level[metal]))
    spread = 1.4826 * float(np.median(np.abs(level[metal] - middle)))
    return np.asarray(np.abs(level - middle) > max(0.22, 3.5 * spread))


def _reached(maybe: Mask, margin: Mask) -> Mask:
    """The cells that hang together with the margin of the work area."""
    count, labels = cv2.connectedComponents(maybe.astype(np.uint8), connectivity=4)
    on_margin = np.bincount(labels[margin], minlength=count)
    on_margin[0] = 0
    return np.asarray((on_margin > max(0.02 * margin.sum(), 5))[labels])


def _plateau(
    paper: Mask, margin: Mask, grey: NDArray[np.float32], thickness_mm: float, cell: float
) -> Mask:
    """Wide areas off the level of lit paper that do not come in over the margin.

    They are smooth metal whose edge is lost in its contact shadow; a shadow cast by
    something else nearly always comes in from outside.
    """
    radius = (1.5 * thickness_mm + 1.5) / cell  # contact shadow is not wider than that
    off = (paper & (np.abs(cv2.GaussianBlur(grey, (0, 0), 2.0)) > 0.13)).astype(np.uint8)
    core = (cv2.distanceTransform(np.pad(off, 1), cv2.DIST_L2, 3)[1:-1, 1:-1] > radius).astype(
        np.uint8
    )
    count, labels = cv2.connectedComponents(off, connectivity=4)
    inner = np.bincount(labels[core > 0], minlength=count) > 0
    inner &= np.bincount(labels[margin], minlength=count) == 0
    inner[0] = False
    plateau = core * inner[labels]
    distance = cv2.distanceTransform((plateau == 0).astype(np.uint8), cv2.DIST_L2, 3)
    return np.asarray((distance <= radius) & paper) if plateau.any() else np.zeros_like(paper)


def _leaked(
    paper: Mask, strict: Mask, abrupt: NDArray[np.float32], rough: NDArray[np.float32], cell: float
) -> Mask:
    """Cells that are cut off from the margin once fine roughness counts as an edge.

    A piece under glare is; so is a narrow slot open to the outside, whose edges roughen all
    of it, but that has abrupt edges all round.
    """
    near = cv2.dilate(strict.astype(np.uint8), _disc(1.8 / cell)) > 0
    lost = paper & ~near
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        lost.astype(np.uint8), connectivity=4
    )
    ring = cv2.dilate(labels.astype(np.float32), _disc(2.0)).astype(np.intp)
    rim = (ring > 0) & ~paper
    cells = np.bincount(ring[rim], minlength=count)
    steep = np.bincount(ring[rim], abrupt[rim], minlength=count) / np.maximum(cells, 1)
    area = np.maximum(stats[:, cv2.CC_STAT_AREA], 1)
    uneven = np.bincount(labels.ravel(), rough.ravel(), minlength=count) / area
    depth = cv2.distanceTransform(lost.astype(np.uint8), cv2.DIST_L2, 3)
    wide = np.zeros(count, dtype=bool)
    wide[labels[depth > 2.2 / cell]] = True
    metal = (uneven > 1.5) & (wide | (steep < _OPEN_PER_MM))
    metal[0] = False
    grown = cv2.dilate(metal[labels].astype(np.uint8), _disc(2.0 / cell))
    return np.asarray(grown > 0) & paper & (rough > 1.5)


def _contours(mask: Mask) -> list[FloatArray]:
    soft = cv2.GaussianBlur(np.pad(mask, 3).astype(np.float32), (0, 0), 0.8)
    found = find_contours(soft, 0.5)
    return [c[:-1] - 3.0 for c in found if len(c) > 4 and np.allclose(c[0], c[-1])]


def _turned(loop: FloatArray, sign: int) -> FloatArray:
    return loop if signed_area(loop) * sign > 0 else loop[::-1].copy()


def signed_area(loop: FloatArray) -> float:
    """Area inside a closed loop (N, 2), positive when counter-clockwise."""
    x, y = loop[:, 0], loop[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _filled(part: Mask) -> Mask:
    """A part with everything it encloses (rows, columns)."""
    outside = np.pad((~part).astype(np.uint8), 1, constant_values=1)
    cv2.floodFill(outside, None, (0, 0), 2)
    return np.asarray(outside[1:-1, 1:-1] != 2)


def _disc(radius: float) -> NDArray[np.uint8]:
    r = int(np.ceil(radius))
    at = np.arange(-r, r + 1)
    return (at[:, None] ** 2 + at[None, :] ** 2 <= radius**2 + 0.01).astype(np.uint8)


def _eroded(mask: Mask, radius: float) -> Mask:
    padded = np.pad(mask, 1).astype(np.uint8)
    distance = cv2.distanceTransform(padded, cv2.DIST_L2, 3)[1:-1, 1:-1]
    return np.asarray(distance > radius)
