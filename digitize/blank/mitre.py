"""Flanges that meet at a corner, cut back so that they do not overlap when folded.

Both flanges are cut where the planes of their inner faces meet, less half a gap each: two
sheets whose square-cut edges touch along that line lie wholly outside each other, whatever
the angle, and leave the open corner that a weld wants.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from digitize.blank.combine import largest_without
from digitize.blank.cutting import Axis
from digitize.blank.develop import Blank
from digitize.blank.fold import Matrix, flat_parts, placements
from digitize.blank.folds import Fold, FoldTree
from digitize.blank.lines import within
from digitize.errors import Notice
from digitize.pattern.contour import Contour
from digitize.pattern.segments import FloatArray, Line, Point

NEAR_MM = 5.0  # beyond the bends' own strips, how far apart the ends of meeting flanges may be
_PAST_MM = 1.0
_LEAST_MM = 0.01


@dataclass(frozen=True, slots=True)
class _Cut:
    """What is cut off a flange, and how far back at most."""

    cutter: Contour
    depth_mm: float


def mitred(blank: Blank, gap_mm: float = 0.0) -> Blank:
    """The blank with flanges cut back where they would overlap at a shared corner.

    ``gap_mm`` is left between the two when folded.  Raises NotDeveloped where a flange would
    fall off.
    """
    tree = blank.tree
    at = placements(tree)
    cutters: list[Contour] = []
    notices: list[Notice] = []
    for k, one in enumerate(tree.folds):
        for two in tree.folds[k + 1 :]:
            if one.parent != two.parent or not _beside(tree, one, two):
                continue
            if one.facts.toward_face != two.facts.toward_face:
                continue
            cuts = [_cut(tree, at, a, b, gap_mm) for a, b in ((one, two), (two, one))]
            done = [c for c in cuts if c is not None]
            cutters += [c.cutter for c in done]
            if done:
                deepest = max(c.depth_mm for c in done)
                text = (
                    f"flanges at {one.facts.name} and {two.facts.name} cut back by up to "
                    f"{deepest:.1f} mm so that they do not overlap"
                )
                notices.append(Notice("flanges-mitred", text))
    if not cutters:
        return blank
    outline = largest_without(blank.pattern.outline.as_contour(), cutters, "a mitre")
    pattern = replace(blank.pattern, outline=outline, notices=(*blank.pattern.notices, *notices))
    return replace(blank, pattern=within(pattern))


def _beside(tree: FoldTree, one: Fold, two: Fold) -> bool:
    if any(tree.faces.loop_of(f.chord.first).opening is not None for f in (one, two)):
        return False  # a lug has no corner to share
    ends = [[tree.faces.corner(c) for c in (f.chord.first, f.chord.last)] for f in (one, two)]
    apart = min(math.dist(p, q) for p in ends[0] for q in ends[1])
    return apart <= one.strip_mm + two.strip_mm + NEAR_MM


def _cut(tree: FoldTree, at: list[Matrix], fold: Fold, other: Fold, gap_mm: float) -> _Cut | None:
    """What to cut off the flange of a fold where it meets the other's."""
    n, d = _inner_plane(at[fold.child], fold)
    m, e = _inner_plane(at[other.child], other)
    direction = np.cross(n, m)
    if np.linalg.norm(direction) < 1e-6:
        return None
    point = np.linalg.solve(np.array([n, m, direction]), np.array([d, e, 0.0]))
    back = np.linalg.inv(at[fold.child])
    start = (back @ np.append(point, 1.0))[:2]
    along = (back[:3, :3] @ direction)[:2]
    axis = Axis.between(_xy(start), _xy(start + along))
    flat = flat_parts(tree, fold.child)[0]
    if flat.is_empty:
        return None
    part = np.array(flat.exterior.coords)
    left = np.array([axis.station(_xy(p))[1] for p in part])
    # The flange is kept on the side of the line on which most of it lies.
    middle = axis.station(_xy(np.asarray(part[:-1]).mean(axis=0)))[1]
    if middle < 0:
        axis, left = Axis(axis.through_mm, (-axis.along[0], -axis.along[1])), -left
    axis, left = axis.moved(gap_mm / 2), left - gap_mm / 2
    depth = float(-left.min())
    if depth < _LEAST_MM or depth > 0.8 * float(np.ptp(left)):
        return None
    over = [axis.station(_xy(p))[0] for p in part]
    past = fold.facts.allowance_mm + _PAST_MM
    low, high = min(over) - past, max(over) + past
    # Only from the middle of the flange's bend on: the rest is for the relief.
    (x, y), (dx, dy) = fold.chord.axis.through_mm, tree.moves_mm[fold.child]
    nx, ny = fold.normal
    middle = fold.facts.reach_mm - fold.facts.allowance_mm / 2
    line = Axis((x + middle * nx + dx, y + middle * ny + dy), (ny, -nx))
    corners = [
        axis.point(low), axis.point(low, -depth - _PAST_MM),
        axis.point(high, -depth - _PAST_MM), axis.point(high),
    ]  # fmt: skip
    kept = _beyond(corners, line)
    if len(kept) < 3:
        return None
    contour = Contour.of([Line(p, q) for p, q in zip(kept, kept[1:] + kept[:1], strict=True)])
    return _Cut(contour if contour.signed_area_mm2 > 0 else contour.reversed(), depth)


def _inner_plane(motion: Matrix, fold: Fold) -> tuple[FloatArray, float]:
    """The plane of the face of a flange that lies inside its bend: normal and offset."""
    z = 0.0 if fold.facts.toward_face else -fold.facts.thickness_mm
    normal = motion[:3, 2]
    return normal, float(normal @ (motion @ (0.0, 0.0, z, 1.0))[:3])


def _beyond(corners: list[Point], axis: Axis) -> list[Point]:
    """A convex polygon cut by a line; what lies to the left of it stays."""
    kept: list[Point] = []
    for p, q in zip(corners, corners[1:] + corners[:1], strict=True):
        a, b = axis.station(p)[1], axis.station(q)[1]
        if a >= 0.0:
            kept.append(p)
        if (a >= 0.0) != (b >= 0.0):
            t = a / (a - b)
            kept.append((p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])))
    return kept


def _xy(p: FloatArray) -> Point:
    return float(p[0]), float(p[1])
