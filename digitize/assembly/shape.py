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
from digitize.folding.sizes import face_name
from digitize.folding.solid import fold_up
from digitize.pattern.datum import datum_of
from digitize.pattern.edge_names import named_edges
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Line

FloatArray = NDArray[np.float64]

_ENDS = 0.02  # of an edge, that may lie in a bend's corner
_ON_RIM_MM = 0.02
_SHORTEST_MM = 0.5  # of an edge's part on a face, that a place can be given by


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
        """An edge by its name in the pattern's dimension list: ``E4``, or ``F2.E4``.

        The second is the part of E4 that lies on the face F2, for an edge that runs over
        bends.  Raises ``NoEdge`` where there is none, or it is not straight once folded.
        """
        face_said, _, edge_name = name.rpartition(".")
        line = self._line(edge_name)
        ends = np.array([line.start_mm, line.end_mm])
        if self.blank is None:
            if face_said:
                raise NoEdge(f"{self.pattern.name} has no bends and so no face {face_said}")
            return _carried(ends, np.eye(4))
        tree = self.blank.tree
        areas = [tree.faces.polygon(f) for f in range(tree.faces.count)]
        if face_said:
            face = self._face(face_said, tree.faces.count)
            part = _within(ends, areas[face])
            if part is None:
                raise NoEdge(f"edge {edge_name} of {self.pattern.name} is not on face {face_said}")
            ends = part
        else:
            inner = ends + _ENDS * (ends[::-1] - ends)
            faces = [int(np.argmin(shapely.distance(areas, p))) for p in shapely.points(inner)]
            if faces[0] != faces[1]:
                parts = [
                    f'"{face_name(f)}.{edge_name}"'
                    for f, area in enumerate(areas)
                    if _within(ends, area) is not None
                ]
                raise NoEdge(
                    f"edge {edge_name} of {self.pattern.name} runs over a bend and is not straight "
                    "once folded",
                    do=f"name its part on one face: {', '.join(parts)}",
                )
            face = faces[0]
        return _carried(ends + np.asarray(tree.moves_mm[face]), placements(tree)[face])

    def _line(self, name: str) -> Line:
        """The straight edge of the outline that is called so."""
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
        return segment

    def _face(self, name: str, count: int) -> int:
        names = [face_name(f) for f in range(count)]
        if name not in names:
            has = f"it has F1 to F{count}"
            raise NoEdge(f"{self.pattern.name} has no face {name}", where=has)
        return names.index(name)


def _within(ends: FloatArray, area: shapely.Polygon) -> FloatArray | None:
    """The ends of what lies in a face of a line along its rim; None where that is nothing."""
    corners = shapely.get_coordinates(area)
    off = shapely.distance(shapely.linestrings(ends), shapely.points(corners))
    points = corners[off < _ON_RIM_MM]
    along = (points - ends[0]) @ (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    if not len(points) or np.ptp(along) < _SHORTEST_MM:
        return None
    return np.asarray(points[[int(np.argmin(along)), int(np.argmax(along))]])


def _carried(ends: FloatArray, motion: FloatArray) -> SheetEdge:
    """A line of the flat (2, 2) as its face lies once folded."""
    start, end = np.column_stack([ends, np.zeros(2)]) @ motion[:3, :3].T + motion[:3, 3]
    return SheetEdge(start, end, np.asarray(motion[:3, 2]))
