"""From loose X-corners to lattices with whole-number coordinates.

Two corners are neighbours when each lies along an edge of the other, their dark quadrants
are turned a quarter against each other, and the edge between them keeps dark on one side
and light on the other all the way.  Neighbours that close into four-sided faces make a
lattice; false corners close no faces.  No global model is assumed, so tilt, lens
distortion, curled paper and several lattices in one photo need nothing special.

Lattice coordinates (i, j) are right-handed as seen (j is up where i is right), with an
origin and a quarter turn that mean nothing yet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.spatial import KDTree

from digitize.sighting.corners import LEAST_STEP, Corners, FloatArray, GreyArray, sample

IndexArray = NDArray[np.intp]

NEIGHBOURS = 32
RAY_TOLERANCE_RAD = np.radians(14.0)
SHORTEST_LINK_PX = 5.0
SIDE_OFFSET = 0.09  # of a link, where dark and light beside it are read: inside the mark's margin
LEAST_SIDE_PX = 1.4
ALONG = np.linspace(0.16, 0.84, 9)
SMALLEST_LATTICE = 6  # corners: fewer do not fix a homography with something to spare


@dataclass(frozen=True, eq=False)
class Lattice:
    """X-corners with their places in one lattice."""

    xy_px: FloatArray  # (N, 2)
    ij: IndexArray  # (N, 2)
    dark_parity: (
        int  # square (i, j), up and right of node (i, j), is dark when i + j has this parity
    )

    def __len__(self) -> int:
        """Number of corners."""
        return len(self.xy_px)

    def dark(self, ij: IndexArray) -> NDArray[np.bool_]:
        """Whether squares (..., 2) are dark."""
        return np.asarray((ij.sum(-1) - self.dark_parity) % 2 == 0)

    def side_px(self) -> FloatArray:
        """Length (N,) of the shortest side that meets each corner; the median if it has none."""
        place = {(i, j): k for k, (i, j) in enumerate(self.ij.tolist())}
        side = np.full(len(self), np.inf)
        for k, (i, j) in enumerate(self.ij.tolist()):
            for step in ((1, 0), (0, 1)):
                other = place.get((i + step[0], j + step[1]))
                if other is not None:
                    length = float(np.hypot(*(self.xy_px[k] - self.xy_px[other])))
                    side[k], side[other] = min(side[k], length), min(side[other], length)
        known = np.isfinite(side)
        return np.where(known, side, np.median(side[known]) if known.any() else 0.0)

    def turned(self, quarter_turns: int) -> Lattice:
        """The same corners with the axes turned clockwise by quarter turns."""
        ij, parity = self.ij, self.dark_parity
        for _ in range(quarter_turns % 4):
            # Node (i, j) becomes (-j, i); the square up-right of it becomes the one up-left.
            ij = np.column_stack([-ij[:, 1], ij[:, 0]])
            parity = (parity + 1) % 2
        return replace(self, ij=ij, dark_parity=parity)

    def moved(self, by: tuple[int, int]) -> Lattice:
        """The same corners with ``by`` added to every place."""
        return replace(
            self, ij=self.ij + np.array(by, np.intp), dark_parity=(self.dark_parity + sum(by)) % 2
        )

    def chosen(self, keep: NDArray[np.bool_]) -> Lattice:
        """The corners where ``keep`` (N,) is true."""
        return replace(self, xy_px=self.xy_px[keep], ij=self.ij[keep])


@dataclass(frozen=True, eq=False)
class _Links:
    """Who is whose neighbour, by corner and ray (N, 4)."""

    to: IndexArray  # the corner that a ray leads to; -1 for none
    back: IndexArray  # its ray that leads back
    in_face: NDArray[np.bool_]  # whether the link bounds a closed face


def grow(smoothed: GreyArray, corners: Corners) -> list[Lattice]:
    """Every lattice of at least SMALLEST_LATTICE corners, largest first."""
    if len(corners) < SMALLEST_LATTICE:
        return []
    return _number(corners, _link(smoothed, corners))


def _link(smoothed: GreyArray, corners: Corners) -> _Links:
    xy, rays = corners.xy_px, corners.rays_rad
    n = len(corners)
    count = min(NEIGHBOURS + 1, n)
    distance, other = KDTree(xy).query(xy, k=count)
    distance, other = distance[:, 1:], other[:, 1:]
    here = np.repeat(np.arange(n), count - 1)
    there, apart = other.ravel(), distance.ravel()
    span = xy[there] - xy[here]
    heading = np.arctan2(-span[:, 1], span[:, 0])
    ray, error = _nearest_ray(rays[here], heading)
    back, back_error = _nearest_ray(rays[there], heading + np.pi)
    good = (error < RAY_TOLERANCE_RAD) & (back_error < RAY_TOLERANCE_RAD)
    good &= (ray % 2 != back % 2) & (apart > SHORTEST_LINK_PX)
    here, there, apart = here[good], there[good], apart[good]
    ray, back = ray[good], back[good]
    clear = edge_runs_through(
        smoothed,
        xy[here],
        xy[there],
        ray % 2 == 0,
        np.minimum(corners.step[here], corners.step[there]),
    )
    here, there, apart, ray, back = (v[clear] for v in (here, there, apart, ray, back))

    to = np.full((n, 4), -1, np.intp)
    arrives = np.full((n, 4), -1, np.intp)
    order = np.argsort(-apart, kind="stable")  # nearest written last, so it stays
    to[here[order], ray[order]] = there[order]
    arrives[here[order], ray[order]] = back[order]
    # Keep what both ends agree on.
    linked = to >= 0
    start, leaving = np.nonzero(linked)
    end, arriving = to[linked], arrives[linked]
    agreed = (to[end, arriving] == start) & (arrives[end, arriving] == leaving)
    drop = ~agreed
    to[start[drop], leaving[drop]] = -1
    arrives[start[drop], leaving[drop]] = -1
    return _Links(to, arrives, _faces(to, arrives))


def _nearest_ray(rays: FloatArray, heading: FloatArray) -> tuple[IndexArray, FloatArray]:
    off = np.abs((rays - heading[:, None] + np.pi) % (2 * np.pi) - np.pi)
    ray = off.argmin(1)
    return ray, off[np.arange(len(ray)), ray]


def edge_runs_through(
    smoothed: GreyArray,
    start: FloatArray,
    end: FloatArray,
    dark_left: NDArray[np.bool_],
    step: FloatArray | None,
) -> NDArray[np.bool_]:
    """Whether dark and light keep their sides all along each segment.

    ``step`` (N,) is the grey difference to expect; without it, the segment's own median.
    """
    span = end - start
    length = np.linalg.norm(span, axis=1, keepdims=True)
    left = np.column_stack([span[:, 1], -span[:, 0]]) / length  # as seen, y up
    offset = np.maximum(SIDE_OFFSET * length, LEAST_SIDE_PX) * left
    middle = start[:, None] + ALONG[:, None] * span[:, None]
    light_side = np.where(dark_left[:, None], -offset, offset)[:, None]
    rise = sample(smoothed, middle + light_side) - sample(smoothed, middle - light_side)
    if step is None:
        step = np.maximum(np.median(rise, axis=1), LEAST_STEP)
    steady = (rise > 0.12 * step[:, None]).mean(1) > 0.85
    return np.asarray(steady & (np.median(rise, axis=1) > 0.25 * step), np.bool_)


def _faces(to: IndexArray, arrives: IndexArray) -> NDArray[np.bool_]:
    """Which links (N, 4) bound a closed four-sided face on their left."""
    n = len(to)
    start = np.repeat(np.arange(n), 4)
    ray = np.tile(np.arange(4), n)
    at, leaving = start.copy(), ray.copy()
    alive = np.ones(len(start), bool)
    for _ in range(4):
        alive &= to[at, leaving] >= 0
        at_next = np.where(alive, to[at, leaving], 0)
        back = np.where(alive, arrives[at, leaving], 0)
        at, leaving = at_next, (back - 1) % 4  # turn left: the next ray clockwise from "back"
    closed = alive & (at == start) & (leaving == ray)
    face = closed.reshape(n, 4)
    # A link belongs to a face if either of its two directions bounds one.
    either: NDArray[np.bool_] = face.copy()
    where = np.nonzero(face)
    either[to[where], arrives[where]] = True
    return either


def _number(corners: Corners, links: _Links) -> list[Lattice]:
    """Whole-number coordinates for every connected set of faces."""
    n = len(corners)
    start, ray = np.nonzero(links.in_face)
    end = links.to[start, ray]
    graph = coo_array((np.ones(len(start), np.int8), (start, end)), shape=(n, n)).tocsr()
    _, label = connected_components(graph, directed=False)
    sizes = np.bincount(label)
    found = []
    for group in np.argsort(-sizes, kind="stable"):
        if sizes[group] < SMALLEST_LATTICE:
            break
        members = np.flatnonzero(label == group)
        order, _ = breadth_first_order(graph, int(members[0]), directed=False)
        lattice = _walk(corners, links, order.tolist())
        if len(lattice) >= SMALLEST_LATTICE:
            found.append(lattice)
    return sorted(found, key=len, reverse=True)


STEPS = np.array([(1, 0), (0, 1), (-1, 0), (0, -1)], np.intp)


def _walk(corners: Corners, links: _Links, order: list[int]) -> Lattice:
    root = order[0]
    place: dict[int, tuple[int, int]] = {root: (0, 0)}
    turn: dict[int, int] = {root: 0}  # lattice direction of a corner's ray 0
    taken: dict[tuple[int, int], int] = {(0, 0): root}
    refuted: set[int] = set()
    for here in order:
        if here not in place:
            continue
        for ray in range(4):
            if not links.in_face[here, ray]:
                continue
            there = int(links.to[here, ray])
            heading = (turn[here] + ray) % 4
            spot = (
                place[here][0] + int(STEPS[heading][0]),
                place[here][1] + int(STEPS[heading][1]),
            )
            facing = (heading + 2 - int(links.back[here, ray])) % 4
            if there in place:
                if place[there] != spot or turn[there] != facing:
                    refuted.update((here, there))
            elif spot in taken:
                refuted.update((there, taken[spot]))
            else:
                place[there], turn[there], taken[spot] = spot, facing, there
    members = np.array([k for k in place if k not in refuted], np.intp)
    if len(members) == 0:
        return Lattice(np.empty((0, 2)), np.empty((0, 2), np.intp), 0)
    ij = np.array([place[int(k)] for k in members], np.intp)
    # Ray 0 to ray 1 spans a dark quadrant; when ray 0 points along +x or -x, so is up-right.
    first = int(members[0])
    parity = (sum(place[first]) + turn[first]) % 2
    return Lattice(corners.xy_px[members], ij, parity)
