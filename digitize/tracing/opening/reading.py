"""Measuring the rim of an opening at every point, whatever shows through it.

On one side lies paint or rust, on the other anything dark, and between them, where the wall
faces the camera, a band of cut metal.  Both sides are rough, so more of the edge is looked
at for one reading than on a piece lying on paper, and readings count by how sure they are.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from digitize.photo.tone import LUMINANCE
from digitize.tracing.edges import locate
from digitize.tracing.opening.walls import Walls
from digitize.tracing.silhouette.bridging import LARGEST_TURN, carried_across, straight_across
from digitize.tracing.silhouette.edge import Bench, Edge, Reading
from digitize.tracing.silhouette.reading import placed, stray

_ALONG_PX = 11  # of the edge, for one reading
_BEYOND_WALL_PX = 3.0  # of what shows through, that is looked at
_NARROW_PX = 6.5  # walls narrower than this are fitted together with the edge
_SEEN_PX = 0.5  # narrower ones cannot be seen
_SHUT_PX = -1.5  # this side of the other edge, to keep it out of sight
_SHUT_FROM_PX = 3.0  # narrower walls have no room for that
_WORST_PX = 1.6  # an edge less sure than that counts as not measured


def read_rim(bench: Bench, edge: Edge, reach_px: float, walls: Walls) -> Reading:
    """Measure the rim across every contour point; gaps are carried across smoothly.

    ``walls`` says where its foot is to be read and not its upper edge, and where either has to
    be kept out of sight of the other.
    """
    contours = edge.contours
    count = len(contours.points_mm)
    place = placed(bench, contours)
    shut = (place.wall_px >= _NARROW_PX) | (walls.faint & (place.wall_px > _SHUT_FROM_PX))
    inside = place.wall_px + np.where(shut, _SHUT_PX, _BEYOND_WALL_PX)
    edges = locate(
        bench.photo.rgb,
        place.px,
        place.normal_px,
        reach_px=reach_px,
        along_px=_ALONG_PX,
        inside_px=np.where(walls.foot, np.inf, inside),
        outside_px=np.where(walls.foot, np.maximum(place.wall_px + _SHUT_PX, 1.5), np.inf),
        curvature_per_px=place.bend_per_px,
        weights=np.tile(np.array(LUMINANCE), (count, 1)),
        start_px=np.zeros(count),
        inner_band_px=np.where(
            ~shut & (place.wall_px > _SEEN_PX) & ~walls.foot, place.wall_px, 0.0
        ),
        worst_sigma_px=_WORST_PX,
    )
    ok = edges.ok & ~stray(edges.offset_px, edges.ok, contours)
    offset = straight_across(edges.offset_px, ok, contours)
    scale = place.px_per_mm
    unlit = np.full(count, np.nan)  # no paper and no shadow lies beside this edge
    reading = Reading(
        place.px + offset[:, None] * place.normal_px,
        offset / scale,
        unlit,
        edges.band_px / scale,
        edges.sigma_px / scale,
        edges.blur_px / scale,
        unlit,
        unlit,
        ok,
        np.ones(count, dtype=bool),
    )
    return _carried(bench, edge, reading)


def _carried(bench: Bench, edge: Edge, reading: Reading) -> Reading:
    """Stretches that could not be measured carried across by smooth curves."""
    points = bench.camera.to_sheet(reading.points_px)
    for s in edge.contours.loops:
        points[s] = carried_across(points[s], reading.ok[s], bench.spacing_mm, LARGEST_TURN)
    return replace(reading, points_px=bench.camera.to_px(points))
