"""A face of a folded piece as it was traced alone, and the straight sides it may be joined by.

Sides carry the names of the dimension list (E1, E2...); faces are called A, B, C... in the
order they are given.  Faces all show the same surface of the sheet.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from digitize.errors import DigitizeError, Exit
from digitize.pattern.contour import Contour
from digitize.pattern.datum import datum_of
from digitize.pattern.edge_names import NamedEdge, named_edges
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line

MOST_FACES = 26
U_UNKNOWN_MM = 0.1
"""Standard uncertainty of an edge that states none: a careful mark with a scriber (common
practice, no source)."""

_STRAIGHT_RAD = math.radians(1.5)
_STRAIGHT_MM = 0.3  # how far the pieces of a side may leave the straight line
_SIDE = re.compile(r"([A-Z])[. ]?(E\d+)", re.IGNORECASE)


class NotJoined(DigitizeError):
    """Faces that do not go together, or do so in more than one way."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, slots=True)
class Side:
    """A straight side of a face, by the edges ``first`` to ``last`` (round the end) it is made of.

    ``before_deg`` and ``after_deg`` are the corners' angles, on the metal side, at its start and
    end.
    """

    face: int
    names: tuple[str, ...]  # of the pieces it was fitted in
    line: Line
    u_mm: float  # across, of where its ends lie: by them faces are laid together
    u_length_mm: float
    first: int
    last: int
    before_deg: float
    after_deg: float

    @property
    def full_name(self) -> str:
        """As A.E3."""
        return f"{letter(self.face)}.{self.names[0]}"


def letter(face: int) -> str:
    """What a face is called."""
    return chr(ord("A") + face)


def sides_of(face: int, pattern: Pattern) -> tuple[Side, ...]:
    """The straight sides of a face, as it was traced."""
    outline = pattern.outline
    if not isinstance(outline, Contour):
        return ()
    edges = outline.edges
    starts = {e.segment.start_mm: i for i, e in enumerate(edges)}
    ends = {e.segment.end_mm: i for i, e in enumerate(edges)}
    precision = pattern.precision
    u = U_UNKNOWN_MM if precision is None else precision.edge_u_mm
    sides = []
    for run in _straight_runs(named_edges(outline, datum_of(pattern).origin_mm)):
        line = Line(run[0].segment.start_mm, run[-1].segment.end_mm)
        first, last = starts[line.start_mm], ends[line.end_mm]
        before = edges[first - 1].segment.end_direction_rad
        after = edges[(last + 1) % len(edges)].segment.start_direction_rad
        along = line.start_direction_rad
        length_u = (
            math.sqrt(2.0) * u if precision is None else precision.expanded_mm(line.length_mm) / 2
        )
        sides.append(
            Side(
                face,
                tuple(edge.name for edge in run),
                line,
                math.hypot(u, max(edges[first].u_mm or 0.0, edges[last].u_mm or 0.0)),
                length_u,
                first,
                last,
                180.0 - math.degrees(math.remainder(along - before, math.tau)),
                180.0 - math.degrees(math.remainder(after - along, math.tau)),
            )
        )
    return tuple(sides)


def turned_over(sides: Sequence[Side], mirrored: Pattern) -> tuple[Side, ...]:
    """The sides, by the same names, of a face whose pattern was mirrored (``from_behind``)."""
    edges = mirrored.outline.as_contour().edges
    turned = []
    for side in sides:
        # Mirrored, the edges are travelled in the opposite order.
        first, last = len(edges) - 1 - side.last, len(edges) - 1 - side.first
        turned.append(
            replace(
                side,
                line=Line(edges[first].segment.start_mm, edges[last].segment.end_mm),
                first=first,
                last=last,
                before_deg=side.after_deg,
                after_deg=side.before_deg,
            )
        )
    return tuple(turned)


def _straight_runs(edges: Sequence[NamedEdge]) -> list[list[NamedEdge]]:
    """Edges in runs that a bend could follow.

    A side may be fitted in several pieces, and one that is a little bowed, or uncertain for a
    stretch, as an arc of many metres' radius.
    """
    runs: list[list[NamedEdge]] = []
    for edge in edges:
        if not _straight([edge]):
            continue
        if runs and _straight([*runs[-1], edge]):
            runs[-1].append(edge)
        else:
            runs.append([edge])
    if len(runs) > 1 and _straight([*runs[-1], *runs[0]]):
        runs[0] = runs.pop() + runs[0]
    return runs


def _straight(run: Sequence[NamedEdge]) -> bool:
    segments = [e.segment for e in run]
    for before, after in pairwise(segments):
        turn = math.remainder(after.start_direction_rad - before.end_direction_rad, math.tau)
        if before.end_mm != after.start_mm or abs(turn) > _STRAIGHT_RAD:
            return False
    if any(isinstance(s, Arc) and abs(s.included_rad) > _STRAIGHT_RAD for s in segments):
        return False
    (x0, y0), (x1, y1) = segments[0].start_mm, segments[-1].end_mm
    along = math.atan2(y1 - y0, x1 - x0)
    return all(
        abs((y - y0) * math.cos(along) - (x - x0) * math.sin(along)) <= _STRAIGHT_MM
        for s in segments
        for x, y in s.points_mm(_STRAIGHT_MM / 10)
    )


def side_named(text: str, faces: Sequence[Sequence[Side]]) -> Side:
    """The side somebody calls ``A.E3``; raises NotJoined where there is none."""
    found = _SIDE.fullmatch(text.strip())
    if found is None:
        raise NotJoined(f"{text!r} is no side of a face", do='write face and edge, as "A.E3"')
    face, name = ord(found[1].upper()) - ord("A"), found[2].upper()
    if face >= len(faces):
        raise NotJoined(
            f"there is no face {letter(face)}", do=f"there are A to {letter(len(faces) - 1)}"
        )
    for side in faces[face]:
        if name in side.names:
            return side
    straight = ", ".join(name for side in faces[face] for name in side.names)
    raise NotJoined(
        f"face {letter(face)} has no straight edge {name}",
        do=f"it has {straight}" if straight else "it has none at all",
    )
