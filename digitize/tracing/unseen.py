"""What of a finished outline was carried across, because nobody could see the edge there.

The pattern says it, edge by edge, and pictures, tables and templates show what it says; so the
doubt is told of the same edges.  A round hole or slot of which most was seen is drawn by that
alone: nothing of it is carried across.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from digitize.errors import Notice, place_words
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.segments import Point
from digitize.tracing.traces import Unseen

_MOST_NAMED = 3
_WHY: dict[Unseen, str] = {
    "glare": "glare or metal as bright as the paper",
    "edge-unclear": "no clear edge",
}


def unseen(edges: Sequence[Closed], why: Unseen) -> tuple[Notice, ...]:
    """The doubt about the bridged stretches of an outline and its openings, if there are any."""
    gaps = sorted((g for closed in edges for g in _gaps(closed)), reverse=True)
    if not gaps:
        return ()
    total = math.fsum(length for length, _ in gaps)
    named = gaps[:_MOST_NAMED]
    places = "; ".join(f"{length:.0f} mm near {place_words(at)}" for length, at in named)
    text = (
        f"{total:.0f} mm of edge could not be measured ({_WHY[why]}; {places}) "
        "and are carried across from both sides"
    )
    return (Notice(why, text, "doubt", tuple(at for _, at in named)),)


def _gaps(closed: Closed) -> Iterator[tuple[float, Point]]:
    """Length and middle of each bridged stretch."""
    if isinstance(closed, Circle | Slot):
        if closed.evidence == "bridged":
            x, y = closed.as_contour().points_mm(0.1).mean(axis=0)
            yield closed.length_mm, (float(x), float(y))
        return
    for run in _bridged_runs(closed):
        middle = run[len(run) // 2].segment.points_mm(0.1)
        x, y = middle.mean(axis=0)
        yield math.fsum(edge.segment.length_mm for edge in run), (float(x), float(y))


def _bridged_runs(contour: Contour) -> Iterator[list[Edge]]:
    """Bridged edges that follow one another round the contour."""
    edges = contour.edges
    first = next((i for i, e in enumerate(edges) if e.evidence != "bridged"), 0)
    run: list[Edge] = []
    for edge in (*edges[first:], *edges[:first]):
        if edge.evidence == "bridged":
            run.append(edge)
        elif run:
            yield run
            run = []
    if run:
        yield run
