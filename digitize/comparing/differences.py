"""What differs between features: offsets, sizes, directions, and what only one piece has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from digitize.comparing.agreement import apart_expanded_mm
from digitize.comparing.features import Feature, FeatureKind, features_of, pairs
from digitize.pattern.datum import datum_of
from digitize.pattern.model import Pattern

_FARTHEST = 0.12  # of the piece's size; what is farther off is another feature


@dataclass(frozen=True, slots=True)
class Change:
    """A feature of the new piece against the old one's, the new piece laid over the old.

    Offsets are along the old piece's datum axes, for a bend line across it (``x_mm`` is then
    None and ``off_mm`` signed: positive to the left of the old line's direction).  Sizes and
    turns are new less old.  ``*_expanded`` are U of the differences.
    """

    old_name: str
    new_name: str
    kind: FeatureKind
    off_mm: float
    off_expanded_mm: float
    x_mm: float | None = None
    y_mm: float | None = None
    size_mm: float | None = None  # diameter, width
    length_mm: float | None = None
    size_expanded_mm: float | None = None
    turn_deg: float | None = None
    turn_expanded_deg: float | None = None

    @property
    def same(self) -> bool:
        """Whether everything about it is the same within the measurement."""
        checked = [(self.off_mm, self.off_expanded_mm), (self.size_mm, self.size_expanded_mm)]
        checked += [(self.length_mm, self.size_expanded_mm)] if self.kind == "slot" else []
        checked += [(self.turn_deg, self.turn_expanded_deg)]
        return all(d is None or u is None or abs(d) <= u for d, u in checked)


@dataclass(frozen=True, slots=True)
class Changes:
    """All features: those of both pieces, and the names of those that only one has."""

    both: tuple[Change, ...]
    only_old: tuple[str, ...]
    only_new: tuple[str, ...]


def changes(laid: Pattern, old: Pattern) -> Changes:
    """Features of the new piece, laid over the old one, against the old one's."""
    points = old.outline.points_mm(0.1)
    size = float(np.hypot(*np.ptp(points, axis=0)))
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    found = pairs(laid, old, _FARTHEST * size)
    turn = datum_of(old).direction_rad
    both = [_change(a, b, (laid, old), turn, middle) for a, b in found]
    ours, theirs = {a.name for a, _ in found}, {b.name for _, b in found}
    return Changes(
        tuple(sorted(both, key=lambda c: (c.old_name[0], int(c.old_name[1:])))),
        tuple(f.name for f in features_of(old) if f.name not in theirs),
        tuple(f.name for f in features_of(laid) if f.name not in ours),
    )


def _change(
    new: Feature,
    old: Feature,
    patterns: tuple[Pattern, Pattern],
    datum_rad: float,
    middle: np.ndarray,
) -> Change:
    own = (new.u_mm, old.u_mm)
    dx, dy = new.at_mm[0] - old.at_mm[0], new.at_mm[1] - old.at_mm[1]
    reach = math.dist(old.at_mm, (float(middle[0]), float(middle[1])))
    off_u = apart_expanded_mm(patterns, own, reach, off_mm=math.hypot(dx, dy))
    turn = turn_u = None
    if old.direction_rad is not None and new.direction_rad is not None:
        turn = math.degrees(math.remainder(new.direction_rad - old.direction_rad, math.pi))
        length = min(old.length_mm or 1.0, new.length_mm or 1.0)
        turn_u = math.degrees(apart_expanded_mm(patterns, own, 0.0, 2.0) / length)
    if old.kind == "bend" and old.direction_rad is not None:
        # Where the old line's middle lies: a bend may be seen over part of its length.
        d = new.direction_rad if new.direction_rad is not None else old.direction_rad
        if math.cos(d - old.direction_rad) < 0:
            d += math.pi
        across = -math.sin(d) * dx + math.cos(d) * dy
        return Change(
            old.name, new.name, old.kind, across, off_u, turn_deg=turn, turn_expanded_deg=turn_u
        )
    c, s = math.cos(datum_rad), math.sin(datum_rad)
    size = _less(new.size_mm, old.size_mm)
    size_u = None
    if size is not None:
        size_u = apart_expanded_mm(patterns, own, old.size_mm or 0.0, 2.0, size)
    return Change(
        old.name,
        new.name,
        old.kind,
        math.hypot(dx, dy),
        off_u,
        c * dx + s * dy,
        c * dy - s * dx,
        size,
        _less(new.length_mm, old.length_mm),
        size_u,
        turn,
        turn_u,
    )


def _less(a: float | None, b: float | None) -> float | None:
    return a - b if a is not None and b is not None else None
