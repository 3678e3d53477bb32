"""A part at a tool: tries to make one bend from a given state, every way round."""

from __future__ import annotations

from dataclasses import replace
from functools import reduce
from operator import or_

from digitize.bending.spring_back import Overbend, overbend
from digitize.bending_plan.operation import CANNOT, Block, Operation, Step, either_way
from digitize.bending_plan.part import Part
from digitize.bending_plan.setting import Prisms, Setting, prisms_of
from digitize.bending_plan.tools import Choice, Tool

BARE_MM = 5.0  # of a bend's end may stand out of the jaws: common practice, no source


class Bench:
    """Tries steps and counts how many."""

    def __init__(self, part: Part, tool: Tool, metal: str) -> None:
        """``metal`` is the name of a Material, for its spring-back."""
        self.part, self.tool, self.metal = part, tool, metal
        self.checks = 0
        self._settings: dict[tuple[int, bool], Setting] = {}
        self._known_ways: dict[tuple[int, bool], list[tuple[Choice, float, Prisms]]] = {}
        self._known_holds: dict[tuple[int, bool], bool] = {}

    def make(self, done: int, index: int) -> Step | Block:
        """Make operation ``index`` after those of the bit set ``done``: a step, or why not."""
        self.checks += 1
        operation = self.part.operations[index]
        bend = self._overbend(operation)
        if bend.angle_deg > self.tool.largest_deg + 1e-6:
            return Block(
                operation,
                f"must be bent through {bend.angle_deg:.0f}° under load and the "
                f"{self.tool.title} cannot bend it farther than {self.tool.largest_deg:.0f}°",
            )
        blocks: list[Block] = []
        # The larger side is held where it can be: the smaller one is easier to swing.
        parent_first = self.part.moved_share(operation) <= 0.5
        for parent_held in (parent_first, not parent_first):
            found = self._held(done, index, bend, parent_held)
            if isinstance(found, Step):
                return found
            blocks.append(found)
        return either_way(blocks)

    def hammer(self, done: int, index: int) -> Step | Block:
        """Hammer operation ``index`` over by hand: only the part itself is in the way."""
        self.checks += 1
        operation = self.part.operations[index]
        setting = self._setting(index, True)
        facts = setting.fold.facts
        hit = setting.against_itself(done, facts.angle_deg)
        if hit is not None:
            return hit
        bend = self._overbend(operation)
        return Step(operation, (operation.parent,), None, 0.0, bend, facts.toward_face)

    def measured(self, done: int, step: Step) -> Step:
        """The step with what it reaches behind the tool line and before it."""
        index = self.part.operations.index(step.operation)
        setting = self._setting(index, step.held == (step.operation.parent,))
        inward, outward = setting.reach_mm(done)
        return replace(step, goes_in_mm=inward, stands_out_mm=outward)

    def _overbend(self, operation: Operation) -> Overbend:
        facts = self.part.tree.folds[operation.folds[0]].facts
        return overbend(self.metal, facts.angle_deg, facts.radius_mm, facts.thickness_mm)

    def _setting(self, index: int, parent_held: bool) -> Setting:
        key = index, parent_held
        if key not in self._settings:
            operation = self.part.operations[index]
            self._settings[key] = Setting(self.part, operation, parent_held)
        return self._settings[key]

    def _ways(self, index: int, parent_held: bool) -> list[tuple[Choice, float, Prisms]]:
        """How the tool may be put to a bend: width, station, bodies."""
        key = index, parent_held
        if key not in self._known_ways:
            setting = self._setting(*key)
            start, end = setting.start_mm, setting.end_mm
            self._known_ways[key] = [
                (choice, at - start, prisms_of(self.tool, setting, choice, at))
                for choice in self.tool.choices(end - start, BARE_MM)
                for at in _starts(choice, start, end)
            ]
        return self._known_ways[key]

    def _held(self, done: int, index: int, bend: Overbend, parent_held: bool) -> Step | Block:
        setting = self._setting(index, parent_held)
        operation = setting.operation
        if not self._holds(index, parent_held):
            return Block(
                operation,
                f"{CANNOT}{setting.held_names} gives the {self.tool.title} less than the "
                f"{self.tool.hold_mm:.0f} mm it wants to hold",
            )
        ways = self._ways(index, parent_held)
        if not ways:
            return Block(operation, self.tool.too_long(setting.end_mm - setting.start_mm))
        hit = setting.against_itself(done, bend.angle_deg)
        if hit is not None:
            return hit
        blocked: list[Block] = []
        for choice, start, prisms in ways:
            hit = setting.against_tool(done, prisms, bend.angle_deg)
            if hit is None:
                toward = setting.fold.facts.toward_face
                return Step(operation, setting.held_faces, choice, start, bend, toward)
            blocked.append(hit)
        return replace(blocked[0], cares=reduce(or_, (b.cares for b in blocked)))

    def _holds(self, index: int, parent_held: bool) -> bool:
        key = index, parent_held
        if key not in self._known_holds:
            self._known_holds[key] = self._setting(*key).holds(self.tool.hold_mm)
        return self._known_holds[key]


def _starts(choice: Choice, start: float, end: float) -> list[float]:
    """Where the tool may begin along a bend: in the middle, flush with either end, just inside."""
    free = choice.width_mm - (end - start)
    middle = start - free / 2
    if free < 0.0:
        return [middle]
    inset = BARE_MM / 2
    places = [middle, start, end - choice.width_mm, start + inset, end - choice.width_mm - inset]
    return list(dict.fromkeys(round(p, 6) for p in places))
