"""The edge of a piece as arrays, and the exact closest place on it for many points at once.

Edges run with the metal on their left, outlines counter-clockwise and openings clockwise, so
that one sign serves all: a point on the right of the edge lies off the metal and counts as
positive.  A k-d tree over points strewn along the edge finds the segment, its own line or
circle then gives the closest place exactly.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from digitize.pattern.contour import Closed, Contour
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_STREWN = 2000  # points along the whole edge by which the tree finds a segment
_AT_END = 1e-12  # share of a segment


@dataclass(frozen=True, eq=False)
class Nearest:
    """The closest places on an edge to N points."""

    foot_mm: FloatArray  # (N, 2)
    signed_mm: FloatArray  # (N,) distance, positive off the metal
    away: FloatArray  # (N, 2) unit direction in which the signed distance grows
    segment: IntArray  # (N,) which segment the foot lies on
    share: FloatArray  # (N,) how far along that segment, 0 to 1


@dataclass(frozen=True, eq=False)
class Samples:
    """Points along the edge, the start of every segment among them."""

    points_mm: FloatArray  # (N, 2)
    normal: FloatArray  # (N, 2) unit, off the metal
    weight_mm: FloatArray  # (N,) length of edge that each stands for
    along_mm: FloatArray  # (N,) from the start of the first loop, loops one after the other
    segment: IntArray  # (N,)
    share: FloatArray  # (N,) how far along the segment, 0 up to but not 1


@dataclass(frozen=True, eq=False)
class Boundary:
    """M segments in closed loops."""

    start_mm: FloatArray  # (M, 2)
    end_mm: FloatArray  # (M, 2)
    bulge: FloatArray  # (M,) zero for a line
    loop: IntArray  # (M,) number of the loop, 0 for the outline
    before: IntArray  # (M,) the segment that ends where this one starts
    after: IntArray  # (M,)

    @classmethod
    def of_pattern(cls, pattern: Pattern, *, openings: bool = True) -> Boundary:
        """The outline of a pattern and, unless told otherwise, its openings."""
        return cls.of_closed(pattern.outline, pattern.openings if openings else ())

    @classmethod
    def of_closed(cls, outline: Closed, openings: Sequence[Closed] = ()) -> Boundary:
        """An outline and openings."""
        loops = [_with_area(outline, 1.0), *(_with_area(o, -1.0) for o in openings)]
        rows = [
            (*s.start_mm, *s.end_mm, s.bulge if isinstance(s, Arc) else 0.0)
            for contour in loops
            for s in (e.segment for e in contour.edges)
        ]
        table = np.array(rows, dtype=np.float64)
        return cls._of(table[:, :2], table[:, 2:4], table[:, 4], [len(c.edges) for c in loops])

    @classmethod
    def of_points(cls, points_mm: FloatArray) -> Boundary:
        """A closed polyline (N, 2), either way round, its first point not repeated."""
        points = np.ascontiguousarray(points_mm, dtype=np.float64)
        x, y = points.T
        if np.dot(x, np.roll(y, -1)) < np.dot(y, np.roll(x, -1)):
            points = points[::-1]
        return cls._of(points, np.roll(points, -1, axis=0), np.zeros(len(points)), [len(points)])

    @classmethod
    def _of(
        cls, start: FloatArray, end: FloatArray, bulge: FloatArray, counts: Iterable[int]
    ) -> Boundary:
        loop, before, after, first = [], [], [], 0
        for number, count in enumerate(counts):
            index = np.arange(count)
            loop.append(np.full(count, number))
            before.append(first + (index - 1) % count)
            after.append(first + (index + 1) % count)
            first += count
        joined = (np.concatenate(part) for part in (loop, before, after))
        return cls(start, end, bulge, *joined)

    @cached_property
    def length_mm(self) -> FloatArray:
        """Lengths (M,) of the segments."""
        straight = ~self._curved
        lengths = self._radius * np.abs(self._swept)
        lengths[straight] = self._chord[straight]
        return lengths

    @cached_property
    def perimeter_mm(self) -> float:
        """Length of all loops together."""
        return float(self.length_mm.sum())

    @cached_property
    def begins_mm(self) -> FloatArray:
        """Where (M,) each segment begins on the way along all loops."""
        return np.concatenate(([0.0], np.cumsum(self.length_mm)[:-1]))

    @cached_property
    def size_mm(self) -> float:
        """Diagonal of the box that all vertices fill."""
        low, high = box(self.start_mm)
        return float(np.hypot(*(high - low)))

    @cached_property
    def middle_mm(self) -> FloatArray:
        """Middle of that box."""
        low, high = box(self.start_mm)
        return np.asarray((low + high) / 2)

    def samples(self, spacing_mm: float) -> Samples:
        """Points no farther apart than the spacing, every vertex among them."""
        counts = np.maximum(np.ceil(self.length_mm / spacing_mm - 1e-9).astype(np.intp), 1)
        counts[self._curved] = np.maximum(counts[self._curved], 4)
        if counts.max() == 1:
            return self._vertices()
        segment = np.repeat(np.arange(len(counts)), counts)
        first = np.concatenate(([0], np.cumsum(counts)[:-1]))
        share = (np.arange(len(segment)) - first[segment]) / counts[segment]
        points, normal = self.at(segment, share)
        step = self.length_mm / counts
        ahead = step[segment]
        behind = np.where(share == 0.0, step[self.before[segment]], ahead)
        along = self.begins_mm[segment] + share * self.length_mm[segment]
        return Samples(points, normal, (ahead + behind) / 2, along, segment, share)

    def _vertices(self) -> Samples:
        """The starts of straight segments that are short already."""
        count = len(self.bulge)
        weight = (self.length_mm + self.length_mm[self.before]) / 2
        whole = np.arange(count)
        return Samples(self.start_mm, self._right, weight, self.begins_mm, whole, np.zeros(count))

    def at(self, segment: IntArray, share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places (N, 2) on segments and the unit normals (N, 2) off the metal there."""
        points = self.start_mm[segment] + share[:, None] * self._run[segment]
        normal = self._right[segment]
        curved = np.flatnonzero(self._curved[segment])
        if len(curved):
            s = segment[curved]
            turn = share[curved] * self._swept[s]
            c, n = np.cos(turn), np.sin(turn)
            x, y = self._from_centre[s].T
            spoke = np.column_stack((c * x - n * y, n * x + c * y))
            points[curved] = self._centre[s] + spoke
            out = np.sign(self._swept[s]) / self._radius[s]
            normal = normal.copy()
            normal[curved] = spoke * out[:, None]
        return points, normal

    def nearest(self, points_mm: FloatArray, *, thorough: bool = True) -> Nearest:
        """The closest places to points (N, 2).

        Where two stretches of edge are equally near, within the spacing of the strewn
        points, the farther one may be taken; ``thorough`` looks at more of them.
        """
        k = 2 if thorough and not self._one_each else 1
        found = self._tree.query(points_mm, k=k)[1].reshape(len(points_mm), k)
        owners = [self.strewn.segment[found[:, i]] for i in range(k)]
        tried = [c for o in owners for c in (o, self.before[o])]
        if not self._one_each:
            tried += [self.after[o] for o in owners]
        return self._best(points_mm, tried)

    def again(self, points_mm: FloatArray, earlier: Nearest) -> Nearest:
        """The closest places once the points have moved a little: the same segments or next."""
        segment = earlier.segment.copy()
        share, gap = self._onto(points_mm, segment)
        for ended, beside in ((share <= 0.0, self.before), (share >= 1.0, self.after)):
            moved = np.flatnonzero(ended)
            other = beside[segment[moved]]
            its_share, its_gap = self._onto(points_mm[moved], other)
            better = (its_gap**2).sum(axis=1) < (gap[moved] ** 2).sum(axis=1)
            moved = moved[better]
            segment[moved] = other[better]
            share[moved], gap[moved] = its_share[better], its_gap[better]
        return self._found(points_mm, segment, share, gap)

    def _best(self, points_mm: FloatArray, tried: Sequence[IntArray]) -> Nearest:
        segment = tried[0]
        share, gap = self._onto(points_mm, segment)
        least = np.einsum("ij,ij->i", gap, gap)
        for other in tried[1:]:
            its_share, its_gap = self._onto(points_mm, other)
            squared = np.einsum("ij,ij->i", its_gap, its_gap)
            better = squared < least
            segment = np.where(better, other, segment)
            share = np.where(better, its_share, share)
            gap = np.where(better[:, None], its_gap, gap)
            least = np.where(better, squared, least)
        return self._found(points_mm, segment, share, gap)

    def _found(
        self, points_mm: FloatArray, segment: IntArray, share: FloatArray, gap: FloatArray
    ) -> Nearest:
        normal = self._normal_at(segment, share)
        signed = np.sqrt(np.einsum("ij,ij->i", gap, gap))
        sign = np.where(np.einsum("ij,ij->i", gap, normal) < 0.0, -1.0, 1.0)
        apart = signed > 1e-9
        away = np.where(
            apart[:, None], gap * (sign / np.where(apart, signed, 1.0))[:, None], normal
        )
        return Nearest(points_mm - gap, sign * signed, away, segment, share)

    def _onto(self, points_mm: FloatArray, segment: IntArray) -> tuple[FloatArray, FloatArray]:
        """Share along the segments of the closest places, and what leads from there."""
        run = self._run[segment]
        gap = points_mm - self.start_mm[segment]
        share = np.einsum("ij,ij->i", gap, run) / self._chord_squared[segment]
        np.clip(share, 0.0, 1.0, out=share)
        gap -= share[:, None] * run
        if self._any_curved:
            curved = np.flatnonzero(self._curved[segment])
            if len(curved):
                share[curved], gap[curved] = self._onto_arcs(points_mm[curved], segment[curved])
        return share, gap

    def _onto_arcs(self, points_mm: FloatArray, segment: IntArray) -> tuple[FloatArray, FloatArray]:
        spoke = points_mm - self._centre[segment]
        first, swept = self._from_centre[segment], self._swept[segment]
        cross = first[:, 0] * spoke[:, 1] - first[:, 1] * spoke[:, 0]
        dot = np.einsum("ij,ij->i", first, spoke)
        way = np.sign(swept)
        turn = np.mod(np.arctan2(cross * way, dot), 2 * np.pi)
        whole = np.abs(swept)
        beyond = turn > whole
        # Outside the arc the nearer end is the one that is less of a turn away.
        share = np.where(beyond, np.where(turn - whole < 2 * np.pi - turn, 1.0, 0.0), turn / whole)
        return share, points_mm - self.at(segment, share)[0]

    def _normal_at(self, segment: IntArray, share: FloatArray) -> FloatArray:
        """Normals off the metal; at a vertex the sum of both sides', which tells the sign."""
        normal = self.at(segment, share)[1] if self._any_curved else self._right[segment]
        starts, ends = share <= _AT_END, share >= 1.0 - _AT_END
        if starts.any() or ends.any():
            normal = normal.copy()
            normal[starts] = self._vertex_normal[segment[starts]]
            normal[ends] = self._vertex_normal[self.after[segment[ends]]]
        return normal

    @cached_property
    def _run(self) -> FloatArray:
        return np.asarray(self.end_mm - self.start_mm)

    @cached_property
    def _chord_squared(self) -> FloatArray:
        return np.asarray(np.maximum(np.einsum("ij,ij->i", self._run, self._run), 1e-300))

    @cached_property
    def _chord(self) -> FloatArray:
        return np.sqrt(self._chord_squared)

    @cached_property
    def _right(self) -> FloatArray:
        """Unit normals (M, 2) to the right of the chords."""
        along = self._run / self._chord[:, None]
        return np.column_stack((along[:, 1], -along[:, 0]))

    @cached_property
    def _curved(self) -> NDArray[np.bool_]:
        return np.asarray(self.bulge != 0.0)

    @cached_property
    def _any_curved(self) -> bool:
        return bool(self._curved.any())

    @cached_property
    def _swept(self) -> FloatArray:
        return 4.0 * np.arctan(self.bulge)

    @cached_property
    def _radius(self) -> FloatArray:
        b = np.where(self._curved, np.abs(self.bulge), 1.0)
        return self._chord * (1.0 + b**2) / (4.0 * b)

    @cached_property
    def _centre(self) -> FloatArray:
        b = np.where(self._curved, self.bulge, 1.0)
        k = ((1.0 - b**2) / (4.0 * b))[:, None]
        left = np.column_stack((-self._run[:, 1], self._run[:, 0]))
        return np.asarray((self.start_mm + self.end_mm) / 2 + k * left)

    @cached_property
    def _from_centre(self) -> FloatArray:
        return self.start_mm - self._centre

    @cached_property
    def _vertex_normal(self) -> FloatArray:
        """Unit sums (M, 2) of the normals on both sides of the segments' starts."""
        if self._any_curved:
            index = np.arange(len(self.bulge))
            starts = self.at(index, np.zeros(len(index)))[1]
            ends = self.at(index, np.ones(len(index)))[1]
        else:
            starts = ends = self._right
        total = starts + ends[self.before]
        length = np.sqrt(np.einsum("ij,ij->i", total, total))
        safe = length > 1e-9  # an edge that turns straight back has no sum
        total[~safe], length[~safe] = starts[~safe], 1.0
        return np.asarray(total / length[:, None])

    @cached_property
    def strewn(self) -> Samples:
        """Points all along, by which places on the edge are looked up."""
        return self.samples(self.perimeter_mm / _STREWN)

    @cached_property
    def _one_each(self) -> bool:
        return len(self.strewn.segment) == len(self.bulge)

    @cached_property
    def _tree(self) -> KDTree:
        return KDTree(self.strewn.points_mm)


def box(points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lower left and upper right (2,) of points (N, 2); column by column, which is faster."""
    x, y = points_mm.T
    return np.array((x.min(), y.min())), np.array((x.max(), y.max()))


def _with_area(closed: Closed, sign: float) -> Contour:
    contour = closed.as_contour()
    return contour if contour.signed_area_mm2 * sign > 0 else contour.reversed()
