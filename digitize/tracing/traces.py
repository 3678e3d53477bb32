"""What tracing hands on: curves on the sheet in true millimetres, each saying what it is.

Every point keeps its own standard uncertainty and how it is known, so that curve fitting
can weigh it.  Openings inside an outline, bend lines and marks are already sorted to the
outline they belong to: one ``TracedPiece`` becomes one pattern.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.errors import Notice
from digitize.pattern.model import TracedFrom

FloatArray = NDArray[np.float64]

MEASURED, BRIDGED, CUT = 0, 1, 2
"""How a point of an edge is known.  CUT is no edge at all: the photo ends there, and the
loop runs along its end; only tracing that is asked for parts of a piece gives such points.
"""


Unseen = Literal["glare", "edge-unclear"]
"""What most of the edge that could not be measured suffers from."""


@dataclass(frozen=True, eq=False)
class TracedLoop:
    """A closed edge as dense points, not repeated at the end, counter-clockwise."""

    points_mm: FloatArray  # (N, 2) at true scale on the sheet, at their true height
    points_px: FloatArray  # (N, 2) where they were seen in the photo
    u_mm: FloatArray  # (N,) standard uncertainty across the edge, random part
    evidence: NDArray[np.uint8]  # (N,) MEASURED, BRIDGED or CUT
    blur_mm: float  # edge blur (one Gaussian sigma) on the sheet; for the curved-edge bias
    line_width_mm: float | None = None  # of the drawn stroke, ink only


@dataclass(frozen=True, eq=False)
class TracedBend:
    """A dashed or dotted line, fitted straight and carried to the outline it meets."""

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    u_mm: float
    u_deg: float
    dashes: int


@dataclass(frozen=True, eq=False)
class TracedMark:
    """The crossing point of a small drawn cross."""

    at_mm: tuple[float, float]
    u_mm: float


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Something seen and deliberately not used: handwriting, a smudge, a stray stroke."""

    at_mm: tuple[float, float]
    size_mm: float
    reason: str


@dataclass(frozen=True, eq=False)
class TracedPiece:
    """Everything traced of one piece."""

    outline: TracedLoop
    openings: tuple[TracedLoop, ...] = ()
    bends: tuple[TracedBend, ...] = ()
    marks: tuple[TracedMark, ...] = ()
    notices: tuple[Notice, ...] = ()
    unseen: Unseen | None = None  # why there are bridges; None where notices tell of each


@dataclass(frozen=True, eq=False)
class Traced:
    """All pieces of one photo, largest first."""

    mode: TracedFrom
    pieces: tuple[TracedPiece, ...]
    left_out: tuple[LeftOut, ...] = ()
    notices: tuple[Notice, ...] = ()
