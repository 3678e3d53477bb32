"""A blank to fold, from a pattern document: developed already, or still to be developed.

A developed blank carries two tangent lines beside each bend; their distance is the bend
allowance it was developed with, whatever law that was.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from digitize.bending.facts import Said, Stock, bend_name, resolve
from digitize.bending.materials import Material
from digitize.bending.setback import BadBend
from digitize.blank.develop import Blank, counted_from_datum, develop
from digitize.blank.errors import NotDeveloped
from digitize.blank.shared_corners import joined_corners
from digitize.errors import DigitizeError, Exit, Notice
from digitize.pattern.model import BendLine, Pattern, ScribeLine
from digitize.pattern.segments import Point

_PARALLEL = math.sin(math.radians(0.2))
_CRUSHED = 2.5  # allowances, along the outline
_MIDDLE_MM = 0.05  # how far the bend may lie off the middle of its tangent lines


class NotFoldable(DigitizeError):
    """The pattern lacks what is needed to fold it."""

    exit_code = Exit.PATTERN


class ThicknessUnknown(NotFoldable):
    """Neither the pattern nor anybody says how thick the sheet is."""

    exit_code = Exit.ASKED

    def __init__(self) -> None:
        """Say so."""
        super().__init__("nobody said how thick the sheet is", do="give --thickness, measured")


def blank_of(
    pattern: Pattern,
    metal: Material,
    thickness_mm: float | None = None,
    said: Mapping[str, Said] | None = None,
) -> tuple[Blank, tuple[Notice, ...]]:
    """The blank and notices about what was assumed.

    ``said`` speaks of a traced pattern's bends, as for ``resolve``.  Raises NotFoldable without
    bends or thickness, BadBend where a bend's angle or direction is not said or a blank's bend
    is said to be another, and NotDeveloped where the bend lines do not divide the piece.
    """
    thickness = thickness_mm if thickness_mm is not None else pattern.thickness_mm
    if thickness is None:
        raise ThicknessUnknown
    if not pattern.bends:
        raise NotFoldable("the pattern has no bend lines", do="nothing is to be folded")
    said = dict(said or {})
    assumed = False
    for index, bend in enumerate(pattern.bends):
        if bend.traced != "blank":
            continue
        name = bend_name(index)
        if bend.angle_deg and name in said:
            raise BadBend(
                f"{name} lies on a blank that was developed for its angle and radius",
                do="say how it is bent to `digitize blank`, of the traced pattern",
            )
        k = _marked_k(bend, name, pattern.scribes, thickness)
        if k is not None:
            said[name] = Said(k=k)
        elif bend.angle_deg != 0.0:  # a bead's line is not bent
            assumed = True
    stock = Stock(metal, thickness)
    facts, notices = resolve(pattern, stock, said)
    # The law of a blank whose tangent lines are drawn is no assumption, whatever resolve says.
    if not assumed:
        notices = tuple(n for n in notices if n.code != "law-assumed" or _traced(pattern))
    try:
        return counted_from_datum(develop(pattern, facts)), notices
    except NotDeveloped:
        # On a blank without reliefs the bends' middle lines run past one another where they
        # met in a corner of the piece: by no more than the sheet that is crushed there.
        crushed = _CRUSHED * max(f.allowance_mm for f in facts)
        joined = joined_corners(pattern, crushed)
        if joined == pattern:
            raise
        blank = develop(joined, resolve(joined, stock, said)[0])
        return counted_from_datum(blank), notices


def _marked_k(
    bend: BendLine, name: str, scribes: tuple[ScribeLine, ...], thickness_mm: float
) -> float | None:
    """The K by which a blank's tangent lines were drawn, if the bend is said and they are."""
    if not bend.angle_deg or bend.inside_radius_mm is None:
        return None
    allowance = marked_allowance_mm(bend, scribes)
    if allowance is None:
        return None
    neutral = allowance / math.radians(bend.angle_deg)
    k = (neutral - bend.inside_radius_mm) / thickness_mm
    if not -1e-6 <= k <= 1.0 + 1e-6:
        raise BadBend(
            f"the tangent lines of {name} do not go with {thickness_mm:g} mm sheet",
            do="give the thickness the blank was developed for, or develop it anew",
        )
    return min(max(k, 0.0), 1.0)


def marked_allowance_mm(bend: BendLine, scribes: tuple[ScribeLine, ...]) -> float | None:
    """Distance between the two tangent lines drawn beside a bend, if there are."""
    left: list[float] = []
    right: list[float] = []
    for scribe in scribes:
        if scribe.kind != "tangent" or not _along(bend, scribe):
            continue
        off = _left_of(bend, scribe.start_mm)
        (left if off > 0 else right).append(abs(off))
    pairs = [(a, b) for a in left for b in right if abs(a - b) <= _MIDDLE_MM]
    return min((a + b for a, b in pairs), default=None)


def _traced(pattern: Pattern) -> bool:
    return any(b.traced != "blank" for b in pattern.bends)


def _along(bend: BendLine, scribe: ScribeLine) -> bool:
    """Whether a scribe line runs parallel to a bend and beside it."""
    (ux, uy), (vx, vy) = _unit(bend.start_mm, bend.end_mm), _unit(scribe.start_mm, scribe.end_mm)
    if abs(ux * vy - uy * vx) > _PARALLEL:
        return False
    stations = sorted(
        (p[0] - bend.start_mm[0]) * ux + (p[1] - bend.start_mm[1]) * uy
        for p in (scribe.start_mm, scribe.end_mm)
    )
    return stations[0] < math.dist(bend.start_mm, bend.end_mm) and stations[1] > 0.0


def _left_of(bend: BendLine, p: Point) -> float:
    ux, uy = _unit(bend.start_mm, bend.end_mm)
    return (p[1] - bend.start_mm[1]) * ux - (p[0] - bend.start_mm[0]) * uy


def _unit(a: Point, b: Point) -> Point:
    d = math.dist(a, b) or 1.0
    return (b[0] - a[0]) / d, (b[1] - a[1]) / d
