"""How each kind of dimension answers to errors of places and edges.

A place on an outline is held by the one edge it lies on or by the two that meet there; how
far it moves when they do follows from their normals.  Everything here is first order in the
errors and exact in the geometry.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from digitize.pattern.budget import Reading
from digitize.pattern.contour import Circle, Closed, Edge, Slot
from digitize.pattern.segments import Arc, FloatArray, Line, Point

_SAME_EXTREME_MM = 0.1  # an edge within this of the farthest place lies along the box
_SHARP = 0.2  # sine of the angle below which two edges do not fix a corner between them
_PARALLEL = 1e-3  # sine of the least angle at which edges are taken to cross anywhere at all
_CHORD_MM = 0.02

Held = tuple[tuple[str, Point, float | None], ...]
"""The edges that hold a place: key, how far the place moves for 1 mm of the edge outward, u."""


@dataclass(frozen=True, slots=True)
class Pinned:
    """A place on the edge of a closed shape."""

    at_mm: Point
    held: Held
    side: float = 1.0  # -1 on the edge of an opening, where away from the metal is inward


@dataclass(frozen=True, slots=True)
class Pull:
    """A change of a dimension for each mm that a pinned place moves in x and y."""

    place: Pinned
    by: Point


def reading(
    pulls: Iterable[Pull] = (),
    *,
    free: Iterable[tuple[Point, Point]] = (),
    own: Iterable[tuple[float, float | None]] = (),
    outward: float = 0.0,
) -> Reading:
    """A reading put together.

    ``free`` are (place, change for each mm) that no edge holds, such as a hole's middle;
    ``own`` are (change, u) of features that move on their own; ``outward`` is added.
    """
    shifts = list(free)
    edges: dict[str, tuple[float, float | None]] = {}
    for pull in pulls:
        shifts.append((pull.place.at_mm, pull.by))
        for key, way, u in pull.place.held:
            change = way[0] * pull.by[0] + way[1] * pull.by[1]
            outward += pull.place.side * change
            edges[key] = (edges.get(key, (0.0, None))[0] + change, u)
    return Reading(tuple(shifts), outward, (*edges.values(), *own))


def turned(line: Line, lever: float) -> tuple[tuple[tuple[Point, Point], ...], float]:
    """Free pulls of a line's turning (rad) times ``lever``, and the change for its own ends' u.

    Both ends may be off on their own, which turns the line by sqrt(2) u / length.
    """
    c, s = math.cos(line.start_direction_rad), math.sin(line.start_direction_rad)
    k = lever / max(line.length_mm, 1e-9)
    pulls = ((line.end_mm, (-s * k, c * k)), (line.start_mm, (s * k, -c * k)))
    return pulls, math.sqrt(2.0) * k


def extreme(
    closed: Closed,
    direction_rad: float,
    key: str = "",
    whole: tuple[Edge, ...] = (),
    side: float = 1.0,
) -> Pinned:
    """The place of a closed shape farthest in a direction; of an edge along it, the middle.

    ``whole`` are the contour's edges with pieces of one edge put together.
    """
    e = np.array([math.cos(direction_rad), math.sin(direction_rad)])
    if isinstance(closed, Circle):
        (x, y), r = closed.centre_mm, closed.radius_mm
        at = (x + r * float(e[0]), y + r * float(e[1]))
        return Pinned(
            at, ((f"{key} {direction_rad:.3f}", (float(e[0]), float(e[1])), closed.u_mm),), side
        )
    edges = whole or closed.as_contour().edges
    places = [edge.segment.points_mm(_CHORD_MM) for edge in edges]
    far = [points @ e for points in places]
    most = max(float(f.max()) for f in far)
    touching = [i for i, f in enumerate(far) if float(f.max()) > most - _SAME_EXTREME_MM]
    lying = [i for i in touching if _lies_along(edges[i].segment, far[i], most)]
    for i in [] if lying else touching:
        if (i + 1) % len(edges) in touching:
            return replace(corner(edges, i, key), side=side)
    i = (lying or touching)[0]
    near = places[i][far[i] > most - _SAME_EXTREME_MM]
    at = (float(near[:, 0].mean()), float(near[:, 1].mean()))
    return Pinned(at, ((f"{key}{i}", (float(e[0]), float(e[1])), edges[i].u_mm),), side)


def _lies_along(segment: Line | Arc, far_mm: FloatArray, most_mm: float) -> bool:
    """Whether a segment touches the side of a box with more than its end."""
    if isinstance(segment, Line) or len(far_mm) < 3:  # an arc so short is as good as a line
        return bool(far_mm.min() > most_mm - _SAME_EXTREME_MM)
    return bool(far_mm[1:-1].max() >= max(far_mm[0], far_mm[-1]))


def corner(edges: tuple[Edge, ...], i: int, key: str = "", *, smooth: bool = True) -> Pinned:
    """The place where edge ``i`` of a counter-clockwise contour meets the next one.

    Where they meet ``smooth``-ly nothing holds it along them, and nothing is said of that;
    otherwise it lies where they cross, however uncertain that is.
    """
    j = (i + 1) % len(edges)
    before, after = edges[i], edges[j]
    a, b = _normal(before.segment.end_direction_rad), _normal(after.segment.start_direction_rad)
    cross = a[0] * b[1] - a[1] * b[0]
    at = before.segment.end_mm
    if not smooth:
        cross = math.copysign(max(abs(cross), _PARALLEL), cross)
    elif abs(cross) < _SHARP:
        # Along smooth edges the joint is free; it is judged where it matters (see fillets).
        return Pinned(
            at,
            (
                (f"{key}{i}", (a[0] / 2, a[1] / 2), before.u_mm),
                (f"{key}{j}", (b[0] / 2, b[1] / 2), after.u_mm),
            ),
        )
    # The corner c solves a . c = move of the first edge, b . c = move of the second.
    return Pinned(
        at,
        (
            (f"{key}{i}", (b[1] / cross, -b[0] / cross), before.u_mm),
            (f"{key}{j}", (-a[1] / cross, a[0] / cross), after.u_mm),
        ),
    )


def _normal(direction_rad: float) -> Point:
    """Outward normal of a counter-clockwise contour."""
    return math.sin(direction_rad), -math.cos(direction_rad)


def radius_change(arc: Arc) -> float:
    """Change of an arc's radius for each mm that its points are off, each on its own.

    A radius seen over an arc only is known by its depth under the chord: R from chord c and
    depth h has dR/dh = 1/2 - c^2 / (8 h^2), with u(h) = sqrt(3/2) u for two ends and a
    middle known to u each.
    """
    b = abs(arc.bulge)
    chord = math.dist(arc.start_mm, arc.end_mm)
    depth = b * chord / 2.0
    slope = max(abs(0.5 - chord**2 / (8.0 * depth**2)), 0.5) if b < 1.0 else 0.5
    return slope * math.sqrt(1.5)


def round_size(closed: Circle | Slot, across_rad: float) -> tuple[tuple[Point, Point], ...]:
    """Free pulls of the width of a circle or slot, by places all round or on both flanks."""
    if isinstance(closed, Circle):
        (x, y), r = closed.centre_mm, closed.radius_mm
        pulls = []
        for k in range(4):
            c, s = math.cos(across_rad + k * math.pi / 2), math.sin(across_rad + k * math.pi / 2)
            pulls.append(((x + r * c, y + r * s), (0.5 * c, 0.5 * s)))
        return tuple(pulls)
    (x0, y0), (x1, y1) = closed.start_mm, closed.end_mm
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    c, s = math.cos(across_rad), math.sin(across_rad)
    r = closed.radius_mm
    return (
        ((middle[0] + r * c, middle[1] + r * s), (c, s)),
        ((middle[0] - r * c, middle[1] - r * s), (-c, -s)),
    )


def stretched(
    start_mm: Point, end_mm: Point, factor: float = 1.0
) -> tuple[tuple[Point, Point], ...]:
    """Free pulls of the distance of two places, times a factor."""
    d = math.dist(start_mm, end_mm)
    if d == 0.0:
        return ()
    x, y = (end_mm[0] - start_mm[0]) / d * factor, (end_mm[1] - start_mm[1]) / d * factor
    return ((end_mm, (x, y)), (start_mm, (-x, -y)))
