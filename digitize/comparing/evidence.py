"""Which places of two edges held against each other were seen, and which made up.

A stretch rebuilt through rust, or closed over a gap in a drawn line, is where somebody thinks
the edge ran: what differs there says as much about that thought as about the piece.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.agreement import in_order
from digitize.comparing.boundary import IntArray
from digitize.comparing.deviation import Side
from digitize.pattern.contour import Evidence
from digitize.pattern.model import Pattern

BoolArray = NDArray[np.bool_]

MADE_UP: tuple[Evidence, ...] = ("restored", "bridged")


def length_mm(pattern: Pattern, evidence: Evidence) -> float:
    """How much of the outline is known so."""
    edges = pattern.outline.as_contour().edges
    return sum(e.segment.length_mm for e in edges if e.evidence == evidence)


def unseen(
    side: Side, own: Pattern, other: Pattern, kinds: tuple[Evidence, ...] = MADE_UP
) -> BoolArray:
    """Which samples (N,) of a side lie on, or over, an edge that was made up.

    ``own`` is the pattern whose edge the side is, ``other`` the one it is held against.
    """
    here, there = (
        np.array([e.evidence in kinds for e in in_order(p.outline)]) for p in (own, other)
    )
    return np.asarray(here[side.segment] | there[side.other_segment])


def mostly(side: Side, run: IntArray, own: Pattern, other: Pattern) -> Evidence:
    """How most of a run of samples of a side is known, of either edge."""
    weight = side.weight_mm[run]
    for kind in MADE_UP:
        if float(np.dot(unseen(side, own, other, (kind,))[run], weight)) > 0.5 * weight.sum():
            return kind
    return "measured"
