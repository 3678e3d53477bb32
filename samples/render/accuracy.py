"""How far painted edges lie from where they should, after the renderer's own look-up.

Strokes, rings and boxes are painted, the renderer's bitmap is read densely across their
edges, and the place where it falls to half is compared with the exact edge.
"""

from __future__ import annotations

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray
from paint import Canvas, Pen, closed, stroke
from shapes import Circle

FloatArray = NDArray[np.float64]


def look_up(canvas: Canvas, points: FloatArray) -> FloatArray:
    """Albedo (N,) at places (N, 2) in mm."""
    texture = mi.load_dict(canvas.texture())
    si = mi.SurfaceInteraction3f()
    x0, y0, x1, y1 = canvas.box
    u = ((points[:, 0] - x0) / (x1 - x0)).astype(np.float32)
    v = ((y1 - points[:, 1]) / (y1 - y0)).astype(np.float32)
    si.uv = mi.Point2f(mi.Float(u), mi.Float(v))
    return np.array(texture.eval_1(si), dtype=np.float64)


def edge_errors(
    canvas: Canvas, at: FloatArray, out: FloatArray, reach: float, dark: float
) -> FloatArray:
    """Where half is reached, counted outward from exact edge points (N, 2), in mm."""
    s = np.linspace(-reach, reach, 401)
    points = at[:, None, :] + s[None, :, None] * out[:, None, :]
    value = look_up(canvas, points.reshape(-1, 2)).reshape(len(at), len(s))
    half = (1.0 + dark) / 2
    errors = []
    for row in value:
        i = int(np.argmax(row > half))
        errors.append(s[i - 1] + (half - row[i - 1]) / (row[i] - row[i - 1]) * (s[1] - s[0]))
    return np.array(errors)


def report() -> None:
    """Prints the largest and the mean error for the texel sizes in use."""
    rng = np.random.default_rng(4)
    print("edge error after look-up, mm      texel    soft     mean   largest")
    for texel, soft in ((0.05, 0.0), (0.05, 0.04), (0.1, 0.06)):
        pen = Pen(1.3, (0.0, 0.0, 0.0), 1.0, soft_mm=soft)
        straight: list[FloatArray] = []
        rings: list[FloatArray] = []
        for _ in range(12):
            angle = rng.uniform(0, np.pi)
            d = np.array([np.cos(angle), np.sin(angle)])
            n = np.array([-d[1], d[0]])
            middle = rng.uniform(9.5, 10.5, 2)
            canvas = Canvas.filled((0, 0, 20, 20), texel, (1.0, 1.0, 1.0))
            stroke(canvas, np.array([middle - 8 * d, middle + 8 * d]), pen, rng)
            at = middle + rng.uniform(-6, 6, (80, 1)) * d + 0.65 * n
            straight.append(edge_errors(canvas, at, np.tile(n, (80, 1)), 0.3, 0.0))
            canvas = Canvas.filled((0, 0, 20, 20), texel, (1.0, 1.0, 1.0))
            radius = rng.uniform(3, 7)
            stroke(canvas, closed(Circle((middle[0], middle[1]), radius).points(0.002)), pen, rng)
            a = rng.uniform(0, 2 * np.pi, 80)
            out = np.column_stack((np.cos(a), np.sin(a)))
            at = middle + (radius + 0.65) * out
            rings.append(edge_errors(canvas, at, out, 0.3, 0.0))
        for name, found in (("straight stroke", straight), ("ring", rings)):
            e = np.concatenate(found)
            print(f"{name:32s} {texel:6.2f}  {soft:6.2f}  {e.mean():+8.5f}  {np.abs(e).max():8.5f}")
