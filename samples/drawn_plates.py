"""Photographs of a plate with holes on a printed ring, every error of a real one drawn by lot.

Ray casting by numpy and OpenCV: nothing of the program's own projection, light or fitting is
in it, only the raster of the printed page.  The plate's edge is a signed distance, so that its
truth is exact; each pixel is ``FINE`` x ``FINE`` rays.  What is drawn by lot, and how widely,
stands in ``drawn``: it is what the stated uncertainty claims to cover.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from digitize.pattern.contour import Circle, Contour
from digitize.pattern.dimensions import Dimension, dimensions
from digitize.pattern.edge_names import named_edges
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Segment
from digitize.sheets.catalogue import sheet
from digitize.sheets.page import page
from digitize.sheets.printing import ink

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]

FINE = 3
_PAGE_PER_MM = 10
_EDGE_PER_MM = 6  # of the signed distance, which is linear across a straight edge
_FAR_MM = 25.0  # beyond it the signed distance is not needed
_SAME_MM, _SAME_DEG = 2.0, 1.0  # within which found and true are the same thing
_PAPER, _PRINT = 0.75, 0.04  # linear light
_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


@dataclass(frozen=True)
class Plate:
    """A plate: corners counter-clockwise in sheet millimetres, holes, one rounded corner."""

    corners_mm: FloatArray  # (N, 2)
    holes: tuple[tuple[float, float, float], ...]  # x, y, radius
    fillet: tuple[int, float] | None = None  # which corner, radius

    def _round(self) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        """Middle of the rounding, its two tangent points, its radius."""
        assert self.fillet is not None
        number, r = self.fillet
        p = self.corners_mm
        at, before, after = p[number], p[number - 1], p[(number + 1) % len(p)]
        a, b = (
            (before - at) / np.linalg.norm(before - at),
            (after - at) / np.linalg.norm(after - at),
        )
        half = math.acos(float(np.clip(a @ b, -1, 1))) / 2
        back = r / math.tan(half)
        middle = at + (a + b) / np.linalg.norm(a + b) * r / math.sin(half)
        return middle, at + a * back, at + b * back, r

    def pattern(self) -> Pattern:
        """The truth."""
        p, segments = self.corners_mm, list[Segment]()
        places: list[FloatArray] = []
        arc_at = None
        for number, corner in enumerate(p):
            if self.fillet is not None and self.fillet[0] == number:
                _, start, end, _ = self._round()
                arc_at = len(places)
                places += [start, end]
            else:
                places.append(corner)
        ends = [(float(x), float(y)) for x, y in places]
        for i, start in enumerate(ends):
            end = ends[(i + 1) % len(ends)]
            if i == arc_at:
                middle, a, b, _ = self._round()
                u, v = a - middle, b - middle
                turn = math.atan2(u[0] * v[1] - u[1] * v[0], float(u @ v))
                segments.append(Arc(start, end, math.tan(turn / 4)))
            else:
                segments.append(Line(start, end))
        return Pattern(
            "true",
            Contour.of(segments),
            tuple(Circle((x, y), r) for x, y, r in self.holes),
        )

    def signed_mm(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Signed distance, negative in the metal, of places of one shape."""
        p = self.corners_mm
        nearest = np.full(x.shape, np.inf)
        inside = np.zeros(x.shape, bool)
        for i in range(len(p)):
            (ax, ay), (bx, by) = p[i], p[(i + 1) % len(p)]
            ex, ey = bx - ax, by - ay
            t = np.clip(((x - ax) * ex + (y - ay) * ey) / (ex * ex + ey * ey), 0, 1)
            nearest = np.minimum(nearest, np.hypot(x - ax - t * ex, y - ay - t * ey))
            if ay != by:
                crosses = (ay > y) != (by > y)
                inside ^= crosses & (x < ax + (y - ay) * ex / ey)
        signed = np.where(inside, -nearest, nearest)
        if self.fillet is not None:
            middle, a, b, r = self._round()
            u, v = a - middle, b - middle
            dx, dy = x - middle[0], y - middle[1]
            wedge = (u[0] * dy - u[1] * dx > 0) & (dx * v[1] - dy * v[0] > 0)
            signed = np.where(wedge, np.hypot(dx, dy) - r, signed)
        for hx, hy, r in self.holes:
            signed = np.maximum(signed, r - np.hypot(x - hx, y - hy))
        return signed


@dataclass(frozen=True)
class Shot:
    """One photograph to be made, and everything the truth knows of it."""

    plate: Plate
    thickness_mm: float = 1.5  # of the real plate
    told_mm: float = 1.5  # thickness that the user says
    rise_mm: float = 0.0  # of its underside over the paper, at the mean of its corners
    paper: str = "A4"
    size_px: tuple[int, int] = (1400, 1050)
    focal_px: float = 1150.0
    off_px: tuple[float, float] = (0.0, 0.0)
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    fill: float = 0.9  # of the picture by the sheet
    tilt_deg: float = 15.0
    toward_deg: float = 90.0
    roll_deg: float = 90.0
    printed: tuple[float, float] = (1.0, 1.0)
    curl_mm: FloatArray = field(default_factory=lambda: np.zeros(7))  # rms of each term
    metal: float = 0.15
    texture: float = 0.15
    light_slope: tuple[float, float] = (0.0, 0.0)  # change of light across the picture
    blur_px: float = 0.7
    noise: float = 0.004  # of linear light at middle grey
    quality: int = 92
    gamma: float = 1.0  # left over of the camera's own tone curve
    told_focal: float = 1.0  # header over true focal length
    pen_mm: float | None = None  # drawn round with a pen so wide, instead of the plate itself
    pen_gap_mm: float = 0.0  # between the plate's edge and the line's inner side
    seed: int = 1

    def but(self, **changes: object) -> Shot:
        """The same with something else."""
        return replace(self, **changes)  # type: ignore[arg-type]

    @property
    def _rotation(self) -> FloatArray:
        """Camera from sheet."""
        turn = cv2.Rodrigues(np.array([0.0, 0.0, math.radians(self.roll_deg)]))[0]
        a, t = math.radians(self.toward_deg), math.radians(self.tilt_deg)
        lean = cv2.Rodrigues(np.array([math.cos(a), math.sin(a), 0.0]) * t)[0]
        return np.asarray(turn @ np.diag([1.0, -1.0, -1.0]) @ lean)

    @property
    def _matrix(self) -> FloatArray:
        w, h = self.size_px
        cx, cy = (w - 1) / 2 + self.off_px[0], (h - 1) / 2 + self.off_px[1]
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    @property
    def _lens(self) -> FloatArray:
        return np.array([self.k1, self.k2, self.p1, self.p2])

    def centre_mm(self) -> FloatArray:
        """Where the camera stood: so far off that the sheet fills its share of the picture."""
        size = np.array(sheet("ring", self.paper, 1).size_mm)
        corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * size
        middle, rotation = np.append(size / 2, 0.0), self._rotation
        low, high = 100.0, 4000.0
        for _ in range(40):
            away = (low + high) / 2
            centre = middle - away * rotation[2]
            local = (np.column_stack([corners, np.zeros(4)]) - centre) @ rotation.T
            seen = self.focal_px * local[:, :2] / local[:, 2:]
            most = np.abs(seen / (np.array(self.size_px) / 2)).max()
            low, high = (away, high) if most > self.fill else (low, away)
        return np.asarray(middle - high * rotation[2])


def drawn(number: int, *, measured_u: float = 0.0008, ink: bool | None = None) -> Shot:
    """A photograph by lot; ``measured_u`` is the relative uncertainty of the print's scale.

    Errors that the program cannot see (print, thickness, header, pen, tone curve) are drawn
    from what its budget says of them, all others from what careful users' photos show
    (judgement, no source).
    """
    rng = np.random.default_rng([20261125, number])
    drawn_ink = bool(rng.random() < 0.25) if ink is None else ink
    told_mm = rng.uniform(0.7, 2.0)
    return Shot(
        plate=_plate(rng),
        thickness_mm=told_mm + rng.normal(0, 0.05),
        told_mm=told_mm,
        rise_mm=abs(rng.normal(0, 0.03)),
        focal_px=rng.uniform(1000, 1500),
        off_px=tuple(rng.normal(0, 0.0075 * 1400, 2)),
        k1=rng.normal(0, 0.03),
        k2=rng.normal(0, 0.02),
        p1=rng.normal(0, 5e-5),
        p2=rng.normal(0, 5e-5),
        fill=rng.uniform(0.78, 0.95),
        tilt_deg=rng.uniform(1, 25),
        toward_deg=rng.uniform(0, 360),
        roll_deg=90 + rng.uniform(-8, 8),
        printed=tuple(1 + rng.normal(0, measured_u, 2)),
        curl_mm=rng.normal(0, 0.03 if rng.random() < 0.9 else 0.3, 7),
        metal=rng.uniform(0.04, 0.22),
        texture=rng.uniform(0.03, 0.12),
        light_slope=tuple(rng.uniform(-0.25, 0.25, 2)),
        blur_px=rng.uniform(0.5, 1.1),
        noise=rng.uniform(0.002, 0.010),
        quality=int(rng.integers(82, 97)),
        gamma=math.exp(rng.normal(0, 0.25)),
        told_focal=math.exp(rng.normal(0, 0.02)),
        pen_mm=rng.uniform(0.5, 1.0) if drawn_ink else None,
        pen_gap_mm=rng.normal(0, 0.10),
        seed=number,
    )


def _plate(rng: np.random.Generator) -> Plate:
    wide, long = rng.uniform(75, 105), rng.uniform(120, 180)
    box = np.array([(0.0, 0.0), (wide, 0.0), (wide, long), (0.0, long)])
    kind = int(rng.integers(3))
    if kind == 0:  # a corner cut off
        a, b = rng.uniform(15, 40, 2)
        p = np.array([box[0], box[1], (wide, long - b), (wide - a, long), box[3]])
    elif kind == 1:  # a step
        a, b = rng.uniform(20, 45, 2)
        p = np.array([*box[:2], (wide, long - b), (wide - a, long - b), (wide - a, long), box[3]])
    else:  # tapered
        a = rng.uniform(5, 20)
        p = np.array([box[0], box[1], (wide - a, long), (a / 2, long)])
    fillet = (1, float(rng.uniform(8, 16))) if rng.random() < 0.3 else None
    holes: list[tuple[float, float, float]] = []
    for _ in range(60):
        x, y, r = rng.uniform(15, 60), rng.uniform(15, 85), rng.uniform(2.5, 13)
        apart = all(math.hypot(x - hx, y - hy) > r + hr + 8 for hx, hy, hr in holes)
        if apart and r + 8 < min(x, y, 75 - x) and len(holes) < 4:
            holes.append((float(x), float(y), float(r)))
    turn = math.radians(rng.uniform(-5, 5))
    c, s = math.cos(turn), math.sin(turn)
    size = np.array(sheet("ring", "A4", 1).size_mm)
    move = size / 2 + rng.uniform(-3, 3, 2)
    middle = np.array([wide, long]) / 2
    spin = np.array([[c, s], [-s, c]])
    return Plate(
        (p - middle) @ spin + move,
        tuple((*((np.array([x, y]) - middle) @ spin + move).tolist(), r) for x, y, r in holes),
        fillet,
    )


def photograph(shot: Shot) -> bytes:
    """The photo as JPEG, its focal length in the header."""
    light = _light(shot)
    rng = np.random.default_rng(shot.seed)
    w, h = shot.size_px
    fine = cv2.GaussianBlur(light, (0, 0), max(shot.blur_px * FINE, 0.3))
    seen = fine.reshape(h, FINE, w, FINE).mean((1, 3))
    u, v = np.meshgrid(np.linspace(-1, 1, w), np.linspace(-1, 1, h))
    seen = seen * (1 + shot.light_slope[0] * u + shot.light_slope[1] * v)
    seen = seen + rng.normal(size=seen.shape) * shot.noise * np.sqrt(0.2 + seen / 0.22)
    seen = np.clip(seen, 0, 1) ** shot.gamma
    coded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    grey = np.round(255 * np.clip(coded, 0, 1)).astype(np.uint8)
    image = Image.fromarray(np.repeat(grey[:, :, None], 3, 2))
    exif = Image.Exif()
    diagonal_px = math.hypot(*shot.size_px)
    told = shot.focal_px * shot.told_focal / diagonal_px * _FULL_FRAME_DIAGONAL_MM
    exif.get_ifd(0x8769)[0xA405] = round(told)
    file = io.BytesIO()
    image.save(file, "JPEG", quality=shot.quality, exif=exif)
    return file.getvalue()


def _light(shot: Shot) -> Picture:
    """Linear light (height * FINE, width * FINE)."""
    w, h = shot.size_px
    scene = _Scene(shot)
    px = np.stack(np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float)), -1)
    rays = cv2.undistortPoints(
        px.reshape(-1, 1, 2),
        shot._matrix,
        shot._lens,
        criteria=(cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 40, 1e-10),
    )[:, 0]
    d = np.column_stack([rays, np.ones(len(rays))]) @ shot._rotation
    # Sideways per millimetre upward, and how that changes within a pixel.
    slope = [(d[:, i] / d[:, 2]).reshape(h, w) for i in (0, 1)]
    change = [[g.astype(np.float32) for g in np.gradient(one)] for one in slope]
    middle = [one.astype(np.float32) for one in slope]
    scene.bulge(slope)
    light = np.empty((h * FINE, w * FINE), np.float32)
    for down in range(FINE):
        for across in range(FINE):
            dv, du = (down + 0.5) / FINE - 0.5, (across + 0.5) / FINE - 0.5
            here = [
                m + np.float32(dv) * g[0] + np.float32(du) * g[1]
                for m, g in zip(middle, change, strict=True)
            ]
            light[down::FINE, across::FINE] = scene.seen(here)
    return light


class _Scene:
    """What rays meet."""

    def __init__(self, shot: Shot) -> None:
        self._shot = shot
        self._centre = shot.centre_mm()
        whole = page("ring", shot.paper, 1)
        self._inked = ink(whole, 25.4 * _PAGE_PER_MM).astype(np.float32) / 255
        self._origin, self._up_mm = whole.targets[0].origin_mm, whole.size_mm[1]
        self._edge, self._corner = _distance(shot.plate)
        at = np.vstack([shot.plate.corners_mm, shot.plate.corners_mm.mean(axis=0)])
        self._low_mm = shot.rise_mm + float(_curl(shot)(at).mean())
        grain = np.random.default_rng([shot.seed, 7]).normal(size=(512, 512)).astype(np.float32)
        grain = cv2.GaussianBlur(grain, (0, 0), 2.0)
        self._grain = grain / grain.std()

    def bulge(self, slope: list[FloatArray]) -> None:
        """How far sideways the paper is met by its bulge, for rays of these slopes."""
        curl, z = _curl(self._shot), self._centre[2]
        flat = np.stack([c - s * z for c, s in zip(self._centre, slope, strict=False)], -1)
        place = flat
        for _ in range(2):
            height = curl(place)
            place = flat + np.stack(slope, -1) * height[..., None]
        self._aside = [(place[..., i] - flat[..., i]).astype(np.float32) for i in (0, 1)]

    def _at(self, slope: list[Picture], height_mm: float) -> list[Picture]:
        drop = np.float32(height_mm - self._centre[2])
        return [np.float32(c) + s * drop for c, s in zip(self._centre, slope, strict=False)]

    def _signed(self, place: list[Picture]) -> Picture:
        x, y = (
            (p - np.float32(c)) * _EDGE_PER_MM for p, c in zip(place, self._corner, strict=True)
        )
        return cv2.remap(self._edge, x, y, cv2.INTER_LINEAR, borderValue=_FAR_MM)

    def seen(self, slope: list[Picture]) -> Picture:
        """Light of each ray."""
        shot = self._shot
        flat = self._at(slope, 0.0)
        per_ray = float(np.hypot(*(f[0, 1] - f[0, 0] for f in flat))) / FINE

        def cover(distance: Picture) -> Picture:
            return np.clip(0.5 - distance / np.float32(per_ray), 0.0, 1.0)

        ground = [f + a for f, a in zip(flat, self._aside, strict=True)]
        px, py = (
            g / np.float32(s) + np.float32(o)
            for g, s, o in zip(ground, shot.printed, self._origin, strict=True)
        )
        share = cv2.remap(
            self._inked,
            px * _PAGE_PER_MM - np.float32(0.5),
            (np.float32(self._up_mm) - py) * _PAGE_PER_MM - np.float32(0.5),
            cv2.INTER_LINEAR,
            borderValue=0.0,
        )
        light = np.float32(_PAPER) + np.float32(_PRINT - _PAPER) * share
        if shot.pen_mm is not None:
            # The pen runs outside the plate and inside its holes.
            off = self._signed(ground) - np.float32(shot.pen_gap_mm + shot.pen_mm / 2)
            return light + (np.float32(0.05) - light) * cover(np.abs(off) - shot.pen_mm / 2)
        low, t = self._low_mm, shot.thickness_mm
        foot, place = self._signed(self._at(slope, low)), self._at(slope, low + t)
        # Half the sky is hidden at the foot of an upright wall.
        beside = np.maximum(foot, 0.0)
        light = light * (0.5 + 0.5 * beside / np.sqrt(beside**2 + np.float32(t**2)))
        top = self._signed(place)
        light += (np.float32(0.6 * shot.metal) - light) * cover(np.minimum(foot, top))
        speckle = cv2.remap(self._grain, place[0] % 64 * 7, place[1] % 64 * 7, cv2.INTER_LINEAR)
        face = np.float32(shot.metal) * np.clip(1 + np.float32(shot.texture) * speckle, 0.2, 3.0)
        light += (face - light) * cover(top)
        return light


def _distance(plate: Plate) -> tuple[Picture, FloatArray]:
    """Signed distance by a raster, and the place of its first value."""
    low = plate.corners_mm.min(axis=0) - _FAR_MM
    high = plate.corners_mm.max(axis=0) + _FAR_MM
    xs = np.arange(low[0], high[0], 1 / _EDGE_PER_MM)
    ys = np.arange(low[1], high[1], 1 / _EDGE_PER_MM)
    x, y = np.meshgrid(xs, ys)
    return plate.signed_mm(x, y).astype(np.float32), low


def _curl(shot: Shot):  # type: ignore[no-untyped-def]
    """Height of the paper: a smooth field without mean or slope over the printed ring."""
    target = sheet("ring", shot.paper, 1)
    nodes = target.x_corners() * target.square_mm
    middle, half = np.array(target.size_mm) / 2, max(target.size_mm) / 2
    powers = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))

    def terms(place: FloatArray) -> FloatArray:
        u, v = np.moveaxis((place - middle) / half, -1, 0)
        return np.stack([u**i * v**j for i, j in powers], -1)

    def plane(place: FloatArray) -> FloatArray:
        u, v = np.moveaxis((place - middle) / half, -1, 0)
        return np.stack([np.ones_like(u), u, v], -1)

    on_ring = terms(nodes.astype(float))
    level = np.linalg.lstsq(plane(nodes.astype(float)), on_ring, rcond=None)[0]
    size = np.sqrt(((on_ring - plane(nodes.astype(float)) @ level) ** 2).mean(axis=0))
    weights = shot.curl_mm / size
    return lambda place: (terms(place) - plane(place) @ level) @ weights


def compared(found: Pattern, true: Pattern) -> list[tuple[Dimension, Dimension]]:
    """Dimensions of a found pattern, each with the same one of the true pattern.

    Holes are matched by place.  Edges and angles count only where the outline was broken down
    into the same edges, positions only where both have the same datum.
    """
    holes = []
    for hole in (o for o in found.openings if isinstance(o, Circle)):
        near = min(
            (o for o in true.openings if isinstance(o, Circle)),
            key=lambda o, hole=hole: math.dist(o.centre_mm, hole.centre_mm),
            default=None,
        )
        if near is not None and math.dist(near.centre_mm, hole.centre_mm) < _SAME_MM:
            holes.append((hole, near))
    found = replace(found, openings=tuple(hole for hole, _ in holes))
    true = replace(true, openings=tuple(near for _, near in holes))
    listed, real = dimensions(found), dimensions(true)
    turn = math.remainder(listed.datum.direction_rad - real.datum.direction_rad, math.tau)
    same_datum = abs(math.degrees(turn)) < _SAME_DEG
    edges, others = (
        named_edges(p.outline, d.datum.origin_mm) for p, d in ((found, listed), (true, real))
    )
    same_edges = len(edges) == len(others) and all(
        type(a.segment) is type(b.segment)
        and math.dist(a.segment.start_mm, b.segment.start_mm) < _SAME_MM
        for a, b in zip(edges, others, strict=False)
    )
    by_name = {(d.name, d.kind, d.other): d for d in real.dimensions}
    pairs = []
    for row in listed.dimensions:
        known = by_name.get((row.name, row.kind, row.other))
        of_edges, of_datum = row.name[0] in "EA", row.name in ("OL", "OW") or row.kind in ("x", "y")
        counts = (same_edges or not of_edges) and (same_datum or not of_datum)
        if known is not None and counts:
            pairs.append((row, known))
    return pairs
