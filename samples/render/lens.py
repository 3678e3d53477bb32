"""The camera of a rendered photograph: where it stands and how a pixel sees.

Everything is on the ray side: for a place on the sensor the ray that reaches it is found,
and the renderer follows that ray into the scene.  A sensor place is

    principal + focal * (a, b) * (1 + k1 r2 + k2 r2^2),   r2 = a^2 + b^2

for the camera direction (a, b, 1), x right, y down, z forward (Brown 1971, radial terms);
the radius is inverted by Newton steps for every single sample.  A pixel gathers light over
its own square, smeared by a Gaussian: both are sampled together through the inverse
distribution of box * Gaussian.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf
from transport import Room, gather_light

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    size_px: tuple[int, int]
    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    k2: float
    blur_px: float  # optical blur, one Gaussian sigma
    rotation: FloatArray  # (3, 3) camera_from_sheet
    centre_mm: FloatArray  # (3,) in the sheet frame

    @property
    def translation_mm(self) -> FloatArray:
        return -self.rotation @ self.centre_mm


def stand(
    size_px: tuple[int, int],
    focal_px: float,
    *,
    look_at_mm: tuple[float, float],
    distance_mm: float,
    tilt_deg: float,
    tilt_toward_deg: float,
    yaw_deg: float,
    off_centre_px: tuple[float, float] = (0.0, 0.0),
    k1: float = 0.0,
    k2: float = 0.0,
    blur_px: float = 0.7,
) -> Lens:
    """A camera whose axis meets the sheet at ``look_at_mm``.

    ``tilt_toward_deg`` is the direction on the sheet in which the camera leans out, so the
    foot point lies that way; ``yaw_deg`` turns the picture about the axis.
    """
    t, a = math.radians(tilt_deg), math.radians(tilt_toward_deg)
    back = np.array([math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)])
    forward = -back
    y = math.radians(yaw_deg)
    right = np.array([math.cos(y), math.sin(y), 0.0])
    right -= (right @ forward) * forward
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    w, h = size_px
    return Lens(
        size_px,
        focal_px,
        ((w - 1) / 2 + off_centre_px[0], (h - 1) / 2 + off_centre_px[1]),
        k1,
        k2,
        blur_px,
        np.array([right, down, forward]),
        np.array([look_at_mm[0], look_at_mm[1], 0.0]) + distance_mm * back,
    )


def coarser(lens: Lens, factor: float) -> Lens:
    """The same camera with fewer, larger pixels, for quick trials."""
    w, h = lens.size_px
    px, py = lens.principal_px
    return replace(
        lens,
        size_px=(round(w * factor), round(h * factor)),
        focal_px=lens.focal_px * factor,
        principal_px=((px + 0.5) * factor - 0.5, (py + 0.5) * factor - 0.5),
    )


def aperture(blur_px: float, n: int = 4096) -> FloatArray:
    """Inverse distribution of box (1 px) * Gaussian, tabulated over (0, 1)."""
    x = np.linspace(-0.5 - 6 * blur_px, 0.5 + 6 * blur_px, 20001)

    def integral_of_phi(z: FloatArray) -> FloatArray:
        cdf = 0.5 * (1.0 + erf(z / math.sqrt(2.0)))
        return z * cdf + np.exp(-(z**2) / 2.0) / math.sqrt(2.0 * math.pi)

    s = max(blur_px, 1e-6)
    cdf = s * (integral_of_phi((x + 0.5) / s) - integral_of_phi((x - 0.5) / s))
    return np.interp((np.arange(n) + 0.5) / n, cdf, x)


def rays(lens: Lens, x_px: Any, y_px: Any) -> Any:
    """Renderer rays through sensor places (Dr.Jit arrays of pixels)."""
    dx = (x_px - lens.principal_px[0]) / lens.focal_px
    dy = (y_px - lens.principal_px[1]) / lens.focal_px
    seen = dr.sqrt(dx * dx + dy * dy)
    r = mi.Float(seen)
    for _ in range(6):
        r2 = r * r
        value = r * (1.0 + lens.k1 * r2 + lens.k2 * r2 * r2) - seen
        slope = 1.0 + 3.0 * lens.k1 * r2 + 5.0 * lens.k2 * r2 * r2
        r = r - value / slope
    scale = dr.select(seen > 1e-9, r / seen, 1.0)
    d = dr.normalize(mi.Vector3f(dx * scale, dy * scale, 1.0))
    m = lens.rotation  # its rows are the camera axes in the sheet frame
    world = mi.Vector3f(
        float(m[0, 0]) * d.x + float(m[1, 0]) * d.y + float(m[2, 0]) * d.z,
        float(m[0, 1]) * d.x + float(m[1, 1]) * d.y + float(m[2, 1]) * d.z,
        float(m[0, 2]) * d.x + float(m[1, 2]) * d.y + float(m[2, 2]) * d.z,
    )
    return mi.Ray3f(mi.Point3f(*[float(v) for v in lens.centre_mm]), world)


def expose(
    scene: Any, room: Room, lens: Lens, *, samples: int, bounces: int, seed: int, tile: int
) -> FloatArray:
    """Mean radiance (height, width, 3) float32 that every pixel receives."""
    w, h = lens.size_px
    table = mi.Float(aperture(lens.blur_px).astype(np.float32))
    n_table = dr.width(table)
    out = np.zeros((h * w, 3), dtype=np.float32)
    for start in range(0, w * h, tile):
        count = min(tile, w * h - start)
        sampler = mi.load_dict({"type": "multijitter", "sample_count": samples})
        sampler.set_samples_per_wavefront(samples)
        sampler.seed(seed * 7919 + start // tile, count * samples)
        lane = dr.arange(mi.UInt32, count * samples)
        pixel = lane // samples + dr.opaque(mi.UInt32, start)
        u = sampler.next_2d() * n_table - 0.5
        offset = [sample_table(table, n_table, u.x), sample_table(table, n_table, u.y)]
        x = mi.Float(pixel % w) + offset[0]
        y = mi.Float(pixel // w) + offset[1]
        light = gather_light(scene, room, sampler, rays(lens, x, y), bounces)
        channels = [dr.block_sum(c, samples) / samples for c in (light.x, light.y, light.z)]
        out[start : start + count] = np.stack([np.array(c) for c in channels], axis=1)
    return out.reshape(h, w, 3)


def sample_table(table: Any, n: int, u: Any) -> Any:
    """Linear interpolation in a table of ``n`` values at index ``u``."""
    # Comparisons, not minimum and maximum: LLVM 15 cannot compile those for floats.
    u = dr.select(u < 0.0, 0.0, dr.select(u > n - 1.001, n - 1.001, u))
    i = mi.UInt32(u)
    f = u - mi.Float(i)
    a, b = dr.gather(mi.Float, table, i), dr.gather(mi.Float, table, i + 1)
    return a + (b - a) * f
