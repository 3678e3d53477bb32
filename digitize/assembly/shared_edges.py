"""The place of a piece from edges that it shares with others.

An edge is laid along another one, the two running against each other as the outlines of
neighbours do.  About that line the piece may be turned: 0 degrees is flush with the other's
sheet, 90 stands square toward the traced face, 180 lies face to face on it, negative angles
go the other way, back to back.  Or the sheets lap, one flat over the other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.assembly.body import turned
from digitize.assembly.shape import Shape, SheetEdge
from digitize.errors import DigitizeError, Exit

FloatArray = NDArray[np.float64]

Along = Literal["start", "middle", "end"]
"""Where along the other piece's edge, in the way its outline runs, the two are even."""

_ALIKE_MM = 1.0  # edges of the same length within this need not be told where they meet
_CLOSED_MM = 1.0
_CLOSED_DEG = 1.0


class NotPlaced(DigitizeError):
    """Shared edges do not determine a piece's place, or contradict one another."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, slots=True)
class SharedEdge:
    """Edge ``edge`` of ``piece`` lies on edge ``other_edge`` of ``other``.

    ``lap_mm`` positive: that much over the other's traced face; negative: behind its back.
    """

    piece: str
    edge: str
    other: str
    other_edge: str
    angle_deg: float = 0.0
    lap_mm: float = 0.0
    along: Along | None = None

    @property
    def words(self) -> str:
        """As the person wrote it."""
        return f"{self.edge} of {self.piece} on {self.other_edge} of {self.other}"


@dataclass(frozen=True, eq=False)
class Place:
    """How a piece is turned (3, 3) and then moved (3,)."""

    turn: FloatArray
    at_mm: FloatArray

    @classmethod
    def said(cls, turn_deg: Sequence[float], at_mm: Sequence[float]) -> Place:
        """About x, then y, then z."""
        return cls(turned(turn_deg), np.asarray(at_mm, float))

    @property
    def turn_deg(self) -> tuple[float, float, float]:
        """The turns about x, then y, then z that come to the same."""
        t = self.turn
        y = math.asin(max(-1.0, min(1.0, -float(t[2, 0]))))
        if math.cos(y) < 1e-9:  # looking along an axis, x and z turn alike
            x, z = 0.0, math.atan2(-float(t[0, 1]), float(t[1, 1]))
        else:
            x, z = math.atan2(t[2, 1], t[2, 2]), math.atan2(t[1, 0], t[0, 0])
        return math.degrees(x), math.degrees(y), math.degrees(z)


def places(
    names: Sequence[str],
    said: Mapping[str, Place],
    shapes: Mapping[str, Shape],
    shared: Sequence[SharedEdge],
) -> tuple[dict[str, Place], frozenset[str]]:
    """The place of every piece, and the names of those placed by an edge.

    A piece lies as said, by a shared edge, or else at (0, 0, 0).

    Where no place is said at all the first piece lies at (0, 0, 0).  Raises ``NotPlaced`` and
    ``NoEdge``.
    """
    for row in shared:
        for name, edge in ((row.piece, row.edge), (row.other, row.other_edge)):
            if name not in shapes:
                raise NotPlaced(
                    f"{name} is a box and has no edge {edge}",
                    do="give the place of the piece beside it by at_mm and turn_deg",
                )
    joined = {name for row in shared for name in (row.piece, row.other)}
    found = {n: said[n] for n in names if n in said}
    still = Place(np.eye(3), np.zeros(3))
    found |= {n: still for n in names if n not in joined and n not in found}
    if not found:
        found[names[0]] = still
    checked: set[SharedEdge] = set()
    placed: set[str] = set()
    grown = True
    while grown:
        grown = False
        for row in shared:
            if row in checked or not {row.piece, row.other} & found.keys():
                continue
            checked.add(row)
            grown = True
            placed |= {row.piece, row.other} - found.keys()
            if row.other not in found:
                found[row.other] = _place(row, shapes, found[row.piece], given_piece=True)
            elif row.piece not in found:
                found[row.piece] = _place(row, shapes, found[row.other], given_piece=False)
            else:
                _check_closed(row, shapes, found)
    lost = [n for n in names if n not in found]
    if lost:
        raise NotPlaced(
            f"nothing says where {' and '.join(lost)} {'lies' if len(lost) == 1 else 'lie'} beside "
            "the other pieces",
            do="let an edge be shared with one of them, or give at_mm and turn_deg of one",
        )
    return found, frozenset(placed)


def _place(
    row: SharedEdge, shapes: Mapping[str, Shape], known: Place, *, given_piece: bool
) -> Place:
    """Where the one piece goes when the other's place is known."""
    turn, at = _on_other(row, shapes)
    if given_piece:  # solved the other way round
        turn, at = turn.T, -turn.T @ at
    return Place(known.turn @ turn, known.turn @ at + known.at_mm)


def _on_other(row: SharedEdge, shapes: Mapping[str, Shape]) -> tuple[FloatArray, FloatArray]:
    """Rotation (3, 3) and move (3,) from the piece's own coordinates to the other's."""
    own = shapes[row.piece].edge(row.edge)
    other = shapes[row.other].edge(row.other_edge)
    thick, other_thick = shapes[row.piece].thickness_mm, shapes[row.other].thickness_mm
    along, off, up = other.axes.T
    angle = math.radians(row.angle_deg)
    metal = math.cos(angle) * off + math.sin(angle) * up
    raised = math.cos(angle) * up - math.sin(angle) * off
    turn = np.column_stack((-along, -metal, raised)) @ own.axes.T
    # The inside of the corner is where the two touch: the traced faces, or the backs.
    touch = -1.0 if row.angle_deg < 0.0 else 0.0
    own_at = _station(own, row, own=True) + touch * thick * own.up
    goal = _station(other, row, own=False) + touch * other_thick * up
    if row.lap_mm:
        rise = thick if row.lap_mm > 0 else -other_thick
        goal = goal + rise * up - abs(row.lap_mm) * off
    apart = own.length_mm - other.length_mm
    if row.along is None and abs(apart) > _ALIKE_MM:
        raise NotPlaced(
            f"{row.words} is {abs(apart):.1f} mm {'longer' if apart > 0 else 'shorter'}, and "
            "nothing says where along it they meet",
            do='give it "along": "start", "middle" or "end" of the other\'s edge',
        )
    return np.asarray(turn), np.asarray(goal - turn @ own_at)


def _station(edge: SheetEdge, row: SharedEdge, *, own: bool) -> FloatArray:
    """The place on an edge that is even with the other's; the two run against each other."""
    match row.along:
        case "start":
            return edge.end_mm if own else edge.start_mm
        case "end":
            return edge.start_mm if own else edge.end_mm
        case _:
            return np.asarray((edge.start_mm + edge.end_mm) / 2)


def _check_closed(row: SharedEdge, shapes: Mapping[str, Shape], found: Mapping[str, Place]) -> None:
    """An edge between two pieces whose places are known has to be where it is said to be."""
    goal, place = _place(row, shapes, found[row.other], given_piece=False), found[row.piece]
    edge = shapes[row.piece].edge(row.edge)
    meant, lies = (edge.moved(p.turn, p.at_mm) for p in (goal, place))
    off = max(
        float(np.linalg.norm(meant.start_mm - lies.start_mm)),
        float(np.linalg.norm(meant.end_mm - lies.end_mm)),
    )
    cosine = (float(np.trace(goal.turn.T @ place.turn)) - 1.0) / 2.0
    turn = math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
    if off > _CLOSED_MM or turn > _CLOSED_DEG:
        raise NotPlaced(
            f"{row.words} lies {off:.1f} mm and {turn:.1f}° off it where the other edges and "
            "places put the two",
            do="leave one of them out, or correct the angle or size that does not close",
        )
