"""Photographs of thick plates on a ring, by casting rays at exact shapes.

Nothing of the package's camera is used: rays meet the plate's top face, its walls and the
paper by plane geometry on finely drawn masks.  Contact shadow and hard shadows come from
sweeping the plate's mask along directions of light.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import pytest
import shapely
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates
from shapely.affinity import rotate, translate
from skimage.draw import polygon

from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.tracing.silhouette.trace import SilhouetteOptions, trace_silhouette
from digitize.tracing.traces import Traced

SHEET = Sheet("ring", "A4", 1, 18, 14, 8.0, 2)  # 144 x 112 mm, blank 112 x 80
FINE_MM = 0.025  # mask cells
RUST = (0.20, 0.09, 0.05)


@dataclass(frozen=True)
class Scene:
    """What lies there, how it is lit and from where it is seen."""

    plates: tuple[shapely.Polygon, ...]
    thickness_mm: float = 2.0
    tilt_deg: float = 20.0
    toward_deg: float = 40.0
    lamp: tuple[float, float] | None = None  # zenith and azimuth toward a hard lamp
    colour: tuple[float, float, float] = RUST
    glare: tuple[float, float, float] | None = None  # x, y, radius
    soft_shadow: bool = False
    size_px: tuple[int, int] = (1000, 800)
    focal_px: float = 1000.0
    distance_mm: float = 150.0
    k1: float = 0.03
    look_mm: tuple[float, float] = (72.0, 56.0)
    seed: int = 1
    rays: int = 3  # squared, in every pixel
    noise: float = 1.2  # of 255 steps


def bracket(x: float = 72.0, y: float = 56.0, turn_deg: float = 12.0) -> shapely.Polygon:
    """A bracket with a notch, a slot and round holes of 12, 6 and 4 mm."""
    body = shapely.box(-36, -24, 36, 24).difference(shapely.box(12, 6, 40, 30))
    body = body.difference(shapely.box(-8, -25, 2, -16)).buffer(-2).buffer(2, 64)
    for cx, cy, d in ((22, -10, 12), (-24, 12, 6), (-24, -12, 4)):
        body = body.difference(shapely.Point(cx, cy).buffer(d / 2, 64))
    body = body.difference(shapely.LineString([(-10, 6), (2, 6)]).buffer(3, 64))
    return translate(rotate(body, turn_deg, origin=(0, 0)), x, y)


def true_camera(s: Scene) -> Camera:
    """The scene's camera in the package's own terms."""
    w, h = s.size_px
    centre, turn = _pose(s)
    return Camera(
        s.size_px, turn, -turn @ centre, s.focal_px, ((w - 1) / 2 + 9, (h - 1) / 2 - 6),
        s.k1, 0.0, np.zeros((11, 11)),
    )  # fmt: skip


def photograph(s: Scene) -> Photo:
    """The picture, 8 bit sRGB coded."""
    w, h = s.size_px
    rng = np.random.default_rng(s.seed)
    low, high = np.array(shapely.union_all(s.plates).bounds).reshape(2, 2) + np.array([[-9], [9]])
    mask = _drawn(s.plates, low, high)
    open_sky, lamp_seen = _sky(mask, s), _lamp(mask, s)
    grain = gaussian_filter(rng.normal(size=(400, 400)), 1.5)
    grain /= grain.std()
    picture = np.empty((h, w, 3), np.float32)
    for top in range(0, h, 100):
        rows = slice(top, min(h, top + 100))
        picture[rows] = _band(s, rows, low, (mask, open_sky, lamp_seen, grain))
    picture = cv2.GaussianBlur(picture, (0, 0), 0.75)
    coded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055)
    noisy = np.clip(np.rint(coded * 255 + rng.normal(0, s.noise, coded.shape)), 0, 255)
    return Photo("scene.png", "0" * 64, noisy.astype(np.uint8), None, None)


def _pose(s: Scene) -> tuple[np.ndarray, np.ndarray]:
    tilt, toward = np.radians(s.tilt_deg), np.radians(s.toward_deg)
    back = np.array([np.sin(tilt) * np.cos(toward), np.sin(tilt) * np.sin(toward), np.cos(tilt)])
    centre = np.array([*s.look_mm, 0.0]) + s.distance_mm * back
    right = np.cross([0.0, 1.0, 0.0], back)
    right /= np.linalg.norm(right)
    return centre, np.stack([right, np.cross(-back, right), -back])


def _drawn(plates: tuple[shapely.Polygon, ...], low: np.ndarray, high: np.ndarray) -> np.ndarray:
    columns, rows = np.ceil((high - low) / FINE_MM).astype(int)
    mask = np.zeros((rows, columns), bool)
    for plate in plates:
        for ring, value in [(plate.exterior, True)] + [(r, False) for r in plate.interiors]:
            xy = (np.array(ring.coords) - low) / FINE_MM
            mask[polygon(xy[:, 1], xy[:, 0], mask.shape)] = value
    return mask


def _swept(mask: np.ndarray, dx: float, dy: float) -> np.ndarray:
    """A mask smeared from 0 to (dx, dy) cells."""
    count = int(np.ceil(max(abs(dx), abs(dy))))
    out, have = mask.copy(), 1
    while have < count + 1:
        step = min(have, count + 1 - have)
        move = np.float32([[1, 0, round(dx / count * step)], [0, 1, round(dy / count * step)]])
        moved = cv2.warpAffine(out.astype(np.uint8), move, out.shape[::-1], flags=cv2.INTER_NEAREST)
        out, have = out | (moved > 0), have + step
    return out


def _sky(mask: np.ndarray, s: Scene) -> np.ndarray:
    """Share of an even sky that paper sees (rows, columns), on every fourth cell."""
    coarse, cell = mask[::4, ::4], FINE_MM * 4
    blocked = np.zeros(coarse.shape, np.float32)
    rings, ways = 6, 20
    for k in range(rings):
        reach = s.thickness_mm * np.tan(np.arcsin(np.sqrt((k + 0.5) / rings)))
        for way in 2 * np.pi * (np.arange(ways) + k / rings) / ways:
            blocked += _swept(coarse, reach * np.cos(way) / cell, reach * np.sin(way) / cell)
    return _beside(coarse, 1 - blocked / (rings * ways))


def _beside(covered: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Values of paper beside the plate carried on under it, so that joining them is exact."""
    where = distance_transform_edt(covered, return_distances=False, return_indices=True)
    return seen[tuple(where)]


def _lamp(mask: np.ndarray, s: Scene) -> np.ndarray | None:
    """Share of a lamp 1 degree across that paper sees (rows, columns), on every other cell."""
    if s.lamp is None:
        return None
    coarse, cell = mask[::2, ::2], FINE_MM * 2
    blocked = np.zeros(coarse.shape, np.float32)
    for off in np.linspace(-0.5, 0.5, 5):
        reach = s.thickness_mm * np.tan(np.radians(s.lamp[0] + off))
        way = np.radians(s.lamp[1] + 180)
        blocked += _swept(coarse, reach * np.cos(way) / cell, reach * np.sin(way) / cell)
    return _beside(coarse, 1 - blocked / 5)


def _band(s: Scene, rows: slice, low: np.ndarray, maps: tuple) -> np.ndarray:
    mask, open_sky, lamp_seen, grain = maps
    w, n = s.size_px[0], s.rays
    sub = (np.arange(n) + 0.5) / n - 0.5
    y = (np.arange(rows.start, rows.stop)[:, None] + sub).ravel()
    x = (np.arange(w)[:, None] + sub).ravel()
    camera = true_camera(s)
    a = (x[None, :] - camera.principal_px[0]) / s.focal_px + 0 * y[:, None]
    b = (y[:, None] - camera.principal_px[1]) / s.focal_px + 0 * x[None, :]
    u, v = a.copy(), b.copy()
    for _ in range(15):
        g = 1 + s.k1 * (u * u + v * v)
        u, v = a / g, b / g
    centre, turn = _pose(s)
    way = [turn[0, k] * u + turn[1, k] * v + turn[2, k] for k in range(3)]
    at = {}
    for height in (0.0, s.thickness_mm):
        along = (height - centre[2]) / way[2]
        at[height] = (centre[0] + along * way[0], centre[1] + along * way[1])
    (px, py), (tx, ty) = at[0.0], at[s.thickness_mm]
    face = _hit(mask, low, tx, ty)
    wall = np.zeros_like(face)
    near = ~face & (_look(open_sky, low, 4, px, py) < 0.97)
    if near.any():
        fx, fy, gx, gy = tx[near], ty[near], px[near], py[near]
        for share in np.linspace(0, 1, 17)[1:]:
            wall[near] |= _hit(mask, low, fx + share * (gx - fx), fy + share * (gy - fy))
    sky, lamp = np.array([0.55, 0.55, 0.55]), np.zeros(3)
    if s.lamp is not None:
        sky, lamp = np.array([0.16, 0.17, 0.20]), np.array([0.55, 0.53, 0.50])
    lit = sky * _look(open_sky, low, 4, px, py)[..., None]
    lit = lit + (lamp * _look(lamp_seen, low, 2, px, py)[..., None] if s.lamp else 0)
    paper = _printed(px, py)[..., None] * lit / 0.8
    speckle = np.exp(0.25 * grain[(ty * 8).astype(int) % 400, (tx * 8).astype(int) % 400])
    metal = np.array(s.colour) * speckle[..., None] * (sky + lamp) / 0.6
    if s.glare is not None:
        gx, gy, radius = s.glare
        metal = (
            metal
            + 0.62 * np.exp(-((((tx - gx) ** 2 + (ty - gy) ** 2) / radius**2) ** 2))[..., None]
        )
    seen = np.where(face[..., None], metal, np.where(wall[..., None], 0.5 * metal, paper))
    if s.soft_shadow:
        seen = seen * (0.5 + 0.5 / (1 + np.exp(-(px - py - 20) / 8)))[..., None]
    return seen.reshape(rows.stop - rows.start, n, w, n, 3).mean(axis=(1, 3))


def _hit(mask: np.ndarray, low: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    i = np.rint((y - low[1]) / FINE_MM).astype(int)
    j = np.rint((x - low[0]) / FINE_MM).astype(int)
    inside = (i >= 0) & (j >= 0) & (i < mask.shape[0]) & (j < mask.shape[1])
    return inside & mask[np.clip(i, 0, mask.shape[0] - 1), np.clip(j, 0, mask.shape[1] - 1)]


def _look(
    values: np.ndarray, low: np.ndarray, every: int, x: np.ndarray, y: np.ndarray
) -> np.ndarray:
    cell = FINE_MM * every
    return map_coordinates(
        values, [(y - low[1]) / cell, (x - low[0]) / cell], order=1, mode="constant", cval=1.0
    )


def _printed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Reflectance of the sheet."""
    side, b = SHEET.square_mm, SHEET.band
    i, j = np.floor(x / side).astype(int), np.floor(y / side).astype(int)
    on = (i >= 0) & (i < SHEET.columns) & (j >= 0) & (j < SHEET.rows)
    blank = (i >= b) & (i < SHEET.columns - b) & (j >= b) & (j < SHEET.rows - b)
    return np.where(on & ~blank & ((i + j) % 2 == 0), 0.04, 0.8)


def errors_mm(points_mm: np.ndarray, ring: shapely.LinearRing) -> np.ndarray:
    """Distances (N,) from a true edge, positive outside it."""
    points = shapely.points(points_mm)
    inside = shapely.contains(shapely.Polygon(ring), points)
    return np.where(inside, -1.0, 1.0) * shapely.distance(ring, points)


@cache
def _traced(scene: Scene, options: SilhouetteOptions) -> tuple[Traced, Photo, Camera]:
    photo, camera = photograph(scene), true_camera(scene)
    return trace_silhouette(photo, camera, SHEET, options), photo, camera


@pytest.fixture(scope="session")
def plate_scene() -> type[Scene]:
    return Scene


@pytest.fixture(scope="session")
def make_bracket() -> Callable[..., shapely.Polygon]:
    return bracket


@pytest.fixture(scope="session")
def traced() -> Callable[..., tuple[Traced, Photo, Camera]]:
    """Trace a scene; photographs are kept, they take seconds."""

    def run(scene: Scene, **options: object) -> tuple[Traced, Photo, Camera]:
        given = {"thickness_mm": scene.thickness_mm, **options}
        return _traced(scene, SilhouetteOptions(**given))

    return run


@pytest.fixture(scope="session")
def off_mm() -> Callable[[np.ndarray, shapely.LinearRing], np.ndarray]:
    return errors_mm


@pytest.fixture(scope="session")
def hole_of() -> Callable[[shapely.Polygon, float], shapely.LinearRing]:
    """The true opening of a given area, mm2."""

    def find(plate: shapely.Polygon, area: float) -> shapely.LinearRing:
        return min(plate.interiors, key=lambda r: abs(shapely.Polygon(r).area - area))

    return find
