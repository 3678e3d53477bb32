"""Bend lines that end a hair apart at one corner, brought to end in the very same place.

On a drawing two flanges meet where their bend lines cross, but a pen leaves a blob there, and
the outline cuts it off with edges of a millimetre or so.  The face between two bends has
no business having an edge of a stroke's width, so the corner is put where the bend lines
cross.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import groupby

from digitize.blank.chain import closed_up
from digitize.blank.crossings import Place, crossings
from digitize.blank.cutting import SAME_MM, Axis, at, piece
from digitize.pattern.contour import Contour, Edge
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Line, Point

STROKE_MM = 3.0  # along the outline: two widths of a marker pen, and less than any relief
_NOTHING_MM = 1e-3
_CROSSING = 0.3  # sine of the angle between the two bend lines


def joined_corners(pattern: Pattern, within_mm: float = STROKE_MM) -> Pattern:
    """The pattern with bend lines that end within a stroke's width meeting in one corner.

    Raises NotDeveloped where a bend line does not reach the outline.
    """
    for _ in range(2 * len(pattern.bends)):
        better = _once(pattern, within_mm)
        if better is None:
            break
        pattern = better
    return pattern


def _once(pattern: Pattern, within_mm: float) -> Pattern | None:
    """The pattern with one more corner joined, or None."""
    outline = pattern.outline.as_contour()
    ends: list[tuple[Place, tuple[int, ...], bool]] = []
    on_outline = (c for c in crossings(pattern) if c.opening is None)
    for bends, group in groupby(on_outline, key=lambda c: c.bends):
        stretches = list(group)
        for k, stretch in enumerate(stretches):
            # Ends inside a notch are no ends of the line as drawn.
            ends.append((stretch.ends[0], bends, k == 0))
            ends.append((stretch.ends[1], bends, k == len(stretches) - 1))
    ends.sort(key=lambda e: e[0])
    for (a, one, a_own), (b, two, b_own) in zip(ends, ends[1:] + ends[:1], strict=True):
        if one == two or not (a_own and b_own) or a == b:
            continue
        run = _run_mm(outline, a, b)
        if not SAME_MM < run < within_mm:
            continue
        p, q = (at(outline.edges[k].segment, t) for k, t in (a, b))
        i, j = _ending_at(pattern, one, p), _ending_at(pattern, two, q)
        corner = _crossing(pattern, i, j)
        if corner is None or max(math.dist(corner, p), math.dist(corner, q)) > within_mm:
            continue
        bends = list(pattern.bends)
        for k, end in ((i, p), (j, q)):
            bend = bends[k]
            if math.dist(bend.start_mm, end) < math.dist(bend.end_mm, end):
                bends[k] = replace(bend, start_mm=corner)
            else:
                bends[k] = replace(bend, end_mm=corner)
        return replace(pattern, outline=_through(outline, a, b, corner), bends=tuple(bends))
    return None


def _ending_at(pattern: Pattern, bends: tuple[int, ...], p: Point) -> int:
    """Which of the lines of one bend ends at a point."""

    def off_mm(index: int) -> float:
        bend = pattern.bends[index]
        return min(math.dist(bend.start_mm, p), math.dist(bend.end_mm, p))

    return min(bends, key=off_mm)


def _run_mm(outline: Contour, a: Place, b: Place) -> float:
    """Length along the outline from one place to the next."""
    lengths = [e.segment.length_mm for e in outline.edges]
    if a[0] == b[0] and a[1] <= b[1]:
        return (b[1] - a[1]) * lengths[a[0]]
    run = (1 - a[1]) * lengths[a[0]] + b[1] * lengths[b[0]]
    k = (a[0] + 1) % len(lengths)
    while k != b[0]:
        run += lengths[k]
        k = (k + 1) % len(lengths)
    return run


def _crossing(pattern: Pattern, i: int, j: int) -> Point | None:
    one, two = (Axis.between(b.start_mm, b.end_mm) for b in (pattern.bends[i], pattern.bends[j]))
    return one.crossing(two) if abs(one.sine(two)) > _CROSSING else None


def _through(outline: Contour, a: Place, b: Place, corner: Point) -> Contour:
    """The outline led through a corner instead of along its edges from ``a`` to ``b``."""
    edges = outline.edges
    n = len(edges)
    first, last = edges[a[0]], edges[b[0]]
    led: list[Edge] = []
    if b[1] < 1.0:
        led.append(Edge(piece(last.segment, b[1], 1.0), last.evidence, last.u_mm))
    k = (b[0] + 1) % n
    while k != a[0]:
        led.append(edges[k])
        k = (k + 1) % n
    if a[1] > 0.0:
        led.append(Edge(piece(first.segment, 0.0, a[1]), first.evidence, first.u_mm))
    p, q = led[-1].segment.end_mm, led[0].segment.start_mm
    if math.dist(p, corner) > _NOTHING_MM:
        led.append(Edge(Line(p, corner), first.evidence, first.u_mm))
    if math.dist(corner, q) > _NOTHING_MM:
        led.append(Edge(Line(corner, q), last.evidence, last.u_mm))
    return Contour(tuple(closed_up(led)))
