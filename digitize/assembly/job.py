"""A job of several folded pieces, each at its place, as a small JSON document.

    {"pieces": [{"name": "floor", "pattern": "floor.blank.json", "at_mm": [0, 0, 0],
                 "turn_deg": [0, 0, 0], "fixed": false}, ...],
     "edges": [{"piece": "side", "edge": "E3", "on": "floor", "on_edge": "E1",
                "angle_deg": 90, "along": "middle"}],
     "behind": [{"inner": "floor", "outer": "skirt", "toward": [0, -1, 0]}]}

A pattern is folded up as ``digitize fold`` does, one without bends stays flat; a piece is
turned about x, then y, then z through its own pattern's (0, 0) on the traced face, then
moved.  Instead of ``pattern`` a piece may have ``box_mm``: [[x0, y0, z0], [x1, y1, z1]],
several for one piece.  A piece whose place is not said gets it from an edge that it shares
(see ``shared_edges``): ``how`` ("flush", "face to face", "back to back") or ``angle_deg``, or
``lap_mm`` with ``lies`` ("over", "under").
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, get_args

import numpy as np

from digitize.assembly.body import Body, box, joined
from digitize.assembly.freeing import Alternative
from digitize.assembly.order import Behind
from digitize.assembly.shape import Shape
from digitize.assembly.shared_edges import Along, Place, SharedEdge, places
from digitize.blank.develop import Blank
from digitize.errors import DigitizeError, Exit
from digitize.folding.sizes import fold_names

_MOST_PIECES = 40
_FARTHEST_MM = 100_000.0
_LAPPED = ("inner", "outer")
_HOW_DEG = {"flush": 0.0, "face to face": 180.0, "back to back": -180.0}


class JobUnreadable(DigitizeError):
    """The placement file cannot be understood; the sentence names the place."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, eq=False)
class Job:
    """The pieces at their places, how they lap, and as they would be with a flange left flat.

    ``by_edges`` are the places that shared edges gave.
    """

    bodies: tuple[Body, ...]
    behind: tuple[Behind, ...]
    alternatives: tuple[Alternative, ...]
    by_edges: Mapping[str, Place] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _Piece:
    """A piece as its row says it; ``said`` is None where the row gives no place."""

    name: str
    made: Shape | Body
    said: Place | None
    fixed: bool


def read_job(text: str, shape_named: Callable[[str], Shape]) -> Job:
    """The job in a document; ``shape_named`` gives what a pattern that it names makes.

    Raises ``JobUnreadable``, ``NotPlaced`` and ``NoEdge``.
    """
    try:
        document: Any = json.loads(text)
    except json.JSONDecodeError as fault:
        place = f"line {fault.lineno}, column {fault.colno}"
        raise JobUnreadable("the placement file is no JSON", where=place) from None
    except ValueError:
        raise JobUnreadable("the placement file holds a number with too many digits") from None
    except RecursionError:
        raise JobUnreadable("the placement file is nested too deeply") from None
    if not isinstance(document, dict) or not isinstance(document.get("pieces"), list):
        raise JobUnreadable("the placement file lists no pieces", do='give it "pieces": [...]')
    rows = document["pieces"]
    if not 1 <= len(rows) <= _MOST_PIECES:
        raise JobUnreadable(f"{len(rows)} pieces are no job", do=f"give 1 to {_MOST_PIECES}")
    pieces: dict[str, _Piece] = {}
    for number, row in enumerate(rows, 1):
        piece = _piece(row, f"piece {number}", shape_named)
        if piece.name in pieces:
            raise JobUnreadable(f"two pieces are called {piece.name}")
        pieces[piece.name] = piece
    names = set(pieces)
    behind = [_lap(row, f"lap {k}", names) for k, row in enumerate(_rows(document, "behind"), 1)]
    edges = [_edge(row, f"edge {k}", names) for k, row in enumerate(_rows(document, "edges"), 1)]
    said = {n: p.said for n, p in pieces.items() if p.said is not None}
    shapes = {n: p.made for n, p in pieces.items() if isinstance(p.made, Shape)}
    found, placed = places(list(pieces), said, shapes, edges)
    alternatives = [a for p in pieces.values() for a in _left_flat(p, found[p.name])]
    return Job(
        tuple(_at(p, found[p.name]) for p in pieces.values()),
        tuple(behind),
        tuple(alternatives),
        {n: found[n] for n in pieces if n in placed},
    )


def _rows(document: dict[str, Any], key: str) -> list[Any]:
    rows = document.get(key, [])
    if not isinstance(rows, list):
        raise JobUnreadable(f"{key} is no list", do=f'write "{key}": [{{...}}]')
    return rows


def _piece(row: Any, where: str, shape_named: Callable[[str], Shape]) -> _Piece:
    if not isinstance(row, dict) or not isinstance(row.get("name"), str) or not row["name"]:
        raise JobUnreadable("a piece has no name", where=where)
    where = row["name"]
    said = None
    if "at_mm" in row or "turn_deg" in row or "box_mm" in row:
        said = Place.said(_three(row, "turn_deg", where), _three(row, "at_mm", where))
    fixed = row.get("fixed", False) is True
    if "box_mm" in row:
        try:
            blocks = [box(where, *_corners(corners)) for corners in _boxes(row["box_mm"])]
        except (TypeError, ValueError):
            raise JobUnreadable(
                "box_mm is not [[x, y, z], [x, y, z]]",
                where=where,
                do="give the lower and the upper corner in millimetres",
            ) from None
        return _Piece(where, joined(where, blocks), said, fixed)
    if not isinstance(row.get("pattern"), str):
        raise JobUnreadable("a piece has neither pattern nor box_mm", where=where)
    return _Piece(where, shape_named(row["pattern"]), said, fixed)


def _boxes(said: Any) -> list[Any]:
    """Pairs of corners, where one pair alone may stand by itself."""
    if not isinstance(said, list) or not said or not isinstance(said[0], list) or not said[0]:
        raise TypeError
    return said if isinstance(said[0][0], list) else [said]


def _corners(said: Any) -> tuple[list[float], list[float]]:
    """Two corners of a block, the upper one above the lower in each direction."""
    low, high = ([float(v) for v in corner] for corner in said)
    if not len(low) == len(high) == 3 or not all(
        -_FARTHEST_MM < a < b < _FARTHEST_MM for a, b in zip(low, high, strict=True)
    ):
        raise ValueError
    return low, high


def _at(piece: _Piece, place: Place, shares: Sequence[float] | None = None) -> Body:
    made = piece.made
    body = made if isinstance(made, Body) else made.body(piece.name, shares)
    moved = body.carried(place.turn, place.at_mm)
    return Body(piece.name, moved.vertices_mm, moved.triangles, piece.fixed)


def _left_flat(piece: _Piece, place: Place) -> list[Alternative]:
    """The piece with each of its bends left flat in turn."""
    blank = piece.made.blank if isinstance(piece.made, Shape) else None
    if blank is None:
        return []
    return [
        Alternative(
            _at(piece, place, _shares(blank, k)),
            f"leave the bend {_bend_name(blank, k)} of {piece.name} flat until it is fitted",
        )
        for k in range(len(blank.tree.folds))
    ]


def _shares(blank: Blank, flat: int) -> list[float]:
    return [0.0 if k == flat else 1.0 for k in range(len(blank.tree.folds))]


def _bend_name(blank: Blank, fold: int) -> str:
    return fold_names(blank.tree)[blank.tree.faces.count + fold]


def _edge(row: Any, where: str, names: set[str]) -> SharedEdge:
    keys = ("piece", "edge", "on", "on_edge")
    if not isinstance(row, dict) or not all(isinstance(row.get(k), str) for k in keys):
        raise JobUnreadable("a shared edge needs " + ", ".join(f'"{k}"' for k in keys), where=where)
    piece, edge, other, other_edge = (row[k] for k in keys)
    if {piece, other} - names or piece == other:
        raise JobUnreadable("a shared edge names two different pieces", where=where)
    where = f"{edge} of {piece}"
    if sum(key in row for key in ("how", "angle_deg", "lap_mm")) != 1:
        raise JobUnreadable(
            "a shared edge needs to say how the sheets meet",
            where=where,
            do='give one of "how" (flush, face to face, back to back), "angle_deg", "lap_mm"',
        )
    angle, lap = 0.0, 0.0
    if "how" in row:
        if not isinstance(row["how"], str) or row["how"] not in _HOW_DEG:
            raise JobUnreadable(
                "how is not one of " + ", ".join(f'"{h}"' for h in _HOW_DEG), where=where
            )
        angle = _HOW_DEG[row["how"]]
    elif "angle_deg" in row:
        angle = _number(row, "angle_deg", where)
        if not -180.0 <= angle <= 180.0:
            raise JobUnreadable("angle_deg is not from -180 to 180", where=where)
    else:
        lap = _number(row, "lap_mm", where)
        if lap <= 0.0 or row.get("lies") not in ("over", "under"):
            raise JobUnreadable(
                'a lap needs lap_mm above 0 and "lies": "over" or "under" (the traced face)',
                where=where,
            )
        lap = lap if row["lies"] == "over" else -lap
    along = row.get("along")
    if along not in (None, *get_args(Along)):
        raise JobUnreadable('along is not "start", "middle" or "end"', where=where)
    return SharedEdge(piece, edge.upper(), other, other_edge.upper(), angle, lap, along)


def _number(row: dict[str, Any], key: str, where: str) -> float:
    value = row[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise JobUnreadable(f"{key} is no number", where=where)
    return float(value)


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
    if not isinstance(row, dict) or any(row.get(k) not in sorted(names) for k in _LAPPED):
        raise JobUnreadable('a lap needs "inner" and "outer", names of pieces', where=where)
    x, y, z = _three(row, "toward", where)
    if x == y == z == 0.0:
        raise JobUnreadable("a lap needs toward, the way to who looks at it", where=where)
    return Behind(row["inner"], row["outer"], (x, y, z))
