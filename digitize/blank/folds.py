"""The tree of faces with what each bend does: where it moves the sheet beyond it.

Seen from the base face, the sheet beyond a bend moves toward the base by the bend
deduction, square to the bend line.  Between the tangent lines the pattern is squeezed
evenly, so that what crossed the bend line still meets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.bending.facts import BendFacts
from digitize.blank.crossings import bend_names
from digitize.blank.cutting import Axis
from digitize.blank.errors import NotDeveloped
from digitize.blank.faces import Chord, Faces
from digitize.pattern.segments import Point

THINNEST_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Fold:
    """A chord with its bend: ``parent`` lies nearer the base, ``normal`` points to ``child``."""

    chord: Chord
    facts: BendFacts
    parent: int
    child: int
    normal: Point

    def beyond_mm(self, p: Point) -> float:
        """How far a point of the pattern lies beyond the bend line, as seen from the base."""
        (x, y), (nx, ny) = self.chord.axis.through_mm, self.normal
        return (p[0] - x) * nx + (p[1] - y) * ny

    def normal_into(self, face: int) -> Point:
        """Unit normal of the bend, pointing into one of its two faces."""
        nx, ny = self.normal
        return (nx, ny) if face == self.child else (-nx, -ny)

    @property
    def strip_mm(self) -> float:
        """Half the width that is squeezed.

        Not quite nothing for a line traced right in a sharp inside corner: there the strip of
        the blank grows out of the line itself.
        """
        return max(self.facts.reach_mm, THINNEST_MM)

    def share(self, beyond_mm: float) -> float:
        """How much of the deduction a point takes part in: 0 before the bend, 1 beyond it."""
        return min(max((beyond_mm + self.strip_mm) / (2 * self.strip_mm), 0.0), 1.0)

    def pulled(self, share: float) -> Point:
        """The move toward the base at that share of the deduction."""
        d = share * self.facts.deduction_mm
        return -d * self.normal[0], -d * self.normal[1]


@dataclass(frozen=True, slots=True)
class FoldTree:
    """Every fold of a pattern, parents before children, and how far each face moves."""

    faces: Faces
    base: int
    folds: tuple[Fold, ...]
    moves_mm: tuple[Point, ...]  # of each face, in the blank

    def of_face(self, face: int) -> list[Fold]:
        """The folds at the edges of a face."""
        return [f for f in self.folds if face in (f.parent, f.child)]

    def into(self, face: int) -> Fold | None:
        """The fold through which a face hangs on the base."""
        return next((f for f in self.folds if f.child == face), None)

    def tangent(self, fold: Fold, face: int) -> Axis:
        """A face's tangent line at one of its folds, on the blank."""
        nx, ny = fold.normal_into(face)
        d, (dx, dy) = fold.facts.reach_mm, self.moves_mm[face]
        x, y = fold.chord.axis.through_mm
        return Axis((x + d * nx + dx, y + d * ny + dy), fold.chord.axis.along)

    def chain(self, face: int) -> list[Fold]:
        """The folds from the base to a face."""
        chain: list[Fold] = []
        fold = self.into(face)
        while fold is not None:
            chain.insert(0, fold)
            fold = self.into(fold.parent)
        return chain


def fold_tree(faces: Faces, facts: Sequence[BendFacts], base: int) -> FoldTree:
    """The folds seen from a base face; raises NotDeveloped where there is no such face."""
    if not 0 <= base < faces.count:
        raise NotDeveloped(f"there is no face {base + 1}", do=f"choose F1 to F{faces.count}")
    folds: list[Fold] = []
    moves: dict[int, Point] = {base: (0.0, 0.0)}
    waiting = [base]
    while waiting:
        face = waiting.pop(0)
        for chord in faces.chords:
            for parent, child, sign in (
                (chord.outer, chord.inner, 1.0),
                (chord.inner, chord.outer, -1.0),
            ):
                if parent != face or child in moves:
                    continue
                nx, ny = faces.to_inner(chord)
                fold = Fold(chord, _of(chord, facts), parent, child, (sign * nx, sign * ny))
                dx, dy = fold.pulled(1.0)
                x, y = moves[parent]
                moves[child] = (x + dx, y + dy)
                folds.append(fold)
                waiting.append(child)
    return FoldTree(faces, base, tuple(folds), tuple(moves[f] for f in range(faces.count)))


def _of(chord: Chord, facts: Sequence[BendFacts]) -> BendFacts:
    """What is known of a bend, by the first of its lines."""
    return replace(facts[chord.bends[0]], name=bend_names(chord.bends))
