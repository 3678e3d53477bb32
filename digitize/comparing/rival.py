"""Another way to lay the new piece over the old one, that much speaks for as well.

A piece with one end cut long fits by all but that end, or by that end and its holes.  What lies
over best by its edges is shown; where more than half of the edge agrees with another pose, or the
holes, bends and marks do, a doubt says so and names what to lock to have it that way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary
from digitize.comparing.consensus import in_turn
from digitize.comparing.differences import Change, Changes, changes
from digitize.comparing.features import features_of
from digitize.comparing.least_squares import Settled
from digitize.comparing.pose import Pose
from digitize.comparing.registration import Registration
from digitize.errors import Notice
from digitize.pattern.datum import datum_of
from digitize.pattern.model import Pattern

FloatArray = NDArray[np.float64]

_AGREES = 4.0  # standard uncertainties: edges so near agree
_HALF = 0.5  # of the edge
_EQUALLY = 0.02  # of the edge
_FEW = 2  # features in place prove little


@dataclass(frozen=True, eq=False)
class _Way:
    """A pose, the share of the edge that agrees with it, and the features that it puts in place."""

    pose: Pose
    edge_share: float
    in_place: tuple[Change, ...]
    features: int


class _Held:
    """Both pieces, and what a pose makes of them."""

    def __init__(self, old: Pattern, new: Pattern, found: Registration, alike_mm: float) -> None:
        self.old, self.new, self.alike_mm = old, new, alike_mm
        self.points, self.weight = found.samples.points_mm, found.samples.weight_mm
        self.edge = Boundary.of_pattern(old, openings=False)

    def settled(self, pose: Pose) -> Settled:
        """As a settled pose whose points agree where they are near."""
        nearest = self.edge.nearest(pose.of(self.points))
        near = _AGREES * self.alike_mm
        counted = np.abs(nearest.signed_mm) <= near
        return Settled(pose, nearest, counted, 0.0, near)

    def way(self, pose: Pose) -> _Way:
        """What speaks for a pose."""
        counted = self.settled(pose).counted
        share = float(np.dot(self.weight, counted) / self.weight.sum())
        both = changes(pose.of_pattern(self.new), self.old).both
        in_place = tuple(c for c in both if abs(c.off_mm) <= c.off_expanded_mm)
        return _Way(pose, share, in_place, len(both))

    def apart_mm(self, one: Pose, other: Pose) -> float:
        """How far any place of the edge moves from one pose to the other."""
        return float(np.hypot(*(one.of(self.points) - other.of(self.points)).T).max())


def rival(
    old: Pattern, new: Pattern, found: Registration, now: Changes, alike_mm: float
) -> tuple[Notice, ...]:
    """A doubt where another pose has nearly as much for it as the one found by sound edges."""
    held = _Held(old, new, found, alike_mm)
    shown = held.way(found.pose)
    best: _Way | None = None
    for pose in _others(held, found, now):
        if held.apart_mm(pose, found.pose) <= _AGREES * alike_mm:
            continue
        way = held.way(pose)
        if _outdone(way, shown):
            continue
        by_edge = way.edge_share > _HALF
        by_features = len(way.in_place) > max(len(shown.in_place), _FEW - 1)
        if (by_edge or by_features) and (best is None or _speaks(way) > _speaks(best)):
            best = way
    return (_said(held, shown, best),) if best is not None else ()


def _outdone(way: _Way, shown: _Way) -> bool:
    """Whether both the edge and several features speak for the pose shown."""
    features = len(shown.in_place) >= _FEW and len(shown.in_place) > len(way.in_place)
    return features and shown.edge_share >= way.edge_share - _EQUALLY


def _speaks(way: _Way) -> tuple[int, float]:
    return len(way.in_place), way.edge_share


def _others(held: _Held, found: Registration, now: Changes) -> Iterator[Pose]:
    """Poses by the stretches of edge that were left out, and one by the features."""
    first = held.settled(found.pose)
    for tried in in_turn(held.edge, held.points, held.weight, first, held.alike_mm):
        yield tried.pose
    # A common shift, in the old piece's coordinates, which most features share.
    c = math.cos(datum_of(held.old).direction_rad)
    s = math.sin(datum_of(held.old).direction_rad)
    offsets = [(o.x_mm, o.y_mm) for o in now.both if o.x_mm is not None and o.y_mm is not None]
    if len(offsets) >= _FEW:
        right, up = np.median(np.array(offsets), axis=0)
        back = np.array([-(c * right - s * up), -(s * right + c * up), 0.0])
        yield found.pose.stepped(back, np.zeros(2))


def _said(held: _Held, shown: _Way, other: _Way) -> Notice:
    text = (
        f"two ways to lay it have much for them: as shown {100 * shown.edge_share:.0f} % of the "
        f"edge agrees, with the new piece {_moved(held, shown.pose, other.pose)} "
        f"{100 * other.edge_share:.0f} %"
    )
    if other.features:
        one, two = len(shown.in_place), len(other.in_place)
        text += f"; {one} against {two} of {other.features} holes, bends and marks are in place"
    lock = _lockable(held.old, other.in_place)
    text += f"; lock {lock} to lay it the other way" if lock else "; lock a feature to choose"
    return Notice("compare-rival", text, "doubt")


def _moved(held: _Held, one: Pose, other: Pose) -> str:
    """From one pose to the other in words, by the old piece's own right and up."""
    way = np.average(other.of(held.points) - one.of(held.points), axis=0, weights=held.weight)
    along = datum_of(held.old).direction_rad
    c, s = math.cos(along), math.sin(along)
    right, up = float(c * way[0] + s * way[1]), float(c * way[1] - s * way[0])
    said = [
        f"{abs(v):.1f} mm {words[v > 0]}"
        for v, words in ((right, ("to the left", "to the right")), (up, ("down", "up")))
        if abs(v) > max(held.alike_mm, 0.05)
    ]
    turn = math.remainder(other.turn_rad - one.turn_rad, math.tau)
    if abs(turn) * held.edge.size_mm > _AGREES * held.alike_mm:
        said.append(f"turned {math.degrees(turn):+.2f}°")
    return " and ".join(said) or "moved a little"


def _lockable(old: Pattern, in_place: tuple[Change, ...]) -> str:
    """The two features farthest apart that are in place, as ``--lock`` takes them."""
    at = {f.name: f.at_mm for f in features_of(old)}
    points = [c for c in in_place if c.kind != "bend"]
    if len(points) < _FEW:
        return ""
    pair = max(
        combinations(points, 2), key=lambda p: math.dist(at[p[0].old_name], at[p[1].old_name])
    )
    return ",".join(
        c.old_name if c.old_name == c.new_name else f"{c.old_name}={c.new_name}" for c in pair
    )
