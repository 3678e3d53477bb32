"""The corners of a lattice measured in the photo, and those that do not fit thrown out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.sighting.corners import FloatArray
from digitize.sighting.lattice import Lattice
from digitize.sighting.local import local_maps
from digitize.sighting.refine import refine
from digitize.sighting.sighting import Sighting

CLEAR_OF_MARK = 0.26  # of a side: the radius about a corner that marks leave free
CLEAR_OF_CORNERS = 0.42  # the same where there are no marks, only other corners
LARGEST_STRAY = 0.06  # of a side, from where the neighbours say a corner should be
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
    clear = CLEAR_OF_MARK if marked else CLEAR_OF_CORNERS
    edges = maps.edges_rad(lattice.dark(lattice.ij))
    fit = refine(photo, lattice.xy_px, edges, clear * maps.sides_px)
    fitted = Measured(replace(lattice, xy_px=fit.xy_px), fit.sigma_px, fit.blur_px)
    return _regular(fitted.chosen(fit.good))


def _regular(measured: Measured) -> Measured:
    """Without corners that lie away from where their neighbours say."""
    for _ in range(8):
        lattice = measured.lattice
        if len(lattice) < LEAST_CORNERS:
            break
        maps = local_maps(lattice, lattice.ij.astype(float), neighbours=14, leave_out=True)
        off = np.linalg.norm(maps.centres_px - lattice.xy_px, axis=1)
        off /= np.maximum(maps.sides_px, 1.0) * (1.0 + 0.5 * (maps.reach - 1.0))
        stray = off > max(LARGEST_STRAY, 6.0 * float(np.median(off)))
        if not stray.any():
            break
        # One bad corner makes its neighbours look bad: only the worst go at a time.
        stray &= off >= 0.7 * off.max()
        measured = measured.chosen(~stray)
    return measured
