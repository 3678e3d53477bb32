"""Does the stated camera say what the renderer does?  Run for every photograph made.

Two checks.  First, the stated camera (plain formulas, written here a second time) puts
known points of the scene on the sensor; the renderer's own ray through that place is
followed into the scene, and where it strikes is compared with the point.  Second, the
finished photograph is searched for the printed corners with a general-purpose corner
finder, which sees also a slip in pixel counting or in laying the texture.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from lens import Lens, rays
from numpy.typing import NDArray
from shot import Target

FloatArray = NDArray[np.float64]


def seen_at(lens: Lens, points_mm: FloatArray) -> FloatArray:
    """Pixels (N, 2) of points (N, 3) in the sheet frame, by the formula in the truth file."""
    c = points_mm @ lens.rotation.T + lens.translation_mm
    ab = c[:, :2] / c[:, 2:]
    r2 = np.sum(ab**2, axis=1, keepdims=True)
    return np.array(lens.principal_px) + lens.focal_px * ab * (1 + lens.k1 * r2 + lens.k2 * r2**2)


def inside(lens: Lens, px: FloatArray, margin: float) -> NDArray[np.bool_]:
    w, h = lens.size_px
    return np.asarray(
        (px[:, 0] > margin)
        & (px[:, 0] < w - 1 - margin)
        & (px[:, 1] > margin)
        & (px[:, 1] < h - 1 - margin)
    )


def ray_error_px(scene: Any, lens: Lens, points_mm: FloatArray) -> float:
    """Largest distance, in pixels, between points of flat surfaces and where rays strike.

    Points hidden by something nearer are passed over: only hits at the point's own height
    count.
    """
    px = seen_at(lens, points_mm)
    keep = inside(lens, px, 0.0)
    px, points = px[keep], points_mm[keep]
    hit = scene.ray_intersect(
        rays(lens, mi.Float(px[:, 0].astype(np.float32)), mi.Float(px[:, 1].astype(np.float32)))
    )
    p = np.array(hit.p).T
    level = np.abs(p[:, 2] - points[:, 2]) < 0.02
    assert level.sum() >= 20, "too few known points are in view to check the camera"
    error = seen_at(lens, p[level].astype(np.float64)) - px[level]
    return float(np.max(np.hypot(error[:, 0], error[:, 1])))


def edge_check(scene: Any, edges: list[FloatArray], floor_mm: float, step_mm: float) -> float:
    """Share of places where a piece's mesh ends within ``step_mm`` of its stated edge.

    Plumb rays are dropped ``step_mm`` to either side of every edge (rings (N, 2) with the
    metal on their left): one must strike metal, the other what lies below, at ``floor_mm``.
    """
    good = []
    for ring in edges:
        middle = (ring + np.roll(ring, -1, axis=0)) / 2
        along = np.roll(ring, -1, axis=0) - ring
        length = np.hypot(along[:, 0], along[:, 1])
        left = np.column_stack((-along[:, 1], along[:, 0])) / length[:, None]
        heights = []
        for side in (step_mm, -step_mm):
            p = middle + side * left
            x, y = (mi.Float(p[:, k].astype(np.float32)) for k in (0, 1))
            down = mi.Ray3f(mi.Point3f(x, y, 60.0), mi.Vector3f(0.0, 0.0, -1.0))
            heights.append(np.array(scene.ray_intersect(down).p)[2])
        good.append((heights[0] > floor_mm + 0.3) & (heights[1] < floor_mm + 0.05))
    return float(np.concatenate(good).mean())


def check_file(path: Path) -> float:
    """Largest difference in px between a truth file's camera and the renderer's rays.

    Rays through a grid of pixels are followed to a plane at z = 0 and put back on the sensor.
    """
    c = json.loads(path.read_text())["camera"]
    lens = Lens(
        tuple(c["size_px"]),
        c["focal_px"],
        tuple(c["principal_px"]),
        c["k1"],
        c["k2"],
        c["blur_px"],
        np.array(c["rotation"]),
        np.array(c["centre_mm"]),
    )
    plane = {"type": "rectangle", "to_world": mi.ScalarTransform4f().scale([1000, 1000, 1])}
    scene = mi.load_dict({"type": "scene", "plane": plane})
    x, y = np.meshgrid(
        np.linspace(0, c["size_px"][0] - 1, 41), np.linspace(0, c["size_px"][1] - 1, 31)
    )
    px = np.column_stack((x.ravel(), y.ravel()))
    columns = [mi.Float(px[:, k].astype(np.float32)) for k in (0, 1)]
    hit = scene.ray_intersect(rays(lens, *columns))
    error = seen_at(lens, np.array(hit.p).T.astype(np.float64)) - px
    return float(np.max(np.hypot(error[:, 0], error[:, 1])))


def corner_errors_px(rgb: NDArray[np.uint8], lens: Lens, target: Target) -> tuple[int, FloatArray]:
    """Found minus predicted (N, 2) at the target's corners in the finished photograph."""
    s = target.sheet.square_mm
    nominal = target.sheet.x_corners() * s
    points = target.standing(nominal.astype(np.float64))
    px = seen_at(lens, points)
    keep = inside(lens, px, 25.0)
    px = px[keep]
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 0.001)
    found = cv2.cornerSubPix(
        grey, px.astype(np.float32).reshape(-1, 1, 2).copy(), (6, 6), (-1, -1), stop
    ).reshape(-1, 2)
    error = found - px
    good = np.hypot(error[:, 0], error[:, 1]) < 1.5  # a covered corner jumps away
    return int(good.sum()), error[good].astype(np.float64)
