"""The coded marks of a lattice as the photo shows them, not yet understood.

Every white square is read as if it held a mark: its 36 modules are sampled through a
local homography and compared with the white margin round the mark and the black squares
beside it, so that shadow and shading cancel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from digitize.photo.tone import linear_table
from digitize.sheets import marks
from digitize.sighting.corners import FloatArray, sample
from digitize.sighting.lattice import IndexArray, Lattice
from digitize.sighting.local import local_maps

LEAST_CONTRAST = 0.012  # linear light between white and black: below, noise is read
SMALLEST_SQUARE_PX = 6.0  # modules of 0.6 px: less does not tell even when all marks are pooled


@dataclass(frozen=True, eq=False)
class MarkReading:
    """The white squares of one lattice."""

    ij: IndexArray  # (K, 2) lower left nodes, in the lattice's own coordinates
    ink: FloatArray  # (K, 36) from -1, white, to 1, black; row by row from the top left

    def turned(self, quarter_turns: int) -> MarkReading:
        """The same marks after the lattice's axes turn (``Lattice.turned``)."""
        ij = self.ij
        for _ in range(quarter_turns % 4):
            ij = np.column_stack([-ij[:, 1] - 1, ij[:, 0]])
        grids = self.ink.reshape(-1, marks.SIDE, marks.SIDE)
        turned = np.rot90(grids, quarter_turns, axes=(1, 2))
        return MarkReading(ij, turned.reshape(-1, marks.BITS))

    def mirrored(self) -> MarkReading:
        """The same marks as a mirror shows them; where they lie means nothing any more."""
        grids = self.ink.reshape(-1, marks.SIDE, marks.SIDE)
        return MarkReading(self.ij, grids[:, :, ::-1].reshape(-1, marks.BITS))

    def words(self) -> list[int]:
        """Every mark as a word, right or wrong."""
        weight = 1 << np.arange(marks.BITS - 1, -1, -1, dtype=np.int64)
        words: list[int] = ((self.ink > 0) @ weight).tolist()
        return words


def read_marks(lattice: Lattice, grey: NDArray[np.uint8]) -> MarkReading:
    """Sample every white square that touches the lattice in a coded grey picture."""
    corners_of = np.array([(0, 0), (-1, 0), (0, -1), (-1, -1)], np.intp)
    squares = np.unique((lattice.ij[:, None] + corners_of).reshape(-1, 2), axis=0)
    squares = squares[~lattice.dark(squares)]
    maps = local_maps(lattice, squares + 0.5)
    whole = maps.px(squares[:, None] + _WHITE_SQUARE)
    height, width = grey.shape
    inside = ((whole > -0.5) & (whole < (width - 0.5, height - 0.5))).all((1, 2))
    inside &= (maps.reach < 1.0) & (maps.sides_px > SMALLEST_SQUARE_PX)
    squares, maps = squares[inside], maps.chosen(inside)
    if len(squares) == 0:
        return MarkReading(squares, np.zeros((0, marks.BITS)))

    modules = _light(grey, maps.px(squares[:, None] + _module_points()))
    modules = modules.reshape(len(squares), marks.BITS, -1).mean(2)
    margin = _light(grey, maps.px(squares[:, None] + _margin_points()))
    black = _light(grey, maps.px(squares[:, None] + _black_points()))
    # The margin's plane follows shading; the squares beside a border square may be paper,
    # so black is what the darker two of the four neighbours show.
    plane = margin @ np.linalg.pinv(_affine(_margin_points())).T
    white = plane @ _affine(_module_centres()).T
    level = np.median(margin, axis=1)
    black_level = np.sort(black.reshape(len(squares), 4, -1).mean(2), axis=1)[:, :2].mean(1)
    legible = level - black_level > LEAST_CONTRAST
    shading = white / np.maximum(level, 1e-6)[:, None]
    middle = shading * ((level + black_level) / 2)[:, None]
    half = shading * np.maximum((level - black_level) / 2, 1e-6)[:, None]
    ink = np.clip((middle - modules) / np.maximum(half, 1e-6), -1.0, 1.0)
    return MarkReading(squares[legible], ink[legible])


def _light(grey: NDArray[np.uint8], at_px: FloatArray) -> FloatArray:
    """Linear light at pixels: half a module's light is half way only there."""
    table = linear_table(np.dtype(np.uint8))
    return np.asarray(np.interp(sample(grey, at_px), np.arange(256.0), table))


_WHITE_SQUARE = np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)])


@cache
def _module_centres() -> FloatArray:
    return marks.module_centres_squares().reshape(-1, 2)


@cache
def _module_points() -> FloatArray:
    """Nine points (36 * 9, 2) in the middle half of each module."""
    step = 0.22 * marks.MODULE_SQUARES
    spots = np.array([(dx, dy) for dx in (-step, 0, step) for dy in (-step, 0, step)])
    points: FloatArray = (_module_centres()[:, None] + spots).reshape(-1, 2)
    return points


@cache
def _margin_points() -> FloatArray:
    """Points in the white margin between the mark and the edges of its square."""
    along = np.linspace(0.12, 0.88, 7)
    near, far = np.full(7, 0.1), np.full(7, 0.9)
    return np.concatenate(
        [np.column_stack(p) for p in ((along, near), (along, far), (near, along), (far, along))]
    )


@cache
def _black_points() -> FloatArray:
    """Points (4 * 6, 2) in the four squares beside a white one, not far from it."""
    along = np.linspace(0.25, 0.75, 3)
    depths = (0.15, 0.3)
    below = np.array([(x, -d) for d in depths for x in along])
    turned = [below]
    for _ in range(3):
        last = turned[-1] - 0.5
        turned.append(np.column_stack([-last[:, 1], last[:, 0]]) + 0.5)
    return np.concatenate(turned)


def _affine(points: FloatArray) -> FloatArray:
    return np.column_stack([points, np.ones(len(points))])
