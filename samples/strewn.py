"""Photos of printed sheets strewn over a bench with a large drawing, made by OpenCV alone.

The bench is one flat picture, drawn at five pixels to the millimetre; a photo is that
picture seen through ``cv2.projectPoints``, inverted by interpolation, so nothing of the
program's own projection is in it.  For what stands above the bench the path-traced samples
are the test; these are for many sheets and many photos.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.sheets.page import page
from digitize.sheets.printing import ink

FloatArray = NDArray[np.float64]

PER_MM = 5
_PAPER, _INK = 0.80, 0.04  # linear light
_NODE_PX = 8  # between exactly projected places


@dataclass(frozen=True, eq=False)
class Bench:
    """A flat bench as a picture of linear light; row 0 is at the far end, y up."""

    light: NDArray[np.float32]  # (rows, columns)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and depth."""
        rows, columns = self.light.shape
        return columns / PER_MM, rows / PER_MM

    def to_canvas(self, places_mm: FloatArray) -> FloatArray:
        """Canvas pixels (N, 2) of places (N, 2)."""
        x, y = places_mm.T
        return np.column_stack([x * PER_MM - 0.5, (self.size_mm[1] - y) * PER_MM - 0.5])

    def lay(self, sheet: Sheet, middle_mm: tuple[float, float], angle_rad: float) -> None:
        """Lay one sheet down, the middle of its lattice at a place; a card is cut out."""
        first = sheet.number - (1 - sheet.number % 2) if sheet.form == "card" else sheet.number
        whole = page(sheet.form, sheet.paper, first)  # type: ignore[arg-type]
        target = next(t for t in whole.targets if t.sheet.number == sheet.number)
        inked = ink(whole, 25.4 * PER_MM).astype(np.float32) / 255
        height, top = whole.size_mm[1], 0.0
        if sheet.form == "card":
            half = round(height / 2 * PER_MM) / PER_MM
            upper = target.origin_mm[1] > height / 2
            top, bottom = (0.0, half) if upper else (half, height)
            inked = inked[round(top * PER_MM) : round(bottom * PER_MM)]
        local = np.array(target.origin_mm) + np.array(sheet.size_mm) / 2
        middle_px = np.array([local[0], height - local[1] - top]) * PER_MM - 0.5
        c, s = np.cos(angle_rad), np.sin(angle_rad)
        turn = np.array([[c, s], [-s, c]])  # y down on the canvas
        at = self.to_canvas(np.array([middle_mm]))[0]
        move = np.column_stack([turn, at - turn @ middle_px])
        size = self.light.shape[::-1]
        paper = cv2.warpAffine(_PAPER + (_INK - _PAPER) * inked, move, size, flags=cv2.INTER_LINEAR)
        cover = cv2.warpAffine(np.ones_like(inked), move, size, flags=cv2.INTER_LINEAR)
        self.light[:] = np.where(cover > 0.5, paper, self.light)

    def draw(self, loops_mm: list[FloatArray], pen_mm: float) -> None:
        """Draw closed lines (N, 2) with a felt pen of that width."""
        drawn = np.zeros(self.light.shape, np.uint8)
        for loop in loops_mm:
            corners = np.round(self.to_canvas(loop) * 16).astype(np.int32)
            cv2.polylines(drawn, [corners], True, 255, round(pen_mm * PER_MM), cv2.LINE_AA, shift=4)
        share = drawn.astype(np.float32) / 255
        self.light[:] = self.light * (1 - share) + _INK * share

    def put(self, rings_mm: list[FloatArray], seed: int = 1) -> None:
        """Put down a piece of dark mottled sheet metal so thin that it has no height.

        The first ring is its outline, the others are openings.
        """
        share = self._cover([self.to_canvas(r) for r in rings_mm])
        rng = np.random.default_rng(seed)
        rows, columns = self.light.shape
        coarse = rng.normal(0, 1, (rows // 12, columns // 12)).astype(np.float32)
        metal = 0.16 + 0.03 * cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)
        self.light[:] = self.light * (1 - share) + np.clip(metal, 0.05, 0.3) * share

    def _cover(self, rings_px: list[FloatArray]) -> NDArray[np.float32]:
        """Share of every pixel (rows, columns) that a polygon covers.

        By the distance from its edge, because filled polygons come out a pixel too large.
        """
        shape = shapely.Polygon(rings_px[0], rings_px[1:])
        near = np.zeros(self.light.shape, np.uint8)
        corners = [np.round(r).astype(np.int32) for r in rings_px]
        filled = near.copy()
        cv2.fillPoly(filled, corners, 1)
        cv2.polylines(near, corners, True, 1, 5)
        y, x = np.nonzero(near)
        places = shapely.points(x, y)
        edge = shapely.distance(shape.boundary, places)
        inward = np.where(shapely.contains(shape, places), edge, -edge)
        share = filled.astype(np.float32)
        share[y, x] = np.clip(0.5 + inward, 0.0, 1.0)
        return share


def bench(width_mm: float, depth_mm: float) -> Bench:
    """Plain white lining paper."""
    rows, columns = round(depth_mm * PER_MM), round(width_mm * PER_MM)
    return Bench(np.full((rows, columns), 0.74, np.float32))


@dataclass(frozen=True, eq=False)
class Shot:
    """Where a camera stands and how it sees, in OpenCV's terms."""

    rotation: FloatArray  # (3, 3)
    translation_mm: FloatArray  # (3,)
    focal_px: float
    principal_px: tuple[float, float]
    lens: tuple[float, float]  # k1, k2
    size_px: tuple[int, int]

    def to_px(self, places_mm: FloatArray) -> FloatArray:
        """Pixels (N, 2) of places (N, 2) on the bench."""
        f, (cx, cy) = self.focal_px, self.principal_px
        seen, _ = cv2.projectPoints(
            np.column_stack([places_mm, np.zeros(len(places_mm))]),
            cv2.Rodrigues(self.rotation)[0],
            self.translation_mm,
            np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]]),
            np.array([*self.lens, 0.0, 0.0]),
        )
        return np.asarray(seen[:, 0])


def look(
    at_mm: tuple[float, float],
    distance_mm: float,
    tilt_deg: float,
    azimuth_deg: float,
    *,
    size_px: tuple[int, int] = (4000, 3000),
    focal_px: float = 3000.0,
    lens: tuple[float, float] = (-0.04, 0.02),
) -> Shot:
    """A camera that looks at a place from so far, tilted about an axis at that azimuth."""
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    axis = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    rotation = np.diag([1.0, -1.0, -1.0]) @ cv2.Rodrigues(axis * tilt)[0]
    centre = np.append(at_mm, 0.0) - distance_mm * rotation[2]
    middle = ((size_px[0] - 1) / 2 + 11.0, (size_px[1] - 1) / 2 - 8.0)
    return Shot(rotation, -rotation @ centre, focal_px, middle, lens, size_px)


def photograph(
    table: Bench,
    shot: Shot,
    name: str,
    *,
    noise: float = 0.012,
    blur_px: float = 0.7,
    seed: int = 1,
) -> Photo:
    """The bench through that camera: twice as fine, blurred, averaged, noisy, sRGB coded."""
    width, height = shot.size_px
    at = _inverse(table, shot, 2 * width, 2 * height)
    fine = cv2.remap(
        table.light, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    light = cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    rng = np.random.default_rng(seed)
    # A lamp to one side, and shot noise that grows with the light.
    x = np.linspace(-1, 1, width, dtype=np.float32)
    light = light * (1 + 0.12 * x)
    light = light + rng.normal(0, noise, light.shape).astype(np.float32) * np.sqrt(
        np.maximum(light, 0.02)
    )
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    grey = np.round(255 * coded).astype(np.uint8)
    return Photo(name, "", np.repeat(grey[..., None], 3, axis=2), None, None)


def _inverse(table: Bench, shot: Shot, columns: int, rows: int) -> NDArray[np.float32]:
    """Canvas places (rows, columns, 2) of the pixels of a picture so many times as fine."""
    finer = columns / shot.size_px[0]
    u, v = (
        np.arange(-_NODE_PX, columns + _NODE_PX, _NODE_PX),
        np.arange(-_NODE_PX, rows + _NODE_PX, _NODE_PX),
    )
    grid = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    wanted = (grid + 0.5) / finer - 0.5
    f, principal = shot.focal_px, np.asarray(shot.principal_px)
    rays = (wanted - principal) / f
    places = _on_bench(shot, rays)
    for _ in range(30):  # the lens undone by repetition: seen again, and moved by what is off
        off = wanted - shot.to_px(places)
        rays = rays + off / f
        places = _on_bench(shot, rays)
        if np.abs(off).max() < 1e-6:
            break
    canvas = table.to_canvas(places).reshape(len(v), len(u), 2).astype(np.float32)
    size = (len(u) * _NODE_PX, len(v) * _NODE_PX)
    # Nodes lie on whole pixels; the enlargement puts them half a step in.
    whole = cv2.resize(canvas, size, interpolation=cv2.INTER_LINEAR)
    start = _NODE_PX + (_NODE_PX - 1) / 2
    at_u = (np.arange(columns) + start).astype(np.float32)
    at_v = (np.arange(rows) + start).astype(np.float32)
    grid_u, grid_v = np.meshgrid(at_u, at_v)
    return np.asarray(cv2.remap(whole, grid_u, grid_v, cv2.INTER_LINEAR))


def _on_bench(shot: Shot, rays: FloatArray) -> FloatArray:
    directions = np.column_stack([rays, np.ones(len(rays))]) @ shot.rotation
    centre = -shot.rotation.T @ shot.translation_mm
    return np.asarray(centre[:2] + directions[:, :2] * (-centre[2] / directions[:, 2])[:, None])
