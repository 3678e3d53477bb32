"""Strokes and the faces between them: which lines close round what.

Every connected stroke lies in one face of bare surface and may enclose others; the two
alternate like the rings of a tree.  The centre line of a closed stroke is where cells are
as near to the faces inside as to the face outside, so spurs, dashes that touch the line,
and lines that end on it do not move it by more than a fraction of the pen's width.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

FloatArray = NDArray[np.float64]
Indices = NDArray[np.intp]

_LEAST_INK_MM2 = 0.12
_LEAST_FACE_MM2 = 0.5


@dataclass(frozen=True, eq=False)
class Loops:
    """Strokes, faces and how they nest.  Face 0 is all that reaches the border."""

    ink: NDArray[np.uint8]  # (rows + 2, columns + 2): one cell of border all round
    stroke: NDArray[np.int32]  # label of every ink cell; 0: none
    stroke_box: NDArray[np.int32]  # (S, 5) left, top, width, height, area; row 0 unused
    parent_face: NDArray[np.int32]  # (S,) face that surrounds the stroke
    face_parent: NDArray[np.int32]  # (F,) stroke that surrounds the face; 0: none
    face_area: NDArray[np.int32]  # (F,) cells
    zone: NDArray[np.int32]  # nearest face of every cell

    def inner_faces(self, stroke: int) -> list[int]:
        """Faces enclosed by a stroke itself, largest first."""
        faces = np.flatnonzero(self.face_parent == stroke)
        faces = faces[faces > 0]
        return [int(f) for f in faces[np.argsort(-self.face_area[faces])]]

    def closed_strokes(self) -> list[int]:
        """Strokes that enclose a face themselves."""
        return [int(s) for s in np.unique(self.face_parent[1:])]

    def strokes_in(self, face: int) -> list[int]:
        """Strokes that lie directly in a face."""
        return [int(s) for s in np.flatnonzero(self.parent_face == face) if s > 0]

    def all_faces_within(self, stroke: int) -> set[int]:
        """Faces enclosed by a stroke, at any depth."""
        found: set[int] = set()
        todo = [stroke]
        while todo:
            for face in self.inner_faces(todo.pop()):
                found.add(face)
                todo.extend(self.strokes_in(face))
        return found

    def box(self, stroke: int, margin: int = 2) -> tuple[slice, slice]:
        """Rows and columns round a stroke."""
        x, y, w, h, _ = (int(v) for v in self.stroke_box[stroke])
        return (
            slice(max(y - margin, 0), min(y + h + margin, self.ink.shape[0])),
            slice(max(x - margin, 0), min(x + w + margin, self.ink.shape[1])),
        )

    def centre_line(self, stroke: int, faces: set[int]) -> FloatArray:
        """Closed line (N, 2) as column, row of the overview, round the given faces.

        The first point is not repeated.  It runs along the middle of the stroke.
        """
        rows, columns = self.box(stroke, 3)
        chosen = np.isin(self.zone[rows, columns], list(faces)).astype(np.float32)
        smooth = cv2.GaussianBlur(chosen, (0, 0), 1.0)
        lines = find_contours(smooth, 0.5)
        longest = max(lines, key=len)[:-1]
        offset = (columns.start - 1, rows.start - 1)
        return np.asarray(longest[:, ::-1] + offset, dtype=np.float64)


def find_loops(ink: NDArray[np.uint8], pitch_mm: float) -> Loops:
    """Label strokes and faces of a raster of 0 and 1."""
    cell = pitch_mm**2
    padded = np.pad(ink, 1)
    _, label, box, _ = cv2.connectedComponentsWithStats(padded, connectivity=8)
    keep = box[:, 4] * cell >= _LEAST_INK_MM2
    keep[0] = False
    padded = keep[label].astype(np.uint8)
    _, faces, face_box, _ = cv2.connectedComponentsWithStats(1 - padded, connectivity=4)
    small = face_box[:, 4] * cell < _LEAST_FACE_MM2
    small[0] = False
    padded[small[faces]] = 1
    _, stroke, stroke_box, _ = cv2.connectedComponentsWithStats(padded, connectivity=8)
    _, faces, face_box, _ = cv2.connectedComponentsWithStats(1 - padded, connectivity=4)
    faces = faces.astype(np.int32) - 1  # the border's face becomes 0; ink becomes -1
    outside = int(faces[0, 0])
    if outside != 0:
        swap = np.arange(-1, faces.max() + 1)
        swap[outside + 1], swap[1] = 0, outside
        faces = swap[faces + 1].astype(np.int32)
        face_box[[1, outside + 1]] = face_box[[outside + 1, 1]]
    face_box = face_box[1:]
    # Above the topmost cell of a stroke lies the face that surrounds it, and likewise.
    parent_face = faces[_above_first(stroke, len(stroke_box))]
    face_parent = stroke[_above_first(faces, len(face_box))]
    parent_face[0] = face_parent[0] = 0
    _, nearest = cv2.distanceTransformWithLabels(
        padded, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(int(nearest.max()) + 1, np.int32)
    bare = padded == 0
    table[nearest[bare]] = faces[bare]
    return Loops(
        padded,
        np.asarray(stroke, np.int32),
        np.asarray(stroke_box, np.int32),
        np.asarray(parent_face, np.int32),
        np.asarray(face_parent, np.int32),
        np.asarray(face_box[:, 4], np.int32),
        table[nearest],
    )


def _above_first(labels: NDArray[np.int32], count: int) -> tuple[Indices, Indices]:
    """Row and column of the cell above the first one of every label, in reading order."""
    flat = labels.ravel()
    cells = np.flatnonzero(flat > 0)[::-1]
    first = np.zeros(count, np.intp)
    first[flat[cells]] = cells  # of equal labels the last one is kept: the first cell
    rows, columns = np.unravel_index(first, labels.shape)
    return np.maximum(rows - 1, 0), columns
