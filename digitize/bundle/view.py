"""What goes into the adjustment: the sheets seen in each photo, cut into blocks.

A *block* is one sheet in one photo, the unit that all bookkeeping is done by: its corners
touch one lens, one pose, one print and one sheet's place, so the normal equations are
gathered block by block and no large Jacobian is ever held.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.heights import height_basis
from digitize.camera.known import KnownLens
from digitize.camera.priors import Framed
from digitize.sheets.layout import PrintScale, Sheet
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]
Scales = PrintScale | Mapping[Sheet, PrintScale]

_LEAST_SIGMA_PX = 1e-3


class Pictured(Framed, Protocol):
    """A photo's size, header and name (a ``Photo`` is one)."""

    @property
    def name(self) -> str:
        """File name."""

    @property
    def maker(self) -> str | None:
        """Camera text from the header."""


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One photo with every sheet seen in it."""

    photo: Pictured
    sightings: tuple[Sighting, ...]
    known: KnownLens | None = None  # what earlier photos of the same camera told


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """The corners of one sheet in one photo."""

    photo: int
    sheet: int
    local_mm: FloatArray  # (N, 2) printed millimetres from the sheet's middle
    px: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,) per axis
    nodes: NDArray[np.intp]  # (N, 2) of the sheet's lattice
    terms: FloatArray  # (N, HEIGHTS) height per unit of each of the sheet's height terms


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Blocks, and which lens and print each photo and sheet belongs to."""

    photos: tuple[Pictured, ...]
    sheets: tuple[Sheet, ...]
    scales: tuple[PrintScale, ...]  # one for each print
    lens_of: tuple[int, ...]  # lens of each photo
    print_of: tuple[int, ...]  # print of each sheet
    blocks: tuple[Block, ...]
    known: tuple[KnownLens | None, ...]  # of each photo

    @property
    def lenses(self) -> int:
        """How many lenses there are."""
        return max(self.lens_of) + 1

    def size_mm(self, sheet: int) -> FloatArray:
        """Printed width and height (2,) of a sheet's lattice as far as known."""
        scale = self.scales[self.print_of[sheet]]
        width, height = self.sheets[sheet].size_mm
        return np.array([width * scale.x, height * scale.y])


def problem_of(views: Sequence[View], scales: Scales) -> Problem:
    """Everything numbered.

    Photos of one camera, size and header focal length share a lens.  Sheets share a print
    if they share a measured scale; where nobody measured, the papers are kept apart.
    """
    sheets = tuple(dict.fromkeys(s.sheet for view in views for s in view.sightings))
    lenses = [
        (v.photo.width_px, v.photo.height_px, v.photo.focal_prior_px, v.photo.maker) for v in views
    ]
    chosen = [scales if isinstance(scales, PrintScale) else scales[s] for s in sheets]
    prints = [
        (scale, "" if scale.measured else sheet.paper)
        for scale, sheet in zip(chosen, sheets, strict=True)
    ]
    unique_lenses, unique_prints = list(dict.fromkeys(lenses)), list(dict.fromkeys(prints))
    number = {sheet: k for k, sheet in enumerate(sheets)}
    blocks = tuple(
        _block(photo, number[sighting.sheet], sighting, chosen[number[sighting.sheet]])
        for photo, view in enumerate(views)
        for sighting in view.sightings
    )
    return Problem(
        photos=tuple(view.photo for view in views),
        sheets=sheets,
        scales=tuple(scale for scale, _ in unique_prints),
        lens_of=tuple(unique_lenses.index(lens) for lens in lenses),
        print_of=tuple(unique_prints.index(one) for one in prints),
        blocks=blocks,
        known=tuple(view.known for view in views),
    )


def _block(photo: int, sheet: int, sighting: Sighting, scale: PrintScale) -> Block:
    middle = np.array(sighting.sheet.size_mm) / 2
    return Block(
        photo=photo,
        sheet=sheet,
        local_mm=(sighting.corners_mm - middle) * np.array([scale.x, scale.y]),
        px=np.asarray(sighting.corners_px, dtype=float),
        sigma_px=np.maximum(sighting.sigma_px, _LEAST_SIGMA_PX),
        nodes=np.round(sighting.corners_mm / sighting.sheet.square_mm).astype(np.intp),
        terms=height_basis(sighting.sheet, sighting.corners_mm),
    )
