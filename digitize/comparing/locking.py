"""The pose locked to chosen features, as a piece is located in practice.

Two points (holes, slots, marks): the line through them and the middle between them agree.  A
line (outline edge or bend) and a point: the line first, then the point along it.  A point
and a line: the point first, then only the direction of the line.  A line alone leaves the
way along it to least squares.  Features go by the names of the old piece; the new one's are
those that answer to them, or are named after an equals sign: ``H1=H2``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary
from digitize.comparing.features import features_of
from digitize.comparing.pose import Pose
from digitize.comparing.registration import FitOptions, Registration, register
from digitize.errors import DigitizeError, Exit
from digitize.pattern.datum import datum_of
from digitize.pattern.edge_names import named_edges
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Line, Point

FloatArray = NDArray[np.float64]

_MOST_LISTED = 12


class NotLockable(DigitizeError):
    """The features named cannot hold the piece."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class Anchor:
    """A point, or a line where it has a direction."""

    name: str
    at_mm: Point
    direction_rad: float | None = None


def anchors(pattern: Pattern) -> tuple[Anchor, ...]:
    """Everything of a pattern that can be locked to."""
    found = [
        Anchor(f.name, f.at_mm, f.direction_rad if f.kind == "bend" else None)
        for f in features_of(pattern)
    ]
    for edge in named_edges(pattern.outline, datum_of(pattern).origin_mm):
        if isinstance(edge.segment, Line):
            (x0, y0), (x1, y1) = edge.segment.start_mm, edge.segment.end_mm
            middle = ((x0 + x1) / 2, (y0 + y1) / 2)
            found.append(Anchor(edge.name, middle, edge.segment.start_direction_rad))
    return tuple(found)


def register_locked(
    new: Pattern, old: Pattern, names: Sequence[str], options: FitOptions | None = None
) -> Registration:
    """The pose that features of the old piece fix.

    Raises ``NotLockable`` where a name is unknown or the features do not fix a pose.
    """
    options = options or FitOptions()
    found = register(new, old, options)
    if not 1 <= len(names) <= 2:
        raise NotLockable("a piece is locked by one or two features", do="write them like H1,H2")
    held = [_pair(name, new, old, found.pose) for name in names]
    pose = _pose(held, found.pose)
    old_edge = Boundary.of_pattern(old, openings=False)
    first_old = held[0][0]
    if len(held) == 1:
        pose = _slid(pose, first_old, found, old_edge)
    nearest = old_edge.nearest(pose.of(found.samples.points_mm))
    weight, d = found.samples.weight_mm, nearest.signed_mm
    return replace(
        found,
        pose=pose,
        nearest=nearest,
        locked=tuple(names),
        rms_mm=float(np.sqrt(np.dot(weight, d**2) / weight.sum())),
        largest_mm=float(np.abs(d).max()),
        sound_share=1.0,
        others=(),
        any_turn=False,
        notices=tuple(n for n in found.notices if n.code == "compare-mirror"),
    )


def _listed(names: Collection[str]) -> str:
    """What there is to lock, the first dozen of it."""
    first = ", ".join(list(names)[:_MOST_LISTED])
    more = len(names) - _MOST_LISTED
    return f"it has {first}" + (f" and {more} more" if more > 0 else "")


def _pair(name: str, new: Pattern, old: Pattern, pose: Pose) -> tuple[Anchor, Anchor]:
    """An anchor of the old piece, and the new one's in its own coordinates."""
    ours, theirs = {a.name: a for a in anchors(new)}, {a.name: a for a in anchors(old)}
    old_name, _, new_name = (part.strip().upper() for part in name.partition("="))
    if old_name not in theirs:
        raise NotLockable(
            f"the old piece has no {old_name or 'nameless feature'}",
            where=_listed(theirs),
            do="choose a hole, slot, mark, bend line or straight edge",
        )
    goal = theirs[old_name]
    if new_name:
        if new_name not in ours:
            raise NotLockable(f"the new piece has no {new_name}", where=_listed(ours))
        return goal, ours[new_name]
    alike = [a for a in ours.values() if a.name[0] == old_name[0]]
    if not alike:
        raise NotLockable(f"the new piece has nothing that answers to {old_name}")
    return goal, min(alike, key=lambda a: _off(pose, a, goal))


def _off(pose: Pose, new: Anchor, old: Anchor) -> float:
    at = pose.of(np.array([new.at_mm]))[0]
    off = math.dist(at, old.at_mm)
    if old.direction_rad is not None and new.direction_rad is not None:
        turn = _turn(pose, new.direction_rad, old.direction_rad, new.name[0] == "E")
        off += abs(turn) * 100.0  # a quarter turn is worse than any place on the piece
    return off


def _turn(pose: Pose, new_rad: float, old_rad: float, one_way: bool) -> float:
    """Turn that is left between a new line, once laid, and an old one."""
    along = pose.matrix @ np.array((math.cos(new_rad), math.sin(new_rad)))
    if pose.mirrored and one_way:
        along = -along  # turned over, an outline runs the other way
    turn = old_rad - math.atan2(along[1], along[0])
    return math.remainder(turn, math.tau if one_way else math.pi)


def _pose(held: Sequence[tuple[Anchor, Anchor]], rough: Pose) -> Pose:
    first_old, first_new = held[0]
    line = next((pair for pair in held if pair[0].direction_rad is not None), None)
    if line is not None:
        old_line, new_line = line
        assert old_line.direction_rad is not None
        if new_line.direction_rad is None:
            raise NotLockable(f"{new_line.name} of the new piece is no line")
        one_way = new_line.name[0] == "E"
        turn = _turn(rough, new_line.direction_rad, old_line.direction_rad, one_way)
        pose = rough.stepped(np.array([0.0, 0.0, turn]), np.array(first_old.at_mm))
        along = np.array((math.cos(old_line.direction_rad), math.sin(old_line.direction_rad)))
    else:
        if len(held) < 2:
            raise NotLockable("one point does not fix the turn", do="lock a second feature as well")
        spans = [np.subtract(held[1][k].at_mm, held[0][k].at_mm) for k in range(2)]
        if min(np.hypot(*s) for s in spans) < 1.0:
            raise NotLockable("the two points are too close together to fix the turn")
        laid = rough.matrix @ spans[1]
        turn = math.atan2(spans[0][1], spans[0][0]) - math.atan2(laid[1], laid[0])
        pose = rough.stepped(np.array([0.0, 0.0, turn]), np.array(first_old.at_mm))
        along = None
    if along is None:
        middles = [np.mean([pair[k].at_mm for pair in held], axis=0) for k in range(2)]
        return _moved(pose, middles[1], middles[0], None)
    if first_old.direction_rad is None:
        return _moved(pose, np.array(first_new.at_mm), np.array(first_old.at_mm), None)
    across = np.array((-along[1], along[0]))
    pose = _moved(pose, np.array(first_new.at_mm), np.array(first_old.at_mm), across)
    if len(held) == 2:
        second_old, second_new = held[1]
        if second_old.direction_rad is not None:
            other = second_old.direction_rad
            normal = np.array((-math.sin(other), math.cos(other)))
            if abs(normal @ along) < 0.1:
                raise NotLockable("the two lines are parallel", do="lock a point or another line")
            at = pose.of(np.array([second_new.at_mm]))[0]
            way = float(normal @ (np.array(second_old.at_mm) - at) / (normal @ along)) * along
            return pose.stepped(np.array([*way, 0.0]), np.zeros(2))
        return _moved(pose, np.array(second_new.at_mm), np.array(second_old.at_mm), along)
    return pose


def _moved(pose: Pose, new_mm: FloatArray, old_mm: FloatArray, way: FloatArray | None) -> Pose:
    """The pose moved so that a new place comes onto an old one, along one way only if given."""
    step = old_mm - pose.of(new_mm[None])[0]
    if way is not None:
        step = float(step @ way) * way
    return pose.stepped(np.array([*step, 0.0]), np.zeros(2))


def _slid(pose: Pose, line: Anchor, found: Registration, old: Boundary) -> Pose:
    """Moved along a line to where the sound part of the edge fits best."""
    assert line.direction_rad is not None
    along = np.array((math.cos(line.direction_rad), math.sin(line.direction_rad)))
    points, weight = found.samples.points_mm, found.samples.weight_mm
    weight = weight * (np.abs(found.nearest.signed_mm) <= max(3.0 * found.rms_mm, 0.05))
    for _ in range(30):
        nearest = old.nearest(pose.of(points))
        rate = nearest.away @ along
        firm = float(np.dot(weight, rate**2))
        if firm <= 1e-9 * weight.sum():
            break
        step = -float(np.dot(weight * rate, nearest.signed_mm)) / firm
        pose = pose.stepped(np.array([*(step * along), 0.0]), np.zeros(2))
        if abs(step) < 1e-9:
            break
    return pose
