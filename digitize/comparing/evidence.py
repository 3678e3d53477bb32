"""Which places of two edges held against each other were seen, and which made up.

A stretch rebuilt through rust, or closed over a gap in a drawn line, is where somebody thinks
the edge ran: what differs there says as much about that thought as about the piece.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.agreement import in_order
from digitize.comparing.deviation import Side
from digitize.pattern.contour import Evidence
from digitize.pattern.model import Pattern

BoolArray = NDArray[np.bool_]


def length_mm(pattern: Pattern, evidence: Evidence) -> float:
    """How much of the outline is known so."""
    edges = pattern.outline.as_contour().edges
    return sum(e.segment.length_mm for e in edges if e.evidence == evidence)


def unseen(side: Side, own: Pattern, other: Pattern) -> BoolArray:
    """Which samples (N,) of a side lie on, or over, an edge that was not measured.

    ``own`` is the pattern whose edge the side is, ``other`` the one it is held against.
    """
    made_up = [
        np.array([e.evidence != "measured" for e in in_order(p.outline)]) for p in (own, other)
    ]
    return np.asarray(made_up[0][side.segment] | made_up[1][side.other_segment])
