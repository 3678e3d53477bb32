"""Holes, slots, cut-outs, bend lines and marks of both pieces, paired where they answer.

A feature answers to the nearest of its kind; nothing is paired across the piece.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from digitize.comparing.pose import Pose
from digitize.pattern.contour import Circle, Closed, Slot
from digitize.pattern.edge_names import opening_letter
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Point

FloatArray = NDArray[np.float64]

FeatureKind = Literal["hole", "slot", "cut-out", "bend", "mark"]


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature by its name in the dimension list, its middle, and its sizes."""

    name: str
    kind: FeatureKind
    at_mm: Point
    size_mm: float | None = None  # diameter, width of a slot, root of a cut-out's area
    length_mm: float | None = None  # of a slot overall, of a bend line
    direction_rad: float | None = None  # of a slot or bend line, either way along it
    u_mm: float | None = None


def features_of(pattern: Pattern) -> tuple[Feature, ...]:
    """All features of a pattern under the names of its dimension list."""
    found: list[Feature] = []
    counts = Counter[str]()
    for opening in pattern.openings:
        letter = opening_letter(opening)
        counts[letter] += 1
        found.append(_opening(f"{letter}{counts[letter]}", opening))
    for i, bend in enumerate(pattern.bends, 1):
        (x0, y0), (x1, y1) = bend.start_mm, bend.end_mm
        found.append(
            Feature(
                f"B{i}",
                "bend",
                ((x0 + x1) / 2, (y0 + y1) / 2),
                length_mm=math.dist(bend.start_mm, bend.end_mm),
                direction_rad=math.atan2(y1 - y0, x1 - x0),
                u_mm=bend.u_mm,
            )
        )
    found += [
        Feature(f"M{i}", "mark", m.at_mm, u_mm=m.u_mm) for i, m in enumerate(pattern.marks, 1)
    ]
    return tuple(found)


def _opening(name: str, opening: Closed) -> Feature:
    match opening:
        case Circle():
            size = 2 * opening.radius_mm
            return Feature(name, "hole", opening.centre_mm, size, u_mm=opening.u_mm)
        case Slot():
            (x0, y0), (x1, y1) = opening.start_mm, opening.end_mm
            return Feature(
                name,
                "slot",
                ((x0 + x1) / 2, (y0 + y1) / 2),
                opening.width_mm,
                opening.overall_mm,
                math.atan2(y1 - y0, x1 - x0),
                opening.u_mm,
            )
        case _:
            area = abs(opening.signed_area_mm2)
            u = [e.u_mm for e in opening.edges if e.u_mm is not None]
            middle = _centroid(opening.points_mm(0.01))
            return Feature(name, "cut-out", middle, math.sqrt(area), u_mm=max(u) if u else None)


def pairs(new: Pattern, old: Pattern, farthest_mm: float) -> tuple[tuple[Feature, Feature], ...]:
    """New features, laid over the old piece already, with the old ones they answer to."""
    ours, theirs = features_of(new), features_of(old)
    if not ours or not theirs:
        return ()
    cost = np.array([[_apart_mm(a, b) for b in theirs] for a in ours])
    rows, columns = linear_sum_assignment(np.minimum(cost, 10.0 * farthest_mm))
    return tuple(
        (ours[i], theirs[j])
        for i, j in zip(rows, columns, strict=True)
        if cost[i, j] <= farthest_mm
    )


def feature_cost_mm(new: Pattern, old: Pattern, pose: Pose, farthest_mm: float) -> float:
    """RMS distance of features from those they answer to, the lonely ones as farthest."""
    laid = pose.of_pattern(new)
    count = max(len(features_of(new)), len(features_of(old)))
    found = pairs(laid, old, farthest_mm)
    if not count:
        return farthest_mm
    lonely = count - len(found)
    total = sum(_apart_mm(a, b) ** 2 for a, b in found) + lonely * farthest_mm**2
    return math.sqrt(total / count)


def turns_that_match(new: Pattern, old: Pattern, pose: Pose) -> list[Pose]:
    """Poses of a round piece, turned about its middle, that bring some feature to another."""
    laid = pose.of_pattern(new)
    middle = np.array(_centroid(laid.outline.points_mm(0.05)))
    found: list[Pose] = []
    for a in features_of(laid):
        for b in features_of(old):
            if a.kind != b.kind:
                continue
            spoke, goal = np.array(a.at_mm) - middle, np.array(b.at_mm) - middle
            if min(np.hypot(*spoke), np.hypot(*goal)) > 1.0:
                turn = math.atan2(goal[1], goal[0]) - math.atan2(spoke[1], spoke[0])
                found.append(pose.stepped(np.array([0.0, 0.0, turn]), middle))
    return found


def _apart_mm(a: Feature, b: Feature) -> float:
    """How far two features are from being the same; infinite for different kinds."""
    if a.kind != b.kind:
        return math.inf
    apart = math.dist(a.at_mm, b.at_mm)
    if a.kind == "bend" and a.direction_rad is not None and b.direction_rad is not None:
        # A bend line may be seen over part of its length: what counts is across it.
        turn = math.remainder(a.direction_rad - b.direction_rad, math.pi)
        dx, dy = a.at_mm[0] - b.at_mm[0], a.at_mm[1] - b.at_mm[1]
        across = abs(-math.sin(b.direction_rad) * dx + math.cos(b.direction_rad) * dy)
        along = max(0.0, apart - ((a.length_mm or 0.0) + (b.length_mm or 0.0)) / 2)
        apart = math.hypot(across, along) + abs(turn) * (b.length_mm or 0.0) / 2
    if a.size_mm is not None and b.size_mm is not None:
        apart = math.hypot(apart, a.size_mm - b.size_mm)
    return apart


def _centroid(points_mm: FloatArray) -> Point:
    """Of the area within a closed polyline (N, 2)."""
    x, y = points_mm.T
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y1 - x1 * y
    area = cross.sum() * 3.0
    return float(((x + x1) * cross).sum() / area), float(((y + y1) * cross).sum() / area)
