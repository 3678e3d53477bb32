"""Laying the new piece over the old one, from any start, never scaled.

``register_edges`` works on edges alone; ``register`` lets openings, bends and marks decide
where the outline leaves the pose open, as a square's or a round's does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import Boundary, Nearest, Samples
from digitize.comparing.consensus import agreed
from digitize.comparing.features import feature_cost_mm, turns_that_match
from digitize.comparing.least_squares import Settled, settle
from digitize.comparing.minimum_zone import least_zone
from digitize.comparing.pose import Pose
from digitize.comparing.start import NearestMap, Start, starts
from digitize.errors import Notice
from digitize.pattern.model import Pattern

FloatArray = NDArray[np.float64]

Fit = Literal["sound", "all", "zone"]
"""Least squares of the edges that agree, of the whole edge, or the smallest largest deviation."""

_COARSE = 250  # points while the best of several poses is sought
_CAP = 0.005  # of the size: farther off counts as missing when poses are ranked
_POOR = 0.012  # of the size: a start that costs more is not trusted, and more are tried
_MOST_ALIKE = 8
_WELL = 0.004  # of the size: a piece that fits so well has the right face up


@dataclass(frozen=True, slots=True)
class FitOptions:
    """How the new piece is laid over the old one.

    ``alike_mm`` is a difference that does not tell two poses apart: the combined standard
    uncertainty of both edges.
    """

    fit: Fit = "sound"
    mirrored: bool = False
    alike_mm: float = 0.05


@dataclass(frozen=True, eq=False)
class Registration:
    """The pose found, and how well it is known.

    ``samples`` are points all along the new edge and ``nearest`` the places of the old edge
    they lie over.  ``others`` are poses that fit as well; with ``any_turn`` every turn does.
    """

    pose: Pose
    samples: Samples
    nearest: Nearest
    fit: Fit
    rms_mm: float  # of the points that had a say
    largest_mm: float  # of all points
    sound_share: float  # of the edge's length that had a say
    others: tuple[Pose, ...] = ()
    any_turn: bool = False
    locked: tuple[str, ...] = ()
    placed: Literal["smallest", "even"] | None = None  # inside an opening, and what for
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, eq=False)
class _Ranked:
    settled: Settled
    cost_mm: float


def register(new: Pattern, old: Pattern, options: FitOptions | None = None) -> Registration:
    """The pose that lays the new pattern's outline over the old one's, alike or not."""
    options = options or FitOptions()
    old_edge = Boundary.of_pattern(old, openings=False)
    new_edge = Boundary.of_pattern(new, openings=False)
    found = register_edges(new_edge, old_edge, options)
    if found.any_turn or found.others:
        found = _told_apart(found, new, old, new_edge=new_edge, old_edge=old_edge, options=options)
    notices = [*found.notices, *ambiguous(found)]
    notices += _better_turned_over(found, new_edge, old_edge, options)
    return replace(found, notices=tuple(notices))


def register_edges(new: Boundary, old: Boundary, options: FitOptions | None = None) -> Registration:
    """The pose that lays one edge over another, whatever the turn between them."""
    options = options or FitOptions()
    samples = new.samples(new.perimeter_mm / 1500)
    grid = NearestMap(old)
    found = starts(grid, old, samples, mirrored=options.mirrored, turns=20, points=36)
    tried = 20
    if found[0].cost_mm > _POOR * old.size_mm:
        found = starts(grid, old, samples, mirrored=options.mirrored, turns=120, points=100)
        tried = 120
    ranked = _ranked(found, samples, old, options)
    alike: list[_Ranked] = []
    middle = new.middle_mm[None]
    for r in ranked:
        distinct = all(apart(r.settled.pose, a.settled.pose, middle, old.size_mm) for a in alike)
        if distinct and _alike(r, ranked[0], options):
            alike.append(r)
    any_turn = len(alike) >= _MOST_ALIKE and _of_like_cost(found) > tried // 3
    best = _finished(ranked[0].settled.pose, samples, old, options, ranked[0].settled.limit_mm)
    others = () if any_turn else tuple(r.settled.pose for r in alike[1:])
    return replace(best, others=others, any_turn=any_turn)


def finished(
    pose: Pose, new: Boundary, old: Boundary, options: FitOptions | None = None
) -> Registration:
    """The best pose near a given one."""
    return _finished(pose, new.samples(new.perimeter_mm / 1500), old, options or FitOptions())


def _finished(
    pose: Pose,
    samples: Samples,
    old: Boundary,
    options: FitOptions,
    limit_mm: float | None = None,
) -> Registration:
    points, weight = samples.points_mm, samples.weight_mm
    done = settle(
        old,
        points,
        weight,
        pose,
        sound_only=options.fit == "sound",
        least_mm=options.alike_mm,
        limit_mm=limit_mm,
        enough_mm=1e-2 * options.alike_mm if options.fit == "sound" else 1e-8,
    )
    if options.fit == "zone":
        zone = least_zone(old, points, done.pose)
        d = zone.nearest.signed_mm
        rms = float(np.sqrt(np.dot(weight, d**2) / weight.sum()))
        return Registration(zone.pose, samples, zone.nearest, "zone", rms, zone.largest_mm, 1.0)
    share = float(np.dot(weight, done.counted) / weight.sum())
    largest = float(np.abs(done.nearest.signed_mm).max())
    return Registration(done.pose, samples, done.nearest, options.fit, done.rms_mm, largest, share)


def _ranked(
    found: Sequence[Start], samples: Samples, old: Boundary, options: FitOptions
) -> list[_Ranked]:
    """The promising starts, settled roughly and ranked by what all points cost."""
    every = max(1, len(samples.weight_mm) // _COARSE)
    points, weight = samples.points_mm[::every], samples.weight_mm[::every]
    size = old.size_mm
    limit = 1.6 * found[0].cost_mm + 0.002 * size
    promising = [s for s in found if s.cost_mm <= limit][: _MOST_ALIKE + 4]
    tried: list[list[Settled]] = []
    for start in promising:
        done = settle(
            old,
            points,
            weight,
            start.pose,
            sound_only=options.fit == "sound",
            least_mm=options.alike_mm,
            thorough=False,
            enough_mm=1e-4 * size if len(promising) == 1 else 2e-5 * size,
        )
        tried.append([done])
        if options.fit == "sound" and start is promising[0]:
            tried[0].append(agreed(old, points, weight, done, options.alike_mm))
    # Where all of the edge is off, as in an opening, far is farther than that.
    usual = min(float(np.median(np.abs(d.nearest.signed_mm))) for ways in tried for d in ways)
    cap = max(_CAP * size, 3.0 * usual)
    # What agrees as far as it goes may leave the rest farther off than before: that ranks no lower.
    ranked = [_Ranked(ways[-1], min(_cost(d, weight, cap) for d in ways)) for ways in tried]
    return sorted(ranked, key=lambda r: r.cost_mm)


def _cost(settled: Settled, weight: FloatArray, cap_mm: float) -> float:
    squared = np.minimum(settled.nearest.signed_mm**2, cap_mm * cap_mm)
    return float(np.sqrt(np.dot(weight, squared) / weight.sum()))


def _alike(one: _Ranked, best: _Ranked, options: FitOptions) -> bool:
    more = one.cost_mm**2 - best.cost_mm**2
    return more <= options.alike_mm**2 + (0.25 * best.settled.rms_mm) ** 2


def _of_like_cost(found: Sequence[Start]) -> int:
    return sum(s.cost_mm <= 1.3 * found[0].cost_mm + 1e-3 for s in found)


def _told_apart(
    found: Registration,
    new: Pattern,
    old: Pattern,
    *,
    new_edge: Boundary,
    old_edge: Boundary,
    options: FitOptions,
) -> Registration:
    """Let openings, bends and marks choose among poses that the outline likes equally well."""
    poses = [found.pose, *found.others]
    if found.any_turn:
        poses = turns_that_match(new, old, found.pose)
    far = 0.1 * old_edge.size_mm
    ranked = sorted(
        ((feature_cost_mm(new, old, p, far), i) for i, p in enumerate(poses)), key=lambda r: r
    )
    if not ranked:
        return found
    tell = 4.0 * options.alike_mm
    if found.any_turn and ranked[0][0] >= far:
        return found
    pose = poses[ranked[0][1]]
    best = found if pose is found.pose else finished(pose, new_edge, old_edge, options)
    if found.any_turn:
        # The outline cannot turn it, so it keeps the turn that the features gave.
        turned = _with_turn(best.pose, pose, best.samples)
        nearest = old_edge.nearest(turned.of(best.samples.points_mm))
        best = replace(best, pose=turned, nearest=nearest)
    still = [poses[i] for cost, i in ranked[1:] if cost <= ranked[0][0] + tell]
    middle = best.samples.points_mm.mean(axis=0)[None]
    still = [p for p in still if apart(p, best.pose, middle, old_edge.size_mm)]
    told = bool(ranked[0][0] < far)
    return replace(best, others=tuple(still), any_turn=found.any_turn and not told)


def _with_turn(settled: Pose, wanted: Pose, samples: Samples) -> Pose:
    """A settled pose turned about the piece's middle to a wanted turn."""
    middle = np.average(samples.points_mm, axis=0, weights=samples.weight_mm)[None]
    at = settled.of(middle)[0]
    base = Pose(wanted.turn_rad, (0.0, 0.0), settled.mirrored)
    x, y = at - base.of(middle)[0]
    return replace(base, move_mm=(float(x), float(y)))


def apart(a: Pose, b: Pose, middle_mm: FloatArray, size_mm: float) -> bool:
    """Whether two poses lay the piece differently, and not only a little so."""
    turned = abs(math.remainder(a.turn_rad - b.turn_rad, math.tau)) > 0.03
    return turned or bool(np.hypot(*(a.of(middle_mm) - b.of(middle_mm))[0]) > 0.01 * size_mm)


def _spare(found: Registration) -> float:
    """What the parts of the edge without a say add to the cost of a pose, roughly."""
    return found.largest_mm * (1.0 - found.sound_share)


def _better_turned_over(
    found: Registration, new: Boundary, old: Boundary, options: FitOptions
) -> list[Notice]:
    """A doubt where the pieces would fit far better with the other face of the new one up."""
    cost_mm = found.rms_mm + _spare(found)
    if cost_mm <= _WELL * old.size_mm:
        return []
    other = register_edges(new, old, replace(options, mirrored=not options.mirrored))
    if other.rms_mm + _spare(other) >= 0.4 * cost_mm:
        return []
    text = (
        "the new piece would fit far better as it was traced, not flipped"
        if options.mirrored
        else "the new piece would fit far better turned over; if it was seen from its "
        "other face, ask for it to be flipped"
    )
    return [Notice("compare-mirror", text, "doubt")]


def ambiguous(found: Registration) -> list[Notice]:
    """A doubt where the outline leaves open how the piece lies."""
    if found.any_turn:
        choose = (
            "turn it so that its holes and bends come right"
            if found.placed
            else ("lock two features to fix the turn")
        )
        text = f"the outline is round: it fits at any turn, so only its size is compared; {choose}"
        return [Notice("compare-any-turn", text, "doubt")]
    if not found.others:
        return []
    turns = ", ".join(f"{_turned_deg(found.pose, p)}°" for p in found.others)
    choose = (
        "see to it that it goes in as shown"
        if found.placed
        else "lock a hole, a bend or an edge to choose"
    )
    text = (
        f"the shape fits as well turned by {turns}; the pose shown is one of "
        f"{len(found.others) + 1}: {choose}"
    )
    return [Notice("compare-ambiguous", text, "doubt")]


def _turned_deg(one: Pose, other: Pose) -> int:
    """From one pose to the other, half a turn always positive."""
    turned = round(math.degrees(math.remainder(other.turn_rad - one.turn_rad, math.tau)))
    return abs(turned) if abs(turned) == 180 else turned
