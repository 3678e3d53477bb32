"""Edges carried to the sheet, each piece of them at the height of the edge that is seen."""

from __future__ import annotations

import numpy as np

from digitize.tracing.silhouette.bridging import bridged_u_mm
from digitize.tracing.silhouette.edge import Bench, Edge, Reading
from digitize.tracing.silhouette.finding import signed_area
from digitize.tracing.silhouette.reading import BESIDE_FROM_PX
from digitize.tracing.silhouette.shadow import band_mm
from digitize.tracing.silhouette.walls import edge_height_mm, face_shift_mm, without_folds
from digitize.tracing.traces import BRIDGED, MEASURED, TracedLoop

_LEAST_U_PX = 0.02  # what the blur model is good for


def loop_of(bench: Bench, edge: Edge, reading: Reading, number: int) -> TracedLoop:
    """One loop carried to the sheet at the height of the edge seen."""
    s, t = edge.contours.loops[number], bench.thickness_mm
    px, ok = reading.points_px[s], reading.ok[s]
    shift = face_shift_mm(bench.camera, edge.contours.points_mm[s], t)
    height = edge_height_mm(shift, edge.contours.normals[s], t)
    if edge.shadow is not None:
        vectors = edge.shadow.at(edge.contours.points_mm[s])
        visible = band_mm(vectors, shift, edge.contours.normals[s])
        height[edge.lit[s] & (visible >= BESIDE_FROM_PX * bench.pixel_mm)] = t
    points = bench.camera.to_sheet(px, height)
    keep = without_folds(points, height)
    order = slice(None, None, 1 if signed_area(points) > 0 else -1)
    blur = reading.blur_mm[s][ok]
    measured_u = np.maximum(reading.sigma_mm[s], _LEAST_U_PX * bench.pixel_mm)
    u = np.where(ok, measured_u, bridged_u_mm(points, ok))
    return TracedLoop(
        points[keep][order],
        px[keep][order],
        u[keep][order],
        np.where(ok, MEASURED, BRIDGED).astype(np.uint8)[keep][order],
        float(np.median(blur)) if len(blur) else 0.0,
    )
