"""The unknowns of the adjustment, in order, and how a step changes them.

For each lens: log focal length, principal point, k1, k2.  For each photo: pose, and how its
focal length and principal point differ from the lens's (focusing and stabilisation move
them from shot to shot).  For each print: log scale across and up.  For each sheet: place of
its middle, angle, log stretch against its print, and its height terms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.heights import HEIGHTS
from digitize.bundle.view import Block, Problem
from digitize.camera.projection import Pinhole, rotation_matrix

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

PER_LENS, PER_PHOTO, PER_PRINT = 5, 9, 2
PLACE, STRETCH = 3, 2
PER_SHEET = PLACE + STRETCH + HEIGHTS
PER_BLOCK = PER_LENS + PER_PHOTO + PER_PRINT + PER_SHEET


@dataclass(frozen=True, slots=True)
class Order:
    """Where the unknowns of each thing stand."""

    lenses: int
    photos: int
    prints: int
    sheets: int

    @property
    def count(self) -> int:
        """How many unknowns there are."""
        return self._sheets_from + PER_SHEET * self.sheets

    @property
    def _prints_from(self) -> int:
        return PER_LENS * self.lenses + PER_PHOTO * self.photos

    @property
    def _sheets_from(self) -> int:
        return self._prints_from + PER_PRINT * self.prints

    def lens(self, number: int) -> IndexArray:
        """Log focal, principal x, y, k1, k2."""
        return PER_LENS * number + np.arange(PER_LENS)

    def photo(self, number: int) -> IndexArray:
        """Rotation, translation, then log focal, principal x, y over the lens's."""
        return PER_LENS * self.lenses + PER_PHOTO * number + np.arange(PER_PHOTO)

    def print_(self, number: int) -> IndexArray:
        """Log scale across, up."""
        return self._prints_from + PER_PRINT * number + np.arange(PER_PRINT)

    def sheet(self, number: int) -> IndexArray:
        """Middle x, y, angle; log stretch across, up; height terms."""
        return self._sheets_from + PER_SHEET * number + np.arange(PER_SHEET)

    def block(self, problem: Problem, block: Block) -> IndexArray:
        """All unknowns (PER_BLOCK,) that a block depends on."""
        return np.concatenate(
            [
                self.lens(problem.lens_of[block.photo]),
                self.photo(block.photo),
                self.print_(problem.print_of[block.sheet]),
                self.sheet(block.sheet),
            ]
        )


def order_of(problem: Problem) -> Order:
    """The order of a problem's unknowns."""
    return Order(problem.lenses, len(problem.photos), len(problem.scales), len(problem.sheets))


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """One candidate for everything."""

    lens: FloatArray  # (L, 5)
    rotation: FloatArray  # (P, 3, 3) camera_from_plane
    translation_mm: FloatArray  # (P, 3)
    own: FloatArray  # (P, 3) log focal, principal x, y over the lens's
    print_: FloatArray  # (Q, 2)
    middle_mm: FloatArray  # (S, 2)
    angle_rad: FloatArray  # (S,)
    stretch: FloatArray  # (S, 2)
    heights_mm: FloatArray  # (S, HEIGHTS)

    def pinhole(self, problem: Problem, photo: int) -> Pinhole:
        """The camera of one photo."""
        log_focal, px, py, k1, k2 = (float(v) for v in self.lens[problem.lens_of[photo]])
        own = self.own[photo]
        return Pinhole(
            self.rotation[photo],
            self.translation_mm[photo],
            math.exp(log_focal + own[0]),
            (px + float(own[1]), py + float(own[2])),
            k1,
            k2,
        )

    def stretched_mm(self, problem: Problem, block: Block) -> FloatArray:
        """Corners (N, 2) from the sheet's middle, as printed by what is believed now."""
        log_scale = self.print_[problem.print_of[block.sheet]] + self.stretch[block.sheet]
        return np.asarray(block.local_mm * np.exp(log_scale))

    def on_plane_mm(self, problem: Problem, block: Block) -> FloatArray:
        """Corners (N, 3) in the common frame."""
        flat = self.stretched_mm(problem, block) @ turn(self.angle_rad[block.sheet]).T
        heights = block.terms @ self.heights_mm[block.sheet]
        return np.column_stack([flat + self.middle_mm[block.sheet], heights])

    def moved(self, problem: Problem, step: FloatArray) -> State:
        """The state a step (unknowns,) away."""
        order = order_of(problem)
        lenses = step[: PER_LENS * order.lenses].reshape(-1, PER_LENS)
        photos = np.stack([step[order.photo(p)] for p in range(order.photos)])
        prints = np.stack([step[order.print_(q)] for q in range(order.prints)])
        sheets = np.stack([step[order.sheet(s)] for s in range(order.sheets)])
        return State(
            lens=self.lens + lenses,
            rotation=np.stack(
                [rotation_matrix(w) @ r for w, r in zip(photos[:, :3], self.rotation, strict=True)]
            ),
            translation_mm=self.translation_mm + photos[:, 3:6],
            own=self.own + photos[:, 6:],
            print_=self.print_ + prints,
            middle_mm=self.middle_mm + sheets[:, :2],
            angle_rad=self.angle_rad + sheets[:, 2],
            stretch=self.stretch + sheets[:, PLACE : PLACE + STRETCH],
            heights_mm=self.heights_mm + sheets[:, PLACE + STRETCH :],
        )


def turn(angle_rad: float) -> FloatArray:
    """Rotation (2, 2) in the plane, counter-clockwise."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s], [s, c]])


def reframed(state: State, problem: Problem, datum: int) -> State:
    """The same state in the frame where the datum lies straight, its corner at the origin."""
    back = turn(-float(state.angle_rad[datum]))
    scale = np.exp(state.print_[problem.print_of[datum]] + state.stretch[datum])
    home = problem.size_mm(datum) / 2 * scale
    # new = back (old - middle) + home
    whole = np.eye(3)
    whole[:2, :2] = back
    shift = np.append(home - back @ state.middle_mm[datum], 0.0)
    rotation = state.rotation @ whole.T
    return replace(
        state,
        rotation=rotation,
        translation_mm=state.translation_mm - rotation @ shift,
        middle_mm=state.middle_mm @ back.T + shift[:2],
        angle_rad=state.angle_rad - state.angle_rad[datum],
    )
