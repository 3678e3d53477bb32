"""A blank as a tool meets it: its plates in any state of bending, and its bends to be made.

A state is a bit set of the operations done.
"""

from __future__ import annotations

from copy import copy

from digitize.bending_plan.operation import Operation, operations_of
from digitize.bending_plan.plates import plates_of
from digitize.blank.develop import Blank
from digitize.blank.fold import Matrix, placements
from digitize.folding.regions import regions
from digitize.folding.sizes import face_name
from digitize.pattern.segments import FloatArray

TRIM_THICKNESSES = 1.5
"""How far from an edge faces may meet without counting as run into each other: corners of
flanges are filed to fit.  Common practice, no source."""


class Part:
    """The plates and operations of a blank."""

    def __init__(self, blank: Blank, together: bool = False) -> None:
        """Divide the blank; ``together`` makes bends of one line in one go."""
        self.blank = blank
        self.tree = blank.tree
        self.thickness_mm = blank.facts[0].thickness_mm
        self.regions = regions(blank.tree, blank.pattern)
        self.present = frozenset(range(self.tree.faces.count))
        self.operations: tuple[Operation, ...] = operations_of(blank, self.present, together)
        self.together = together
        self.plates = plates_of(blank, self.regions)
        self.trimmed = plates_of(blank, self.regions, TRIM_THICKNESSES * self.thickness_mm)
        self.areas = [float(area.area) for area in self.regions.faces]
        index = {id(fold): k for k, fold in enumerate(self.tree.folds)}
        self._chains = [
            [index[id(fold)] for fold in self.tree.chain(f)] for f in range(self.tree.faces.count)
        ]
        self._posed: dict[int, tuple[FloatArray, FloatArray, list[Matrix]]] = {}

    def only(self, faces: frozenset[int]) -> Part:
        """A piece of the part: those faces and the bends between them."""
        piece = copy(self)
        piece.present = faces
        piece.operations = operations_of(self.blank, faces, self.together)
        piece._posed = {}
        return piece

    def posed(self, done: int) -> tuple[FloatArray, FloatArray, list[Matrix]]:
        """Corners of the plates, of the trimmed ones, and the faces' motions in a state."""
        if done not in self._posed:
            shares = self.shares(done)
            self._posed[done] = (
                self.plates.posed(shares),
                self.trimmed.posed(shares),
                placements(self.tree, shares),
            )
        return self._posed[done]

    def made(self, done: int) -> dict[int, Operation]:
        """The folds bent in a state, and by which operation."""
        return {k: o for i, o in enumerate(self.operations) if done >> i & 1 for k in o.folds}

    def shares(self, done: int) -> list[float]:
        """How far each fold of the tree is bent."""
        made = self.made(done)
        return [1.0 if k in made else 0.0 for k in range(len(self.tree.folds))]

    def beyond(self, operation: Operation) -> frozenset[int]:
        """The faces that hang on an operation's children, and these."""
        return frozenset(
            f
            for f in self.present
            if any(fold.child in operation.children for fold in self.tree.chain(f))
        )

    def moved_share(self, operation: Operation) -> float:
        """Area beyond an operation over that of the whole part."""
        return sum(self.areas[f] for f in self.beyond(operation)) / sum(
            self.areas[f] for f in self.present
        )

    def owner(self, part: int) -> int:
        """The face that a plate's region moves with: itself, or the parent of the bend."""
        n = self.tree.faces.count
        return part if part < n else self.tree.folds[part - n].parent

    def name(self, part: int) -> str:
        """What people call a region."""
        n = self.tree.faces.count
        return face_name(part) if part < n else f"bend {self.tree.folds[part - n].facts.name}"

    def way(self, part: int, face: int) -> list[int]:
        """The folds that decide where a region is as seen from a face, nearest to it first."""
        n = self.tree.faces.count
        here, there = self._chains[self.owner(part)], self._chains[face]
        way = [k for k in reversed(here) if k not in there] + [k for k in there if k not in here]
        return way if part < n else [part - n, *way]

    def operations_of(self, folds: list[int]) -> int:
        """The bit set of the operations that bend some folds."""
        return sum(1 << i for i, o in enumerate(self.operations) if set(o.folds) & set(folds))
