"""Where each face lies in the common pattern: turned and moved as a rigid body.

The first face stays.  Every other one is laid against its neighbour so that the two sides of
the bend run along each other, their middles opposite: the least-squares fit of both ends.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from digitize.joining.faces import NotJoined, Side
from digitize.joining.matching import Pair
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.region import metal, polygon
from digitize.pattern.segments import Line, Point

_OVERLAP_MM = 0.5  # faces may lie over each other by that much, as traced
_ALIKE_MM = 0.3

Place = tuple[float, Point]
"""Turn in rad about (0, 0), then move in mm."""


def at(place: Place, p: Point) -> Point:
    """Where a point of a face lies in the common pattern."""
    turn, (dx, dy) = place
    c, s = math.cos(turn), math.sin(turn)
    return c * p[0] - s * p[1] + dx, s * p[0] + c * p[1] + dy


def places(count: int, pairs: Sequence[Pair], gaps_mm: Mapping[Pair, float]) -> tuple[Place, ...]:
    """The place of every face; ``gaps_mm`` is how far apart the two sides of a bend are.

    Of pairs that go round in a loop the earlier ones place the faces.
    """
    found: dict[int, Place] = {0: (0.0, (0.0, 0.0))}
    grown = True
    while grown and len(found) < count:
        grown = False
        for pair in pairs:
            for near, far in ((pair.one, pair.other), (pair.other, pair.one)):
                if near.face in found and far.face not in found:
                    found[far.face] = _beside(near, found[near.face], far, gaps_mm.get(pair, 0.0))
                    grown = True
    return tuple(found[face] for face in range(count))


def _beside(near: Side, place: Place, far: Side, gap_mm: float) -> Place:
    line = Line(at(place, near.line.start_mm), at(place, near.line.end_mm))
    along = line.start_direction_rad
    turn = math.remainder(along + math.pi - far.line.start_direction_rad, math.tau)
    mx, my = _middle(line)
    # Metal lies left of an edge's travel, so the far face lies to the right.
    mx, my = mx + gap_mm * math.sin(along), my - gap_mm * math.cos(along)
    x, y = at((turn, (0.0, 0.0)), _middle(far.line))
    return turn, (mx - x, my - y)


def _middle(line: Line) -> Point:
    (x0, y0), (x1, y1) = line.start_mm, line.end_mm
    return (x0 + x1) / 2, (y0 + y1) / 2


def laid(faces: Sequence[Pattern], where: Sequence[Place]) -> tuple[Pattern, ...]:
    """The faces at their places."""
    return tuple(placed(f, turn, move) for f, (turn, move) in zip(faces, where, strict=True))


def overlap(faces: Sequence[Pattern]) -> tuple[int, int] | None:
    """Two faces that lie over each other, if there are such."""
    areas = [polygon(f.outline).buffer(-_OVERLAP_MM) for f in faces]
    for i, j in shapely.STRtree(areas).query(areas, predicate="intersects").T.tolist():
        if i < j:
            return int(i), int(j)
    return None


def alike(faces: Sequence[Pattern], others: Sequence[Pattern]) -> bool:
    """Whether faces placed in two ways are one piece: metal, openings and marks the same."""
    if any(f.bends or f.scribes for f in faces):
        return False
    one, other = (
        shapely.union_all([metal(f) for f in placed]).difference(
            shapely.union_all([shapely.Point(m.at_mm).buffer(1.0) for f in placed for m in f.marks])
        )
        for placed in (faces, others)
    )
    return bool(one.symmetric_difference(other).buffer(-_ALIKE_MM / 2).is_empty)


def ends_apart_mm(pair: Pair, where: Sequence[Place], gap_mm: float) -> tuple[float, float, float]:
    """How far the ends of two placed sides miss each other: at the first's start, its end, rms."""
    one, other = pair.one, pair.other
    start, end = (at(where[one.face], p) for p in (one.line.start_mm, one.line.end_mm))
    meets_end, meets_start = (
        at(where[other.face], p) for p in (other.line.start_mm, other.line.end_mm)
    )
    along = Line(start, end).start_direction_rad
    away = gap_mm * np.array([math.sin(along), -math.cos(along)])
    a = float(np.hypot(*(np.subtract(meets_start, start) - away)))
    b = float(np.hypot(*(np.subtract(meets_end, end) - away)))
    return a, b, math.sqrt((a * a + b * b) / 2)


def refuse_open_loops(
    pairs: Sequence[Pair],
    where: Sequence[Place],
    gaps_mm: Mapping[Pair, float],
    within_mm: float,
) -> None:
    """Raise NotJoined where faces joined in a ring do not come back to where it began."""
    for pair in pairs:
        a, b, _ = ends_apart_mm(pair, where, gaps_mm.get(pair, 0.0))
        open_mm = max(a, b) - abs(pair.difference_mm) / 2
        if open_mm > within_mm:
            raise NotJoined(
                f"the faces go round in a loop that is open by {open_mm:.1f} mm in the flat",
                where=pair.words,
                do="leave that joint out: it is a seam, not a bend",
            )
