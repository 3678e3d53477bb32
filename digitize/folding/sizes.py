"""Dimensions of the folded piece over outside, measured on its solid and beside the traced.

Each face gives its widths from the mould line of a bend: to the mould line of another bend,
or to its farthest free edge.  Planes are fitted to the corners of the solid, and a mould
line is where the outside planes of two faces meet; nothing is taken from the pattern but
the traced value it is held against.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from digitize.blank.develop import Blank
from digitize.blank.folds import Fold, FoldTree
from digitize.folding.solid import Solid
from digitize.pattern.segments import FloatArray

_PARALLEL_DEG = 0.5
_ONE_LINE_MM = 0.5
_NO_MOULD_LINE_DEG = 170.0


@dataclass(frozen=True, slots=True)
class FoldedSize:
    """A width of a face over outside; ``traced_mm`` where the pattern was drawn so."""

    face: str
    start: str  # a bend
    end: str  # another bend, or "edge"
    folded_mm: float
    traced_mm: float | None

    @property
    def off_mm(self) -> float | None:
        """Folded less traced."""
        return None if self.traced_mm is None else self.folded_mm - self.traced_mm


@dataclass(frozen=True, slots=True)
class Overall:
    """The smallest upright box round the folded piece, its base face lying flat."""

    length_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class _Plane:
    """Points p with normal . p = offset, the normal pointing out of the sheet."""

    normal: FloatArray
    offset: float


def face_name(index: int) -> str:
    """The name drawings and tables give a face."""
    return f"F{index + 1}"


def fold_names(tree: FoldTree) -> dict[int, str]:
    """Names of a solid's parts: faces first, then folds."""
    n = tree.faces.count
    return {f: face_name(f) for f in range(n)} | {
        n + i: fold.facts.name for i, fold in enumerate(tree.folds)
    }


def overall(solid: Solid) -> Overall:
    """Length, width and height of the folded piece standing on its base face."""
    flat = shapely.MultiPoint(solid.vertices_mm[:, :2]).minimum_rotated_rectangle
    x, y = flat.exterior.coords.xy
    sides = sorted(math.dist((x[i], y[i]), (x[i + 1], y[i + 1])) for i in (0, 1))
    z = solid.vertices_mm[:, 2]
    return Overall(sides[1], sides[0], float(z.max() - z.min()))


def folded_sizes(blank: Blank, solid: Solid) -> tuple[FoldedSize, ...]:
    """Widths of every face over outside, bend by bend.

    Bends that are flat, closed beyond 170 degrees, or beside a face that is all bend have no
    mould line outside and are left out.
    """
    measured = _Measured(blank.tree, solid)
    found: list[FoldedSize] = []
    for face in range(blank.tree.faces.count):
        own = [f for f in blank.tree.of_face(face) if measured.has_mould_line(f)]
        # Of tabs or lugs on one line the first stands for all.
        lines = [f for i, f in enumerate(own) if not any(_in_line(f, g) for g in own[:i])]
        for i, fold in enumerate(lines):
            found += [measured.between(face, fold, f) for f in lines[i + 1 :] if _parallel(fold, f)]
            if not any(_parallel(fold, f) for f in lines if f is not fold):
                size = measured.to_edge(face, fold, own)
                found += [] if size is None else [size]
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Measured:
    """Planes and mould lines of a folded solid."""

    tree: FoldTree
    solid: Solid

    def has_mould_line(self, fold: Fold) -> bool:
        if not 0.0 < fold.facts.angle_deg <= _NO_MOULD_LINE_DEG:
            return False
        return all(_spread(self.solid.corners_mm(f, 1)) for f in (fold.parent, fold.child))

    def plane(self, face: int, surface: int) -> _Plane:
        corners = self.solid.corners_mm(face, surface)
        middle = corners.mean(axis=0)
        normal = np.asarray(np.linalg.svd(corners - middle)[2][2], dtype=np.float64)
        inward = self.solid.corners_mm(face, -surface).mean(axis=0) - middle
        if normal @ inward > 0:
            normal = -normal
        return _Plane(normal, float(normal @ middle))

    def mould_line(self, fold: Fold) -> tuple[FloatArray, FloatArray]:
        """A point and the direction of the line where the outside planes of two faces meet."""
        a, b = (self.plane(f, _outer(fold)) for f in (fold.parent, fold.child))
        along = np.cross(a.normal, b.normal)
        along = along / np.linalg.norm(along)
        rows = np.vstack([a.normal, b.normal, along])
        point = np.linalg.solve(rows, np.array([a.offset, b.offset, 0.0]))
        return np.asarray(point, np.float64), np.asarray(along, np.float64)

    def across(self, face: int, fold: Fold, p: FloatArray) -> float:
        """Distance of a point from a bend's mould line, seen square to the face."""
        place, along = self.mould_line(fold)
        square = np.cross(along, self.plane(face, _outer(fold)).normal)
        return float(abs((p - place) @ square))

    def between(self, face: int, fold: Fold, other: Fold) -> FoldedSize:
        """From bend to bend, at the middle of the second."""
        ends = [self.tree.faces.corner(c) for c in (other.chord.first, other.chord.last)]
        x, y = np.mean(np.array(ends), axis=0)
        place, along = self.mould_line(other)
        strip = self.tree.faces.count + self.tree.folds.index(other)
        corners = self.solid.corners_mm(strip, _outer(other))
        if not len(corners):  # a bend so sharp that it takes up no sheet
            corners = self.solid.corners_mm(face, _outer(other))
        stations = (corners - place) @ along
        folded = self.across(face, fold, place + (stations.min() + stations.max()) / 2 * along)
        drawn = all(f.facts.traced == "outside" for f in (fold, other))
        traced = abs(fold.beyond_mm((float(x), float(y)))) if drawn else None
        return FoldedSize(face_name(face), fold.facts.name, other.facts.name, folded, traced)

    def to_edge(self, face: int, fold: Fold, own: list[Fold]) -> FoldedSize | None:
        """From a bend to the face's farthest corner; None where that one is bent away."""
        edge = np.array(self.tree.faces.polygon(face).exterior.coords)[:-1]
        farthest = max(abs(fold.beyond_mm((float(x), float(y)))) for x, y in edge)
        for other in own:
            ends = [self.tree.faces.corner(c) for c in (other.chord.first, other.chord.last)]
            bent_away = farthest - 2 * other.facts.reach_mm
            if other is not fold and max(abs(fold.beyond_mm(p)) for p in ends) > bent_away:
                return None
        corners = self.solid.corners_mm(face, _outer(fold))
        folded = max(self.across(face, fold, p) for p in corners)
        traced = farthest if fold.facts.traced == "outside" else None
        return FoldedSize(face_name(face), fold.facts.name, "edge", folded, traced)


def _spread(corners: FloatArray) -> bool:
    if len(corners) < 3:
        return False
    return bool(np.linalg.svd(corners - corners.mean(axis=0), compute_uv=False)[1] > 0.05)


def _outer(fold: Fold) -> int:
    """The surface that is outside at a bend: 1 the traced one, -1 the other."""
    return -1 if fold.facts.toward_face else 1


def _in_line(a: Fold, b: Fold) -> bool:
    """Whether two bends lie on one line, as those of two tabs or lugs may."""
    return _parallel(a, b) and abs(a.beyond_mm(b.chord.axis.through_mm)) < _ONE_LINE_MM


def _parallel(a: Fold, b: Fold) -> bool:
    (ux, uy), (vx, vy) = a.chord.axis.along, b.chord.axis.along
    return abs(ux * vy - uy * vx) < math.sin(math.radians(_PARALLEL_DEG))
