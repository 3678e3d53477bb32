"""A job of several folded pieces, each at its place, as a small JSON document.

    {"pieces": [{"name": "floor", "pattern": "floor.blank.json", "at_mm": [0, 0, 0],
                 "turn_deg": [0, 0, 0], "fixed": false}, ...],
     "behind": [{"inner": "floor", "outer": "skirt", "toward": [0, -1, 0]}]}

A pattern is folded up as ``digitize fold`` does, one without bends stays flat; a piece is
turned about x, then y, then z through its own pattern's (0, 0) on the traced face, then
moved.  Instead of ``pattern`` a piece may have ``box_mm``: [[x0, y0, z0], [x1, y1, z1]],
several for one piece.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from digitize.assembly.body import Body, box, joined
from digitize.assembly.freeing import Alternative
from digitize.assembly.order import Behind
from digitize.blank.develop import Blank
from digitize.errors import DigitizeError, Exit
from digitize.folding.sizes import fold_names
from digitize.folding.solid import Solid, fold_up

_MOST_PIECES = 40


class JobUnreadable(DigitizeError):
    """The placement file cannot be understood; the sentence names the place."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, eq=False)
class Job:
    """The pieces at their places, how they lap, and as they would be with a flange left flat."""

    bodies: tuple[Body, ...]
    behind: tuple[Behind, ...]
    alternatives: tuple[Alternative, ...]


def read_job(text: str, shape_named: Callable[[str], Blank | Body]) -> Job:
    """The job in a document; ``shape_named`` gives what a pattern that it
    names makes: a blank to fold up, or a flat piece.

    Raises ``JobUnreadable``.
    """
    try:
        document: Any = json.loads(text)
    except ValueError as fault:
        raise JobUnreadable("the placement file is no JSON", where=str(fault)) from None
    if not isinstance(document, dict) or not isinstance(document.get("pieces"), list):
        raise JobUnreadable("the placement file lists no pieces", do='give it "pieces": [...]')
    rows = document["pieces"]
    if not 1 <= len(rows) <= _MOST_PIECES:
        raise JobUnreadable(f"{len(rows)} pieces are no job", do=f"give 1 to {_MOST_PIECES}")
    bodies: list[Body] = []
    alternatives: list[Alternative] = []
    for number, row in enumerate(rows, 1):
        body, others = _piece(row, f"piece {number}", shape_named)
        if any(body.name == b.name for b in bodies):
            raise JobUnreadable(f"two pieces are called {body.name}")
        bodies.append(body)
        alternatives += others
    names = {b.name for b in bodies}
    behind = [_lap(row, f"lap {k}", names) for k, row in enumerate(document.get("behind", []), 1)]
    return Job(tuple(bodies), tuple(behind), tuple(alternatives))


def _piece(
    row: Any, where: str, shape_named: Callable[[str], Blank | Body]
) -> tuple[Body, list[Alternative]]:
    if not isinstance(row, dict) or not isinstance(row.get("name"), str) or not row["name"]:
        raise JobUnreadable("a piece has no name", where=where)
    where = row["name"]
    turn, at = _three(row, "turn_deg", where), _three(row, "at_mm", where)
    fixed = row.get("fixed", False) is True

    def placed(body: Body) -> Body:
        moved = body.moved(turn, at)
        return Body(where, moved.vertices_mm, moved.triangles, fixed)

    if "box_mm" in row:
        boxes = row["box_mm"]
        if np.ndim(boxes) == 2:
            boxes = [boxes]
        try:
            blocks = [box(where, low, high) for low, high in boxes]
        except (TypeError, ValueError):
            raise JobUnreadable("box_mm is not [[x, y, z], [x, y, z]]", where=where) from None
        return placed(joined(where, blocks)), []
    if not isinstance(row.get("pattern"), str):
        raise JobUnreadable("a piece has neither pattern nor box_mm", where=where)
    blank = shape_named(row["pattern"])
    if isinstance(blank, Body):
        return placed(blank), []
    flat = [
        Alternative(
            placed(_body(where, fold_up(blank, _shares(blank, k)))),
            f"leave the bend {_bend_name(blank, k)} of {where} flat until it is fitted",
        )
        for k in range(len(blank.tree.folds))
    ]
    return placed(_body(where, fold_up(blank))), flat


def _shares(blank: Blank, flat: int) -> list[float]:
    return [0.0 if k == flat else 1.0 for k in range(len(blank.tree.folds))]


def _bend_name(blank: Blank, fold: int) -> str:
    return fold_names(blank.tree)[blank.tree.faces.count + fold]


def _body(name: str, solid: Solid) -> Body:
    return Body(name, solid.vertices_mm, solid.triangles)


def _three(row: dict[str, Any], key: str, where: str) -> Sequence[float]:
    value = row.get(key, [0.0, 0.0, 0.0])
    good = (
        isinstance(value, list)
        and len(value) == 3
        and all(isinstance(v, int | float) and np.isfinite(v) for v in value)
    )
    if not good:
        raise JobUnreadable(f"{key} is not three numbers", where=where)
    return [float(v) for v in value]


def _lap(row: Any, where: str, names: set[str]) -> Behind:
    if not isinstance(row, dict) or {row.get("inner"), row.get("outer")} - names:
        raise JobUnreadable('a lap needs "inner" and "outer", names of pieces', where=where)
    x, y, z = _three(row, "toward", where)
    if x == y == z == 0.0:
        raise JobUnreadable("a lap needs toward, the way to who looks at it", where=where)
    return Behind(row["inner"], row["outer"], (x, y, z))
