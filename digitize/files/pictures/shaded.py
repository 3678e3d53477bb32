"""A shaded picture of the folded piece, its faces and bends numbered.

The solid is seen in parallel projection from above its base, nearer pixels hiding farther
ones; light comes over the viewer's left shoulder.  Edges of the sheet and tangent lines are
drawn where they can be seen, bends tinted, and numbers put where their part shows most.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from digitize.files.lettering import font_path
from digitize.folding.solid import Solid
from digitize.pattern.segments import FloatArray

FACE = np.array([176.0, 190.0, 201.0])
FACE_BACK = np.array([150.0, 150.0, 158.0])
BEND = np.array([230.0, 159.0, 0.0])  # orange of Okabe and Ito, as in files.palette
LINE, FAINT, PAPER = (20, 24, 32), (90, 96, 104), (255, 255, 255)
_FINE = 2  # drawn pixels to a pixel of the picture
_LEAST_PX = 60
_RIM = 1e-4  # of a triangle, so that neighbours leave no gap


@dataclass(frozen=True, slots=True)
class View:
    """Where the piece is seen from: about the upright, and above the horizon."""

    azimuth_deg: float = -60.0
    elevation_deg: float = 35.0


def render(
    solid: Solid,
    names: dict[int, str],
    view: View | None = None,
    size_px: tuple[int, int] = (1200, 900),
) -> bytes:
    """A PNG of a solid; ``names`` by part number, faces first, then folds.

    A face of which too little shows has its number beside the piece, on a leader; what is
    hidden goes without one.
    """
    out = io.BytesIO()
    picture(solid, names, view, size_px).save(out, "PNG", optimize=True)
    return out.getvalue()


def picture(
    solid: Solid,
    names: dict[int, str],
    view: View | None = None,
    size_px: tuple[int, int] = (1200, 900),
) -> Image.Image:
    """The same as an image of Pillow."""
    view = view or View()
    w, h = size_px[0] * _FINE, size_px[1] * _FINE
    turn = _turn(view)
    seen = solid.vertices_mm @ turn.T  # right, up, toward the viewer
    low, high = seen.min(axis=0), seen.max(axis=0)
    span = high - low
    scale = 0.92 * min(w / max(span[0], 1e-6), h / max(span[1], 1e-6))
    x = (seen[:, 0] - (low[0] + high[0]) / 2) * scale + w / 2
    y = h / 2 - (seen[:, 1] - (low[1] + high[1]) / 2) * scale
    points = np.column_stack([x, y, seen[:, 2] * scale])
    nearest, which = _hidden(points, solid.triangles, (w, h))
    image = _shaded(solid, turn, which)
    _lines(image, solid, points, nearest)
    small = image.resize(size_px, Image.Resampling.LANCZOS)
    shown = np.where(which >= 0, solid.part[which], -1)[::_FINE, ::_FINE]
    _numbers(small, shown, names, solid.faces)
    return small


def _turn(view: View) -> FloatArray:
    a, e = math.radians(view.azimuth_deg), math.radians(view.elevation_deg)
    right = np.array([-math.sin(a), math.cos(a), 0.0])
    back = np.array([math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
    return np.vstack([right, np.cross(back, right), back])


def _hidden(
    points: FloatArray, triangles: NDArray[np.int64], size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Depth and triangle seen at every pixel; -1 where there is none."""
    w, h = size
    depth = np.full((h, w), -np.inf, dtype=np.float32)
    which = np.full((h, w), -1, dtype=np.int64)
    for number, triangle in enumerate(triangles):
        (x0, y0, z0), (x1, y1, z1), (x2, y2, z2) = points[triangle]
        area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        if area > -1e-9:  # seen from behind: something nearer hides it, for the mesh is closed
            continue
        left, right = max(math.floor(min(x0, x1, x2)), 0), min(math.ceil(max(x0, x1, x2)), w - 1)
        top, bottom = max(math.floor(min(y0, y1, y2)), 0), min(math.ceil(max(y0, y1, y2)), h - 1)
        if left > right or top > bottom:
            continue
        px = np.arange(left, right + 1, dtype=np.float32) - np.float32(x0)
        py = (np.arange(top, bottom + 1, dtype=np.float32) - np.float32(y0))[:, None]
        u = px * np.float32((y2 - y0) / area) - py * np.float32((x2 - x0) / area)
        v = py * np.float32((x1 - x0) / area) - px * np.float32((y1 - y0) / area)
        z = u * np.float32(z1 - z0) + v * np.float32(z2 - z0) + np.float32(z0)
        window = (slice(top, bottom + 1), slice(left, right + 1))
        nearer = (u >= -_RIM) & (v >= -_RIM) & (u + v <= 1 + _RIM) & (z > depth[window])
        depth[window][nearer] = z[nearer]
        which[window][nearer] = number
    return depth, which


def _shaded(solid: Solid, turn: FloatArray, which: NDArray[np.int64]) -> Image.Image:
    a, b, c = (solid.vertices_mm[solid.triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = normal / np.where(length > 0, length, 1.0) @ turn.T
    light = np.array([-0.45, 0.65, 0.75])
    bright = 0.45 + 0.55 * np.clip(normal @ (light / np.linalg.norm(light)), 0.0, 1.0)
    colour = np.where((solid.surface > 0)[:, None], FACE, FACE_BACK)
    bent = solid.part >= solid.faces
    colour = np.where(bent[:, None], 0.55 * colour + 0.45 * BEND, colour)
    painted = np.vstack([colour * bright[:, None], np.array(PAPER, float)])
    return Image.fromarray(painted[which].round().astype(np.uint8))


def _lines(
    image: Image.Image, solid: Solid, points: FloatArray, nearest: NDArray[np.float32]
) -> None:
    """Edges of the sheet, and where a flat part meets a bend, as far as nothing hides them."""
    draw = ImageDraw.Draw(image)
    edges: dict[tuple[int, int], list[int]] = {}
    for number, (i, j, k) in enumerate(solid.triangles.tolist()):
        for a, b in ((i, j), (j, k), (k, i)):
            edges.setdefault((min(a, b), max(a, b)), []).append(number)
    h, w = nearest.shape
    for (a, b), beside in edges.items():
        surfaces = {int(solid.surface[n]) for n in beside}
        parts = {int(solid.part[n]) for n in beside}
        if len(surfaces) == 1 and (len(parts) == 1 or surfaces == {0}):
            continue
        colour, thick = (LINE, 3) if len(surfaces) > 1 else (FAINT, 2)
        start, end = points[a], points[b]
        n = max(2, math.ceil(math.dist(start[:2], end[:2]) / 3))
        along = start + np.linspace(0.0, 1.0, n + 1)[:, None] * (end - start)
        column = np.clip(np.round(along[:, 0]).astype(int), 1, w - 2)
        row = np.clip(np.round(along[:, 1]).astype(int), 1, h - 2)
        # The farthest of the pixels around: an edge lies at a step in depth.
        around = [nearest[row + dy, column + dx] for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
        clear = along[:, 2] > np.min(around, axis=0) - 6.0
        changes = np.flatnonzero(np.diff(np.concatenate([[False], clear, [False]]).astype(int)))
        for first, last in changes.reshape(-1, 2):
            if last - first > 1:
                draw.line([*along[first][:2], *along[last - 1][:2]], fill=colour, width=thick)


Spot = tuple[int, int]  # row, column
Box = tuple[float, float, float, float]  # left, top, right, bottom


def _numbers(
    image: Image.Image, shown: NDArray[np.int64], names: dict[int, str], faces: int
) -> None:
    """Each number on its part, or on a leader beside the piece where too little of a face shows."""
    draw = ImageDraw.Draw(image)
    font = ImageFont.truetype(str(font_path()), max(14, image.height // 32))
    taken: list[Box] = []
    spot: Spot | None
    for part in sorted(names, key=lambda p: -int((shown == p).sum())):
        mask = shown == part
        if mask.sum() < _LEAST_PX:
            continue
        inside = cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
        x0, y0, x1, y1 = draw.textbbox((0, 0), names[part], font=font)
        half = ((x1 - x0) / 2 + 4, (y1 - y0) / 2 + 3)
        if part < faces and inside.max() < half[1]:
            row, column = divmod(int(np.argmax(inside)), mask.shape[1])
            tied = (row, column)
            spot = _beside(tied, half, shown, taken)
            if spot is not None:
                _leader(draw, spot, tied)
        else:
            spot = _upon(mask, inside, half, taken)
        if spot is None:
            continue
        box = _box(spot, half)
        taken.append(box)
        draw.rounded_rectangle(box, radius=4, fill=PAPER, outline=FAINT)
        draw.text((spot[1], spot[0]), names[part], font=font, fill=LINE, anchor="mm")


def _upon(
    mask: NDArray[np.bool_],
    inside: NDArray[Any],
    half: tuple[float, float],
    taken: list[Box],
) -> Spot | None:
    """Where a number stands on its part, clear of the others; None where it cannot."""
    rows, columns = np.ogrid[: mask.shape[0], : mask.shape[1]]
    middle = [float(places.mean()) for places in np.nonzero(mask)]
    off = np.hypot(rows - middle[0], columns - middle[1])
    score = np.where(mask, np.minimum(inside, 30.0) - 0.05 * off, -np.inf)
    for _ in range(12):
        row, column = divmod(int(np.argmax(score)), score.shape[1])
        box = _box((row, column), half)
        if _free(box, taken):
            return row, column
        left, top, right, bottom = (max(0, int(v)) for v in box)
        score[top : bottom + 1, left : right + 1] = -np.inf
        if not np.isfinite(score.max()):
            break
    return None


def _beside(
    tied: Spot, half: tuple[float, float], shown: NDArray[np.int64], taken: list[Box]
) -> Spot | None:
    """The nearest place off the piece for a number that a leader ties to a spot on it."""
    rows, columns = shown.shape
    for reach in range(42, max(shown.shape) // 3, 6):
        for turn in np.arange(16) * math.pi / 8:
            spot = (
                tied[0] - round(reach * math.sin(turn)),
                tied[1] + round(reach * math.cos(turn)),
            )
            box = _box(spot, half)
            left, top, right, bottom = (int(v) for v in box)
            if left < 1 or top < 1 or right > columns - 2 or bottom > rows - 2:
                continue
            if (shown[top : bottom + 1, left : right + 1] < 0).all() and _free(box, taken):
                return spot
    return None


def _leader(draw: ImageDraw.ImageDraw, spot: Spot, tied: Spot) -> None:
    (y0, x0), (y1, x1) = spot, tied
    draw.line([x0, y0, x1, y1], fill=LINE, width=2)
    draw.ellipse([x1 - 4, y1 - 4, x1 + 4, y1 + 4], fill=LINE, outline=PAPER)


def _box(spot: Spot, half: tuple[float, float]) -> Box:
    row, column = spot
    return column - half[0], row - half[1], column + half[0], row + half[1]


def _free(box: Box, taken: list[Box]) -> bool:
    return not any(
        box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken
    )
