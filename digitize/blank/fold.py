"""The blank folded up again: rigid faces and cylinders, in three dimensions.

The base face lies in the plane z = 0 with the traced face up; the sheet fills z from minus
the thickness to 0.  A bend toward the traced face turns the sheet beyond it upward about an
axis one inside radius above the sheet; one away from it turns it downward about an axis as
far below.  ``placements`` takes each face of the blank to where it ends up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate

from digitize.blank.folds import Fold, FoldTree
from digitize.blank.outline import runs_on
from digitize.pattern.segments import FloatArray, Point

_THIN_MM = 1e-6
_PART_MM2 = 1.0

Matrix = NDArray[np.float64]
"""A rigid motion as a 4 x 4 matrix for columns (x, y, z, 1) in millimetres."""


def placements(tree: FoldTree, shares: Sequence[float] | None = None) -> list[Matrix]:
    """The motion of each face from the flat blank to the folded piece.

    ``shares`` says how far each fold of ``tree.folds`` is bent, 1 (all the way) by default; the
    neutral line then turns about a larger cylinder, so that no sheet is gained or lost.
    """
    shares = [1.0] * len(tree.folds) if shares is None else shares
    motions: dict[int, Matrix] = {tree.base: np.eye(4)}
    for fold, share in zip(tree.folds, shares, strict=True):
        motions[fold.child] = motions[fold.parent] @ fold_motion(tree, fold, share)
    return [motions[f] for f in range(tree.faces.count)]


def fold_motion(tree: FoldTree, fold: Fold, share: float = 1.0) -> Matrix:
    """The motion of a child face relative to its parent."""
    facts = fold.facts
    flat = np.eye(4)
    if facts.angle_deg * share == 0.0:
        # A bead through no angle draws the sheet beyond it in again.
        if facts.angle_deg == 0.0:
            flat[:2, 3] = share * facts.deduction_mm * np.array(fold.normal)
        return flat
    angle = math.radians(facts.angle_deg) * share
    up = 1.0 if facts.toward_face else -1.0
    # The cylinder whose neutral line has the allowance at this angle; at full angle the
    # inside radius itself.
    radius = facts.radius_mm + facts.allowance_mm * (1 / angle - 1 / math.radians(facts.angle_deg))
    height = radius if facts.toward_face else -facts.thickness_mm - radius
    nx, ny = fold.normal
    (ax, ay), (mx, my) = tangent_point(fold), tree.moves_mm[fold.parent]
    centre = np.array([ax + mx, ay + my, height])
    flat[:3, 3] = (-facts.allowance_mm * nx, -facts.allowance_mm * ny, 0.0)
    turn = _turn(np.array([ny, -nx, 0.0]), up * angle)
    about = np.eye(4)
    about[:3, :3] = turn
    about[:3, 3] = centre - turn @ centre
    return np.asarray(about @ flat)


def tangent_point(fold: Fold) -> Point:
    """A point of the parent's tangent line, in the pattern's coordinates."""
    (x, y), (nx, ny), d = fold.chord.axis.through_mm, fold.normal, fold.facts.reach_mm
    return x - d * nx, y - d * ny


def _turn(axis: FloatArray, angle_rad: float) -> Matrix:
    """Rotation about a unit axis (Rodrigues)."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    s, c = math.sin(angle_rad), math.cos(angle_rad)
    return np.asarray(np.eye(3) + s * cross + (1 - c) * cross @ cross)


def flat_parts(tree: FoldTree, face: int) -> list[shapely.Polygon]:
    """The parts of a face that stay flat, largest first, in the blank's coordinates.

    They are several where a notch reaches into the strip of a bend.
    """
    faces = tree.faces
    parts = [faces.polygon(face)]
    for fold in tree.of_face(face):
        reach, axis = fold.facts.reach_mm, fold.chord.axis
        if reach < _THIN_MM:
            continue
        ends = []
        for corner in (fold.chord.first, fold.chord.last):
            # Where nothing runs on beside the end, all that lies in the strip is bent.
            beyond = 0.0 if runs_on(tree, fold, corner, face) else 2 * reach + 1.0
            ends.append((axis.station(faces.corner(corner))[0], beyond))
        (low, before), (high, after) = sorted(ends)
        a, b = low - before, high + after
        corners = [(a, -reach), (b, -reach), (b, reach), (a, reach)]
        strip = shapely.Polygon([axis.point(along, left) for along, left in corners])
        cut = [shapely.difference(part, strip, grid_size=_THIN_MM) for part in parts]
        pieces = [piece for left in cut for piece in getattr(left, "geoms", [left])]
        pieces.sort(key=lambda piece: -float(piece.area))
        # What a strip that is not quite as wide as its bend leaves over is no part of its own.
        parts = [piece for k, piece in enumerate(pieces) if k == 0 or piece.area > _PART_MM2]
    return [translate(part, *tree.moves_mm[face]) for part in parts]
