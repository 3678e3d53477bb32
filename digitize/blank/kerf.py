"""A path for a cutter: outlines wider and openings smaller by half the kerf.

A part cut along the path has the pattern's own sizes; the path is for a machine that does
not allow for its kerf itself, and must not be allowed for twice.
"""

from __future__ import annotations

from dataclasses import replace

from digitize.blank.errors import NotDeveloped
from digitize.blank.offset import widened
from digitize.errors import Notice
from digitize.pattern.model import Pattern
from digitize.pattern.soundness import fault


def cutter_path(pattern: Pattern, kerf_mm: float) -> Pattern:
    """The pattern moved to the waste side by half the kerf; raises NotDeveloped where it cannot."""
    if pattern.drawn.kerf_mm is not None:
        raise NotDeveloped(
            f"the pattern is the path of a cutter of {pattern.drawn.kerf_mm:.2f} mm kerf already",
            do="leave --kerf out, or take the pattern that it was made from",
        )
    half = kerf_mm / 2
    text = (
        f"edges and sizes are the path of a cutter of {kerf_mm:.2f} mm kerf, not the piece: the "
        f"outline lies {half:.2f} mm outside it, holes are {kerf_mm:.2f} mm smaller across; not "
        "for snips and drill, and switch the machine's own allowance off"
    )
    path = replace(
        pattern,
        outline=widened(pattern.outline, half),
        openings=tuple(widened(opening, -half) for opening in pattern.openings),
        notices=(*pattern.notices, Notice("blank-kerf", text)),
        drawn=replace(pattern.drawn, kerf_mm=kerf_mm),
    )
    found = fault(path)
    if found is not None:
        raise NotDeveloped(
            f"a cutter of {kerf_mm:.2f} mm kerf does not fit: its {found.what}",
            where=found.where,
            do="widen the notch there, or cut with a finer one",
        )
    return path
