"""From the measured points of a closed edge to what it is: a circle, a slot, or a contour.

``fit_closed`` is the whole step: recognise a circle or a slot by test, else cut the edge
into the fewest lines and arcs (``segmentation``), make them meet (``joints``) and say of
every edge how it is known and how well.  ``fit_polyline`` keeps the points as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.curves.chain import BRIDGED, MEASURED, RESTORED, Chain, Samples, clean, thinned
from digitize.curves.choice import SLACK, lines_and_arcs
from digitize.curves.joints import Adjusted
from digitize.curves.patches import point
from digitize.curves.primitives import CircleFit, CurveError, blur_inset_mm, fit_circle
from digitize.curves.segmentation import CORNER_DEPTH, CORNER_REACH
from digitize.errors import Notice, place_words
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Evidence, Slot
from digitize.pattern.region import polygon
from digitize.pattern.segments import Arc, Line, Point, Segment

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

WORDS: dict[int, Evidence] = {MEASURED: "measured", BRIDGED: "bridged", RESTORED: "restored"}

CHORD_MM = 0.01
FLAT_MM = 1e-4  # an arc this shallow is a line
LOBES = 0.4  # of the tolerance: a round hole may be this far out of round
STRETCH_MM = 3.0  # evidence is told apart by stretches about this long
OUTLIERS = 0.02  # share of points that dirt may hold off a circle or slot
SHORTEST_SLOT = 0.05  # half the straight over the radius: less is a hole out of round
MOST_GIVEN_UP = 4  # times that pieces are given up before all of them are
GIVEN_UP_SHARE = 0.5  # of the tolerance: how far points may lie from the lines between them
HUBER_TURNS, BIWEIGHT_TURNS = 3, 4
BIWEIGHT = 6.0  # scatters: what lies farther off a circle has no say in where it is
MISREAD = 0.12  # the same, where the edge jumps off or back
FARTHEST_OFF = 5.0  # tolerances: farther off is another edge, or no circle
JUMP_MM = 0.8  # a jump is over within this much edge
LEAST_SEEN = 0.25  # of a circle or slot that must have been measured
UNSURE = 0.33  # of the tolerance: a radius less well known than this is no circle's
STRAY_TOLD_MM = 2.0  # less of it goes unsaid
SHARE_TOLD = 0.5  # of a circle or slot: less than this restored or bridged goes unsaid


def fit_closed(
    points_mm: FloatArray,
    u_mm: FloatArray | None = None,
    evidence: NDArray[np.uint8] | None = None,
    tolerance_mm: float = 0.15,
    blur_mm: float = 0.0,
) -> Closed:
    """The simplest closed edge through points (N, 2) that lies within a tolerance of them.

    ``u_mm`` (N,) are standard uncertainties across the edge, ``evidence`` (N,) is 0 where
    measured, 1 where a gap was bridged (which never vetoes a curve), 2 where restored.
    ``tolerance_mm`` is how far the edge itself may leave its lines and arcs; the scatter of
    the points comes on top.  ``blur_mm`` is the edge blur (one Gaussian sigma): corners are
    expected rounded by it, and arcs are given back the s^2 / (2 R) by which it shrinks them.

    Runs counter-clockwise.  Points too wild for lines and arcs that keep clear of each other
    come back as they are (``fit_polyline``).  Raises ``CurveError`` for too few or unusable
    points.
    """
    return fit_noting(points_mm, u_mm, evidence, tolerance_mm, blur_mm)[0]


def fit_noting(
    points_mm: FloatArray,
    u_mm: FloatArray | None = None,
    evidence: NDArray[np.uint8] | None = None,
    tolerance_mm: float = 0.15,
    blur_mm: float = 0.0,
) -> tuple[Closed, tuple[Notice, ...]]:
    """``fit_closed``, and what it could not do: stretches that follow their points unfitted,
    and short ones whose points stand off and were taken for misread."""
    if not (tolerance_mm > 0.0 and blur_mm >= 0.0):
        raise CurveError("the tolerance must be positive and the blur not negative")
    samples = clean(points_mm, u_mm, evidence)
    chain = thinned(samples)
    round_edge = _circle(samples, chain, tolerance_mm, blur_mm)
    if round_edge is not None:
        return round_edge, ()
    slot = _slot(samples, chain, tolerance_mm, blur_mm)
    if slot is not None:
        return slot, ()
    adjusted = lines_and_arcs(samples, chain, tolerance_mm, blur_mm)
    borne = _borne_out(samples, chain, adjusted, tolerance_mm, blur_mm)
    if borne is None or not polygon(borne.contour, CHORD_MM).is_valid:
        as_found = fit_polyline(points_mm, u_mm, evidence)
        return as_found, (_unfitted(as_found.length_mm, samples.points_mm[0]),)
    return borne.contour, _told(chain, borne)


def fit_polyline(
    points_mm: FloatArray,
    u_mm: FloatArray | None = None,
    evidence: NDArray[np.uint8] | None = None,
) -> Contour:
    """The points themselves, joined by straight lines; only exact doubles are left out.

    Runs counter-clockwise.  An edge is measured when both its ends are.
    """
    samples = clean(points_mm, u_mm, evidence)
    p, n = samples.points_mm, len(samples)
    places: list[Point] = [(float(x), float(y)) for x, y in p]
    edges = []
    for i in range(n):
        j = (i + 1) % n
        kinds = {int(samples.evidence[i]), int(samples.evidence[j])}
        code = BRIDGED if BRIDGED in kinds else RESTORED if RESTORED in kinds else MEASURED
        u = None if u_mm is None else float(max(samples.u_mm[i], samples.u_mm[j]))
        edges.append(Edge(Line(places[i], places[j]), WORDS[code], u))
    return Contour(tuple(edges))


# ---------------------------------------------------------------- circle and slot


def _scatter(samples: Samples, residual: FloatArray) -> float:
    """Scatter of what was measured, dirt apart."""
    sound = samples.evidence != BRIDGED
    r = residual[sound] if sound.any() else residual
    return max(1.4826 * float(np.median(np.abs(r))), 1e-4)


def _robust_weights(samples: Samples, residual: FloatArray) -> FloatArray:
    scale = _scatter(samples, residual)
    return np.asarray(
        samples.weight * np.minimum(1.0, 3.0 * scale / np.maximum(np.abs(residual), 1e-12))
    )


def _biweights(samples: Samples, residual: FloatArray) -> FloatArray:
    """Weights by which a stretch that was misread all along does not pull at all (Tukey 1974)."""
    far = np.minimum(np.abs(residual) / (BIWEIGHT * _scatter(samples, residual)), 1.0)
    return np.asarray(samples.weight * np.maximum((1.0 - far**2) ** 2, 1e-6))


def _holds(chain: Chain, off: FloatArray, tolerance_mm: float) -> bool:
    """Whether what was measured bears a circle or slot out.

    A few points may lie off it anyhow; more only where the edge jumps off or back, as it does
    where a tracer took a gleam or a shadow for it.  A keyway jumps too, but deeper.
    """
    beyond = (np.abs(off) > chain.allowed_mm(tolerance_mm)) & chain.counted
    weight = np.where(chain.counted, 1.0, 0.0) * _spans(chain)
    total = float(weight.sum())
    if total < LEAST_SEEN * chain.length_mm or not total > 0.0:
        return False
    if np.abs(off)[chain.counted].max() > FARTHEST_OFF * tolerance_mm:
        return False
    if float(weight[beyond].sum()) <= OUTLIERS * total:
        return True
    if float(weight[beyond].sum()) > MISREAD * total:
        return False
    return all(_jumps(chain, off, run, tolerance_mm) for run in _runs(beyond))


def _spans(chain: Chain) -> FloatArray:
    """Length of edge (M,) that each thinned point stands for."""
    after = np.diff(np.append(chain.along_mm, chain.along_mm[0] + chain.length_mm))
    return np.asarray((after + np.roll(after, 1)) / 2.0)


def _runs(mask: NDArray[np.bool_]) -> list[IntArray]:
    """Indices of every run of True round the closed chain."""
    n = len(mask)
    if mask.all():
        return [np.arange(n)]
    first = int(np.flatnonzero(~mask)[0])
    order = (np.arange(n) + first) % n
    turned = np.concatenate((mask[order], [False])).astype(np.int8)
    edges = np.flatnonzero(np.diff(turned, prepend=np.int8(0)))
    return [order[a:b] for a, b in edges.reshape(-1, 2)]


def _jumps(chain: Chain, off: FloatArray, run: IntArray, tolerance_mm: float) -> bool:
    """Whether a run off a curve begins or ends with a jump, or is no longer than one."""
    m = len(chain)
    if (chain.along_mm[run[-1]] - chain.along_mm[run[0]]) % chain.length_mm < JUMP_MM:
        return True
    depth = float(np.abs(off[run]).max())
    for end, way in ((run[0], -1), (run[-1], 1)):
        near = (end + way * np.arange(-1, 3)) % m
        near = near[np.abs(chain.along_mm[near] - chain.along_mm[end]) < JUMP_MM]
        if np.ptp(off[near]) > max(0.5 * depth, tolerance_mm):
            return True
    return False


def _circle_fit(samples: Samples, chain: Chain, tolerance_mm: float) -> CircleFit | None:
    """The circle that most points lie on, else the one that lies best between all of them."""
    try:
        fit = fit_circle(samples.points_mm, 1.0 / np.sqrt(samples.weight))
        off = np.abs(fit.distances_mm(chain.points_mm))[chain.counted]
        if not len(off) or float(np.median(off)) > FARTHEST_OFF * tolerance_mm:
            return None  # no circle by far, as most outlines are: no need to try harder
        for _ in range(HUBER_TURNS):
            w = _robust_weights(samples, fit.distances_mm(samples.points_mm))
            fit = fit_circle(samples.points_mm, 1.0 / np.sqrt(w))
        most = fit
        for _ in range(BIWEIGHT_TURNS):
            w = _biweights(samples, most.distances_mm(samples.points_mm))
            most = fit_circle(samples.points_mm, 1.0 / np.sqrt(w))
    except CurveError:
        return None
    held = (f for f in (most, fit) if _holds(chain, f.distances_mm(chain.points_mm), tolerance_mm))
    return next(held, None)


def _circle(samples: Samples, chain: Chain, tolerance_mm: float, blur_mm: float) -> Circle | None:
    """The circle, when no point is off it and no lobe stands out of its noise."""
    fit = _circle_fit(samples, chain, tolerance_mm)
    if fit is None:
        return None
    r = fit.distances_mm(samples.points_mm)
    d = samples.points_mm - np.asarray(fit.centre_mm)
    turn = np.arctan2(d[:, 1], d[:, 0])
    round_once = np.remainder(np.diff(np.append(turn, turn[0])) + math.pi, math.tau) - math.pi
    if abs(float(round_once.sum()) - math.tau) > 1e-6:
        return None
    scatter = _scatter(samples, r)
    w = _robust_weights(samples, r)
    noise = 4.0 * scatter * math.sqrt(2.0 / len(r))
    for lobes in range(2, 9):
        a = float((w * r * np.cos(lobes * turn)).sum() / w.sum()) * 2.0
        b = float((w * r * np.sin(lobes * turn)).sum() / w.sum()) * 2.0
        if math.hypot(a, b) > max(LOBES * tolerance_mm, noise):
            return None
    radius = fit.radius_mm + blur_inset_mm(fit.radius_mm, blur_mm)
    word, u = _known(samples, scatter, 3)
    # Seen on a short arc only, its size hangs on the noise: the radius says how much.
    u = max(u, scatter * fit.u_radius_mm)
    if u > UNSURE * tolerance_mm:
        return None
    return Circle((float(fit.centre_mm[0]), float(fit.centre_mm[1])), radius, word, u)


def _slot(samples: Samples, chain: Chain, tolerance_mm: float, blur_mm: float) -> Slot | None:
    """The obround, by least squares of distances, under the same tests as a circle."""
    p = samples.points_mm
    box = shapely.oriented_envelope(shapely.MultiPoint(p))
    if box.geom_type != "Polygon":
        return None
    corners = np.asarray(box.exterior.coords)[:4]
    sides = np.roll(corners, -1, axis=0) - corners
    length = np.hypot(sides[:, 0], sides[:, 1])
    longest = int(np.argmax(length))
    radius, half = float(length.min()) / 2.0, float(length.max() - length.min()) / 2.0
    if half <= SHORTEST_SLOT * radius:
        return None
    middle, angle = corners.mean(axis=0), math.atan2(sides[longest, 1], sides[longest, 0])
    q = np.array([middle[0], middle[1], angle, half, radius])
    for _ in range(40):
        r, jacobian = _slot_distances(q, p, blur_mm)
        w = _robust_weights(samples, r)
        jw = jacobian * w[:, None]
        try:
            step = np.linalg.solve(jw.T @ jacobian, -(jw.T @ r))
        except np.linalg.LinAlgError:
            return None
        q = q + step
        if not (np.isfinite(q).all() and q[3] > 0.0 and q[4] > 0.0):
            return None
        if float(np.abs(step).max()) < 1e-10:
            break
    half, radius = float(q[3]), float(q[4])
    if half <= SHORTEST_SLOT * radius or radius <= tolerance_mm:
        return None
    thin, _ = _slot_distances(q, chain.points_mm, blur_mm)
    if not _holds(chain, thin, tolerance_mm):
        return None
    # A rounded rectangle shows as a run of points all on one side, well inside the tolerance.
    run = max(3, len(thin) // 16)
    w = chain.weight * chain.counted / (1.0 + (chain.u_mm / (LOBES * tolerance_mm)) ** 2)
    top, bottom = (np.concatenate((v, v[:run])) for v in (thin * w, w))
    smooth = np.convolve(top, np.ones(run), "valid") / np.maximum(
        np.convolve(bottom, np.ones(run), "valid"), 0.3 * run * float(np.median(w)) + 1e-12
    )
    noise = 4.0 * float(np.median(chain.noise_mm)) / math.sqrt(run)
    if float(np.abs(smooth).max()) > max(LOBES * tolerance_mm, noise):
        return None
    c, s = math.cos(q[2]) * half, math.sin(q[2]) * half
    scatter = _scatter(samples, r)
    word, u = _known(samples, scatter, 5)
    a, b = (float(q[0] - c), float(q[1] - s)), (float(q[0] + c), float(q[1] + s))
    return Slot(min(a, b), max(a, b), radius, word, u)


def _slot_distances(
    q: FloatArray, points: FloatArray, blur_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Signed distances (N,) from the obround (centre x, y, direction, half length, radius).

    Half length is that between the centres.  Also the derivatives (N, 5).
    """
    x, y, angle, half, radius = q
    c, s = math.cos(angle), math.sin(angle)
    ex, ey = points[:, 0] - x, points[:, 1] - y
    t, n = ex * c + ey * s, ey * c - ex * s
    beyond = np.maximum(np.abs(t) - half, 0.0)
    off = np.maximum(np.hypot(beyond, n), 1e-12)
    gt, gn = np.sign(t) * beyond / off, n / off
    # The blur pulls the round ends in, not the straight sides.
    inset = blur_inset_mm(float(radius), blur_mm)
    r = off - radius + inset * (beyond > 0.0)
    jacobian = np.column_stack(
        (-gt * c + gn * s, -gt * s - gn * c, gt * n - gn * t, -beyond / off, -np.ones_like(t))
    )
    return r, jacobian


def _known(samples: Samples, scatter_mm: float, unknowns: int) -> tuple[Evidence, float]:
    """How a whole circle or slot is known, and how well across its edge."""
    kinds = samples.evidence
    word: Evidence = "measured"
    for code in (RESTORED, BRIDGED):
        if float((kinds == code).mean()) > SHARE_TOLD:
            word = WORDS[code]
    # Bridges carry no weight in it: neither their number nor their doubt counts.
    sound = kinds != BRIDGED
    if not sound.any():
        sound = np.ones_like(sound)
    each = max(scatter_mm, float(np.median(samples.u_mm[sound])))
    return word, each * math.sqrt(unknowns / max(int(sound.sum()), unknowns))


# ---------------------------------------------------------------- contour


@dataclass(frozen=True, eq=False)
class _Borne:
    """A contour, and the points that it does not explain."""

    contour: Contour
    given_up: NDArray[np.bool_]  # (M,) followed as they are
    stray: NDArray[np.bool_]  # (M,) farther off than allowed, and taken for misread


def _borne_out(
    samples: Samples, chain: Chain, adjusted: Adjusted, tolerance_mm: float, blur_mm: float
) -> _Borne | None:
    """The contour, the pieces that their own points contradict given up for those points.

    None when that does not help either.
    """
    owner = adjusted.owner[chain.first_raw]
    points = shapely.points(chain.points_mm)
    allowed = SLACK * chain.allowed_mm(tolerance_mm)
    # Corners are drawn sharp where the blur shows them round.
    corner = np.min(
        [np.hypot(*(chain.points_mm - joint).T) for joint in adjusted.joints_mm], axis=0
    )
    allowed = allowed + CORNER_DEPTH * blur_mm * (corner < CORNER_REACH * blur_mm)
    k = len(adjusted.joints_mm)
    given_up: set[int] = set()
    for _ in range(MOST_GIVEN_UP):
        contour = _contour(samples, chain, adjusted, given_up, tolerance_mm)
        places = contour.points_mm(CHORD_MM)
        if len(places) < 3:
            return None
        off = np.asarray(shapely.distance(points, shapely.LinearRing(places)))
        beyond = (off > allowed + CHORD_MM) & chain.counted
        suspects = {int(i) for i in owner[beyond]} - given_up
        wrong = {i for i in suspects if not _misread(chain, off, beyond, owner == i, tolerance_mm)}
        if not wrong and polygon(contour, CHORD_MM).is_valid:
            followed = np.isin(owner, list(given_up))
            return _Borne(contour, followed, beyond & ~followed)
        # A joint that has left the points takes the pieces on both its sides along.
        given_up |= wrong or {(i + way) % k for i in given_up for way in (-1, 1)}
        if not given_up:
            return None
    everything = _contour(samples, chain, adjusted, set(range(k)), tolerance_mm)
    return _Borne(everything, np.ones(len(chain), dtype=bool), np.zeros(len(chain), dtype=bool))


def _misread(
    chain: Chain,
    off: FloatArray,
    beyond: NDArray[np.bool_],
    mine: NDArray[np.bool_],
    tolerance_mm: float,
) -> bool:
    """Whether the points beyond a piece's reach are few and jump off it, as misread ones do."""
    weight = np.where(mine & chain.counted, _spans(chain), 0.0)
    share = float(weight[beyond].sum()) / max(float(weight.sum()), 1e-12)
    if off[mine & beyond].max(initial=0.0) > FARTHEST_OFF * tolerance_mm or share > MISREAD:
        return False
    return all(_jumps(chain, off, run, tolerance_mm) for run in _runs(beyond & mine))


def _told(chain: Chain, borne: _Borne) -> tuple[Notice, ...]:
    """What of a contour the user should look at."""
    notices = []
    spans = _spans(chain)
    if borne.given_up.any():
        longest = max(_runs(borne.given_up), key=len)
        at = chain.points_mm[longest[len(longest) // 2]]
        notices.append(_unfitted(float(spans[borne.given_up].sum()), at))
    stray = float(spans[borne.stray].sum())
    if stray > STRAY_TOLD_MM:
        longest = max(_runs(borne.stray), key=len)
        at = point(chain.points_mm[longest[len(longest) // 2]])
        notices.append(
            Notice(
                "edge-strays",
                f"{stray:.0f} mm of edge, in short stretches as near {place_words(at)}, stand "
                "off the lines and arcs beside them and were taken for misread",
                "doubt",
                (at,),
            )
        )
    return tuple(notices)


def _unfitted(length_mm: float, at_mm: FloatArray) -> Notice:
    return Notice(
        "edge-as-found",
        f"{length_mm:.0f} mm of edge near {place_words(at_mm)} could not be made "
        "lines and arcs and follow the points as they were found",
        "doubt",
        (point(at_mm),),
    )


def _contour(
    samples: Samples,
    chain: Chain,
    adjusted: Adjusted,
    given_up: set[int],
    tolerance_mm: float,
) -> Contour:
    """The adjusted pieces as edges, of those given up the points instead."""
    k = len(adjusted.joints_mm)
    joints: list[Point] = [(float(x), float(y)) for x, y in adjusted.joints_mm]
    edges: list[Edge] = []
    first = next((i for i in range(k) if i not in given_up), None)
    if first is None:
        everything = np.append(np.arange(len(chain)), 0)
        rough = float(np.sqrt(np.mean(adjusted.residual_mm**2)))
        return Contour(
            tuple(_by_points(samples, chain, everything, (), tolerance_mm, rough_mm=rough))
        )
    owner = adjusted.owner[chain.first_raw]
    i = first
    while i < first + k:
        here, run = i % k, 0
        while (i + run) % k in given_up:
            run += 1
        if run:
            mine = np.flatnonzero(np.isin(owner, [(i + r) % k for r in range(run)]))
            # The run may pass the end of the chain: it starts after its widest gap.
            if len(mine):
                gaps = np.diff(np.append(mine, mine[0] + len(chain)))
                mine = np.roll(mine, -(int(np.argmax(gaps)) + 1))
            ends = (joints[here], joints[(i + run) % k])
            raw = np.isin(adjusted.owner, [(i + r) % k for r in range(run)])
            rough = float(np.sqrt(np.mean(adjusted.residual_mm[raw] ** 2))) if raw.any() else 0.0
            edges += _by_points(samples, chain, mine, ends, tolerance_mm, rough_mm=rough)
            i += run
            continue
        bulge = float(adjusted.bulges[here])
        start, end = joints[here], joints[(here + 1) % k]
        flat = abs(bulge) * math.dist(start, end) / 2.0 < FLAT_MM
        segment_ = Line(start, end) if flat else Arc(start, end, bulge)
        edges += _told_apart(samples, adjusted, here, segment_)
        i += 1
    return Contour(tuple(edges))


def _by_points(
    samples: Samples,
    chain: Chain,
    mine: IntArray,
    ends: tuple[Point, Point] | tuple[()],
    tolerance_mm: float,
    *,
    rough_mm: float,
) -> list[Edge]:
    """Straight edges through thinned points, as few as keep near every one of them.

    They run between ``ends`` if given, else from the first of ``mine`` to the last.  What no
    line or arc explained (``rough_mm``, RMS) may be shape or misreading: that is their u.
    """
    p = chain.points_mm[mine]
    path = shapely.LineString(np.vstack((ends[:1], p, ends[1:])) if ends else p)
    kept = shapely.simplify(path, GIVEN_UP_SHARE * tolerance_mm, preserve_topology=False)
    places: list[Point] = [(float(x), float(y)) for x, y in np.asarray(kept.coords)]
    given = float(np.median(chain.u_mm[mine])) if len(mine) else 0.0
    u = max(samples.noise_mm, given, rough_mm)
    kinds = samples.evidence[chain.first_raw[mine]]
    word = WORDS[int(np.argmax(np.bincount(kinds, minlength=3)))]
    return [Edge(Line(a, b), word, u) for a, b in pairwise(places) if a != b]


def _told_apart(samples: Samples, adjusted: Adjusted, piece: int, whole: Segment) -> list[Edge]:
    """One piece as edges, cut where the evidence changes."""
    mine = np.flatnonzero(adjusted.owner == piece)
    used = mine[adjusted.used[mine]]
    unknowns = 2 if isinstance(whole, Line) else 3
    each = max(adjusted.scatter_mm, float(np.median(samples.u_mm[mine])) if len(mine) else 0.0)
    u_fit = each * math.sqrt(unknowns * adjusted.correlation / max(len(used), unknowns))
    if len(mine) == 0:
        return [Edge(whole, "measured", each)]
    share = _share(samples.points_mm[mine], whole)
    order = np.argsort(share, kind="stable")
    share, kinds = share[order], samples.evidence[mine][order]
    u_given = samples.u_mm[mine][order]
    kinds = _without_slivers(
        _by_majority(kinds, share * whole.length_mm), share, STRETCH_MM / whole.length_mm
    )
    change = np.flatnonzero(np.diff(kinds.astype(np.int64)))
    cuts = [0.0, *((share[change] + share[change + 1]) / 2.0).tolist(), 1.0]
    first = np.concatenate(([0], change + 1, [len(kinds)]))
    edges = []
    parts = _cut(whole, cuts)
    for n, part in enumerate(parts):
        code = int(kinds[first[n]])
        given = float(np.median(u_given[first[n] : first[n + 1]]))
        u = u_fit if code == MEASURED else max(u_fit, given)
        edges.append(Edge(part, WORDS.get(code, "measured"), u))
    return edges


def _share(points: FloatArray, whole: Segment) -> FloatArray:
    """How far along a segment each point lies, 0 to 1."""
    if isinstance(whole, Line):
        a, b = np.asarray(whole.start_mm), np.asarray(whole.end_mm)
        t = (points - a) @ (b - a) / float((b - a) @ (b - a))
    else:
        centre = np.asarray(whole.centre_mm)
        d, d0 = points - centre, np.asarray(whole.start_mm) - centre
        sweep = whole.included_rad
        turn = np.arctan2(d0[0] * d[:, 1] - d0[1] * d[:, 0], d @ d0)
        # angles from half-way, so that neither end can wrap round
        t = (np.remainder(turn - sweep / 2.0 + math.pi, math.tau) - math.pi) / sweep + 0.5
    return np.asarray(np.clip(t, 0.0, 1.0), dtype=np.float64)


def _by_majority(kinds: NDArray[np.uint8], along_mm: FloatArray) -> NDArray[np.uint8]:
    """The kind most points have within half a stretch of each point."""
    low = np.searchsorted(along_mm, along_mm - STRETCH_MM / 2.0, side="left")
    high = np.searchsorted(along_mm, along_mm + STRETCH_MM / 2.0, side="right")
    codes = np.unique(kinds)
    counts = []
    for code in codes:
        total = np.concatenate(([0], np.cumsum(kinds == code)))
        counts.append(total[high] - total[low])
    return np.asarray(codes[np.argmax(np.stack(counts), axis=0)], dtype=np.uint8)


def _without_slivers(
    kinds: NDArray[np.uint8], share: FloatArray, least: float
) -> NDArray[np.uint8]:
    """Kinds with stretches shorter than ``least`` taken over by the one before them."""
    kinds = kinds.copy()
    for _ in range(len(kinds)):
        change = np.flatnonzero(np.diff(kinds.astype(np.int64))) + 1
        first = np.concatenate(([0], change))
        last = np.concatenate((change, [len(kinds)]))
        if len(first) == 1:
            break
        edges = np.concatenate(([0.0], (share[change] + share[change - 1]) / 2.0, [1.0]))
        size = np.diff(edges)
        shortest = int(np.argmin(size))
        if size[shortest] >= least:
            break
        neighbour = first[shortest] - 1 if shortest > 0 else last[shortest]
        kinds[first[shortest] : last[shortest]] = kinds[neighbour]
    return kinds


def _cut(whole: Segment, cuts: list[float]) -> list[Segment]:
    """A segment cut at shares 0 = c0 < c1 < ... < cn = 1."""
    if len(cuts) == 2:
        return [whole]
    if isinstance(whole, Line):
        (x0, y0), (x1, y1) = whole.start_mm, whole.end_mm
        places = [(x0 + c * (x1 - x0), y0 + c * (y1 - y0)) for c in cuts]
    else:
        (cx, cy), r = whole.centre_mm, whole.radius_mm
        a0 = math.atan2(whole.start_mm[1] - cy, whole.start_mm[0] - cx)
        angles = [a0 + c * whole.included_rad for c in cuts]
        places = [(cx + r * math.cos(a), cy + r * math.sin(a)) for a in angles]
    places[0], places[-1] = whole.start_mm, whole.end_mm
    parts: list[Segment] = []
    for n in range(len(cuts) - 1):
        if isinstance(whole, Line):
            parts.append(Line(places[n], places[n + 1]))
        else:
            bulge = math.tan(whole.included_rad * (cuts[n + 1] - cuts[n]) / 4.0)
            parts.append(Arc(places[n], places[n + 1], bulge))
    return parts
