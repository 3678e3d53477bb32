"""What a pattern makes: a piece of sheet, folded up if it has bends, and its edges in space."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.assembly.body import Body
from digitize.assembly.sheet import sheet
from digitize.blank.develop import Blank
from digitize.blank.fold import placements
from digitize.errors import DigitizeError, Exit
from digitize.folding.solid import fold_up
from digitize.pattern.dimensions import datum_of, named_edges
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Line

FloatArray = NDArray[np.float64]

_ENDS = 0.02  # of an edge, that may lie in a bend's corner


class NoEdge(DigitizeError):
    """A piece has no such edge that a place can be given by."""

    exit_code = Exit.PATTERN


@dataclass(frozen=True, eq=False)
class SheetEdge:
    """A straight edge on the traced face, as the outline runs: the metal lies to its left."""

    start_mm: FloatArray  # (3,)
    end_mm: FloatArray  # (3,)
    up: FloatArray  # (3,) off the traced face

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return float(np.linalg.norm(self.end_mm - self.start_mm))

    @property
    def axes(self) -> FloatArray:
        """Columns (3, 3): along the edge, off the metal, off the traced face."""
        along = (self.end_mm - self.start_mm) / self.length_mm
        return np.column_stack((along, np.cross(along, self.up), self.up))

    def moved(self, turn: FloatArray, at_mm: FloatArray) -> SheetEdge:
        """Turned by a rotation (3, 3), then moved."""
        return SheetEdge(
            turn @ self.start_mm + at_mm, turn @ self.end_mm + at_mm, np.asarray(turn @ self.up)
        )


@dataclass(frozen=True, eq=False)
class Shape:
    """A pattern as a piece of sheet; ``blank`` where it is folded."""

    pattern: Pattern
    thickness_mm: float
    blank: Blank | None = None

    def body(self, name: str, shares: Sequence[float] | None = None) -> Body:
        """The piece with each fold bent to a share of its angle."""
        if self.blank is None:
            return sheet(name, self.pattern, self.thickness_mm)
        solid = fold_up(self.blank, shares)
        return Body(name, solid.vertices_mm, solid.triangles)

    def edge(self, name: str) -> SheetEdge:
        """An edge by its name in the pattern's dimension list.

        Raises ``NoEdge`` where there is none, or it is not straight once folded.
        """
        edges = {
            e.name: e for e in named_edges(self.pattern.outline, datum_of(self.pattern).origin_mm)
        }
        if name not in edges:
            has = f"it has E1 to E{len(edges)}" if edges else "a round piece has none"
            raise NoEdge(f"{self.pattern.name} has no edge {name}", where=has)
        segment = edges[name].segment
        if not isinstance(segment, Line):
            raise NoEdge(
                f"edge {name} of {self.pattern.name} is round and fixes no place",
                do="name a straight edge, or give at_mm and turn_deg",
            )
        ends = np.array([segment.start_mm, segment.end_mm])
        motion, move = np.eye(4), np.zeros(2)
        if self.blank is not None:
            inner = ends + _ENDS * (ends[::-1] - ends)
            tree = self.blank.tree
            areas = [tree.faces.polygon(f) for f in range(tree.faces.count)]
            faces = {int(np.argmin(shapely.distance(areas, p))) for p in shapely.points(inner)}
            if len(faces) > 1:
                raise NoEdge(
                    f"edge {name} of {self.pattern.name} runs over a bend and is not straight once "
                    "folded",
                    do="name an edge of one face, or give at_mm and turn_deg",
                )
            face = faces.pop()
            motion, move = placements(tree)[face], np.asarray(tree.moves_mm[face])
        flat = np.column_stack([ends + move, np.zeros(2)])
        start, end = flat @ motion[:3, :3].T + motion[:3, 3]
        return SheetEdge(start, end, np.asarray(motion[:3, 2]))
