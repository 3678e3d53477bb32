"""Where words go on a picture: beside what they name, off each other and off what they would hide.

All boxes are pixels, left, top, right, bottom.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from digitize.pattern.extent import Box


def beside(around: Box, w: float, h: float, gap: float) -> Iterator[Box]:
    """Boxes of a size beside a box, best first: right, left, above, below, and at its corners."""
    x0, y0, x1, y1 = around
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    right, left, above, below = x1 + gap, x0 - gap - w, y0 - gap - h, y1 + gap
    spots = [(right, y - h / 2), (left, y - h / 2), (x - w / 2, above), (x - w / 2, below)]
    spots += [(a, b) for a in (right, left) for b in (below, above)]
    for a, b in spots:
        yield a, b, a + w, b + h


def upon(around: Box, w: float, h: float) -> Box:
    """The box of a size in the middle of a box: a tag on a line names no other thing."""
    x, y = (around[0] + around[2]) / 2, (around[1] + around[3]) / 2
    return x - w / 2, y - h / 2, x + w / 2, y + h / 2


class TagPlaces:
    """The room left for words in a frame."""

    def __init__(self, frame: Box, taken: Iterable[Box] = ()) -> None:
        """Begin with what must not be hidden."""
        self._frame = frame
        self._taken = list(taken)

    def take(self, box: Box) -> None:
        """Keep words off a box."""
        self._taken.append(box)

    def least_crowded(
        self, boxes: Iterable[Box], hides: Callable[[Box], float] = lambda _: 0.0
    ) -> Box:
        """The first of the boxes, moved into the frame, that hides least; it is taken then.

        ``hides`` adds to what a box costs, a box already taken costing 1 and more the more of
        it is covered.
        """
        best = min((self._moved_in(b) for b in boxes), key=lambda b: self._crowd(b) + hides(b))
        self.take(best)
        return best

    def first_free(self, boxes: Iterable[Box]) -> Box | None:
        """The first of the boxes that lies in the frame and on nothing; it is taken then."""
        for box in boxes:
            if self._moved_in(box) == box and not any(overlap(box, t) for t in self._taken):
                self.take(box)
                return box
        return None

    def _crowd(self, box: Box) -> float:
        area = max((box[2] - box[0]) * (box[3] - box[1]), 1.0)
        return sum(1.0 + _common(box, t) / area for t in self._taken if overlap(box, t))

    def _moved_in(self, box: Box) -> Box:
        (x0, y0, x1, y1), (left, top, right, bottom) = box, self._frame
        dx = max(0.0, left - x0) + min(0.0, right - x1)
        dy = max(0.0, top - y0) + min(0.0, bottom - y1)
        return x0 + dx, y0 + dy, x1 + dx, y1 + dy


def overlap(a: Box, b: Box) -> bool:
    """Whether two boxes have anything in common."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _common(a: Box, b: Box) -> float:
    wide, high = (min(a[i + 2], b[i + 2]) - max(a[i], b[i]) for i in (0, 1))
    return max(wide, 0.0) * max(high, 0.0)
