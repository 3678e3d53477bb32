"""Mirrored lamps and windows on the piece, where they touch its edge.

Metal that mirrors a light is as bright as the paper beside it or brighter, and where it is
so at the edge no edge can be seen.  A bright spot inside the piece does no harm.  Glare
that is exactly as bright as the paper cannot be told from paper here.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.sheets.layout import Sheet
from digitize.tracing.light import PaperLight

BoolArray = NDArray[np.bool_]

_ACROSS = 480  # blocks along the longer side of what is looked at
_PAPER = (0.85, 1.12)  # of the paper's level: papers differ by a few per cent
_GLARE = 1.2  # of the paper's level
_PAPER_FULL = 0.9  # of full scale: clipped paper and clipped glare look alike
_FEWEST_EDGE = 40  # blocks: less is no piece


@dataclass(frozen=True, slots=True)
class Glare:
    """How much of a work area is brighter than its paper."""

    edge_share: float  # of the border between paper and what is not paper
    area_share: float  # of the work area


def measure(
    light: PaperLight, camera: Camera, sheet: Sheet, scale_xy: tuple[float, float] = (1.0, 1.0)
) -> Glare | None:
    """Glare in a ring's work area; None without one, without a piece, or in clipped paper."""
    if sheet.work_area_mm is None:
        return None
    x0, y0, x1, y1 = np.asarray(sheet.work_area_mm) * np.tile(scale_xy, 2)
    area_px = camera.to_px(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))
    size = light.photo.width_px, light.photo.height_px
    low = np.clip(np.floor(np.nanmin(area_px, axis=0)), 0, size).astype(int)
    high = np.clip(np.ceil(np.nanmax(area_px, axis=0)), 0, size).astype(int)
    step = max(1, int((high - low).max()) // _ACROSS)
    if (high - low).min() < 4 * step:
        return None
    window = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    if float(np.median(light.white(*window, step))) > _PAPER_FULL:
        return None
    ratio = light.ratio(*window, step).mean(axis=2)
    inside = np.zeros(ratio.shape, np.uint8)
    polygon = (area_px - low) / step
    cv2.fillPoly(inside, [np.rint(polygon).astype(np.int32)], 1)
    # Dark marks of a thing lying over the band, and the band's own squares, stay outside.
    looked = cv2.erode(inside, np.ones((5, 5), np.uint8)).astype(bool)
    paper = (ratio > _PAPER[0]) & (ratio < _PAPER[1])
    glare = (ratio > _GLARE) | (light.clipped(*window, step) & ~paper)
    ground = _ground(paper, looked)
    border = looked & ~ground & _beside(ground)
    if border.sum() < _FEWEST_EDGE:
        return None
    return Glare(
        edge_share=float((border & _beside(glare)).sum() / border.sum()),
        area_share=float((glare & looked).sum() / max(int(looked.sum()), 1)),
    )


def _ground(paper: BoolArray, looked: BoolArray) -> BoolArray:
    """Paper that reaches the area's rim: a highlight inside the piece wears a ring of its level."""
    kernel = np.ones((3, 3), np.uint8)
    opened = cv2.morphologyEx((paper & looked).astype(np.uint8), cv2.MORPH_OPEN, kernel)
    _, names = cv2.connectedComponents(opened)
    rim = looked & _beside(~looked)
    reaching = np.unique(names[_beside(rim) & (names > 0)])
    return np.asarray(np.isin(names, reaching))


def _beside(area: BoolArray) -> BoolArray:
    """Blocks in or next to an area."""
    return np.asarray(cv2.dilate(area.astype(np.uint8), np.ones((3, 3), np.uint8)), bool)
