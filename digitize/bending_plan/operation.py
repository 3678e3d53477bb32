"""A bend to be made, a step of the plan that makes it, or why it cannot be made now."""

from __future__ import annotations

from dataclasses import dataclass

from digitize.bending.spring_back import Overbend
from digitize.bending_plan.tools import Choice
from digitize.blank.develop import Blank


@dataclass(frozen=True, slots=True)
class Operation:
    """Bends made in one go: the stretches of one bend line that hang on one face."""

    name: str
    folds: tuple[int, ...]  # places in the tree's folds
    parent: int
    children: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """A bend that can be made: how the part is held, and through how many degrees."""

    operation: Operation
    held: tuple[int, ...]  # faces that the tool holds
    choice: Choice | None  # of the tool's width; None where the bend is hammered over by hand
    start_mm: float  # where the tool begins, from the bend's own beginning
    bend: Overbend
    toward_face: bool
    goes_in_mm: float = 0.0  # how far the held faces reach behind the tool line
    stands_out_mm: float = 0.0  # how far the others reach before it


@dataclass(frozen=True, slots=True)
class Block:
    """Why a bend cannot be made now; ``because`` names the bend that put the obstacle there."""

    operation: Operation
    reason: str
    because: str | None = None
    cares: int = 0  # operations whose state decides this; with the others as they may be, it holds

    @property
    def sentence(self) -> str:
        """The reason, naming the bend."""
        return f"{self.operation.name} {self.reason}"


def operations_of(blank: Blank, faces: frozenset[int] | None = None) -> tuple[Operation, ...]:
    """The bends to be made, in the order of their names; flat ones are none."""
    tree = blank.tree
    groups: dict[tuple[int, int], list[int]] = {}
    for k, fold in enumerate(tree.folds):
        there = faces is None or {fold.parent, fold.child} <= faces
        if fold.facts.angle_deg > 0.0 and there:
            groups.setdefault((fold.chord.bend, fold.parent), []).append(k)
    found = []
    for bend, parent in sorted(groups):
        letters = [key for key in groups if key[0] == bend]
        name = tree.folds[groups[bend, parent][0]].facts.name
        if len(letters) > 1:
            name += "abcdefgh"[sorted(letters).index((bend, parent)) % 8]
        folds = tuple(groups[bend, parent])
        found.append(Operation(name, folds, parent, tuple(tree.folds[k].child for k in folds)))
    return tuple(found)
