"""What people (a table) and scripts (JSON) see of faces that were joined."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.table import Table

from digitize.files.units import Unit, length
from digitize.joining.faces import letter
from digitize.joining.join import Joined
from digitize.pattern.extent import closed_extent_mm


def table(done: Joined, names: Sequence[str], unit: Unit) -> None:
    """Every joint with how well its two sides met."""
    console = Console(width=None if Console().is_terminal else 110, highlight=False)
    x0, y0, x1, y1 = closed_extent_mm(done.pattern.outline)
    shown = Table(
        title=f"{done.pattern.name}: {length(x1 - x0, unit)} x {length(y1 - y0, unit)}",
        caption="longer: the first side than the second; apart: the corners at the first side's "
        "start and end, before they were moved to their mean",
        title_justify="left",
        caption_justify="left",
    )
    headings = ("", "sides", "length", "longer", "±", "apart", "residual", "adds to ±")
    for heading in headings:
        shown.add_column(heading, justify="left" if heading in ("", "sides") else "right")
    for joint in done.joints:
        shown.add_row(
            joint.bend,
            f"{joint.one} {joint.other}",
            length(joint.length_mm, unit, 2),
            length(joint.difference_mm, unit, 2),
            length(2 * joint.u_difference_mm, unit, 2),
            f"{length(joint.start_off_mm, unit, 2)}, {length(joint.end_off_mm, unit, 2)}",
            length(joint.residual_mm, unit, 2),
            length(2 * joint.u_mm, unit, 2),
        )
    console.print(shown)
    faces = "; ".join(f"{letter(i)} {name}" for i, name in enumerate(names))
    console.print(f"Faces: {faces}; A stays where it is", soft_wrap=True)
    for notice in done.pattern.notices:
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)


def as_json(done: Joined, names: Sequence[str]) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "name": done.pattern.name,
        "faces": [
            {"letter": letter(i), "name": name, "turn_deg": math.degrees(turn), "move_mm": move}
            for i, (name, (turn, move)) in enumerate(zip(names, done.places, strict=True))
        ],
        "joints": [asdict(joint) for joint in done.joints],
        "notices": [
            {"code": n.code, "text": n.text, "level": n.level} for n in done.pattern.notices
        ],
    }
