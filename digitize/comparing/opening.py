"""A piece against its opening: gap and overlap all round, and what to do about them.

One rule, edge by edge: past the opening's edge by more than U is an overlap, to be trimmed;
within U all along is the same within measurement, or cannot be told where U is more than what
would be good; the rest is a gap, sorted into bands of how it can be welded, and beyond the last
band it wants a strip.  Next time an edge that is not good is to be cut bigger by its mean gap
less the wanted one.  With a lap allowance the piece is to overlap the opening's edge by that
much, and what it lacks of it counts as gap and wants a strip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.agreement import alike_u_mm
from digitize.comparing.bays import seen
from digitize.comparing.comparison import Comparison, compare_at
from digitize.comparing.deviation import Deviation, deviation
from digitize.comparing.evidence import mostly
from digitize.comparing.next_in_opening import next_piece
from digitize.comparing.placement import Objective, place_inside
from digitize.comparing.registration import FitOptions
from digitize.comparing.sides import Sides
from digitize.comparing.weldability import Band, Process, band_of, bands, root_gap_mm
from digitize.errors import DigitizeError, Exit, Notice
from digitize.pattern.contour import Evidence
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Point

FloatArray = NDArray[np.float64]

Verdict = Literal["overlap", "same", "unsure", "gap"]
"""Past where it should end by more than U somewhere; within U all along, which says that it is
good or, with a large U, nothing; or short of it."""

CUT_TO_MM = 0.1  # nobody cuts sheet finer by hand; common practice, no source


@dataclass(frozen=True, slots=True)
class FitInOptions:
    """How the piece is to sit in the opening."""

    thickness_mm: float
    process: Process = "mig"
    objective: Objective = "even"
    lap_mm: float = 0.0  # wanted overlap; 0 for a butt joint
    mirrored: bool = False

    @property
    def good_mm(self) -> float:
        """The largest gap that is good; of a lap what it may lack and still hold (half of it)."""
        if self.lap_mm:
            return self.lap_mm / 2.0
        return bands(self.thickness_mm, self.process)[0].up_to_mm or 0.0


class NoThickness(DigitizeError):
    """The sheet thickness, by which gaps are judged, is not known."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class EdgeGap:
    """The gap along one edge of the opening, by its name and in words.

    Gaps are positive where the piece is short of where it should end, negative where it is
    past it; with a lap allowance they are what is missing of the lap.  ``piece_edge`` is the
    edge of the piece that lies there, ``expanded_mm`` U at the place that decided the verdict
    (for "unsure" the largest).
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
    verdict: Verdict
    band: Band  # of the largest gap
    trim_mm: float  # what the piece is past where it should end, 0 where within U
    strip_mm: tuple[float, float] | None  # length and width of a strip to add
    bigger_mm: float | None
    """How much bigger to cut next time, negative for smaller: the mean gap less the wanted
    one.  None where the edge is good or the same as it is, or nobody cuts to that."""
    evidence: Evidence = "measured"  # of most of the edge, of either


@dataclass(frozen=True, eq=False)
class OpeningFit:
    """A piece in its opening; ``comparison`` holds the opening as the old piece.

    ``better`` is the piece to cut next time, None where it should stay as it is.
    """

    comparison: Comparison
    options: FitInOptions
    edges: tuple[EdgeGap, ...]
    largest_gap_mm: float
    largest_overlap_mm: float
    root_gap_mm: float | None
    better: Pattern | None

    @property
    def worst(self) -> Band:
        """The band of the largest gap."""
        return max((e.band for e in self.edges), key=lambda b: b.rank)


def wanted_gap_mm(options: FitInOptions) -> float:
    """What "next time" aims at: the middle of the best band; no lap missing."""
    return 0.0 if options.lap_mm else options.good_mm / 2.0


def fit_in(piece: Pattern, opening: Pattern, options: FitInOptions) -> OpeningFit:
    """Place a piece in its opening and judge the gap all round.

    Raises ``NothingAlike`` where the piece belongs elsewhere.
    """
    register_by = FitOptions("all", options.mirrored, alike_u_mm(opening, piece))
    placed = place_inside(piece, opening, options.objective, register_by, options.lap_mm)
    found = compare_at(opening, piece, placed, lap_mm=options.lap_mm)
    edges = _edges(found, deviation(piece, opening, placed), options)
    better = _next_time(found, edges, options)
    if isinstance(better, Notice):
        found, better = replace(found, notices=(*found.notices, better)), None
    return OpeningFit(
        found,
        options,
        edges,
        max(e.most_mm for e in edges),
        max(0.0, -min(e.least_mm for e in edges)),
        root_gap_mm(options.thickness_mm, options.process),
        better,
    )


def _next_time(
    found: Comparison, edges: tuple[EdgeGap, ...], options: FitInOptions
) -> Pattern | Notice | None:
    """The piece as the rows say to cut it next time, if any says so."""
    if all(e.bigger_mm is None for e in edges):
        return None
    present = {e.edge: options.lap_mm - e.mean_mm for e in edges}
    return next_piece(found, {e.edge: present[e.edge] + (e.bigger_mm or 0.0) for e in edges})


def _edges(found: Comparison, off: Deviation, options: FitInOptions) -> tuple[EdgeGap, ...]:
    """One row for every named edge of the opening, in its own order; one in all for round ones."""
    gaps = _Gaps(found, off, options)
    rows = (gaps.along(name) for name in dict.fromkeys(gaps.words.names))
    return tuple(row for row in rows if row is not None)


class _Gaps:
    """The gaps seen from the opening's edge, and from the piece's, which may stand farther out."""

    def __init__(self, found: Comparison, off: Deviation, options: FitInOptions) -> None:
        self.found, self.options = found, options
        self.its, self.other = off.old, off.new
        self.words, self.own = Sides.of(found.old), Sides.of(found.laid)
        names = np.array(self.words.names)
        self.across = seen(off, found.laid, found.old)
        self.names, self.seen_names = names[self.its.segment], names[self.across.segment]
        self.gap = options.lap_mm - self.its.square_mm
        self.seen = options.lap_mm + self.across.gap_mm
        self.deep = self._with_bays()

    def _with_bays(self) -> FloatArray:
        """The gaps along the opening's edge, where a bay or a slit of the piece opens its depth."""
        over = np.searchsorted(self.its.along_mm, self.across.along_mm, side="right") - 1
        same = self.across.clear & (self.names[over] == self.seen_names)
        deepest = np.full(len(self.gap), -np.inf)
        np.maximum.at(deepest, over[same], self.seen[same])
        # Both edges are sampled as finely, so that here and there one sample lies over none.
        beside = np.minimum(np.roll(deepest, 1), np.roll(deepest, -1))
        return np.maximum(self.gap, np.where(np.isinf(deepest), beside, deepest))

    def along(self, name: str) -> EdgeGap | None:
        """The row of one edge; None where no sample lies on it."""
        its, options = self.its, self.options
        on = np.flatnonzero(self.names == name)
        there = self.across.clear & (self.seen_names == name)
        if not len(on):
            return None
        gap, deep, weight = self.gap[on], self.deep[on], its.weight_mm[on]
        every = np.concatenate((gap, self.seen[there]))
        most = float(every.max())
        expanded = np.concatenate((its.expanded_mm[on], self.other.expanded_mm[there]))
        verdict, decided, trim = _judged(every, expanded, options)
        band = band_of(most, options.thickness_mm, options.process)
        butt_and_good = verdict == "gap" and not options.lap_mm and band.rank == 0
        fine = verdict in ("same", "unsure") or butt_and_good
        mean = float(np.average(gap, weights=weight))
        bigger = mean - wanted_gap_mm(options)
        middle = on[len(on) // 2]
        return EdgeGap(
            edge=name,
            piece_edge=self.own.names[int(np.bincount(its.other_segment[on]).argmax())],
            where=self.words.edge(_point(its.places_mm[middle]), _point(its.normal[middle])),
            length_mm=float(weight.sum()),
            least_mm=float(every.min()),
            mean_mm=mean,
            most_mm=most,
            expanded_mm=decided,
            at_mm=_point(its.places_mm[on[int(deep.argmax())]]),
            verdict=verdict,
            band=band,
            trim_mm=trim,
            strip_mm=_strip(deep, its.expanded_mm[on], weight, options),
            bigger_mm=None if fine or abs(bigger) < CUT_TO_MM else bigger,
            evidence=mostly(its, on, self.found.old, self.found.laid),
        )


def _judged(
    gap_mm: FloatArray, expanded_mm: FloatArray, options: FitInOptions
) -> tuple[Verdict, float, float]:
    """The verdict on an edge's gaps (N,), U where it was decided, and what is to be trimmed."""
    past = np.where(-gap_mm > expanded_mm, -gap_mm, 0.0)
    if not options.lap_mm and past.any():
        worst = int(past.argmax())
        return "overlap", float(expanded_mm[worst]), float(past[worst])
    # More lap than was asked for does no harm.
    size = np.maximum(gap_mm, 0.0) if options.lap_mm else np.abs(gap_mm)
    short = size > expanded_mm
    worst = int(np.where(short, size, 0.0).argmax() if short.any() else size.argmax())
    if short.any():
        return "gap", float(expanded_mm[worst]), 0.0
    largest = float(expanded_mm.max())
    if largest > options.good_mm:
        return "unsure", largest, 0.0
    return "same", float(expanded_mm[worst]), 0.0


def _strip(
    gap_mm: FloatArray, expanded_mm: FloatArray, weight_mm: FloatArray, options: FitInOptions
) -> tuple[float, float] | None:
    """Length and width of the strip that an edge lacks, by gaps (N,), where it lacks one."""
    if options.lap_mm:
        wide = gap_mm > expanded_mm
    else:
        bands_of = (band_of(g, options.thickness_mm, options.process) for g in gap_mm.tolist())
        wide = np.array([b.up_to_mm is None for b in bands_of])
    return (float(weight_mm[wide].sum()), float(gap_mm.max())) if wide.any() else None


def _point(place: np.ndarray) -> Point:
    return float(place[0]), float(place[1])
