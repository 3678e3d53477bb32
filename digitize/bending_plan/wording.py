"""The plan in a bench hand's words, the same on the screen and on the job sheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from digitize.bending_plan.bench import BARE_MM
from digitize.bending_plan.operation import Block, Operation, Step
from digitize.bending_plan.plan import Plan
from digitize.bending_plan.remedies import BLOCK_HEIGHT_MM, listed
from digitize.bending_plan.tools import Bars, Choice, Folder, Tool, Vice
from digitize.blank.develop import Blank
from digitize.folding.regions import frame_of
from digitize.folding.sizes import face_name

NO_WAY_OUT = "No way out was found: change the piece, its bends or the tool."

Length = Callable[[float], str]
"""Writes millimetres in the unit asked for."""


def verdict(plan: Plan) -> str:
    """That there is no order."""
    return f"No order of bends {'works' if plan.proven else 'was found'} with the {plan.tool.title}"


def blocked(blocks: Sequence[Block]) -> list[str]:
    """Why bends cannot be made, and which ones are in their way; those alike in one sentence."""
    alike: dict[tuple[str, str | None], list[str]] = {}
    for block in blocks:
        alike.setdefault((block.reason, block.because), []).append(block.operation.name)
    sentences = []
    for (reason, other), names in alike.items():
        who = names[0] if len(names) == 1 else f"each of {listed(names)}"
        sentences.append(f"{who} {reason}{_in_the_way(other)}")
    return sentences


def _in_the_way(because: str | None) -> str:
    if because is None:
        return ""
    return f" ({because} {'are' if ' and ' in because else 'is'} in the way)"


def which_way(step: Step) -> str:
    """Up is toward the traced face, the one that was marked."""
    return "up" if step.toward_face else "down"


def held(step: Step) -> str:
    """The faces that go into the tool."""
    return " and ".join(face_name(f) for f in step.held)


def how(blank: Blank, tool: Tool, step: Step, length: Length) -> str:
    """How the part is put in: which side, how far, and where the tool lies along the bend."""
    if step.choice is None:
        return f"hammer over by hand, {held(step)} held on a block whose edge lies on the tool line"
    reach = f"{length(step.goes_in_mm)} deep, {length(step.stands_out_mm)} standing out"
    into = _behind(step.choice, length) if over_a_block(tool, step.choice) else _into(tool)
    return f"{held(step)} {into}, {reach}; {_along(blank, tool, step, step.choice, length)}"


def over_a_block(tool: Tool, choice: Choice) -> bool:
    """Whether a steel block cut to length serves instead of all of the jaws or bars."""
    match tool:
        case Vice():
            return choice.width_mm != tool.jaw_width_mm
        case Bars():
            return choice.width_mm != tool.length_mm
        case Folder():
            return False


def _behind(choice: Choice, length: Length) -> str:
    return (
        f"is clamped against a steel block {length(choice.width_mm)} long that stands "
        f"{length(BLOCK_HEIGHT_MM)} up out of the vice, tool line at its top edge"
    )


def _into(tool: Tool) -> str:
    match tool:
        case Vice():
            return "goes down into the jaws to the tool line"
        case Bars():
            return "goes down between the bars to the tool line"
        case Folder():
            return "lies under the clamp, tool line at its nose"


def _along(blank: Blank, tool: Tool, step: Step, choice: Choice, length: Length) -> str:
    """Where along the bend the jaws, bars or fingers are put."""
    start, end, bend_mm = _ends(blank, step.operation)
    thing = {Vice: "jaws", Bars: "bars", Folder: "fingers"}[type(tool)]
    if isinstance(tool, Folder) and not tool.fingers_mm:
        return "anywhere along the folder"
    over = choice.width_mm - bend_mm
    fingers = " + ".join(f"{f:g}" for f in choice.fingers)
    if choice.fingers == tuple(getattr(tool, "fingers_mm", ())) and choice.fingers:
        fingers, thing = "", "all fingers"
    elif fingers:
        thing = f"fingers {fingers}"
    elif over_a_block(tool, choice):
        thing = "block"
    first, last = -step.start_mm, over + step.start_mm
    if abs(first - last) < 0.1:
        return f"{thing} in the middle of the bend"
    near, name = (first, start) if first < last else (last, end)
    if near > BARE_MM:
        return f"{thing} over {name} end by {length(near)}"
    if near < -0.1:
        return f"{thing} from {length(-near)} inside {name} end"
    return f"{thing} flush with {name} end"


def _ends(blank: Blank, operation: Operation) -> tuple[str, str, float]:
    """Names of a bend's two ends as the blank lies on the page, and its length."""
    frames = [frame_of(blank.tree, blank.tree.folds[k]) for k in operation.folds]
    start, end = min(f.start_mm for f in frames), max(f.end_mm for f in frames)
    (x0, y0), (x1, y1) = frames[0].at(start, 0.0), frames[0].at(end, 0.0)
    if abs(x1 - x0) >= abs(y1 - y0):
        names = ("the left", "the right") if x1 > x0 else ("the right", "the left")
    else:
        names = ("the lower", "the upper") if y1 > y0 else ("the upper", "the lower")
    return *names, math.dist((x0, y0), (x1, y1))
