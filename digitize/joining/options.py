"""How faces are joined: what somebody says of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from digitize.bending.facts import Said
from digitize.pattern.model import Traced

Ends = Traced | Literal["face", "tangent"]
"""Where the faces were seen to end at a bend: as ``BendLine.traced`` says it, on the seen face
throughout, or at the tangent line, where the flat ends and the bend begins."""

WITHIN_MM = 1.0
"""How far the two sides of a bend may differ in length: what snips, a file and a ragged edge
leave on a hand-made piece; common practice, no source."""


class JointSaid(NamedTuple):
    """Two sides that are one bend, as A.E3 and B.E1.

    Where the bend takes only a part of the longer side, ``at_mm`` is where on it the shorter one
    begins, from the corner where the longer side begins, going round counter-clockwise.
    """

    one: str
    other: str
    at_mm: float | None = None


@dataclass(frozen=True, slots=True)
class JoinOptions:
    """How faces are joined.

    ``said`` maps B1... or ``all`` to what is said of
    a bend.  Sides may differ in length by ``within_mm``.  Faces in ``turned_over`` (from 0) were
    seen from the other side of the sheet than the rest.
    """

    name: str = "joined"
    joints: tuple[JointSaid, ...] = ()
    said: Mapping[str, Said] = field(default_factory=dict)
    ends: Ends = "outside"
    turned_over: frozenset[int] = frozenset()
    thickness_mm: float | None = None
    within_mm: float = WITHIN_MM
    made_by: str = "hand"
