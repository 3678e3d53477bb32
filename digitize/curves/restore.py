"""Rust-eaten edges made whole again from what is left of them.

Stretches where rust has been (``damage``) are replaced by the line or circle that the sound
edge beside them lies on (``patches``), corners by where their two edges cross
(``eaten_corners``), and marked as restored.  In doubt nothing is restored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.curves.chain import RESTORED, clean
from digitize.curves.damage import RestoreOptions, WornEdge
from digitize.curves.eaten_corners import corners
from digitize.curves.fit import fit_noting
from digitize.curves.patches import Patch, Stretch, patched, point
from digitize.curves.primitives import CircleFit
from digitize.curves.segmentation import LINE_SAGITTA, Limits
from digitize.errors import Notice, place_words
from digitize.pattern.contour import Closed, Contour
from digitize.pattern.segments import Arc

FloatArray = NDArray[np.float64]

# Any radius down to half the widest is as likely: half the room over the root of twelve.
ROUND_U = 0.5 / math.sqrt(12.0)
LEFT_PIECES = 4  # short pieces in a row: rust, not a shape


@dataclass(frozen=True, eq=False)
class Mended:
    """The points of an edge with eaten stretches replaced."""

    points_mm: FloatArray  # (N, 2), counter-clockwise
    u_mm: FloatArray  # (N,); of a restored point, what its line or circle is known to
    evidence: NDArray[np.uint8]  # (N,) 0 measured, 1 bridged, 2 restored
    stretches: tuple[Stretch, ...]
    left: tuple[Stretch, ...]  # ragged, and nothing sound says what it was


def restore(
    points_mm: FloatArray,
    u_mm: FloatArray | None = None,
    evidence: NDArray[np.uint8] | None = None,
    tolerance_mm: float = 0.15,
    blur_mm: float = 0.0,
    *,
    opening: bool = False,
    options: RestoreOptions | None = None,
) -> tuple[Closed, tuple[Notice, ...]]:
    """``fit_closed`` with rust-eaten stretches restored, and a notice for each.

    ``opening`` is true for a hole or cut-out, whose metal lies outside.  Raises
    ``CurveError`` as ``fit_closed`` does.
    """
    mended = mend(
        points_mm, u_mm, evidence, tolerance_mm, blur_mm, opening=opening, options=options
    )
    closed, told = fit_noting(mended.points_mm, mended.u_mm, mended.evidence, tolerance_mm, blur_mm)
    closed = _doubted(closed, [s for s in mended.stretches if s.rounded])
    left = tuple(_left(s) for s in mended.left)
    return closed, (*(_notice(s) for s in mended.stretches), *left, *told)


def _doubted(closed: Closed, rounded: list[Stretch]) -> Closed:
    """The edge with the ± of restored fillets widened to what is known of their radii."""
    if not (rounded and isinstance(closed, Contour)):
        return closed
    edges = []
    for e in closed.edges:
        u = e.u_mm or 0.0
        if e.evidence == "restored" and isinstance(e.segment, Arc):
            middle = shapely.Point(e.segment.points_mm(0.01)[1:-1].mean(axis=0))
            for s in rounded:
                if middle.distance(shapely.LineString([s.start_mm, s.end_mm])) < s.length_mm / 2:
                    u = max(u, ROUND_U * s.room_mm)
        edges.append(e if u == (e.u_mm or 0.0) else replace(e, u_mm=u))
    return Contour(tuple(edges))


def _notice(s: Stretch) -> Notice:
    what = "corner" if s.corner else "stretch"
    how = "; its fillet is the widest that the metal left allows" if s.rounded else ""
    return Notice(
        "edge-restored",
        f"an eaten {what} of edge was restored from {place_words(s.start_mm)} to "
        f"{place_words(s.end_mm)}: "
        f"{s.length_mm:.1f} mm long, up to {s.depth_mm:.1f} mm deep{how}",
        "doubt",
        (s.start_mm, s.end_mm),
    )


def _left(s: Stretch) -> Notice:
    return Notice(
        "edge-left-eaten",
        f"{s.length_mm:.1f} mm of ragged edge from {place_words(s.start_mm)} to "
        f"{place_words(s.end_mm)} is drawn as it is now: too little sound edge beside it says "
        "what it was",
        "doubt",
        (s.start_mm, s.end_mm),
    )


def mend(
    points_mm: FloatArray,
    u_mm: FloatArray | None = None,
    evidence: NDArray[np.uint8] | None = None,
    tolerance_mm: float = 0.15,
    blur_mm: float = 0.0,
    *,
    opening: bool = False,
    options: RestoreOptions | None = None,
) -> Mended:
    """Replace the eaten stretches of a closed edge's points (N, 2); see ``restore``."""
    options = options or RestoreOptions()
    samples = clean(points_mm, u_mm, evidence)
    limits = Limits(tolerance_mm, blur_mm, LINE_SAGITTA * tolerance_mm)
    edge = WornEdge(samples, limits, opening=opening, options=options)
    return _assembled(edge, _patches(edge))


def _patches(edge: WornEdge) -> list[Patch]:
    """Everything that is to be replaced; some of it may be asked for twice."""
    runs = edge.runs()
    patches: list[Patch] = []
    n = len(edge.pieces)
    for run in runs:
        pairs = list(zip(run.members, run.members[1:], strict=False))
        first, last = run.members[0], run.members[-1]
        if len(run.members) > 1 or isinstance(run.primitive, CircleFit):
            closing = [k % n for k in range(last + 1, first + n)]
            if closing and edge.eaten(run.primitive, closing):
                pairs.append((last, first + n))
        for a, b in ((a, b) for a, b in pairs if b > a + 1):
            patches += patched(edge, run.primitive, [k % n for k in range(a + 1, b)])
    patches += corners(edge, runs)
    return patches


def _assembled(edge: WornEdge, patches: list[Patch]) -> Mended:
    """The points with those replaced, the longest patch first where two overlap."""
    s, n = edge.samples, len(edge.samples)
    keep = np.ones(n, dtype=bool)
    kept: list[Patch] = []
    for patch in sorted(patches, key=lambda q: -q.stretch.length_mm):
        index = np.arange(patch.first, patch.first + ((patch.last - patch.first) % n)) % n
        if len(index) == 0 or not keep[index].all():
            continue
        keep[index] = False
        kept.append(patch)
    by_first = {patch.first: patch for patch in kept}
    points, u, kinds = [], [], []
    # Start where no patch is under way.
    start = 0
    if kept and not keep[0]:
        start = int(np.flatnonzero(keep)[0]) if keep.any() else 0
    for k in range(n):
        i = (start + k) % n
        if i in by_first:
            patch = by_first[i]
            points.append(patch.points)
            u.append(patch.u)
            kinds.append(np.full(len(patch.points), RESTORED, np.uint8))
        if keep[i]:
            points.append(s.points_mm[i : i + 1])
            u.append(s.u_mm[i : i + 1])
            kinds.append(s.evidence[i : i + 1])
    stretches = tuple(q.stretch for q in sorted(kept, key=lambda q: q.first))
    return Mended(
        np.vstack(points), np.concatenate(u), np.concatenate(kinds), stretches,
        _left_eaten(edge, keep),
    )  # fmt: skip


def _left_eaten(edge: WornEdge, keep: NDArray[np.bool_]) -> tuple[Stretch, ...]:
    """Ragged stretches that were not replaced."""
    n, m = len(edge.pieces), len(edge.chain)
    still = keep[edge.chain.first_raw]
    whole = [bool(still[i].mean() > 0.5) for i in edge.index]
    loose = np.array(whole) & ~edge.sound
    if loose.all():
        return ()
    first = int(np.flatnonzero(~loose)[0])
    groups: list[list[int]] = [[]]
    for k in [(first + i) % n for i in range(n)]:
        if loose[k]:
            groups[-1].append(k)
        elif groups[-1]:
            groups.append([])
    left = []
    for group in groups:
        length = float(edge.length[group].sum())
        if length < edge.options.sound_mm or len(group) < LEFT_PIECES or edge.made(group):
            continue
        index = np.concatenate([edge.index[k] for k in group])
        p = edge.chain.points_mm[index]
        chord = shapely.LineString(np.vstack((p[0], p[-1])))
        depth = float(shapely.distance(shapely.points(p), chord).max())
        end = edge.chain.points_mm[(index[-1] + 1) % m]
        left.append(Stretch(point(p[0]), point(end), length, depth))
    return tuple(left)
