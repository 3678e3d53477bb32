"""Meshes for the renderer: plates cut out of sheet, and flat or bowed sheets of paper."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import mitsuba as mi
import numpy as np
import shapely
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]  # x0, y0, x1, y1


def mesh(name: str, vertices: FloatArray, faces: NDArray[Any], uv: FloatArray, bsdf: Any) -> Any:
    """A renderer mesh with flat faces."""
    props = mi.Properties()
    props["bsdf"] = bsdf
    out = mi.Mesh(name, len(vertices), len(faces), has_vertex_texcoords=True, props=props)
    params = mi.traverse(out)
    params["vertex_positions"] = np.ascontiguousarray(vertices, dtype=np.float32).ravel()
    params["faces"] = np.ascontiguousarray(faces, dtype=np.uint32).ravel()
    params["vertex_texcoords"] = np.ascontiguousarray(uv, dtype=np.float32).ravel()
    params.update()
    return out


def signed_area(p: FloatArray) -> float:
    q = np.roll(p, -1, axis=0)
    return float(np.sum(p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]) / 2)


def inset(p: FloatArray, d: float) -> FloatArray:
    """A counter-clockwise ring moved to its left by ``d``, corner by corner (mitred)."""
    e = np.roll(p, -1, axis=0) - p
    n = np.column_stack((-e[:, 1], e[:, 0])) / np.linalg.norm(e, axis=1, keepdims=True)
    m = np.roll(n, 1, axis=0)
    return p + d * (n + m) / (1.0 + np.sum(n * m, axis=1, keepdims=True))


def plate(
    name: str,
    outline: FloatArray,
    openings: list[FloatArray],
    bsdf: Any,
    *,
    thickness_mm: float,
    box: Box,
    bevel_mm: float = 0.05,
    base_mm: float = 0.0,
) -> Any:
    """Sheet metal with true walls and a broken top edge, texture over ``box``."""
    rings = [p if signed_area(p) > 0 else p[::-1] for p in [outline]]
    rings += [p if signed_area(p) < 0 else p[::-1] for p in openings]
    z0, z2 = base_mm, base_mm + thickness_mm
    z1 = z2 - bevel_mm
    vertices: list[FloatArray] = []
    faces: list[NDArray[Any]] = []
    count = 0
    tops = []
    for ring in rings:
        top = inset(ring, bevel_mm)
        tops.append(top)
        n = len(ring)
        i = np.arange(n)
        j = (i + 1) % n
        for (lower, za), (upper, zb) in (((ring, z0), (ring, z1)), ((ring, z1), (top, z2))):
            vertices += [
                np.column_stack((lower, np.full(n, za))),
                np.column_stack((upper, np.full(n, zb))),
            ]
            faces.append(count + np.column_stack((i, j, j + n)))
            faces.append(count + np.column_stack((i, j + n, i + n)))
            count += 2 * n
    cap = shapely.Polygon(tops[0], tops[1:])
    assert cap.is_valid, f"{name}: the edge crosses itself"
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(cap))
    corners = np.array([np.asarray(t.exterior.coords)[:3] for t in triangles])
    flip = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) < 0
    corners[flip] = corners[flip][:, ::-1]
    flat = corners.reshape(-1, 2)
    vertices.append(np.column_stack((flat, np.full(len(flat), z2))))
    faces.append(count + np.arange(len(flat)).reshape(-1, 3))
    v = np.vstack(vertices)
    return mesh(name, v, np.vstack(faces), uv_over(v, box), bsdf)


def uv_over(v: FloatArray, box: Box) -> FloatArray:
    """Texture places over a box of the sheet: u right, v down, as the renderer reads pictures."""
    x0, y0, x1, y1 = box
    return np.column_stack(((v[:, 0] - x0) / (x1 - x0), (y1 - v[:, 1]) / (y1 - y0)))


def page(
    name: str,
    box: Box,
    bsdf: Any,
    *,
    height_mm: float = 0.0,
    bow: Callable[[FloatArray, FloatArray], FloatArray] | None = None,
    turn: Callable[[FloatArray], FloatArray] | None = None,
) -> Any:
    """A rectangular sheet; ``bow`` gives the height over it, ``turn`` moves it in its plane."""
    x0, y0, x1, y1 = box
    n = 1 if bow is None else 120
    s, t = np.meshgrid(np.linspace(0, 1, n + 1), np.linspace(0, 1, n + 1))
    place = np.column_stack((s.ravel(), t.ravel()))
    uv = np.column_stack((place[:, 0], 1.0 - place[:, 1]))
    xy = np.array([x0, y0]) + place * np.array([x1 - x0, y1 - y0])
    z = np.full(len(xy), height_mm)
    if bow is not None:
        z = z + bow(xy[:, 0], xy[:, 1])
    if turn is not None:
        xy = turn(xy)
    i = np.arange((n + 1) * (n + 1)).reshape(n + 1, n + 1)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[:-1, 1:], i[1:, 1:], i[1:, :-1]))
    faces = np.vstack((np.column_stack((a, b, c)), np.column_stack((a, c, d))))
    return mesh(name, np.column_stack((xy, z)), faces, uv, bsdf)
