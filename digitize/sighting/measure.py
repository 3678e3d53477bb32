"""The corners of a lattice measured in the photo, and those that do not fit thrown out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.sheets import marks
from digitize.sheets.layout import Sheet
from digitize.sighting.corners import FloatArray
from digitize.sighting.lattice import Lattice
from digitize.sighting.local import local_maps
from digitize.sighting.refine import refine
from digitize.sighting.sighting import Sighting

CLEAR_OF_CORNERS = 0.45  # of the way to the nearest other line of the lattice
STRAY = (0.02, 0.06)  # of a side, from where the neighbours say a corner should be
USUAL_STRAYS = 5.0  # medians of the same: lens distortion and curl make it as large as that
LEAST_CORNERS = 6


@dataclass(frozen=True, eq=False)
class Measured:
    """A lattice whose places in the photo are fitted ones."""

    lattice: Lattice
    sigma_px: FloatArray  # (N,)
    blur_px: FloatArray  # (N,)

    def chosen(self, keep: NDArray[np.bool_]) -> Measured:
        """The corners where ``keep`` (N,) is true."""
        return Measured(self.lattice.chosen(keep), self.sigma_px[keep], self.blur_px[keep])

    def sighting(self, sheet: Sheet, marks_read: int) -> Sighting:
        """What was seen of ``sheet``, whose nodes the lattice's places are."""
        lattice = self.lattice
        order = np.lexsort((lattice.ij[:, 0], lattice.ij[:, 1]))
        return Sighting(
            sheet=sheet,
            corners_px=lattice.xy_px[order],
            corners_mm=lattice.ij[order].astype(np.float64) * sheet.square_mm,
            sigma_px=self.sigma_px[order],
            blur_px=float(np.median(self.blur_px)),
            marks_read=marks_read,
        )


def measure(photo: Photo, lattice: Lattice, marked: bool) -> Measured:
    """Fit every corner of a lattice given in photo pixels.

    ``marked`` tells that coded marks lie in the white squares, which the fit must not see.
    """
    maps = local_maps(lattice, lattice.ij.astype(float))
    dark = lattice.dark(lattice.ij)
    clear = _clear_px(maps.axes_px, dark, marked)
    fit = refine(photo, lattice.xy_px, maps.edges_rad(dark), clear)
    fitted = Measured(replace(lattice, xy_px=fit.xy_px), fit.sigma_px, fit.blur_px)
    return _regular(fitted.chosen(fit.good))


def _clear_px(axes_px: FloatArray, dark_up_right: NDArray[np.bool_], marked: bool) -> FloatArray:
    """Radius (N,) about each corner that holds nothing but its own two edges.

    ``axes_px`` (N, 2, 2) are the lattice's axes there.
    """
    i, j = axes_px[:, 0], axes_px[:, 1]
    area = np.abs(i[:, 0] * j[:, 1] - i[:, 1] * j[:, 0])
    lines = area / np.maximum(np.linalg.norm(axes_px, axis=2).max(1), 1e-9)
    clear = CLEAR_OF_CORNERS * lines
    if marked:
        start, end = marks.START_SQUARES, 1.0 - marks.START_SQUARES
        along = np.linspace(start, end, 7)
        near = np.full(7, start)
        rim = np.concatenate([np.column_stack([along, near]), np.column_stack([near, along])])
        # White squares lie up left and down right of a corner whose up-right square is dark.
        across = np.where(dark_up_right[:, None], -i, i)
        points = rim[:, :1] * across[:, None] + rim[:, 1:] * j[:, None]
        clear = np.minimum(clear, np.linalg.norm(points, axis=2).min(1))
    return np.asarray(clear)


def _regular(measured: Measured) -> Measured:
    """Without corners that lie away from where their neighbours say."""
    for _ in range(8):
        lattice = measured.lattice
        if len(lattice) < LEAST_CORNERS:
            break
        maps = local_maps(lattice, lattice.ij.astype(float), neighbours=14, leave_out=True)
        off = np.linalg.norm(maps.centres_px - lattice.xy_px, axis=1)
        side = np.maximum(maps.sides_px, 1.0)
        off /= side * (1.0 + 0.5 * (maps.reach - 1.0))
        limit = np.clip(USUAL_STRAYS * float(np.median(off)), *STRAY)
        stray = off > limit + 4.0 * measured.sigma_px / side
        if not stray.any():
            break
        # One bad corner makes its neighbours look bad: only the worst go at a time.
        stray &= off >= 0.7 * off.max()
        measured = measured.chosen(~stray)
    return measured
