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
    turned = _mirrored(pattern)
    bends = tuple(
        replace(b, toward_face=None if b.toward_face is None else not b.toward_face)
        for b in turned.bends
    )
    text = "seen from behind the traced face: the same piece, marked out on its other side"
    return replace(
        turned,
        bends=bends,
        name=f"{pattern.name}-from-behind",
        notices=(*pattern.notices, Notice("from-behind", text)),
    )


def mirror_sum_mm(pattern: Pattern) -> float:
    """What a place's x and that of its mirror image add up to."""
    x0, _, x1, _ = closed_extent_mm(pattern.outline)
    return x0 + x1


def _mirrored(pattern: Pattern) -> Pattern:
    return mirrored(pattern, mirror_sum_mm(pattern))
