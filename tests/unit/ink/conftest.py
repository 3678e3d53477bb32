"""Photographs of drawings with known truth.

Shapely strokes are rasterised, laid on the sheet's plane and seen by a camera whose every
pixel is traced back by a fixed-point inversion of the lens and OpenCV's perspective of the
plane, not by this package's camera.  Blur, sensor noise, the sRGB curve (IEC 61966-2-1)
and JPEG follow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from shapely import LinearRing, LineString, Point, Polygon, box

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.sheets import catalogue, marks
from digitize.sheets.layout import Sheet

FloatArray = NDArray[np.float64]
Colour = tuple[float, float, float]
Layer = tuple[shapely.Geometry, Colour]

PAPER: Colour = (0.86, 0.85, 0.82)
BLACK: Colour = (0.05, 0.05, 0.05)
BLUE: Colour = (0.05, 0.08, 0.40)
RED: Colour = (0.55, 0.06, 0.06)


@dataclass(frozen=True, eq=False)
class Drawn:
    """One photograph of a drawing."""

    photo: Photo
    camera: Camera
    sheet: Sheet


@dataclass(frozen=True, eq=False)
class Scene:
    """What lies before the camera, and how it is taken."""

    layers: Sequence[Layer] = ()
    form: str = "ring"
    size_px: tuple[int, int] = (1600, 1200)
    tilt_deg: float = 18.0
    azimuth_deg: float = -70.0
    roll_deg: float = 90.0
    k1: float = -0.03
    light: Callable[[FloatArray], FloatArray] | None = None
    blur_px: float = 0.7
    noise: float = 0.008  # of full scale, as coded
    quality: int | None = 92
    ground: Callable[[tuple[int, int], float], NDArray[np.float32]] | None = None
    bounds_mm: tuple[float, float, float, float] | None = None
    look_at_mm: tuple[float, float] | None = None
    across_mm: float | None = None  # seen along the photo's longer side
    hidden: Sequence[Layer] = field(default=())  # lies over the target's print


def photograph(scene: Scene) -> Drawn:
    sheet = catalogue.sheet(scene.form, "A4", 3)
    w, h = sheet.size_mm
    x0, y0, x1, y1 = scene.bounds_mm or (-30.0, -35.0, w + 30.0, h + 30.0)
    res = 0.1
    shape = (round((y1 - y0) / res), round((x1 - x0) / res))
    if scene.ground is None:
        albedo = np.full((*shape, 3), 0.25, np.float32)
    else:
        albedo = scene.ground(shape, res)
    under = [(box(-18, -26, w + 8, h + 9), PAPER), *_print(sheet)]
    for shape_mm, colour in [*under, *scene.layers, *scene.hidden]:
        _paint(albedo, shape_mm, colour, (x0, y1), res)
    camera = _camera(scene, (w, h))
    mm = _seen_mm(camera)
    at_x = ((mm[..., 0] - x0) / res - 0.5).astype(np.float32)
    at_y = ((y1 - mm[..., 1]) / res - 0.5).astype(np.float32)
    seen = cv2.remap(albedo, at_x, at_y, cv2.INTER_LINEAR, borderValue=(0.25, 0.25, 0.25))
    light = scene.light or (lambda p: 0.75 * (1 + 0.002 * (p[:, 0] - 90) - 0.001 * (p[:, 1] - 120)))
    seen *= light(mm.reshape(-1, 2)).reshape(mm.shape[:2])[..., None].astype(np.float32)
    width, height = scene.size_px
    linear = cv2.resize(seen, (width, height), interpolation=cv2.INTER_AREA)
    linear = cv2.GaussianBlur(linear, (0, 0), scene.blur_px)
    coded = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055
    )
    rng = np.random.default_rng(7)
    coded = coded + rng.standard_normal(coded.shape) * scene.noise
    rgb = np.clip(np.rint(coded * 255), 0, 255).astype(np.uint8)
    if scene.quality is not None:
        ok, packed = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, scene.quality])
        assert ok
        rgb = np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1])
    return Drawn(Photo("drawn.jpg", "0" * 64, rgb, None, None), camera, sheet)


def _print(sheet: Sheet) -> list[Layer]:
    s = sheet.square_mm
    layers: list[Layer] = [
        (box(c * s, r * s, (c + 1) * s, (r + 1) * s), BLACK)
        for c in range(sheet.columns)
        for r in range(sheet.rows)
        if sheet.black(c, r)
    ]
    module = marks.MODULE_SQUARES * s
    for (c, r), word in marks.words(sheet).items():
        left, top = (c + marks.START_SQUARES) * s, (r + 1 - marks.START_SQUARES) * s
        for i, j in np.argwhere(marks.module_grid(word)):
            x, y = left + j * module, top - i * module
            layers.append((box(x, y - module, x + module, y), BLACK))
    return layers


def _paint(
    albedo: NDArray[np.float32],
    geometry: shapely.Geometry,
    colour: Colour,
    corner: tuple[float, float],
    res: float,
) -> None:
    """Cover what lies under a shape, edges by their share of each cell (4 x 4 points)."""
    if geometry.is_empty:
        return
    (x0, y1), fine = corner, 4
    left, low, right, high = geometry.bounds
    i0, i1 = max(int((left - x0) / res) - 2, 0), min(int((right - x0) / res) + 3, albedo.shape[1])
    j0, j1 = max(int((y1 - high) / res) - 2, 0), min(int((y1 - low) / res) + 3, albedo.shape[0])
    if i1 <= i0 or j1 <= j0:
        return
    cover = np.zeros(((j1 - j0) * fine, (i1 - i0) * fine), np.uint8)
    for polygon in getattr(geometry, "geoms", [geometry]):
        rings = []
        for ring in (polygon.exterior, *polygon.interiors):
            xy = np.asarray(ring.coords)[:-1]
            cells = np.column_stack(((xy[:, 0] - x0) / res - i0, (y1 - xy[:, 1]) / res - j0))
            rings.append(np.rint((cells * fine - 0.5) * 256).astype(np.int32))
        one = np.zeros_like(cover)
        cv2.fillPoly(one, rings, 255, shift=8)
        np.maximum(cover, one, out=cover)
    share = cv2.resize(cover, (i1 - i0, j1 - j0), interpolation=cv2.INTER_AREA)[..., None] / 255.0
    part = albedo[j0:j1, i0:i1]
    part[:] = part * (1 - share) + share * np.asarray(colour)


def _camera(scene: Scene, sheet_mm: tuple[float, float]) -> Camera:
    width, height = scene.size_px
    focal = 0.8 * width
    across = scene.across_mm or max(sheet_mm) * 1.1
    look_at = np.array([*(scene.look_at_mm or (sheet_mm[0] / 2, sheet_mm[1] / 2)), 0.0])
    tilt, azimuth, roll = np.radians([scene.tilt_deg, scene.azimuth_deg, scene.roll_deg])
    away = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    centre = look_at + away * across * focal / width
    x = np.cross(-away, [0.0, 1.0, 0.0])
    x /= np.linalg.norm(x)
    y = np.cross(-away, x)
    x, y = np.cos(roll) * x + np.sin(roll) * y, np.cos(roll) * y - np.sin(roll) * x
    rotation = np.stack((x, y, -away))
    principal = ((width - 1) / 2 + 9.0, (height - 1) / 2 - 7.0)
    return Camera(
        scene.size_px,
        rotation,
        -rotation @ centre,
        focal,
        principal,
        scene.k1,
        0.01,
        np.zeros((11, 11)),
    )


def _seen_mm(camera: Camera) -> FloatArray:
    """Where on the sheet every half pixel looks, (2 height, 2 width, 2)."""
    width, height = camera.size_px
    step = 8
    u = (np.arange(width * 2 // step + 3) - 1) * step + (step - 1) / 2
    v = (np.arange(height * 2 // step + 3) - 1) * step + (step - 1) / 2
    px = np.stack(np.meshgrid((u + 0.5) / 2 - 0.5, (v + 0.5) / 2 - 0.5), axis=-1)
    (cx, cy), f = camera.principal_px, camera.focal_px
    bent = (px.reshape(-1, 2) - (cx, cy)) / f
    rays = bent.copy()
    for _ in range(60):  # r = r_bent / (1 + k1 r^2 + k2 r^4), a contraction for these lenses
        r2 = (rays**2).sum(axis=1, keepdims=True)
        rays = bent / (1 + camera.k1 * r2 + camera.k2 * r2**2)
    plane = np.column_stack((camera.rotation[:, :2], camera.translation_mm))
    mm = cv2.perspectiveTransform(rays[:, None], np.linalg.inv(plane)).reshape(len(v), len(u), 2)
    size = (len(u) * step, len(v) * step)
    grown = cv2.resize(mm, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(grown[step : step + 2 * height, step : step + 2 * width])


def by_hand(line: LineString, amplitude_mm: float = 0.15, seed: int = 0) -> LineString:
    """The line as a hand draws it: smooth wobble about 12 mm long."""
    rng = np.random.default_rng(seed)
    n = max(int(line.length / 0.3), 8)
    points = np.array([line.interpolate(i / n, normalized=True).coords[0] for i in range(n + 1)])
    rate = np.fft.rfftfreq(n, 0.3)
    noise = np.fft.rfft(rng.normal(size=(2, n)), axis=1) * np.exp(-((12 * rate) ** 2) / 2)
    shift = np.fft.irfft(noise, n=n, axis=1)
    points[:n] += (shift * amplitude_mm / shift.std()).T
    points[n] = points[0] if line.is_ring else points[n - 1]
    return LineString(points)


def dashed(
    start: tuple[float, float],
    end: tuple[float, float],
    dash_mm: float,
    gap_mm: float,
    *,
    pen_mm: float = 1.0,
    first_mm: float | None = None,
) -> list[shapely.Geometry]:
    """Hand-drawn dashes along a straight line, 0.1 mm off it at each end."""
    rng = np.random.default_rng(5)
    p, q = np.array(start), np.array(end)
    length = float(np.hypot(*(q - p)))
    along = (q - p) / length
    across = np.array([-along[1], along[0]])
    dashes, t = [], gap_mm if first_mm is None else first_mm
    while t < length - dash_mm / 2:
        stop = min(t + dash_mm * rng.uniform(0.85, 1.15), length)
        a, b = rng.normal(0, 0.1, 2)
        line = LineString([p + along * t + across * a, p + along * stop + across * b])
        dashes.append(line.buffer(pen_mm * 0.45))
        t = stop + gap_mm * rng.uniform(0.85, 1.15)
    return dashes


def distances(points_mm: FloatArray, truth: LineString | LinearRing) -> FloatArray:
    """How far points (N, 2) lie from a true line."""
    return np.asarray(shapely.distance(truth, shapely.points(points_mm)))


def outside_by(points_mm: FloatArray, truth: LinearRing) -> FloatArray:
    """Signed distances (N,) of points from a true closed line, positive outside."""
    inside = shapely.contains(Polygon(truth), shapely.points(points_mm))
    return np.asarray(np.where(inside, -1.0, 1.0) * distances(points_mm, truth))


class Board:
    """A drawing to compose: a five-cornered outline in the A4 ring's blank middle."""

    def __init__(self, pen_mm: float = 1.0, ink: Colour = BLACK, wobble_mm: float = 0.15) -> None:
        area = catalogue.sheet("ring", "A4", 3).work_area_mm
        assert area is not None
        self.x, self.y = area[0] + 15.0, area[1] + 15.0
        self.w, self.h = area[2] - area[0] - 30.0, area[3] - area[1] - 30.0
        self.area, self.pen_mm, self.ink = area, pen_mm, ink
        corners = [(0, 0), (1, 0), (1, 0.7), (0.6, 1), (0, 1), (0, 0)]
        self.outline = by_hand(LineString([self.at(u, v) for u, v in corners]), wobble_mm)
        self.layers: list[Layer] = [(self.outline.buffer(pen_mm / 2), ink)]

    def at(self, u: float, v: float) -> tuple[float, float]:
        """A place by shares of the outline's width and height."""
        return self.x + u * self.w, self.y + v * self.h

    def add(self, *shapes: shapely.Geometry, ink: Colour | None = None) -> Board:
        self.layers += [(shape, ink or self.ink) for shape in shapes]
        return self

    def cut(self, hole: shapely.Geometry) -> Board:
        """Leave a gap in everything drawn so far."""
        self.layers = [(shape.difference(hole), ink) for shape, ink in self.layers]
        return self

    def circle(self, u: float, v: float, radius_mm: float) -> LinearRing:
        ring = Point(self.at(u, v)).buffer(radius_mm, quad_segs=64).exterior
        self.add(ring.buffer(self.pen_mm / 2))
        return ring


@pytest.fixture(name="photograph", scope="session")
def _photograph() -> Callable[..., Drawn]:
    return lambda **scene: photograph(Scene(**scene))


@pytest.fixture(name="board", scope="session")
def _board() -> type[Board]:
    return Board


@pytest.fixture(name="drawn", scope="session")
def _drawn() -> object:
    """The other makers, for tests: ``drawn.dashed``, ``drawn.by_hand``, ..."""
    import types

    return types.SimpleNamespace(
        dashed=dashed,
        by_hand=by_hand,
        distances=distances,
        outside_by=outside_by,
        BLACK=BLACK,
        BLUE=BLUE,
        RED=RED,
        PAPER=PAPER,
    )
