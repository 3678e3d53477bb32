"""Whether convex bodies run into each other, and how deep: the separating axis test.

Two convex bodies are apart if on some axis their shadows are; candidates are the normals of
their faces and the products of their edges (Gottschalk, Lin and Manocha 1996, for boxes; the
same holds for all convex bodies).  The depth is the least overlap over the axes.  A plate is
given by corners (2K, 3): K of one surface and the same K of the other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.pattern.segments import FloatArray

_NO_AXIS = 1e-6


def depths_with_prism(plates_mm: FloatArray, prism_mm: FloatArray) -> FloatArray:
    """How deep each plate (B, 2K, 3) lies in a prism (2M, 3); not above 0 where it is clear."""
    depth = np.full(len(plates_mm), -np.inf)
    low, high = prism_mm.min(axis=0), prism_mm.max(axis=0)
    near = _boxes_meet(plates_mm.min(axis=1), plates_mm.max(axis=1), low, high)
    if near.any():
        chosen = plates_mm[near]
        others = np.broadcast_to(prism_mm, (len(chosen), *prism_mm.shape))
        depth[near] = _depths(chosen, others)
    return depth


def depths_between(a_mm: FloatArray, b_mm: FloatArray) -> FloatArray:
    """How deep plates (N, 2K, 3) lie in their partners (N, 2K, 3), pair by pair."""
    depth = np.full(len(a_mm), -np.inf)
    near = _boxes_meet(a_mm.min(axis=1), a_mm.max(axis=1), b_mm.min(axis=1), b_mm.max(axis=1))
    if near.any():
        depth[near] = _depths(a_mm[near], b_mm[near])
    return depth


def _boxes_meet(
    low: FloatArray, high: FloatArray, other_low: FloatArray, other_high: FloatArray
) -> NDArray[np.bool_]:
    met: NDArray[np.bool_] = np.all((low < other_high) & (other_low < high), axis=-1)
    return met


def _depths(a: FloatArray, b: FloatArray) -> FloatArray:
    a_edges, a_normals = _directions(a)
    b_edges, b_normals = _directions(b)
    crossed = np.cross(a_edges[:, :, None, :], b_edges[:, None, :, :]).reshape(len(a), -1, 3)
    axes = np.concatenate([a_normals, b_normals, crossed], axis=1)
    length = np.linalg.norm(axes, axis=2)
    sound = length > _NO_AXIS
    axes = axes / np.where(sound, length, 1.0)[..., None]
    turned = axes.transpose(0, 2, 1)
    on_a, on_b = a @ turned, b @ turned
    overlap = np.minimum(on_a.max(axis=1), on_b.max(axis=1)) - np.maximum(
        on_a.min(axis=1), on_b.min(axis=1)
    )
    return np.asarray(np.where(sound, overlap, np.inf).min(axis=1))


def _directions(plates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit edges (N, K + 1, 3) and face normals of plates; zero where corners repeat."""
    k = plates.shape[1] // 2
    rim = _unit(np.roll(plates[:, :k], -1, axis=1) - plates[:, :k])
    through = _unit(plates[:, :k] - plates[:, k:])
    sides = np.cross(rim, through)
    edges = np.concatenate([rim, through[:, :1]], axis=1)
    return edges, np.concatenate([sides, _surface(plates, k)], axis=1)


def _surface(plates: FloatArray, k: int) -> FloatArray:
    """Normals (N, 1, 3) of the surfaces, by Newell's sum over the rim."""
    rim = plates[:, :k] - plates[:, :1]
    return _unit(np.cross(rim, np.roll(rim, -1, axis=1)).sum(axis=1, keepdims=True))


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(np.where(length > _NO_AXIS, vectors / np.where(length > 0, length, 1.0), 0.0))
