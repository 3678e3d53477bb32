"""A bend to be made, a step of the plan that makes it, or why it cannot be made now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from operator import or_

from digitize.bending.spring_back import Overbend
from digitize.bending_plan.tools import Choice
from digitize.blank.develop import Blank
from digitize.blank.folds import Fold

IN_LINE_MM = 0.3  # bends so little off one line are made in one go: common practice, no source
_SAME_WAY = 0.9999


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


CANNOT = "cannot be bent: "  # begins a reason that depends on which side is held


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


def either_way(blocks: Sequence[Block]) -> Block:
    """One block of those with either side held: all their reasons, none twice."""
    cares = reduce(or_, (b.cares for b in blocks))
    if not all(b.reason.startswith(CANNOT) for b in blocks):
        said = next((b for b in blocks if b.because is not None), blocks[0])
        return replace(said, cares=cares)
    reasons = dict.fromkeys(b.reason.removeprefix(CANNOT) for b in blocks)
    names = dict.fromkeys(b.because for b in blocks if b.because is not None)
    reason = CANNOT + "; ".join(reasons)
    return Block(blocks[0].operation, reason, " and ".join(names) or None, cares)


def operations_of(
    blank: Blank, faces: frozenset[int] | None = None, together: bool = False
) -> tuple[Operation, ...]:
    """The bends to be made, in the order of their names; flat ones are none.

    Stretches of one bend line that hang on one face are made in one go; ``together`` also bends
    that lie on one line, as a long tool does.
    """
    tree = blank.tree
    groups: list[list[int]] = []
    for k, fold in enumerate(tree.folds):
        there = faces is None or {fold.parent, fold.child} <= faces
        if fold.facts.angle_deg == 0.0 or not there:
            continue
        for group in groups:
            first = tree.folds[group[0]]
            same = first.chord.bends == fold.chord.bends or (together and _in_line(first, fold))
            if same and first.parent == fold.parent:
                group.append(k)
                break
        else:
            groups.append([k])
    groups.sort(key=lambda g: (tree.folds[g[0]].chord.bends, tree.folds[g[0]].parent))
    owners = [sorted({b for k in g for b in tree.folds[k].chord.bends}) for g in groups]
    found = []
    for group, bends in zip(groups, owners, strict=True):
        name = "+".join(f"B{b + 1}" for b in bends)
        alike = [i for i, o in enumerate(owners) if o == bends]
        if len(alike) > 1:
            name += "abcdefgh"[alike.index(groups.index(group)) % 8]
        children = tuple(tree.folds[k].child for k in group)
        found.append(Operation(name, tuple(group), tree.folds[group[0]].parent, children))
    return tuple(found)


def bend_names(name: str) -> tuple[str, ...]:
    """The bends an operation of that name makes."""
    return tuple(part.rstrip("abcdefgh") for part in name.split("+"))


def _in_line(a: Fold, b: Fold) -> bool:
    """Whether two folds are bent alike about one line."""
    (nx, ny), (mx, my) = a.normal, b.normal
    one, two = a.facts, b.facts
    alike = (one.toward_face, one.angle_deg, one.radius_mm, one.reach_mm) == (
        two.toward_face,
        two.angle_deg,
        two.radius_mm,
        two.reach_mm,
    )
    ends = (b.facts.line.start_mm, b.facts.line.end_mm)
    off = max(abs(a.beyond_mm(p)) for p in ends)
    return alike and nx * mx + ny * my > _SAME_WAY and off < IN_LINE_MM
