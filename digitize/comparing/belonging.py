"""Whether two outlines are those of one piece at all, or have no business on each other.

Two things are looked at in the pose found, both free of size.  How much of either edge runs
beside the other, at one even distance: a piece that rust has eaten keeps its sound edges, one
in its opening has a gap all round.  And how much of the area is common to both, the old outline
grown by that distance: a blank whose flanges came out longer still covers nearly the same.
Where both are low the two are refused, where one is, doubted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from digitize.comparing.deviation import Deviation, Side
from digitize.comparing.registration import Registration
from digitize.errors import DigitizeError, Exit, Notice
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon

_BESIDE = 0.01  # of the size: edges so alike run beside each other
_EVEN = 0.02  # of the size: what may be too large or too small all round
# Of the sample pieces (benchmarks/belonging.py) makes of one piece have 1.00 of the edge and 0.99
# of the area or more in common, strangers 0.71 and 0.92 at most and seldom both.
_STRANGE_EDGE, _STRANGE_AREA = 0.55, 0.85
_DOUBTFUL_EDGE, _DOUBTFUL_AREA, _POOR_AREA = 0.75, 0.96, 0.80


class NothingAlike(DigitizeError):
    """The two outlines have nothing in common to lay them over each other by."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, slots=True)
class Likeness:
    """What two outlines have in common, as shares from 0 to 1."""

    edge: float  # of the edge that runs beside the other one; of either the smaller share
    area: float  # common to both, of what either covers

    @property
    def strange(self) -> bool:
        """Whether these are two pieces that do not belong together."""
        return self.edge < _STRANGE_EDGE and self.area < _STRANGE_AREA

    @property
    def doubtful(self) -> bool:
        """Whether these may be two pieces that do not belong together."""
        partly = self.edge < _DOUBTFUL_EDGE and self.area < _DOUBTFUL_AREA
        return partly or self.area < _POOR_AREA


def likeness(off: Deviation, old: Pattern, laid: Pattern, lap_mm: float = 0.0) -> Likeness:
    """What the old outline and the new one, laid over it, have in common.

    ``lap_mm`` is by how much the new edge is meant to stand out past the old one; a piece cut
    flush, or by part of it, belongs there too.
    """
    size_mm = off.old.boundary.size_mm
    most_mm = _EVEN * size_mm
    even_mm = float(np.clip(_median(off.new), -most_mm, lap_mm + most_mm))
    edge = min(_beside(side, even_mm, _BESIDE * size_mm) for side in (off.new, off.old))
    # An outline traced from a photo may cross itself.
    was, now = (shapely.make_valid(polygon(p.outline)) for p in (old, laid))
    was = was.buffer(even_mm)
    both, either = was.intersection(now).area, was.union(now).area
    return Likeness(edge, float(both / either) if either > 0.0 else 0.0)


def judged(
    found: Likeness, old: Pattern, new: Pattern, laid_by: Registration
) -> tuple[Notice, ...]:
    """A doubt where the two may not belong together.

    Raises ``NothingAlike`` where they plainly do not, unless somebody named the features by
    which the one is laid over the other.
    """
    measured = (
        f"{100 * found.edge:.0f} % of the edge runs beside the other's, "
        f"{100 * found.area:.0f} % of the area is common"
    )
    if found.strange and not laid_by.locked:
        what = "a piece and its opening" if laid_by.placed else "one piece"
        raise NothingAlike(
            f"the two outlines have too little in common to be {what}",
            where=f"{new.name} and {old.name}: {measured}",
            do=_mended_by(laid_by),
        )
    if found.strange or found.doubtful:
        doubt = (
            f"{new.name} may not be the piece for {old.name}"
            if laid_by.placed
            else f"{new.name} and {old.name} may not be the same piece"
        )
        text = f"{doubt}: {measured}; check that they belong together before cutting anything"
        return (Notice("compare-unlike", text, "doubt"),)
    return ()


def _mended_by(laid_by: Registration) -> str:
    for notice in laid_by.notices:
        if notice.code == "compare-mirror":
            return notice.text
    check = "check that they belong together and have the same scale"
    return check if laid_by.placed else f"{check}, or lock features that both have"


def _beside(side: Side, even_mm: float, near_mm: float) -> float:
    near = np.abs(side.signed_mm - even_mm) <= near_mm
    return float(np.dot(near, side.weight_mm) / side.weight_mm.sum())


def _median(side: Side) -> float:
    order = np.argsort(side.signed_mm)
    passed = np.cumsum(side.weight_mm[order])
    return float(side.signed_mm[order][int(np.searchsorted(passed, passed[-1] / 2))])
