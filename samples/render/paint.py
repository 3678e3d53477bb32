"""Albedo pictures that the renderer lays on surfaces: print, ink, rust, paint.

A canvas covers a box of its sheet at a fixed texel size.  Edges are drawn by area coverage
(a linear ramp one texel wide across the true edge), so that after the renderer's bilinear
look-up an edge still sits at its exact place: ``python samples/render accuracy`` prints by
how much it does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

FloatArray = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass
class Canvas:
    """Linear albedo (height, width, 3), first row on top (largest y)."""

    box: tuple[float, float, float, float]
    texel_mm: float
    pixels: Image

    @classmethod
    def filled(cls, box: tuple[float, float, float, float], texel_mm: float, colour: Any) -> Canvas:
        w = round((box[2] - box[0]) / texel_mm)
        h = round((box[3] - box[1]) / texel_mm)
        # The box is stretched over whole texels by the mesh, so the size must be whole.
        box = (box[0], box[1], box[0] + w * texel_mm, box[1] + h * texel_mm)
        pixels = np.empty((h, w, len(colour)), dtype=np.float32)
        pixels[:] = np.asarray(colour, dtype=np.float32)
        return cls(box, texel_mm, pixels)

    def window(
        self, x0: float, y0: float, x1: float, y1: float
    ) -> tuple[slice, slice, FloatArray, FloatArray] | None:
        """Rows and columns that cover a box, and their texel centres in mm."""
        h, w = self.pixels.shape[:2]
        t = self.texel_mm
        c0 = max(0, int((x0 - self.box[0]) / t) - 1)
        c1 = min(w, int((x1 - self.box[0]) / t) + 2)
        r0 = max(0, int((self.box[3] - y1) / t) - 1)
        r1 = min(h, int((self.box[3] - y0) / t) + 2)
        if c0 >= c1 or r0 >= r1:
            return None
        x = self.box[0] + (np.arange(c0, c1) + 0.5) * t
        y = self.box[3] - (np.arange(r0, r1) + 0.5) * t
        return slice(r0, r1), slice(c0, c1), x, y

    def cropped(self, x0: float, y0: float, x1: float, y1: float) -> Canvas:
        """The part over a box, to whole texels."""
        t = self.texel_mm
        c0, c1 = round((x0 - self.box[0]) / t), round((x1 - self.box[0]) / t)
        r0, r1 = round((self.box[3] - y1) / t), round((self.box[3] - y0) / t)
        left, top = self.box[0] + c0 * t, self.box[3] - r0 * t
        box = (left, top - (r1 - r0) * t, left + (c1 - c0) * t, top)
        return Canvas(box, t, self.pixels[r0:r1, c0:c1].copy())

    def lay(self, rows: slice, columns: slice, cover: Any, colour: Any) -> None:
        """Blend a colour over a window by coverage 0 to 1."""
        part = self.pixels[rows, columns]
        cover = np.asarray(cover, dtype=np.float32)[..., None]
        part += cover * (np.asarray(colour, dtype=np.float32) - part)

    def rectangle(self, x0: float, y0: float, x1: float, y1: float, colour: Any) -> None:
        """An upright rectangle by exact coverage."""
        found = self.window(x0, y0, x1, y1)
        if found is None:
            return
        rows, columns, x, y = found
        t = self.texel_mm
        cx = np.clip((np.minimum(x + t / 2, x1) - np.maximum(x - t / 2, x0)) / t, 0, 1)
        cy = np.clip((np.minimum(y + t / 2, y1) - np.maximum(y - t / 2, y0)) / t, 0, 1)
        self.lay(rows, columns, cy[:, None] * cx[None, :], colour)

    def texture(self) -> dict[str, Any]:
        """The renderer's description of this picture."""
        return {
            "type": "bitmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(self.pixels)),
            "raw": True,
            "format": "fp16",
            "filter_type": "bilinear",
            "wrap_mode": "clamp",
        }


@dataclass
class Pen:
    """How a stroke looks: its full width and how unevenly the ink lies."""

    width_mm: float
    colour: tuple[float, float, float] = (0.03, 0.03, 0.035)
    cover: float = 0.97
    uneven: float = 0.0  # how much the cover varies along the stroke
    rough_mm: float = 0.0  # how far both edges wander, symmetrically about the centre line
    soft_mm: float = 0.0  # bleed: a soft shoulder on both sides


def stroke(canvas: Canvas, points: FloatArray, pen: Pen, rng: np.random.Generator) -> None:
    """A stroke along an open polyline; the line's own shape is exact, ends are round.

    The distance to the whole polyline is kept, so that overlapping segments do not darken
    twice.  Width wanders with the place along the stroke.
    """
    length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    total = float(length[-1]) + 1e-9
    knots = max(4, int(total / 0.8))
    wander = gaussian_filter(rng.normal(size=knots), 1.0, mode="wrap") * 1.9
    shade = gaussian_filter(rng.normal(size=knots), 3.0, mode="wrap") * 3.0
    reach = pen.width_mm / 2 + 3 * pen.rough_mm + 2 * pen.soft_mm + 2 * canvas.texel_mm
    block = 40.0  # mm; distance fields are made in small windows to stay cheap
    lo, hi = points.min(axis=0) - reach, points.max(axis=0) + reach
    for bx in np.arange(lo[0], hi[0], block):
        for by in np.arange(lo[1], hi[1], block):
            x0, y0 = bx, by
            x1, y1 = min(bx + block, hi[0]), min(by + block, hi[1])
            a, b = points[:-1], points[1:]
            near = (
                (np.maximum(a[:, 0], b[:, 0]) > x0 - reach)
                & (np.minimum(a[:, 0], b[:, 0]) < x1 + reach)
                & (np.maximum(a[:, 1], b[:, 1]) > y0 - reach)
                & (np.minimum(a[:, 1], b[:, 1]) < y1 + reach)
            )
            found = canvas.window(x0, y0, x1, y1) if near.any() else None
            if found is None:
                continue
            rows, columns, x, y = found
            # Blocks share a rim of texels with their neighbours: keep each texel once.
            keep_x = (x >= x0) & (x < x1)
            keep_y = (y >= y0) & (y < y1)
            if not keep_x.any() or not keep_y.any():
                continue
            cx = np.nonzero(keep_x)[0]
            cy = np.nonzero(keep_y)[0]
            rows = slice(rows.start + cy[0], rows.start + cy[-1] + 1)
            columns = slice(columns.start + cx[0], columns.start + cx[-1] + 1)
            gx, gy = np.meshgrid(x[keep_x].astype(np.float32), y[keep_y].astype(np.float32))
            best = np.full(gx.shape, np.float32(1e9))
            along = np.zeros_like(best)
            for i in np.nonzero(near)[0]:
                p, q = points[i], points[i + 1]
                d = q - p
                dd = float(d @ d) + 1e-18
                s = np.clip(((gx - p[0]) * d[0] + (gy - p[1]) * d[1]) / dd, 0, 1)
                dist = np.hypot(gx - p[0] - s * d[0], gy - p[1] - s * d[1])
                closer = dist < best
                best = np.where(closer, dist, best)
                along = np.where(closer, length[i] + s * np.sqrt(dd), along)
            k = along / total * (knots - 1)
            half = pen.width_mm / 2 + pen.rough_mm * np.interp(k, np.arange(knots), wander)
            ramp = max(canvas.texel_mm, 2 * pen.soft_mm)
            cover = np.clip((half - best) / ramp + 0.5, 0, 1)
            cover = cover * np.clip(
                pen.cover * (1 - pen.uneven * np.abs(np.interp(k, np.arange(knots), shade))), 0, 1
            )
            canvas.lay(rows, columns, cover, pen.colour)


def closed(points: FloatArray) -> FloatArray:
    """A ring as a polyline that comes back to its start."""
    return np.vstack((points, points[:1]))


def along(points: FloatArray, at_mm: FloatArray) -> FloatArray:
    """Points (M, 2) at lengths along a polyline."""
    length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    return np.column_stack([np.interp(at_mm, length, points[:, k]) for k in (0, 1)])


def without(points: FloatArray, gaps: tuple[tuple[float, float], ...]) -> list[FloatArray]:
    """What is left of a polyline when stretches (start, length) in mm are taken out."""
    length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    edges = [0.0]
    for start, gap in sorted(gaps):
        edges += [start, start + gap]
    edges.append(float(length[-1]))
    runs = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        between = length[(length > a) & (length < b)]
        runs.append(along(points, np.concatenate(([a], between, [b]))))
    return runs


def dashes(
    a: tuple[float, float], b: tuple[float, float], dash_mm: float, gap_mm: float
) -> list[FloatArray]:
    """Centre lines of the dashes of a straight dashed line, starting and ending with one."""
    p, q = np.array(a), np.array(b)
    total = float(np.hypot(*(q - p)))
    n = max(2, round((total + gap_mm) / (dash_mm + gap_mm)))
    stretch = total / (n * dash_mm + (n - 1) * gap_mm)
    pitch = (dash_mm + gap_mm) * stretch
    at = [i * pitch / total for i in range(n)]
    return [np.array([p + (q - p) * s, p + (q - p) * (s + dash_mm * stretch / total)]) for s in at]


def noise(shape: tuple[int, int], texel_mm: float, scale_mm: float, seed: int) -> Image:
    """Smooth noise of zero mean and unit deviation with blobs of about ``scale_mm``."""
    rng = np.random.default_rng(seed)
    step = max(1.0, scale_mm / texel_mm / 3.0)
    size = (int(shape[0] / step) + 8, int(shape[1] / step) + 8)
    small = rng.standard_normal(size, dtype=np.float32)
    small = gaussian_filter(small, min(3.0, scale_mm / texel_mm) / 2.5)
    if step > 1:
        whole = (round(size[1] * step), round(size[0] * step))
        small = cv2.resize(small, whole, interpolation=cv2.INTER_CUBIC)
    big = small[: shape[0], : shape[1]]
    return ((big - big.mean()) / big.std()).astype(np.float32)


def ramp(values: Image, stops: list[tuple[float, tuple[float, float, float]]]) -> Image:
    """Colours along a list of (value, colour) stops."""
    at = [s[0] for s in stops]
    return np.stack(
        [np.interp(values, at, [s[1][k] for s in stops]) for k in range(3)], axis=-1
    ).astype(np.float32)


def rust(
    box: tuple[float, float, float, float], texel_mm: float, seed: int, *, clean: float = 0.0
) -> tuple[Canvas, Image]:
    """Rusty sheet: albedo, and a height map in mm for the renderer's bump.

    ``clean`` shifts toward bare grey mill scale; 0 is rusty all over.
    """
    canvas = Canvas.filled(box, texel_mm, (0, 0, 0))
    shape = canvas.pixels.shape[:2]
    fields = [
        (noise(shape, texel_mm, s, seed + i), a)
        for i, (s, a) in enumerate(
            [(35.0, 0.55), (11.0, 0.5), (3.5, 0.45), (1.1, 0.4), (0.35, 0.3)]
        )
    ]
    mix = sum(f * a for f, a in fields)
    canvas.pixels = ramp(
        mix - clean,
        [
            (-1.8, (0.11, 0.105, 0.10)),
            (-1.1, (0.085, 0.06, 0.045)),
            (-0.5, (0.10, 0.042, 0.022)),
            (0.1, (0.20, 0.080, 0.033)),
            (0.8, (0.33, 0.145, 0.055)),
            (1.6, (0.42, 0.22, 0.10)),
        ],
    )
    height = 0.03 * fields[2][0] + 0.02 * fields[3][0] + 0.012 * fields[4][0]
    return canvas, height.astype(np.float32)


def print_page(
    box: tuple[float, float, float, float], page: Image, dark: float, light: float, seed: int
) -> Canvas:
    """A printed page from its coverage picture (1 paper, 0 ink), with toner mottle."""
    texel = (box[2] - box[0]) / page.shape[1]
    mottle = noise(page.shape, texel, 1.5, seed)
    fibre = noise(page.shape, texel, 0.5, seed + 1)
    paper = light * (1 + 0.004 * fibre)
    ink = dark * (1 + 0.12 * mottle)
    grey = ink + (paper - ink) * page
    tint = np.array([1.0, 0.995, 0.975], dtype=np.float32)
    return Canvas(box, texel, (grey[..., None] * tint).astype(np.float32))


def scribble(
    at: tuple[float, float], size_mm: float, letters: int, turn_deg: float, rng: Any
) -> list[FloatArray]:
    """A few words of handwriting: looping strokes, one for each word."""
    words = []
    x = 0.0
    while letters > 0:
        n = int(rng.integers(3, 7))
        t = np.linspace(0, n, n * 40)
        tall = np.repeat(rng.choice([0.45, 0.5, 0.55, 1.0, 1.05], n), 40)
        tall = gaussian_filter(tall, 8)
        px = x + t * 0.62 * size_mm + 0.26 * size_mm * np.sin(2 * np.pi * t + rng.uniform(0, 6))
        py = tall * size_mm * (0.5 - 0.5 * np.cos(2 * np.pi * t + rng.uniform(-0.4, 0.4)))
        words.append(np.column_stack((px, py)))
        x += (n + 1.0) * 0.62 * size_mm
        letters -= n
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return [w @ np.array([[c, s], [-s, c]]) + np.array(at) for w in words]


def smudge(
    canvas: Canvas, at: tuple[float, float], radius_mm: float, depth: float, seed: int
) -> None:
    """A greasy finger: a soft uneven dark patch."""
    x0, y0 = at[0] - 3 * radius_mm, at[1] - 3 * radius_mm
    found = canvas.window(x0, y0, at[0] + 3 * radius_mm, at[1] + 3 * radius_mm)
    if found is None:
        return
    rows, columns, x, y = found
    gx, gy = np.meshgrid(x - at[0], y - at[1])
    blot = np.exp(-(gx**2 + (gy / 0.7) ** 2) / (2 * radius_mm**2))
    grain = noise((len(y), len(x)), canvas.texel_mm, 1.0, seed)
    canvas.lay(rows, columns, np.clip(depth * blot * (1 + 0.35 * grain), 0, 1), (0.12, 0.10, 0.08))


def plain_paper(
    box: tuple[float, float, float, float], seed: int, light: float = 0.78, texel_mm: float = 0.05
) -> Canvas:
    """A blank sheet, a little yellower than the printed one."""
    canvas = Canvas.filled(box, texel_mm, (light, light * 0.985, light * 0.94))
    shape = canvas.pixels.shape[:2]
    canvas.pixels *= (1 + 0.006 * noise(shape, texel_mm, 0.6, seed))[..., None]
    return canvas
