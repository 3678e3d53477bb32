"""From a pattern with bends to the flat blank it is folded from.

The base face stays where it is; every other face moves with the bends between it and the
base.  The blank is a pattern again, its bend lines marked as lying on the blank, so that
developing it once more changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely

from digitize.bending.facts import BendFacts, told
from digitize.blank.checks import check, refuse_flanges_gone
from digitize.blank.errors import NotDeveloped
from digitize.blank.faces import split
from digitize.blank.folds import FoldTree, fold_tree
from digitize.blank.inside import Carrier, Moved
from digitize.blank.lines import Area
from digitize.blank.outline import OpenEnd, blank_outline
from digitize.blank.scribes import bend_line, scribe_lines
from digitize.blank.shared_corners import joined_corners
from digitize.errors import Notice, place_words
from digitize.pattern.datum import datum_of, told_from
from digitize.pattern.model import Pattern, PointMark, Precision
from digitize.pattern.region import metal, polygon
from digitize.pattern.segments import Point
from digitize.pattern.soundness import fault

_CUT_AWAY_MM = 0.1
_MEETING_SINE = 0.1
U_OF_K = 0.04
"""Standard uncertainty of a K from tables: the laws differ by 0.35 to 0.45 for one steel."""


@dataclass(frozen=True, slots=True)
class Blank:
    """The developed blank and how it came about.

    Where the pattern was mirrored after developing, every x of the tree's coordinates has become
    ``mirror_sum_mm`` - x.
    """

    pattern: Pattern
    tree: FoldTree
    facts: tuple[BendFacts, ...]
    open_ends: tuple[OpenEnd, ...] = ()
    mirror_sum_mm: float | None = None

    def on_face_mm(self, face: int) -> Point:
        """A place well inside a face, as the pattern shows it."""
        point = self.tree.faces.polygon(face).representative_point()
        dx, dy = self.tree.moves_mm[face]
        x = point.x + dx
        return (x if self.mirror_sum_mm is None else self.mirror_sum_mm - x), point.y + dy


def develop(pattern: Pattern, facts: Sequence[BendFacts], base: int | None = None) -> Blank:
    """The blank of a pattern; ``base`` is the face that stays, the largest by default.

    Raises NotDeveloped where the bend lines do not divide the piece, a flange ends within its
    bend, or the blank would overlap itself.
    """
    facts = tuple(facts)
    pattern = joined_corners(told(pattern, facts))
    facts = tuple(replace(f, line=b) for f, b in zip(facts, pattern.bends, strict=True))
    faces = split(pattern)
    tree = fold_tree(faces, facts, faces.largest() if base is None else base)
    refuse_flanges_gone(tree)
    outline = blank_outline(tree)
    carrier = Carrier(tree)
    moved = [
        carrier.moved(opening) if i not in outline.openings else Moved(outline.openings[i], ())
        for i, opening in enumerate(pattern.openings)
    ]
    blank = replace(
        pattern,
        outline=outline.contour,
        openings=tuple(m.closed for m in moved),
        marks=tuple(PointMark(carrier.image(m.at_mm), m.u_mm) for m in pattern.marks),
        precision=_precision(pattern, tree),
    )
    found = fault(blank)
    if found is not None:
        raise NotDeveloped(
            f"the blank cannot be cut: {found.what}",
            where=found.where,
            do="cut a relief there, or check angle, radius and where the bend line was drawn",
        )
    sheet = metal(blank)
    bends = tuple(bend_line(tree, i, f, outline) for i, f in enumerate(facts))
    scribes = tuple(s for fold in tree.folds for s in scribe_lines(tree, fold, outline, sheet))
    blank = replace(blank, bends=bends, scribes=scribes)
    open_ends = tuple(end for end in outline.open_ends if not _relieved(tree, end, sheet))
    notices = (
        *pattern.notices,
        *_reached(moved),
        *check(blank, tree, open_ends),
    )
    return Blank(replace(blank, notices=tuple(dict.fromkeys(notices))), tree, facts, open_ends)


def _relieved(tree: FoldTree, end: OpenEnd, sheet: Area) -> bool:
    """Whether the sheet is cut away where the tangent lines cross of bends that meet there."""
    one, *others = end.folds
    for two in others or tree.folds:
        shared = {one.parent, one.child} & {two.parent, two.child}
        if two is one or not shared or abs(one.chord.axis.sine(two.chord.axis)) < _MEETING_SINE:
            continue
        (face,) = shared
        crossing = tree.tangent(one, face).crossing(tree.tangent(two, face))
        near = math.dist(crossing, end.at_mm) < 2 * (one.strip_mm + two.strip_mm)
        if near and shapely.distance(sheet, shapely.Point(crossing)) > _CUT_AWAY_MM:
            return True
    return False


def counted_from_datum(blank: Blank) -> Blank:
    """The finished blank, its notices naming places from its datum corner as pictures do."""
    pattern = blank.pattern
    notices = told_from(datum_of(pattern), pattern.notices)
    return replace(blank, pattern=replace(pattern, notices=notices))


def _reached(openings: Sequence[Moved]) -> list[Notice]:
    notices = []
    for opening in openings:
        if opening.bends:
            middle = polygon(opening.closed).centroid
            at = (float(middle.x), float(middle.y))
            text = (
                f"the hole near {place_words(at)} reaches into bend {', '.join(opening.bends)} and "
                "will be pulled out of shape there: cut it after bending where its shape matters"
            )
            notices.append(Notice("hole-in-bend", text, "doubt", (at,)))
    return notices


def _precision(pattern: Pattern, tree: FoldTree) -> Precision | None:
    """The pattern's precision widened by how well a bend's allowance is known.

    The longest way through bends from face to face counts, each bend on its own.
    """
    if pattern.precision is None:
        return None
    own = {
        f.facts.name: U_OF_K * f.facts.thickness_mm * math.radians(f.facts.angle_deg)
        for f in tree.folds
        if f.facts.traced != "blank" and "law" in f.facts.defaults
    }
    worst = 0.0
    chains = [{f.facts.name for f in tree.chain(face)} for face in range(tree.faces.count)]
    for a in chains:
        for b in chains:
            worst = max(worst, math.fsum(own.get(name, 0.0) ** 2 for name in a ^ b))
    return pattern.precision.widened("bend allowance", math.sqrt(worst / 2))
