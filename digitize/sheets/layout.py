"""What is on a printed target, in nominal millimetres.

A target is a lattice of squares, black and white in turn.  The points where four printed
squares meet are the X-corners that carry the geometry.  Every white square carries a
small coded mark that says only which sheet, and which square of it, this is.  A *ring*
leaves the middle of the lattice blank for the piece; a *card* is filled all over.

Sheet coordinates: origin at the lower left corner of the lattice, x right, y up, z out
of the paper toward the viewer.  Square (column, row) spans x from ``column`` to
``column + 1`` squares and y from ``row`` to ``row + 1``; on coded sheets it is black when
column + row is even.  Node (i, j) is the point (i * square_mm, j * square_mm).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Form = Literal["ring", "card", "checkerboard"]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The lattice of one printed target."""

    form: Form
    paper: str  # "A4", "Letter", "A3", "A2"; "" for a checkerboard
    number: int  # which sheet of its form and paper this is; 0 for a checkerboard
    columns: int
    rows: int
    square_mm: float
    band: int  # squares across the printed border of a ring; 0: filled all over
    black_first: bool = True  # square (0, 0) is black; a plain checkerboard may begin with white

    def printed(self, column: int, row: int) -> bool:
        """Whether a square belongs to the lattice (black or white) rather than the blank."""
        if not (0 <= column < self.columns and 0 <= row < self.rows):
            return False
        b = self.band
        inside = b <= column < self.columns - b and b <= row < self.rows - b
        return b == 0 or not inside

    def black(self, column: int, row: int) -> bool:
        """Whether a square is printed black."""
        return self.printed(column, row) and (column + row) % 2 == (0 if self.black_first else 1)

    def x_corners(self) -> NDArray[np.intp]:
        """Nodes (N, 2) as (i, j) where four printed squares meet."""
        nodes = [
            (i, j)
            for j in range(1, self.rows)
            for i in range(1, self.columns)
            if all(self.printed(i - a, j - b) for a in (0, 1) for b in (0, 1))
        ]
        return np.array(nodes, dtype=np.intp).reshape(-1, 2)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the lattice."""
        return self.columns * self.square_mm, self.rows * self.square_mm

    @property
    def work_area_mm(self) -> tuple[float, float, float, float] | None:
        """The ring's blank middle as x0, y0, x1, y1; None where there is none."""
        if self.band == 0:
            return None
        b, s = self.band, self.square_mm
        return b * s, b * s, (self.columns - b) * s, (self.rows - b) * s

    def __str__(self) -> str:
        """The sheet's name as people read it off the paper."""
        if self.form == "checkerboard":
            return (
                f"checkerboard {self.columns - 1} x {self.rows - 1} inner corners, "
                f"{self.square_mm:g} mm"
            )
        return f"{self.form} {self.paper}, sheet {self.number}"


@dataclass(frozen=True, slots=True)
class PrintScale:
    """Printed size over nominal size, across (x) and up (y), with standard uncertainties.

    ``measured`` is False when nobody has measured the bars: then the scale is taken as 1
    and the uncertainties are what home printers are seen to do.
    """

    x: float
    y: float
    u_x: float
    u_y: float
    measured: bool
    source: str  # for the record: "bars measured 2026-05-02, printer 'office'"; "not measured"

    @property
    def doubt_shares(self) -> tuple[float, float]:
        """How a found error of the aspect falls to x and to y: to the less certain one more."""
        variance = (self.u_x / self.x) ** 2, (self.u_y / self.y) ** 2
        total = sum(variance)
        return (variance[0] / total, variance[1] / total) if total > 0 else (0.5, 0.5)

    def with_aspect(self, aspect: float) -> tuple[float, float]:
        """Printed over nominal in x and y, once a photo has shown x over y off by ``aspect``."""
        share_x, share_y = self.doubt_shares
        return float(self.x * aspect**share_x), float(self.y * aspect**-share_y)
