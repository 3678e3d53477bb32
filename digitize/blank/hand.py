"""The same piece for the other side of the boat, and the same piece seen from behind.

Mirroring a drawing and keeping "toward the traced face" gives the opposite hand: a left-hand
piece from a right-hand one.  Mirroring it and swapping toward and away gives the same piece
as it is marked out on its other face.
"""

from __future__ import annotations

from dataclasses import replace

from digitize.errors import Notice
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.placement import mirrored

_OPPOSITE_HAND = "blank-opposite-hand"
_FROM_BEHIND = "blank-from-behind"


def opposite_hand(pattern: Pattern) -> Pattern:
    """The piece of the other hand, drawn mirrored left to right in its own box."""
    drawn = replace(pattern.drawn, opposite_hand=not pattern.drawn.opposite_hand)
    text = (
        "this is the opposite hand of the traced piece, not the piece itself: mirrored, each bend "
        "the same way to its face"
    )
    told = [Notice(_OPPOSITE_HAND, text)] if drawn.opposite_hand else []
    turned = _mirrored(pattern)
    return replace(
        turned,
        name=f"{pattern.name}-opposite-hand",
        drawn=drawn,
        notices=(*_without(turned, _OPPOSITE_HAND), *told),
    )


def from_behind(pattern: Pattern) -> Pattern:
    """The same piece marked out on its other face: mirrored, toward and away swapped."""
    turned = _mirrored(pattern)
    bends = tuple(
        replace(b, toward_face=None if b.toward_face is None else not b.toward_face)
        for b in turned.bends
    )
    drawn = replace(pattern.drawn, behind=not pattern.drawn.behind)
    text = (
        "this is the same piece seen from the back of the traced face: mark it out on that side; "
        "toward and away are from there"
    )
    told = [Notice(_FROM_BEHIND, text)] if drawn.behind else []
    return replace(
        turned,
        bends=bends,
        name=f"{pattern.name}-from-behind",
        drawn=drawn,
        notices=(*_without(turned, _FROM_BEHIND), *told),
    )


def mirror_sum_mm(pattern: Pattern) -> float:
    """What a place's x and that of its mirror image add up to."""
    x0, _, x1, _ = closed_extent_mm(pattern.outline)
    return x0 + x1


def _without(pattern: Pattern, code: str) -> tuple[Notice, ...]:
    """The notices but for one that may not be true any more."""
    return tuple(n for n in pattern.notices if n.code != code)


def _mirrored(pattern: Pattern) -> Pattern:
    sum_x_mm = mirror_sum_mm(pattern)
    turned = mirrored(pattern, sum_x_mm)
    notices = (n.moved(lambda p: (sum_x_mm - p[0], p[1])) for n in pattern.notices)
    return replace(turned, notices=tuple(notices))
