"""A joint of two faces, how well its sides met, and what it adds to the whole pattern's ±."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.joining.faces import Side
from digitize.joining.matching import Pair
from digitize.joining.placing import Place, ends_apart_mm
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.segments import Point


@dataclass(frozen=True, slots=True)
class Joint:
    """A bend two faces were joined along, and how well they met.

    ``difference_mm`` is how much longer the first side is, ``start_off_mm`` and ``end_off_mm``
    how far the corners at the first side's start and end missed each other, ``residual_mm``
    their root mean square.  ``u_mm`` is the standard uncertainty the joint adds to a length
    over it.
    """

    bend: str
    one: str
    other: str
    length_mm: float
    difference_mm: float
    u_difference_mm: float
    start_off_mm: float
    end_off_mm: float
    residual_mm: float
    u_mm: float
    gap_mm: float
    found: bool  # not said
    cost: float  # as ``Pair`` has it


def u_turn_rad(pair: Pair) -> float:
    """Standard uncertainty of the turn between two faces, whose sides' ends are each off."""
    length = min(pair.one.line.length_mm, pair.other.line.length_mm)
    return math.sqrt(2.0) * math.hypot(pair.one.u_mm, pair.other.u_mm) / length


def joint_of(  # noqa: PLR0917
    name: str,
    pair: Pair,
    pairs: Sequence[Pair],
    placed: Sequence[Pattern],
    where: Sequence[Place],
    gap_mm: float,
    found: bool,
) -> Joint:
    """How two sides met, once their faces (``placed``) lie where ``where`` says.

    ``gap_mm`` is how far apart the two were to lie; ``found`` that nobody said the joint.
    """
    start_off, end_off, residual = ends_apart_mm(pair, where, gap_mm)
    middle = _placed_middle(pair.one, placed)
    beyond = _beyond(pair, pairs)
    reaches = [
        max(
            (
                math.dist(middle, (float(x), float(y)))
                for i, face in enumerate(placed)
                if (i in beyond) == far
                for x, y in face.outline.points_mm(0.5)
            ),
            default=0.0,
        )
        for far in (True, False)
    ]
    # A length over the joint turns with the shorter arm at most.
    turned = u_turn_rad(pair) * min(reaches)
    own = math.hypot(pair.one.u_mm, pair.other.u_mm)
    return Joint(
        name,
        pair.one.full_name,
        pair.other.full_name,
        (pair.one.line.length_mm + pair.other.line.length_mm) / 2,
        pair.difference_mm,
        pair.u_difference_mm,
        start_off,
        end_off,
        residual,
        math.hypot(own, residual, turned),
        gap_mm,
        found,
        pair.cost,
    )


def _placed_middle(side: Side, placed: Sequence[Pattern]) -> Point:
    """The middle of a side where its face was placed."""
    edges = placed[side.face].outline.as_contour().edges
    (x0, y0), (x1, y1) = edges[side.first].segment.start_mm, edges[side.last].segment.end_mm
    return (x0 + x1) / 2, (y0 + y1) / 2


def _beyond(pair: Pair, pairs: Sequence[Pair]) -> set[int]:
    """The faces that hang on the first face through this joint."""
    reached, grown = {pair.other.face}, True
    while grown:
        grown = False
        for p in pairs:
            ends = {p.one.face, p.other.face}
            if p != pair and len(ends & reached) == 1:
                reached |= ends
                grown = True
    return reached


def precision(
    faces: Sequence[Pattern], pairs: Sequence[Pair], joints: Sequence[Joint]
) -> Precision | None:
    """The poorest face's, widened by the joints of the longest way from face to face.

    The faces' own budgets speak of places in their own photos, and end here.
    """
    stated = [f.precision for f in faces if f.precision is not None]
    if len(stated) < len(faces):
        return None
    worst = Precision(max(p.edge_u_mm for p in stated), max(p.scale_u for p in stated))
    worst = replace(worst, budget=worst.as_budget)
    return worst.widened("joints", math.sqrt(_longest(len(faces), pairs, joints) / 2))


def _longest(count: int, pairs: Sequence[Pair], joints: Sequence[Joint]) -> float:
    """The largest sum of squared joint uncertainties between two faces."""
    worst = 0.0
    for start in range(count):
        reached = {start: 0.0}
        waiting = [start]
        while waiting:
            here = waiting.pop()
            for pair, joint in zip(pairs, joints, strict=True):
                for a, b in ((pair.one.face, pair.other.face), (pair.other.face, pair.one.face)):
                    if a == here and b not in reached:
                        reached[b] = reached[here] + joint.u_mm**2
                        waiting.append(b)
        worst = max(worst, *reached.values())
    return worst
