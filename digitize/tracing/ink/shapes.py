"""What every connected stroke looks like as a whole: place, size, direction, straightness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.tracing.ink.loops import Loops
from digitize.tracing.overview import Overview

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Shapes:
    """Figures of all strokes, indexed by their label; index 0 is unused."""

    centre_mm: FloatArray  # (S, 2)
    area_mm2: FloatArray  # (S,) of ink
    long_mm: FloatArray  # (S,) length of the rectangle of equal second moments
    short_mm: FloatArray  # (S,) its width
    direction: FloatArray  # (S, 2) unit vector of its length, sheet coordinates
    box_mm: FloatArray  # (S, 4) x0, y0, x1, y1
    loops: NDArray[np.intp]  # (S,) faces enclosed by the stroke itself

    @property
    def size_mm(self) -> FloatArray:
        """Larger side (S,) of the upright box."""
        return np.asarray(
            np.maximum(self.box_mm[:, 2] - self.box_mm[:, 0], self.box_mm[:, 3] - self.box_mm[:, 1])
        )


def describe(loops: Loops, view: Overview) -> Shapes:
    """Figures of every stroke."""
    n = len(loops.stroke_box)
    row, column = np.nonzero(loops.stroke)
    label = loops.stroke[row, column]
    mm = view.to_mm(np.column_stack((column - 1.0, row - 1.0)))
    count = np.maximum(np.bincount(label, minlength=n), 1)
    centre = np.column_stack([np.bincount(label, mm[:, k], n) / count for k in (0, 1)])
    d = mm - centre[label]
    cell = view.pitch_mm**2 / 12  # a cell's own second moment
    xx = np.bincount(label, d[:, 0] ** 2, n) / count + cell
    yy = np.bincount(label, d[:, 1] ** 2, n) / count + cell
    xy = np.bincount(label, d[:, 0] * d[:, 1], n) / count
    mean, root = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    angle = np.arctan2(2 * xy, xx - yy) / 2
    x, y, w, h = (loops.stroke_box[:, k].astype(float) for k in range(4))
    p = view.pitch_mm
    left = view.left_mm + (x - 1) * p
    top = view.top_mm - (y - 1) * p
    inner = loops.face_parent[1:]
    return Shapes(
        centre,
        count * p**2,
        np.sqrt(12 * (mean + root)),
        np.sqrt(12 * np.maximum(mean - root, cell)),
        np.column_stack((np.cos(angle), np.sin(angle))),
        np.column_stack((left, top - h * p, left + w * p, top)),
        np.bincount(inner, minlength=n).astype(np.intp)[:n],
    )
