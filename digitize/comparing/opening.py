"""A piece against its opening: gap and overlap all round, and what to do about them.

Gaps come sorted into bands of how they can be welded, edge by edge: what to trim, where a
strip is missing, and how much bigger to cut next time.  With a lap allowance the piece is to
overlap the opening's edge by that much, and what it lacks of it counts as gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.agreement import alike_u_mm
from digitize.comparing.comparison import Comparison, compare_at
from digitize.comparing.deviation import Side
from digitize.comparing.placement import Objective, place_inside
from digitize.comparing.registration import FitOptions
from digitize.comparing.sides import Sides
from digitize.comparing.weldability import Band, Process, band_of, bands, root_gap_mm
from digitize.errors import DigitizeError, Exit
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Point

FloatArray = NDArray[np.float64]

_SHORTEST_STRIP_MM = 10.0  # what is shorter is filled or filed; common practice, no source


@dataclass(frozen=True, slots=True)
class FitInOptions:
    """How the piece is to sit in the opening."""

    thickness_mm: float
    process: Process = "mig"
    objective: Objective = "even"
    lap_mm: float = 0.0  # wanted overlap; 0 for a butt joint
    mirrored: bool = False


class NoThickness(DigitizeError):
    """The sheet thickness, by which gaps are judged, is not known."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class EdgeGap:
    """The gap along one edge of the opening, by its name and in words.

    Gaps are positive where the piece is short of where it should end, negative where it is
    past it.  ``piece_edge`` is the edge of the piece that lies there.  ``bigger_mm`` is how
    much bigger to cut that edge next time (negative: smaller) for a gap in the middle of
    the best band, None where it is in that band already or the difference is less than U.
    """

    edge: str
    piece_edge: str
    where: str
    length_mm: float
    least_mm: float
    mean_mm: float
    most_mm: float
    expanded_mm: float
    at_mm: Point  # of the largest gap
    band: Band  # of the largest gap
    trim_mm: float  # the most that the piece is past where it should end
    strip_mm: tuple[float, float] | None  # length and width of a strip to add
    bigger_mm: float | None


@dataclass(frozen=True, eq=False)
class OpeningFit:
    """A piece in its opening; ``comparison`` holds the opening as the old piece."""

    comparison: Comparison
    options: FitInOptions
    edges: tuple[EdgeGap, ...]
    largest_gap_mm: float
    largest_overlap_mm: float
    root_gap_mm: float | None

    @property
    def worst(self) -> Band:
        """The band of the largest gap."""
        return max((e.band for e in self.edges), key=lambda b: b.rank)


def fit_in(piece: Pattern, opening: Pattern, options: FitInOptions) -> OpeningFit:
    """Place a piece in its opening and judge the gap all round.

    Raises ``NothingAlike`` where the piece belongs elsewhere.
    """
    register_by = FitOptions("all", options.mirrored, alike_u_mm(opening, piece))
    placed = place_inside(piece, opening, options.objective, register_by)
    found = compare_at(opening, piece, placed)
    edges = _edges(found, options)
    return OpeningFit(
        found,
        options,
        edges,
        max(e.most_mm for e in edges),
        max(0.0, -min(e.least_mm for e in edges)),
        root_gap_mm(options.thickness_mm, options.process),
    )


def _edges(found: Comparison, options: FitInOptions) -> tuple[EdgeGap, ...]:
    """One row for every named edge of the opening, in its own order; one in all for round ones."""
    its = found.deviation.old
    words, own = Sides.of(found.old), Sides.of(found.laid)
    names = np.array(words.names)[its.segment]
    gap = options.lap_mm + _square_gaps(its, found.deviation.new)
    # The piece may stand farther out than the opening's edge sees from its own side.
    other = found.deviation.new
    its_names = np.array(words.names)[other.other_segment]
    seen = options.lap_mm - other.signed_mm
    good = bands(options.thickness_mm, options.process)[0].up_to_mm or 0.0
    wanted = 0.0 if options.lap_mm else good / 2.0
    rows = []
    for name in dict.fromkeys(words.names):
        on = np.flatnonzero(names == name)
        if not len(on):
            continue
        weight = its.weight_mm[on]
        most = int(on[int(np.argmax(gap[on]))])
        there = seen[its_names == name]
        low = min(float(gap[on].min()), float(there.min()) if len(there) else np.inf)
        mean = float(np.average(gap[on], weights=weight))
        band = band_of(float(gap[most]), options.thickness_mm, options.process)
        expanded = float(its.expanded_mm[on].max())
        middle = on[len(on) // 2]
        wide = gap[on] > (_remake_over(options) if not options.lap_mm else 0.0)
        strip = None
        long = float(weight[wide].sum())
        if long >= _SHORTEST_STRIP_MM and band.up_to_mm is None:
            strip = long, float(gap[most])
        bigger = mean - wanted
        past = -low - (0.0 if not options.lap_mm else np.inf)
        rows.append(
            EdgeGap(
                name,
                own.names[int(np.bincount(its.other_segment[on]).argmax())],
                words.edge(_point(its.places_mm[middle]), _point(its.normal[middle])),
                float(weight.sum()),
                low,
                mean,
                float(gap[most]),
                expanded,
                _point(its.places_mm[most]),
                band,
                past if past > expanded else 0.0,
                strip,
                None if abs(bigger) <= max(expanded, wanted) else bigger,
            )
        )
    return tuple(rows)


def _square_gaps(its: Side, other: Side) -> FloatArray:
    """Gaps from the opening's edge; off a corner of the piece square to that edge."""
    gap = -its.signed_mm
    begins = other.boundary.begins_mm[its.other_segment]
    past = its.other_along_mm - begins
    whole = other.boundary.length_mm[its.other_segment]
    corner = (past < 1e-9) | (whole - past < 1e-9)
    way = its.places_mm[corner] - its.other_mm[corner]
    gap[corner] = np.einsum("ij,ij->i", its.normal[corner], way)
    return gap


def _remake_over(options: FitInOptions) -> float:
    return bands(options.thickness_mm, options.process)[-1].over_mm


def _point(place: np.ndarray) -> Point:
    return float(place[0]), float(place[1])
