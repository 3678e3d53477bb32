"""A bench with rules on it, photographed by ray casting: numpy and OpenCV, nothing of ours.

Each pixel is ``FINE`` x ``FINE`` rays; lens distortion is undone by OpenCV.  What a ray
meets is computed exactly: the top of a plate or a rule, its wall, or the bench.  Light is
kept linear until noise and coding.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

FINE = 3


@dataclass(frozen=True)
class Scale:
    """One graduated edge: which divisions, and how long each rank's marks are."""

    unit: str = "mm"  # "mm" or "inch"
    division: float = 1.0  # mm, or inches as a fraction
    lengths_mm: tuple[float, ...] = (3.0, 4.5, 6.5)  # by rank, shortest first
    width_mm: float = 0.22
    edge: str = "bottom"  # of the rule: "bottom" (y = 0) or "top" (y = width)
    start_mm: float = 5.0  # of the first mark from the rule's end

    def rank(self, k):
        if self.unit == "mm":
            per_cm = round(10 / self.division)
            half = per_cm // 2
            r = np.where(k % per_cm == 0, 2, np.where(k % half == 0, 1, 0))
            if self.division == 0.5:
                r = np.where(
                    k % per_cm == 0, 3, np.where(k % half == 0, 2, np.where(k % 2 == 0, 1, 0))
                )
            return r
        n = round(1 / self.division)
        levels = int(np.log2(n))
        r = np.zeros_like(k)
        for level in range(1, levels + 1):
            r = np.where(k % 2**level == 0, level, r)
        return r

    @property
    def pitch_mm(self):
        return self.division * (25.4 if self.unit == "inch" else 1.0)


@dataclass(frozen=True)
class Rule:
    """A rule on the bench; its own frame has x along it and y across it, from its corner."""

    length_mm: float = 310.0
    width_mm: float = 25.0
    scales: tuple[Scale, ...] = (Scale(),)
    at_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    thick_mm: float = 0.7
    slope_deg: float = 0.0  # across: its top leans about its long axis
    face: float = 0.55
    ink: float = 0.06
    numbers: bool = True
    worn: float = 0.0  # share of the marks that have faded
    rust: float = 0.0
    glare: float = 0.0  # brightness of a streak across it, linear
    stretch: float = 1.0  # true over stated lengths
    mark_error_mm: float = 0.0  # of single marks

    def local(self, x, y):
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        dx, dy = x - self.at_mm[0], y - self.at_mm[1]
        return c * dx + s * dy, -s * dx + c * dy

    def place(self, along_mm, across_mm):
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.array(
            [
                self.at_mm[0] + c * along_mm - s * across_mm,
                self.at_mm[1] + s * along_mm + c * across_mm,
            ]
        ).T


@dataclass(frozen=True)
class Plate:
    """A flat plate: its outline, thickness and linear grey."""

    corners_mm: np.ndarray
    thick_mm: float = 1.2
    grey: float = 0.12
    speckle: float = 0.25


@dataclass(frozen=True)
class Shot:
    """One photograph to be made; the truth is in its numbers."""

    rules: tuple[Rule, ...] = ()
    plates: tuple[Plate, ...] = ()
    size_px: tuple[int, int] = (1600, 1200)
    focal_px: float = 1500.0
    off_px: tuple[float, float] = (0.0, 0.0)
    k1: float = 0.0
    k2: float = 0.0
    look_at_mm: tuple[float, float] = (155.0, 90.0)
    distance_mm: float = 380.0
    tilt_deg: float = 0.0
    toward_deg: float = 90.0
    roll_deg: float = 0.0
    bench: float = 0.30
    grain: float = 0.05
    blur_px: float = 0.6
    noise: float = 0.004
    shadow: float = 0.5
    seed: int = 1
    extra: dict = field(default_factory=dict)

    def rotation(self):
        t, a = np.radians(self.tilt_deg), np.radians(self.toward_deg)
        back = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
        y = np.radians(self.roll_deg)
        right = np.array([np.cos(y), np.sin(y), 0.0])
        right -= (right @ -back) * -back
        right /= np.linalg.norm(right)
        return np.array([right, np.cross(-back, right), -back]), back

    def centre(self):
        return np.array([*self.look_at_mm, 0.0]) + self.distance_mm * self.rotation()[1]

    def matrix(self):
        w, h = self.size_px
        return np.array(
            [
                [self.focal_px, 0, (w - 1) / 2 + self.off_px[0]],
                [0, self.focal_px, (h - 1) / 2 + self.off_px[1]],
                [0, 0, 1.0],
            ]
        )

    def px(self, points_mm):
        """Pixels (N, 2) of points (N, 2 or 3), by OpenCV."""
        points = np.asarray(points_mm, float)
        if points.shape[1] == 2:
            points = np.column_stack([points, np.zeros(len(points))])
        rotation = self.rotation()[0]
        seen, _ = cv2.projectPoints(
            points,
            cv2.Rodrigues(rotation)[0],
            -rotation @ self.centre(),
            self.matrix(),
            np.array([self.k1, self.k2, 0, 0]),
        )
        return seen[:, 0]

    def but(self, **changes):
        return replace(self, **changes)


def smooth_noise(shape, sigma, seed):
    small = (max(2, int(shape[0] / sigma * 2)), max(2, int(shape[1] / sigma * 2)))
    noise = np.random.default_rng(seed).normal(size=small).astype(np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), 1.0)
    out = cv2.resize(noise, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return out / out.std()


def photograph(shot: Shot) -> np.ndarray:
    """RGB (height, width, 3) uint8."""
    w, h = shot.size_px
    u = (np.arange(w * FINE) + 0.5) / FINE - 0.5
    v = (np.arange(h * FINE) + 0.5) / FINE - 0.5
    out = np.zeros((h, w), np.float32)
    rotation, centre = shot.rotation()[0], shot.centre()
    texture = {id(s): _numbers(r, s) for r in shot.rules for s in r.scales if r.numbers}
    fine = np.empty((h * FINE, w * FINE), np.float32)
    band = 240 * FINE
    for start in range(0, h * FINE, band):
        rows = v[start : start + band]
        px = np.stack(np.meshgrid(u, rows), -1).reshape(-1, 1, 2)
        if shot.k1 or shot.k2:
            lens = np.array([shot.k1, shot.k2, 0, 0])
            rays = cv2.undistortPoints(
                px, shot.matrix(), lens, criteria=(cv2.TERM_CRITERIA_COUNT, 12, 0.0)
            )[:, 0]
        else:
            m = shot.matrix()
            rays = (px[:, 0] - m[:2, 2]) / shot.focal_px
        d = np.column_stack([rays, np.ones(len(rays))]) @ rotation
        footprint = shot.distance_mm / shot.focal_px / FINE
        fine[start : start + band] = _seen(shot, centre, d, footprint, texture).reshape(
            len(rows), -1
        )
    fine = cv2.GaussianBlur(fine, (0, 0), max(shot.blur_px * FINE, 0.3))
    out = fine.reshape(h, FINE, w, FINE).mean((1, 3))
    rng = np.random.default_rng(shot.seed)
    out = out + rng.normal(size=out.shape) * shot.noise * np.sqrt(0.1 + out / 0.5)
    out = np.clip(out, 0, 1)
    coded = np.where(out <= 0.0031308, 12.92 * out, 1.055 * out ** (1 / 2.4) - 0.055)
    grey = np.round(255 * coded).astype(np.uint8)
    return np.ascontiguousarray(np.repeat(grey[..., None], 3, 2))


def _seen(shot, centre, d, footprint, texture):
    t0 = -centre[2] / d[:, 2]
    x0, y0 = centre[0] + t0 * d[:, 0], centre[1] + t0 * d[:, 1]
    light = _bench(shot, x0, y0)
    for plate in shot.plates:
        t = (plate.thick_mm - centre[2]) / d[:, 2]
        x, y = centre[0] + t * d[:, 0], centre[1] + t * d[:, 1]
        ring = (plate.corners_mm).astype(float)
        shade = _inside(ring, x0 - 0.8 * plate.thick_mm, y0 + 0.6 * plate.thick_mm)
        light = np.where(shade, light * (1 - shot.shadow), light)
        wall = _inside(ring, x0, y0)
        light = np.where(wall, 0.5 * plate.grey, light)
        top = _inside(ring, x, y)
        speckle = 1 + plate.speckle * _field(x, y, 2.5, 77)
        light = np.where(top, plate.grey * speckle, light)
    for number, rule in enumerate(shot.rules):
        slope = np.tan(np.radians(rule.slope_deg))
        c, s = np.cos(np.radians(rule.turn_deg)), np.sin(np.radians(rule.turn_deg))
        # plane z = thick + slope * across
        nx, ny = -slope * -s, -slope * c
        offset = rule.thick_mm + slope * (s * rule.at_mm[0] - c * rule.at_mm[1])
        t = (offset - centre[2] - nx * centre[0] - ny * centre[1]) / (
            d[:, 2] + nx * d[:, 0] + ny * d[:, 1]
        )
        x, y = centre[0] + t * d[:, 0], centre[1] + t * d[:, 1]
        a, b = rule.local(x, y)
        b = b / np.cos(np.radians(rule.slope_deg))
        sa, sb = rule.local(x0 - 0.8 * rule.thick_mm, y0 + 0.6 * rule.thick_mm)
        shade = (sa > 0) & (sa < rule.length_mm) & (sb > 0) & (sb < rule.width_mm)
        light = np.where(shade, light * (1 - shot.shadow), light)
        wa, wb = rule.local(x0, y0)
        wall = (wa > 0) & (wa < rule.length_mm) & (wb > 0) & (wb < rule.width_mm)
        light = np.where(wall, 0.3 * rule.face, light)
        on = (a > 0) & (a < rule.length_mm) & (b > 0) & (b < rule.width_mm)
        face = _face(rule, a[on], b[on], footprint, texture, number)
        light[on] = face
    return light


def _inside(ring, x, y):
    inside = np.zeros(len(x), bool)
    box = (x > ring[:, 0].min()) & (x < ring[:, 0].max())
    box &= (y > ring[:, 1].min()) & (y < ring[:, 1].max())
    px, py = x[box], y[box]
    hit = np.zeros(len(px), bool)
    for (xa, ya), (xb, yb) in zip(ring, np.roll(ring, -1, 0), strict=True):
        if ya == yb:
            continue
        cross = (ya > py) != (yb > py)
        hit ^= cross & (px < (xb - xa) * (py - ya) / (yb - ya) + xa)
    inside[box] = hit
    return inside


def _field(x, y, size, seed):
    """Smooth noise over the bench, unit spread, feature size in mm."""
    tile = _tile(seed)
    # To and fro over the tile, so that no seam shows.
    u, v = (511 - np.abs(np.mod(w / size * 2, 1022) - 511) for w in (x, y))
    return _look_up(tile, u, v)


def _look_up(picture, u, v):
    """Bilinear values at columns and rows (N,); OpenCV takes at most 32 767 a row."""
    wide = -(-len(u) // 1024) * 1024
    at = np.zeros((2, wide), np.float32)
    at[0, : len(u)], at[1, : len(u)] = u, v
    out = np.empty(wide, np.float32)
    for start in range(0, wide, 1024 * 16384):
        part = slice(start, start + 1024 * 16384)
        out[part] = cv2.remap(
            picture, at[0, part].reshape(-1, 1024), at[1, part].reshape(-1, 1024), cv2.INTER_LINEAR
        ).ravel()
    return out[: len(u)]


_TILES: dict[int, np.ndarray] = {}


def _tile(seed):
    if seed not in _TILES:
        t = cv2.GaussianBlur(
            np.random.default_rng(seed).normal(size=(512, 512)).astype(np.float32), (0, 0), 1.0
        )
        _TILES[seed] = t / t.std()
    return _TILES[seed]


def _bench(shot, x, y):
    grain = 1 + shot.grain * (_field(x / 12, y, 2.0, 5) + 0.7 * _field(x, y, 40.0, 6))
    return (shot.bench * np.maximum(grain, 0.1)).astype(np.float32)


def _face(rule, a, b, footprint, texture, number):  # noqa: PLR0917
    face = np.full(len(a), rule.face, np.float32) * (1 + 0.02 * _field(a / 20, b, 0.6, 8 + number))
    mark = np.zeros(len(a), np.float32)
    for order, scale in enumerate(rule.scales):
        depth = b if scale.edge == "bottom" else rule.width_mm - b
        pitch = scale.pitch_mm * rule.stretch
        k = np.rint((a - scale.start_mm) / pitch).astype(int)
        last = int((rule.length_mm - 2 * scale.start_mm) / pitch)
        error = np.random.default_rng(31 + order).normal(size=last + 1) * rule.mark_error_mm
        fade = np.ones(last + 1)
        rng = np.random.default_rng(91 + order)
        dull = rng.random(last + 1) < rule.worn
        fade[dull] = rng.uniform(0.0, 0.5, dull.sum())
        kc = np.clip(k, 0, last)
        off = np.abs(a - scale.start_mm - k * pitch - error[kc])
        length = np.asarray(scale.lengths_mm)[np.minimum(scale.rank(kc), len(scale.lengths_mm) - 1)]
        across = np.clip((scale.width_mm / 2 - off) / footprint + 0.5, 0, 1)
        along = np.clip((length - depth) / footprint + 0.5, 0, 1)
        here = across * along * fade[kc] * ((k >= 0) & (k <= last))
        mark = np.maximum(mark, here.astype(np.float32))
        if rule.numbers:
            mark = np.maximum(mark, _digit(texture[id(scale)], a, depth))
    value = face + mark * (rule.ink - face)
    if rule.rust:
        blot = 1 / (1 + np.exp(-3 * (_field(a, b, 5.0, 61) - 1.6 + 1.6 * rule.rust)))
        spots = 1 / (1 + np.exp(-4 * (_field(a, b, 1.0, 62) - 0.4)))
        value = value * (1 - 0.85 * blot * (0.5 + 0.5 * spots))
    if rule.glare:
        line = (a - 0.6 * rule.length_mm + 0.8 * b) / 22.0
        value = value + rule.glare * np.exp(-(line**2)).astype(np.float32)
    return value.astype(np.float32)


_TEXEL = 0.05


def _numbers(rule, scale):
    """Ink of the digits (rows by depth, columns along), 0 to 1."""
    canvas = np.zeros((int(rule.width_mm / _TEXEL), int(rule.length_mm / _TEXEL)), np.uint8)
    step = 25.4 if scale.unit == "inch" else 10.0
    top = max(scale.lengths_mm)
    for n in range(1, int((rule.length_mm - 2 * scale.start_mm) / step) + 1):
        text = str(n if scale.unit == "inch" else n * 10)
        x = scale.start_mm + n * step * rule.stretch
        size = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 1.6, 6)[0]
        at = (int(x / _TEXEL - size[0] / 2), int((top + 0.6) / _TEXEL + size[1]))
        cv2.putText(canvas, text, at, cv2.FONT_HERSHEY_SIMPLEX, 1.6, 255, 6)
    return canvas.astype(np.float32) / 255


def _digit(ink, a, depth):
    return _look_up(ink, a / _TEXEL - 0.5, depth / _TEXEL - 0.5)
