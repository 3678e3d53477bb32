"""The signed deviation all along the new edge, and what the old edge has that it passes by.

At every sample of the new outline: how far it lies off the old one, positive where the new
piece has more metal.  A notch that the new piece lacks, or a tab that only the old one has,
is shallow seen from the new edge alone; so the old edge is held against the new one too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.agreement import expanded_mm
from digitize.comparing.boundary import Boundary, IntArray
from digitize.comparing.registration import Registration
from digitize.comparing.square import square
from digitize.pattern.model import Pattern

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Side:
    """One edge held against the other, in the old piece's coordinates.

    ``signed_mm`` is positive where the new piece has more metal, whichever edge this is.
    """

    boundary: Boundary
    places_mm: FloatArray  # (N, 2) samples on this edge
    normal: FloatArray  # (N, 2) off the metal
    weight_mm: FloatArray  # (N,)
    along_mm: FloatArray  # (N,) on this edge
    signed_mm: FloatArray  # (N,)
    square_mm: FloatArray  # (N,) the same, at corners of the other edge square to it
    expanded_mm: FloatArray  # (N,) U of the difference
    segment: IntArray  # (N,) on this edge
    other_mm: FloatArray  # (N, 2) the places on the other edge
    other_segment: IntArray  # (N,) at its corners the one that this edge runs along
    other_along_mm: FloatArray  # (N,) on the other edge

    def lapping(self, lap_mm: float) -> Side:
        """The same where the new piece is to lap by so much: what it lacks of that, as less.

        More lap than was asked for does no harm and counts as none.
        """
        return replace(
            self,
            signed_mm=np.minimum(self.signed_mm - lap_mm, 0.0),
            square_mm=np.minimum(self.square_mm - lap_mm, 0.0),
        )


@dataclass(frozen=True, eq=False)
class Deviation:
    """The new edge held against the old, and the old one against the new."""

    new: Side
    old: Side

    @property
    def profile_mm(self) -> float:
        """Width of the zone that holds the new edge, evenly about the old one.

        Twice the largest deviation, in the manner of ISO 1101 (profile of a line): the zone
        is the envelope of circles with their centres on the true profile.
        """
        return 2.0 * float(np.abs(self.new.signed_mm).max())

    @property
    def same_share(self) -> float:
        """Share of the new edge that is the same within the measurement."""
        same = np.abs(self.new.signed_mm) <= self.new.expanded_mm
        return float(np.dot(same, self.new.weight_mm) / self.new.weight_mm.sum())

    def lapping(self, lap_mm: float) -> Deviation:
        """The same where the new piece is to lap over the old edge by so much."""
        return Deviation(self.new.lapping(lap_mm), self.old.lapping(lap_mm))


def deviation(new: Pattern, old: Pattern, found: Registration) -> Deviation:
    """Both outlines held against each other in the pose found."""
    laid = found.pose.of_pattern(new)
    edges = Boundary.of_pattern(laid, openings=False), Boundary.of_pattern(old, openings=False)
    middle = edges[1].strewn.points_mm.mean(axis=0)
    return Deviation(
        _held(edges[0], edges[1], (laid, old), middle, 1.0),
        _held(edges[1], edges[0], (old, laid), middle, -1.0),
    )


def _held(
    edge: Boundary,
    other: Boundary,
    patterns: tuple[Pattern, Pattern],
    middle_mm: FloatArray,
    sign: float,
) -> Side:
    samples = edge.samples(min(edge.perimeter_mm / 1500, 0.5))
    nearest = other.nearest(samples.points_mm)
    along = other.begins_mm[nearest.segment]
    along = along + nearest.share * other.length_mm[nearest.segment]
    squared = square(nearest, samples.points_mm, samples.normal, other)
    segments = samples.segment, squared.segment
    return Side(
        edge,
        samples.points_mm,
        samples.normal,
        samples.weight_mm,
        samples.along_mm,
        sign * nearest.signed_mm,
        sign * squared.signed_mm,
        # Along the deviation: at a step the edge's own normal says nothing of it.
        expanded_mm(
            patterns,
            segments,
            samples.points_mm,
            nearest.away,
            middle_mm,
            off_mm=nearest.signed_mm,
        ),
        samples.segment,
        nearest.foot_mm,
        squared.segment,
        along,
    )
