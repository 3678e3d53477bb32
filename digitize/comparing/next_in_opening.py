"""What to cut next time for an opening: its outline, each edge where the piece's edge should be.

An edge that is to be changed lies by the wanted gap inside the opening's edge, or by the lap
outside it; one that is to stay lies where the piece has it now, on average.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import shapely

from digitize.blank.errors import NotDeveloped
from digitize.blank.offset import moved, widened
from digitize.comparing.comparison import Comparison
from digitize.comparing.sides import Sides
from digitize.errors import Notice
from digitize.pattern.contour import Closed, Contour
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon
from digitize.pattern.segments import Line
from digitize.pattern.soundness import fault

_ALIKE_MM = 0.2  # moves so alike are one
_CHORD_MM = 0.005


def next_piece(found: Comparison, out_mm: Mapping[str, float]) -> Pattern | Notice:
    """The piece with the opening's outline, each named edge moved out by so much.

    In the piece's own coordinates; a notice says why where there is no such outline.
    """
    try:
        outline = _moved(found.old, out_mm)
    except NotDeveloped as no:
        if max(out_mm.values()) - min(out_mm.values()) > _ALIKE_MM:
            return _not_made(str(no))
        outline = _all_round(found.old, float(np.mean(list(out_mm.values()))))
    laid = replace(found.laid, outline=outline)
    wrong = fault(laid)
    if wrong is not None:
        return _not_made(f"its {wrong.what} ({wrong.where})")
    pattern = found.registration.pose.pattern_back(laid)
    return replace(pattern, name=f"{found.new.name}-next", notices=())


def _moved(opening: Pattern, out_mm: Mapping[str, float]) -> Closed:
    outline = opening.outline
    if not isinstance(outline, Contour):
        return widened(outline, next(iter(out_mm.values())))
    if outline.signed_area_mm2 < 0:
        outline = outline.reversed()
    return moved(outline, [out_mm[name] for name in Sides.of(opening).names])


def _all_round(opening: Pattern, out_mm: float) -> Contour:
    """The outline moved evenly, as short lines: rounds that this swallows are left out."""
    whole = polygon(opening.outline).buffer(out_mm, join_style="mitre").simplify(_CHORD_MM)
    points = [(float(x), float(y)) for x, y in shapely.get_coordinates(whole.exterior)[:-1]]
    lines = [Line(a, b) for a, b in zip(points, (*points[1:], points[0]), strict=True)]
    made = Contour.of(lines)
    return made if made.signed_area_mm2 > 0 else made.reversed()


def _not_made(why: str) -> Notice:
    text = f"no pattern for next time could be made of the opening's edges: {why}"
    return Notice("fit-next", text, "doubt")
