"""Which face is F1, F2...: by the bends between them, so that a piece and its blank agree.

F1 is an end face, one with a single bend: of all such the one on the lowest bend.  From there
the numbers go from face to face, over the lowest bend first, and on from each face before the
next bend.  A channel of B1 and B2 is F1, F2, F3 from side to side; a box has its flange at B1
for F1, its bottom for F2, and its flanges at B2 and B3 for F3 and F4.  Nothing of it goes by
where an outline begins, or by which face is held; sizes and places decide where bends cannot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from digitize.blank.cutting import Axis
from digitize.pattern.segments import Point

_ALIKE = 0.01  # areas of two faces, of which neither is then the larger
_ONWARD = (0.94, 0.34)  # any direction that hardly any bend is square to


class Link(Protocol):
    """A stretch of a bend and the two faces beside it."""

    @property
    def bends(self) -> tuple[int, ...]:
        """The bend lines it consists of."""

    @property
    def outer(self) -> int:
        """One face."""

    @property
    def inner(self) -> int:
        """The other one."""


@dataclass(frozen=True, slots=True)
class Layout:
    """What the order of faces goes by; places are of a drawing that is not mirrored."""

    links: Sequence[Link]
    ends_mm: Sequence[tuple[Point, Point]]  # of each link
    areas_mm2: Sequence[float]  # of each face
    inside_mm: Sequence[Point]  # a place in each face

    def order(self) -> list[int]:
        """The faces in the order of their numbers."""
        if not self.links:
            return [0]
        order: list[int] = []
        waiting = [self._first()]
        while waiting:
            order.append(waiting.pop())
            near = sorted(self._beside(order[-1]), key=self._rank, reverse=True)
            waiting += [f for k in near if (f := self._over(k, order[-1])) not in order]
        return order

    def _first(self) -> int:
        """The end face on the lowest bend; the smaller where one bend alone has two."""
        ends = [f for f in range(len(self.areas_mm2)) if len(self._beside(f)) == 1]
        lowest = min(self._rank(self._beside(f)[0]) for f in ends)
        ends = [f for f in ends if self._rank(self._beside(f)[0]) == lowest]
        smallest = min(self.areas_mm2[f] for f in ends)
        ends = [f for f in ends if self.areas_mm2[f] < (1 + _ALIKE) * smallest]
        return min(ends, key=self._aside)

    def _beside(self, face: int) -> list[int]:
        """The links at the edges of a face."""
        return [k for k, link in enumerate(self.links) if face in (link.outer, link.inner)]

    def _over(self, link: int, face: int) -> int:
        """The face at the other side of a link."""
        one = self.links[link]
        return one.inner if face == one.outer else one.outer

    def _rank(self, link: int) -> tuple[tuple[int, ...], float]:
        """The place of a link among all: by its bend, then along it where a notch parts it."""
        (x0, y0), (x1, y1) = self.ends_mm[link]
        return self.links[link].bends, _along((x0 + x1) / 2, (y0 + y1) / 2)

    def _aside(self, face: int) -> float:
        """How far an end face lies left of its bend, seen along it."""
        (link,) = self._beside(face)
        low, high = sorted(self.ends_mm[link], key=lambda p: _along(*p))
        return Axis.between(low, high).station(self.inside_mm[face])[1]


def _along(x: float, y: float) -> float:
    return x * _ONWARD[0] + y * _ONWARD[1]
