"""What is likely to go wrong at the bends of a blank, each warning with its source."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import shapely

from digitize.bending.facts import BendFacts
from digitize.bending.materials import Material
from digitize.blank.errors import NotDeveloped
from digitize.blank.folds import Fold, FoldTree
from digitize.blank.outline import OpenEnd
from digitize.errors import Notice, place_words
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon

HOLE_THICKNESSES = 2.0
# super-ingenuity.cn, sheet-metal design guide
HOLE_SOURCE = "two thicknesses from hole edge to the start of the bend, a maker's design guide"
FLANGE_THICKNESSES = 4.0
# super-ingenuity.cn, sheet-metal design guide; krrass.com, press-brake design rules
FLANGE_SOURCE = "four thicknesses and at least 2 T + R, two makers' design guides"
UNRELIEVED = "bend-unrelieved"
HAND_MM = 8.0
HAND_SOURCE = "common practice, no source"


def refuse_flanges_gone(tree: FoldTree) -> None:
    """Raise NotDeveloped where a flange ends within its bend: nothing of it can be folded up."""
    for fold, face, height in _flange_heights(tree):
        facts = fold.facts
        if height < facts.reach_mm:
            raise NotDeveloped(
                f"the flange F{face + 1} reaches {height:.1f} mm from {facts.name}, and a bend of "
                f"radius {facts.radius_mm:g} mm through {facts.angle_deg:g}° takes up "
                f"{facts.reach_mm:.1f} mm of that: nothing flat is left of it",
                do="choose a smaller radius, or a longer flange",
            )


def check(blank: Pattern, tree: FoldTree, open_ends: Sequence[OpenEnd]) -> tuple[Notice, ...]:
    """Notices about holes too near a bend, flanges too short, and ends that would tear."""
    return (*_holes(blank, tree), *_flanges(tree), *_ends(open_ends))


def too_tight(facts: Sequence[BendFacts], metal: Material) -> tuple[Notice, ...]:
    """Notices about radii below the least one of the metal."""
    notices = []
    for f in facts:
        least = metal.least_radius.radius_mm(f.thickness_mm)
        if f.angle_deg > 0.0 and f.radius_mm < least - 1e-9:
            text = (
                f"bend {f.name} has an inside radius of {f.radius_mm:.1f} mm; {metal.title} of "
                f"{f.thickness_mm:.2f} mm wants {least:.1f} mm: {metal.least_radius.source}"
            )
            notices.append(Notice("radius-small", text, "doubt"))
    return tuple(notices)


def _holes(blank: Pattern, tree: FoldTree) -> Iterable[Notice]:
    for opening in blank.openings:
        area = polygon(opening)
        at = (float(area.centroid.x), float(area.centroid.y))
        for index, bend in enumerate(blank.bends):
            facts = next(f.facts for f in tree.folds if index in f.chord.bends)
            line = shapely.LineString([bend.start_mm, bend.end_mm])
            gap = line.distance(area) - facts.allowance_mm / 2
            least = HOLE_THICKNESSES * facts.thickness_mm
            if 0.0 < gap < least and facts.angle_deg > 0.0:
                text = (
                    f"the hole near {place_words(at)} ends {gap:.1f} mm from the start of bend "
                    f"{facts.name} and may be pulled out of round; it wants {least:.1f} mm: "
                    f"{HOLE_SOURCE}"
                )
                yield Notice("hole-near-bend", text, at_mm=(at,))


def _flange_heights(tree: FoldTree) -> Iterable[tuple[Fold, int, float]]:
    """Each bend with the flanges at it, and how high they are."""
    for fold in tree.folds:
        if fold.facts.angle_deg == 0.0:
            continue
        for face in (fold.parent, fold.child):
            if sum(face in (f.parent, f.child) for f in tree.folds) > 1 and face != fold.child:
                continue
            yield fold, face, _height_mm(tree, fold, face)


def _flanges(tree: FoldTree) -> Iterable[Notice]:
    for fold, face, height in _flange_heights(tree):
        facts = fold.facts
        least = max(
            FLANGE_THICKNESSES * facts.thickness_mm,
            2 * facts.thickness_mm + facts.radius_mm,
        )
        if height < least:
            text = (
                f"face F{face + 1} beside bend {facts.name} is {height:.1f} mm high and wants "
                f"{least:.1f} mm to be held: {FLANGE_SOURCE}"
            )
            yield Notice("flange-short", text)
        elif height < HAND_MM:
            text = (
                f"face F{face + 1} beside bend {facts.name} is {height:.1f} mm high; by hand "
                f"below {HAND_MM:g} mm is awkward: {HAND_SOURCE}"
            )
            yield Notice("flange-low", text)


def _height_mm(tree: FoldTree, fold: Fold, face: int) -> float:
    """How far a face reaches from a bend line, as traced."""
    side = 1.0 if face == fold.child else -1.0
    points = tree.faces.polygon(face).exterior.coords
    return max(side * fold.beyond_mm((float(x), float(y))) for x, y in points)


def _ends(open_ends: Sequence[OpenEnd]) -> Iterable[Notice]:
    for end in open_ends:
        names = sorted(f.facts.name for f in end.folds)
        ends = " and ".join(names) + (" meet" if len(names) > 1 else " ends")
        place = place_words(end.at_mm)
        text = f"{ends} in the sheet near {place} and will tear there: cut a relief"
        yield Notice(UNRELIEVED, text, at_mm=(end.at_mm,))
