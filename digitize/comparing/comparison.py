"""Old against new in one call: pose, deviation, stretches, features, area, profile value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.comparing.agreement import UNSTATED_MM, alike_u_mm
from digitize.comparing.belonging import judged, likeness
from digitize.comparing.carried import carried
from digitize.comparing.deviation import Deviation, deviation
from digitize.comparing.differences import Changes, changes
from digitize.comparing.locking import register_locked
from digitize.comparing.looseness import loose
from digitize.comparing.registration import Fit, FitOptions, Registration, register
from digitize.comparing.rival import rival
from digitize.comparing.stretches import Stretch, stretches
from digitize.errors import Notice
from digitize.pattern.model import Pattern


@dataclass(frozen=True, eq=False)
class Comparison:
    """Everything known about how a new piece differs from an old one.

    ``laid`` is the new piece in the old one's coordinates, where all places are given.
    """

    old: Pattern
    new: Pattern
    laid: Pattern
    registration: Registration
    deviation: Deviation
    stretches: tuple[Stretch, ...]  # the worst first
    changes: Changes
    notices: tuple[Notice, ...]
    lap_mm: float = 0.0  # wanted past the old edge; deviations are from there, more is none

    @property
    def area_mm2(self) -> tuple[float, float]:
        """Metal of the old and of the new piece, openings taken off."""
        old, new = (_metal_mm2(p) for p in (self.old, self.new))
        return old, new

    @property
    def largest_mm(self) -> float:
        """The largest deviation that is more than the measurement can be wrong, else 0."""
        return max((s.largest_mm for s in self.stretches), default=0.0)

    @property
    def same(self) -> bool:
        """Whether nothing differs by more than the measurement can be wrong."""
        features = self.changes
        alone = features.only_old or features.only_new
        return not self.stretches and not alone and all(c.same for c in features.both)


def compare(
    old: Pattern,
    new: Pattern,
    *,
    fit: Fit = "sound",
    mirrored: bool = False,
    locked: Sequence[str] = (),
) -> Comparison:
    """Hold a new piece against an old one.

    ``locked`` are features by which it is laid over, ``fit`` how else.  Raises
    ``NothingAlike`` and ``NotLockable``.
    """
    options = FitOptions(fit, mirrored, alike_u_mm(old, new))
    found = register_locked(new, old, locked, options) if locked else register(new, old, options)
    held = compare_at(old, new, found)
    if fit != "sound" or locked or found.any_turn:
        return held
    doubts = loose(old, found, options.alike_mm)
    if not found.others:  # else that is doubt enough
        doubts += rival(old, new, found, held.changes, options.alike_mm)
    return replace(held, notices=(*doubts, *held.notices))


def compare_at(
    old: Pattern, new: Pattern, found: Registration, *, lap_mm: float = 0.0
) -> Comparison:
    """Hold a new piece against an old one in a pose that is known.

    ``lap_mm`` is by how much the new piece is meant to stand out past the old one's edge; it
    is then held against a line so far outside that edge.  Raises ``NothingAlike``.
    """
    off = deviation(new, old, found)
    laid = found.pose.of_pattern(new)
    doubts = judged(likeness(off, old, laid, lap_mm), old, new, found)
    if lap_mm:
        off = off.lapping(lap_mm)
    return Comparison(
        old,
        new,
        replace(laid, name=new.name),
        found,
        off,
        stretches(off, old, laid),
        changes(laid, old),
        (*doubts, *found.notices, *_precision_notices(old, new), *carried(old, new)),
        lap_mm,
    )


def _precision_notices(old: Pattern, new: Pattern) -> list[Notice]:
    unstated = [p.name for p in (old, new) if p.precision is None]
    if len(unstated) == 2:
        text = (
            "neither pattern states its precision: differences below "
            f"{UNSTATED_MM:g} mm are taken for the same"
        )
        return [Notice("compare-unstated", text, "doubt")]
    if unstated:
        text = f"{unstated[0]} does not state its precision and is taken as exact"
        return [Notice("compare-unstated", text, "doubt")]
    return []


def _metal_mm2(pattern: Pattern) -> float:
    holes = sum(abs(o.signed_area_mm2) for o in pattern.openings)
    return abs(pattern.outline.signed_area_mm2) - holes
