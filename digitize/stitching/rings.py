"""The rings that a piece consists of, from what each photo shows of it.

Photos that end within the piece show it cut off; together they cover it, so the union of
the shapes seen is the whole, and cut edges vanish inside.  Openings that no photo shows
whole come out of the union as well; those seen whole are put to the vote of the photos that
see the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.tracing.traces import CUT, MEASURED, TracedLoop, TracedPiece

FloatArray = NDArray[np.float64]

_OVERLAP_MM2 = 25.0  # two pieces never lie on one another; two views of one piece do
_SAME_OPENING = 0.5  # of the smaller one
_SEAM_MM = 0.3  # gaps between two photos' shapes up to twice that are closed
_SPECK_MM2 = 1.5
_CUT_NEAR_MM = 2.0  # an opening so near to where a photo ends is not judged by it


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One piece as one photo shows it."""

    photo: int
    piece: TracedPiece
    body: shapely.Polygon  # what lies inside its outline


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """Rough closed lines round one piece, not repeated at the end, metal on the left."""

    outline_mm: FloatArray  # (N, 2), counter-clockwise
    openings_mm: tuple[FloatArray, ...]  # clockwise
    outvoted: int  # openings that most photos of the place do not show


def part_of(photo: int, piece: TracedPiece) -> Part:
    """A piece with its body."""
    return Part(photo, piece, _body(piece.outline))


def _body(loop: TracedLoop) -> shapely.Polygon:
    return _largest(shapely.make_valid(shapely.Polygon(loop.points_mm)))


def _largest(shape: shapely.Geometry) -> shapely.Polygon:
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
    return max(parts, key=lambda p: p.area) if parts else shapely.Polygon()


def grouped(parts: list[Part]) -> list[list[Part]]:
    """Parts that are views of one piece, the largest piece first."""
    group = list(range(len(parts)))
    for i, one in enumerate(parts):
        for j, other in enumerate(parts[:i]):
            shared = shapely.intersection(one.body, other.body).area
            if shared > min(_OVERLAP_MM2, 0.2 * min(one.body.area, other.body.area)):
                old, new = group[i], group[j]
                group = [new if g == old else g for g in group]
    groups = [
        [p for p, g in zip(parts, group, strict=True) if g == k] for k in dict.fromkeys(group)
    ]
    return sorted(groups, key=lambda m: -float(shapely.union_all([p.body for p in m]).area))


def rings_of(parts: list[Part]) -> Rings:
    """Outline and openings of one piece, roughly where they are."""
    grown = shapely.union_all([shapely.buffer(p.body, _SEAM_MM, join_style="mitre") for p in parts])
    whole = _largest(shapely.buffer(grown, -_SEAM_MM, join_style="mitre"))
    openings = [_ring(r) for r in whole.interiors if shapely.Polygon(r).area > _SPECK_MM2]
    voted, outvoted = _voted(parts, whole)
    return Rings(
        _turned(_ring(whole.exterior), ccw=True),
        tuple(_turned(r, ccw=False) for r in (*openings, *voted)),
        outvoted,
    )


def _voted(parts: list[Part], whole: shapely.Polygon) -> tuple[list[FloatArray], int]:
    """Openings that at least half of the photos that see the place show."""
    seen = [(part, loop, _body(loop)) for part in parts for loop in part.piece.openings]
    seen.sort(key=lambda s: -float((s[1].evidence == MEASURED).mean()))
    kept: list[FloatArray] = []
    outvoted = 0
    done: list[shapely.Polygon] = []
    for part, loop, body in seen:
        if any(_same(body, other) for other in done):
            continue
        done.append(body)
        for_it = {p.photo for p, _, other in seen if _same(body, other)} | {part.photo}
        judges = {p.photo for p in parts if _judges(p, body)} | for_it
        if 2 * len(for_it) >= len(judges) and shapely.intersection(whole, body).area > 0:
            kept.append(loop.points_mm)
        else:
            outvoted += 1
    return kept, outvoted


def _same(one: shapely.Polygon, other: shapely.Polygon) -> bool:
    shared = shapely.intersection(one, other).area
    return bool(shared > _SAME_OPENING * min(one.area, other.area))


def _judges(part: Part, opening: shapely.Polygon) -> bool:
    """Whether a photo shows the whole neighbourhood of an opening."""
    if not shapely.covers(part.body, opening):
        return False
    cut = part.piece.outline.evidence == CUT
    if not cut.any():
        return True
    end = shapely.MultiPoint(part.piece.outline.points_mm[cut])
    return bool(shapely.distance(end, opening) > _CUT_NEAR_MM)


def _ring(line: shapely.LinearRing) -> FloatArray:
    return np.asarray(shapely.get_coordinates(line)[:-1])


def _turned(ring: FloatArray, *, ccw: bool) -> FloatArray:
    return ring if shapely.LinearRing(ring).is_ccw == ccw else ring[::-1]
