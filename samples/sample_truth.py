"""Reading the exact truth beside a sample, and deviations from it.

The truth is what the renderer's scene was built from (samples/README.md).  Deviations are
taken with shapely against the exact edges cut into chords of a micrometre's error.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.pattern.contour import Circle, Closed, Contour, Slot
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line

CHORD_MM = 0.001
SAMPLES = Path(os.environ.get("DIGITIZE_SAMPLES", Path(__file__).parent))


@dataclass(frozen=True, eq=False)
class TruePiece:
    """One piece of a scene as it was built, in printed sheet millimetres."""

    name: str
    outline: Closed
    openings: tuple[Closed, ...]
    bends: tuple[tuple[tuple[float, float], tuple[float, float]], ...]
    marks: tuple[tuple[float, float], ...]
    thickness_mm: float | None
    stroke_width_mm: float | None
    surface_height_mm: float


def samples() -> list[Path]:
    """Truth files of all samples."""
    return sorted(p for p in SAMPLES.glob("*.json"))


def load(path: Path) -> dict[str, Any]:
    """The truth document."""
    return dict(json.loads(path.read_text()))


def pieces(truth: dict[str, Any]) -> list[TruePiece]:
    """Its pieces."""
    return [
        TruePiece(
            piece["name"],
            _closed(piece["outline"]),
            tuple(_closed(o) for o in piece["openings"]),
            tuple((tuple(b["start_mm"]), tuple(b["end_mm"])) for b in piece["bends"]),
            tuple(tuple(m) for m in piece["marks"]),
            piece.get("thickness_mm"),
            piece.get("stroke_width_mm"),
            piece.get("surface_height_mm") or 0.0,
        )
        for piece in truth["pieces"]
    ]


def _closed(found: dict[str, Any]) -> Closed:
    if found["kind"] == "circle":
        return Circle(tuple(found["centre_mm"]), found["radius_mm"])
    if found["kind"] == "slot":
        return Slot(tuple(found["start_mm"]), tuple(found["end_mm"]), found["radius_mm"])
    segments = []
    for s in found["segments"]:
        start, end = tuple(s["start_mm"]), tuple(s["end_mm"])
        segments.append(Arc(start, end, s["bulge"]) if s.get("bulge") else Line(start, end))
    return Contour.of(segments)


def boundary(closed: Closed) -> shapely.LinearRing:
    """Its edge."""
    return shapely.LinearRing(closed.points_mm(CHORD_MM))


def deviations_mm(found: Closed, true: Closed, step_mm: float = 0.25) -> NDArray[np.float64]:
    """Distances (N,) of points every ``step_mm`` along the found edge from the true edge."""
    ring = boundary(found)
    along = np.arange(0.0, ring.length, step_mm)
    points = shapely.line_interpolate_point(ring, along)
    return np.asarray(shapely.distance(points, boundary(true)))


def match(patterns: tuple[Pattern, ...], true: list[TruePiece]) -> list[tuple[Pattern, TruePiece]]:
    """Each true piece with the pattern nearest to it."""

    def centre(closed: Closed) -> NDArray[np.float64]:
        return np.asarray(closed.points_mm(0.1)).mean(axis=0)

    return [
        (
            min(
                patterns,
                key=lambda p: float(np.linalg.norm(centre(p.outline) - centre(piece.outline))),
            ),
            piece,
        )
        for piece in true
    ]
