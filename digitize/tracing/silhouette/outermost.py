"""The first edge met from the paper, by which tracing begins."""

from __future__ import annotations

import numpy as np
from scipy.spatial import KDTree

from digitize.tracing.silhouette.bridging import LARGEST_TURN, carried_across
from digitize.tracing.silhouette.edge import Bench, Edge, FloatArray
from digitize.tracing.silhouette.shadow import find_shadow, light_outside
from digitize.tracing.silhouette.strips import contours_of, outermost_edge, sharpness, unroll
from digitize.tracing.silhouette.walls import face_shift_mm

LEAST_SHARE = 0.35  # of its rim that an opening must show at a glance
_LIT = -0.8  # log of light over paper white: darker paper gets no direct light to be shaded from


def first_edge(bench: Bench, loops: list[FloatArray], outlines: int) -> tuple[Edge, FloatArray]:
    """The first edge met from the paper, and what share of each loop (L,) shows it.

    Only loops with more than ``LEAST_SHARE`` are in the edge; outlines always are.
    """
    t, camera = bench.thickness_mm, bench.camera
    spacing = bench.spacing_mm
    rough = contours_of(loops, spacing, 0.3)
    strips = unroll(
        bench.photo,
        camera,
        bench.light,
        rough,
        outside_mm=max(1.0, 6.0 * bench.pixel_mm),
        inside_mm=2.0 + 4.0 * t,
        step_mm=bench.pixel_mm,
    )
    offset, clear = outermost_edge(strips, sharpness(strips, rough, 0.9), rough, 3.5)
    share = np.bincount(rough.loop_of, clear) / np.diff(rough.starts)
    is_outline = np.arange(len(loops)) < outlines
    share[is_outline] = 1.0
    real = share > LEAST_SHARE
    moved = [
        carried_across(
            rough.points_mm[s] + offset[s, None] * rough.normals[s],
            clear[s],
            spacing,
            LARGEST_TURN,
        )
        for s in rough.loops
    ]
    contours = contours_of([moved[k] for k in np.flatnonzero(real)], spacing, 0.2)
    shift = face_shift_mm(camera, rough.points_mm, t)
    outside = light_outside(strips, rough)
    lit = outside > _LIT
    long = is_outline | (real & (np.diff(rough.starts) * spacing > 12.0))
    trusted = (np.abs(outside) < 0.25) & clear & long[rough.loop_of]
    shadow = find_shadow(strips, rough, offset, shift, thickness_mm=t, trusted=trusted)
    carried = [
        lit[rough.loops[k]][KDTree(moved[k]).query(contours.points_mm[s])[1]]
        for k, s in zip(np.flatnonzero(real), contours.loops, strict=True)
    ]
    return Edge(contours, shadow, np.concatenate(carried)), share
