"""What a reference says about the work plane: seen places, their millimetres, their doubts.

Every reference (a rule's marks, a sheet's edges, points that somebody measured) comes down
to the same thing: pixels that were seen, each of which lies at a known point or on a known
straight line over the work plane, up to a few unknowns of the reference's own.  A rule has
a stretch, a rise and a lean across; a sheet has its two sides; measured points have their
true places.  The unknowns have priors, so what a reference does not know widens the result.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What was seen of a reference in the photo.

    ``line`` marks pixels that say only which line they lie on, not where along it.
    """

    px: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,) per axis, or across the line
    line: NDArray[np.bool_]  # (N,)

    def joined(self, other: Seen) -> Seen:
        """Both together, this one first."""
        return Seen(
            np.vstack([self.px, other.px]),
            np.concatenate([self.sigma_px, other.sigma_px]),
            np.concatenate([self.line, other.line]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where the seen things are, for one value of the reference's unknowns."""

    mm: FloatArray  # (N, 3) the point, or one point of the line
    along: FloatArray  # (N, 3) the line's direction; zero for points
    by_own: FloatArray  # (N, 3, M) how the point changes with the unknowns
    along_by_own: FloatArray  # (N, 3, M) how the direction does


class Layout(Protocol):
    """A reference's own geometry."""

    @property
    def start(self) -> FloatArray:
        """First guess (M,) of the unknowns."""

    def places(self, own: FloatArray) -> Places:
        """Where everything is for unknowns (M,)."""

    def pulls(self, own: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Distances (P,) from the priors in standard deviations, and slopes (P, M)."""
