"""Corners that the first pass missed, looked for where the known ones say they are.

Fragments that a hand, a shadow or the piece has cut apart join again this way: step by
step outward while corners are found, then across the gap.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from digitize.sighting.corners import Corners, FloatArray, GreyArray, seek
from digitize.sighting.lattice import IndexArray, Lattice, edge_runs_through
from digitize.sighting.local import LocalMaps, local_maps

Place = tuple[int, int]

STRAY_SQUARES = 0.22  # how far from its predicted place a corner may lie
TURN_RAD = np.radians(14.0)
ROUNDS = 60
FARTHEST_SQUARES = 12.0
BROKEN_SQUARES = 0.3  # off whole squares, that a fragment may lie; lens distortion makes it so
LARGEST_SHEAR = 0.3  # of a fragment against the lattice that it is to continue
AROUND = np.array([(1, 0), (0, 1), (-1, 0), (0, -1), (1, 1), (-1, 1), (-1, -1), (1, -1)], np.intp)


def extend(
    lattice: Lattice,
    smoothed: GreyArray,
    corners: Corners | None,
    wanted: frozenset[Place] | None = None,
) -> Lattice:
    """The lattice with every further corner that can be found.

    ``corners`` are the candidates of the whole picture, where it has been searched for them.
    ``wanted`` are the places of the sheet, once it is known: then gaps are crossed.
    Without it the lattice only grows where unbroken edges lead, which keeps it from
    climbing into clutter.
    """
    failed: set[Place] = set()
    reach = 1.5
    for _ in range(ROUNDS):
        places = _frontier(lattice, wanted, reach) - failed
        if not places:
            if wanted is None or reach >= FARTHEST_SQUARES:
                break
            # Across a gap: places that failed from afar may succeed from nearer later on.
            reach *= 2.0
            continue
        ij = np.array(sorted(places), np.intp)
        maps = local_maps(lattice, ij.astype(float), neighbours=16 if reach < 2 else 32)
        xy, found = _look(maps, lattice.dark(ij), smoothed, corners)
        if wanted is None and found.any():
            found[found] = _tied(lattice, smoothed, ij[found], xy[found])
        failed |= _places(ij[~found])
        if found.any():
            lattice = Lattice(
                np.vstack([lattice.xy_px, xy[found]]),
                np.vstack([lattice.ij, ij[found]]),
                lattice.dark_parity,
            )
            if reach > 2:  # a bridgehead across a gap: what failed from afar may succeed now
                failed.clear()
            reach = 1.5
    return lattice


def join(lattice: Lattice, other: Lattice) -> Lattice | None:
    """Both as one, if ``other`` continues ``lattice`` across a gap; None if it does not.

    For boards without marks, where only the regular spacing tells that two fragments are
    one: the places that the first predicts for the second must be whole numbers, turned by
    quarter turns, dark on dark, and not taken.
    """
    ij_from_px, _ = cv2.findHomography(lattice.xy_px, lattice.ij.astype(float))
    seen = _mapped(ij_from_px, other.xy_px)
    design = np.column_stack([other.ij, np.ones(len(other))])
    fit, *_ = np.linalg.lstsq(design, seen, rcond=None)
    for turns in range(4):
        turned = other.turned(turns)
        quarter = np.array(((1, 0), (0, 1), (-1, 0), (0, -1)))[[turns, (turns + 1) % 4]]
        if np.abs(quarter - fit[:2]).max() > LARGEST_SHEAR:
            continue
        away = np.median(seen - turned.ij, axis=0)
        shift = np.rint(away).astype(int)
        # Two boards in line on one page: their gap is hardly ever whole squares.
        if np.abs(away - shift).max() > BROKEN_SQUARES:
            return None
        placed = turned.moved((int(shift[0]), int(shift[1])))
        if placed.dark_parity != lattice.dark_parity or _places(placed.ij) & _places(lattice.ij):
            return None
        whole = Lattice(
            np.vstack([lattice.xy_px, placed.xy_px]),
            np.vstack([lattice.ij, placed.ij]),
            lattice.dark_parity,
        )
        both, _ = cv2.findHomography(whole.xy_px, whole.ij.astype(float))
        off = np.linalg.norm(_mapped(both, placed.xy_px) - placed.ij, axis=1)
        return whole if np.median(off) < STRAY_SQUARES else None
    return None


def _mapped(homography: NDArray[Any], points: FloatArray) -> FloatArray:
    mapped = cv2.perspectiveTransform(points[None], homography)[0]
    return np.asarray(mapped, np.float64)


def _frontier(lattice: Lattice, wanted: frozenset[Place] | None, reach: float) -> set[Place]:
    known = _places(lattice.ij)
    if wanted is None:
        around = (lattice.ij[:, None] + AROUND[:4]).reshape(-1, 2)
        return _places(around) - known
    missing = np.array(sorted(wanted - known), np.intp).reshape(-1, 2)
    if len(missing) == 0:
        return set()
    distance, _ = KDTree(lattice.ij.astype(float)).query(missing.astype(float))
    return _places(missing[distance <= reach])


def _places(ij: IndexArray) -> set[Place]:
    return {(i, j) for i, j in ij.tolist()}


def _look(
    maps: LocalMaps, dark: NDArray[np.bool_], smoothed: GreyArray, corners: Corners | None
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The corner (M, 2) nearest each predicted place, and whether there is one (M,)."""
    predicted, side = maps.centres_px, maps.sides_px
    edges = maps.edges_rad(dark)
    height, width = smoothed.shape
    sane = (side > 3.0) & (predicted > -0.5).all(1)
    sane &= (predicted[:, 0] < width - 0.5) & (predicted[:, 1] < height - 0.5)
    xy, found = predicted.copy(), np.zeros(len(predicted), bool)
    if corners is not None:
        xy, found = _nearest_alike(predicted, edges, STRAY_SQUARES * side, corners)
    again = np.flatnonzero(sane & ~found)
    if len(again):
        second = seek(smoothed, predicted[again], STRAY_SQUARES * side[again])
        xy[again], found[again] = _nearest_alike(
            predicted[again], edges[again], STRAY_SQUARES * side[again], second
        )
    return xy, found & sane


def _nearest_alike(
    predicted: FloatArray, edges: FloatArray, radius: FloatArray, corners: Corners
) -> tuple[FloatArray, NDArray[np.bool_]]:
    n = len(predicted)
    if len(corners) == 0:
        return predicted.copy(), np.zeros(n, bool)
    count = min(6, len(corners))
    distance, index = KDTree(corners.xy_px).query(predicted, k=count)
    distance, index = distance.reshape(n, count), index.reshape(n, count)
    off = _line_turn(corners.rays_rad[index][..., :2], edges[:, None])
    alike = (distance < radius[:, None]) & (off.max(-1) < TURN_RAD)
    best = np.where(alike, distance, np.inf).argmin(1)
    rows = np.arange(n)
    return corners.xy_px[index[rows, best]], alike[rows, best]


def _line_turn(seen: FloatArray, asked: FloatArray) -> FloatArray:
    """Smallest turn between lines (an edge runs both ways)."""
    return np.asarray(np.abs((seen - asked + np.pi / 2) % np.pi - np.pi / 2))


def _tied(
    lattice: Lattice, smoothed: GreyArray, ij: IndexArray, xy: FloatArray
) -> NDArray[np.bool_]:
    """Whether an unbroken edge leads to each new corner from a known neighbour."""
    place = {(i, j): k for k, (i, j) in enumerate(lattice.ij.tolist())}
    tied = np.zeros(len(ij), bool)
    for step in AROUND[:4]:
        back = ij - step
        known = np.array([place.get((i, j), -1) for i, j in back.tolist()])
        has = np.flatnonzero(known >= 0)
        if len(has) == 0:
            continue
        start = lattice.xy_px[known[has]]
        # Left of a step along +i lies square (i, j); along +j square (i - 1, j); and so on.
        left = back[has] + np.minimum(step + np.array([-step[1], step[0]]), 0)
        runs = edge_runs_through(smoothed, start, xy[has], lattice.dark(left), None)
        tied[has] |= runs
    return tied
