"""How far faces that were photographed one by one and joined are from the whole piece.

The joined pattern is laid over the truth by its first face alone, as it was traced, with a
rigid fit of that face's own edge; what is then off elsewhere is what the joints did.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import sample_truth
import shapely
from numpy.typing import NDArray
from scipy.optimize import least_squares

from digitize.pattern.model import Pattern

FOLDER = sample_truth.SAMPLES / "face-by-face"
NAMES = ("face-a", "face-b", "face-c", "face-d")
FAR_MM = 206.0  # x of the far edge in the whole piece, three faces on from the first's left edge

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Off:
    """Distances in mm: along the far edge, all round the outline, and of hole centres."""

    far_edge: FloatArray
    outline: FloatArray
    holes: FloatArray


def photos() -> list[Path]:
    """The four photographs, face A first."""
    return [FOLDER / f"{name}.jpg" for name in NAMES]


def off_mm(joined: Pattern, first: Pattern) -> Off:
    """What the joined pattern is off by; ``first`` is face A as it was traced."""
    truth = sample_truth.load(FOLDER / f"{NAMES[0]}.json")
    face = sample_truth.pieces(truth)[0]
    whole = sample_truth.pieces({"pieces": [truth["whole"]]})[0]
    in_face = _rigid(_edge(first), sample_truth.boundary(face.outline))
    # The two holes of face A are the first two of the whole piece.
    a, b = (complex(*o.centre_mm) for o in whole.openings[:2])
    p, q = (complex(*o.centre_mm) for o in face.openings)
    turn = (q - p) / (b - a)

    def in_whole(points: FloatArray) -> FloatArray:
        z = (in_face(points) @ np.array([1.0, 1.0j]) - p) / turn + a
        return np.column_stack((z.real, z.imag))

    points = in_whole(_edge(joined))
    outline = shapely.distance(shapely.points(points), sample_truth.boundary(whole.outline))
    far = points[(points[:, 0] > FAR_MM - 1.0) & (points[:, 1] > 30) & (points[:, 1] < 140)]
    found = in_whole(np.array([_centre(o) for o in joined.openings]))
    true = np.array([_centre(o) for o in whole.openings])
    holes = np.array([np.hypot(*(found - t).T).min() for t in true])
    return Off(far[:, 0] - FAR_MM, outline, holes)


def _edge(pattern: Pattern) -> FloatArray:
    ring = sample_truth.boundary(pattern.outline)
    along = np.arange(0.0, ring.length, 0.5)
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(ring, along)))


def _centre(closed) -> FloatArray:  # type: ignore[no-untyped-def]
    return np.asarray(shapely.Polygon(closed.points_mm(0.001)).centroid.coords[0])


def _rigid(points: FloatArray, onto: shapely.LinearRing):  # type: ignore[no-untyped-def]
    """The rigid motion, from near, that lays points best on an edge."""
    middle = points.mean(axis=0)

    def moved(step: FloatArray, p: FloatArray) -> FloatArray:
        c, s = math.cos(step[2]), math.sin(step[2])
        return (p - middle) @ np.array([[c, s], [-s, c]]) + middle + step[:2]

    def off(step: FloatArray) -> FloatArray:
        return np.asarray(shapely.distance(shapely.points(moved(step, points)), onto))

    best = least_squares(off, np.zeros(3), x_scale=(0.1, 0.1, 0.001), diff_step=1e-4).x
    return lambda p: moved(best, p)


def bars_said() -> tuple[float, float]:
    """Print scales of the four sheets, across and up."""
    target = json.loads((FOLDER / f"{NAMES[0]}.json").read_text())["targets"][0]
    return float(target["print_scale"][0]), float(target["print_scale"][1])
