"""The same piece for the other side of the boat, and the same piece seen from behind.

Mirroring a drawing and keeping "toward the traced face" gives the opposite hand: a left-hand
piece from a right-hand one.  Mirroring it and swapping toward and away gives the same piece
as it is marked out on its other face.
"""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

from digitize.errors import Notice
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Point, Segment


def opposite_hand(pattern: Pattern) -> Pattern:
    """The piece of the other hand, drawn mirrored left to right in its own box."""
    text = "the opposite hand of the traced piece: mirrored, each bend the same way to its face"
    return replace(
        _mirrored(pattern),
        name=f"{pattern.name}-opposite-hand",
        notices=(*pattern.notices, Notice("opposite-hand", text)),
    )


def from_behind(pattern: Pattern) -> Pattern:
    """The same piece marked out on its other face: mirrored, toward and away swapped."""
    mirrored = _mirrored(pattern)
    bends = tuple(
        replace(b, toward_face=None if b.toward_face is None else not b.toward_face)
        for b in mirrored.bends
    )
    text = "seen from behind the traced face: the same piece, marked out on its other side"
    return replace(
        mirrored,
        bends=bends,
        name=f"{pattern.name}-from-behind",
        notices=(*pattern.notices, Notice("from-behind", text)),
    )


def _mirrored(pattern: Pattern) -> Pattern:
    x0, _, x1, _ = closed_extent_mm(pattern.outline)

    def point(p: Point) -> Point:
        return x0 + x1 - p[0], p[1]

    def segment(s: Segment) -> Segment:
        match s:
            case Line():
                return Line(point(s.end_mm), point(s.start_mm))
            case Arc():
                # Mirrored the bulge changes sign, and travelled backward it changes again.
                return Arc(point(s.end_mm), point(s.start_mm), s.bulge)
            case _:
                assert_never(s)

    def closed(c: Closed) -> Closed:
        match c:
            case Contour():
                edges = [Edge(segment(e.segment), e.evidence, e.u_mm) for e in reversed(c.edges)]
                return Contour(tuple(edges))
            case Circle():
                return replace(c, centre_mm=point(c.centre_mm))
            case Slot():
                return replace(c, start_mm=point(c.start_mm), end_mm=point(c.end_mm))
            case _:
                assert_never(c)

    precision = pattern.precision
    return replace(
        pattern,
        precision=None if precision is None else precision.mirrored(x0 + x1),
        outline=closed(pattern.outline),
        openings=tuple(closed(o) for o in pattern.openings),
        bends=tuple(
            replace(b, start_mm=point(b.start_mm), end_mm=point(b.end_mm)) for b in pattern.bends
        ),
        marks=tuple(replace(m, at_mm=point(m.at_mm)) for m in pattern.marks),
        scribes=tuple(
            replace(s, start_mm=point(s.start_mm), end_mm=point(s.end_mm)) for s in pattern.scribes
        ),
    )
