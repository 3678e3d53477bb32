"""Lattices grown from X-corners of which some are missing and some are false."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.sighting.corners import Corners, detect, smooth
from digitize.sighting.lattice import Lattice, grow
from digitize.sighting.sight import sight_checkerboard

FloatArray = NDArray[np.float64]
ACROSS, UP, SIDE = 11, 8, 40  # squares, and pixels of a square before it is warped
INNER = (ACROSS - 1) * (UP - 1)


@dataclass(frozen=True, eq=False)
class Board:
    """A checkerboard drawn askew: where its nodes (i right, j up) are seen."""

    grey: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    ij: NDArray[np.intp]
    xy_px: FloatArray

    @property
    def inner(self) -> NDArray[np.bool_]:
        """Nodes where four squares meet; the others lie on the rim."""
        return np.all((self.ij > 0) & (self.ij < (ACROSS, UP)), axis=1)


def board(corners_px: FloatArray, size: tuple[int, int] = (700, 520)) -> Board:
    """Square (0, 0) at the lower left is black; ``corners_px`` from there, counter-clockwise."""
    column, row = np.meshgrid(np.arange(ACROSS), np.arange(UP)[::-1])
    squares = np.where((column + row) % 2 == 0, 40, 210).astype(np.uint8)
    flat = np.kron(squares, np.ones((SIDE, SIDE), np.uint8))
    w, h = ACROSS * SIDE, UP * SIDE
    rim = np.array([(0, h), (w, h), (w, 0), (0, 0)], np.float32) - 0.5
    warp = cv2.getPerspectiveTransform(rim, corners_px.astype(np.float32))
    grey = cv2.warpPerspective(flat, warp, size, flags=cv2.INTER_AREA, borderValue=210)
    mask = cv2.warpPerspective(np.full_like(flat, 255), warp, size) > 0
    ij = np.array([(i, j) for j in range(UP + 1) for i in range(ACROSS + 1)], np.intp)
    at = np.column_stack([ij[:, 0] * SIDE, h - ij[:, 1] * SIDE]) - 0.5
    xy = cv2.perspectiveTransform(at[None].astype(float), warp)[0]
    return Board(cv2.GaussianBlur(grey, (0, 0), 0.8), mask, ij, np.asarray(xy, np.float64))


TILTED = np.array([(60, 470), (640, 430), (560, 70), (140, 40)], float)
TURNED = np.array([(250, 500), (660, 250), (420, 20), (40, 260)], float)
SQUEEZED = np.array([(40, 300), (660, 310), (500, 180), (190, 180)], float)


def assert_same_lattice(lattice: Lattice, true: Board) -> None:
    """Every corner is a node of the board, its place right but for one turn and one shift.

    The corner of a black square on the rim may pass for an X-corner; only the fit in the
    full photo (``refine``) tells it apart.
    """
    apart = np.linalg.norm(lattice.xy_px[:, None] - true.xy_px[None], axis=2)
    nearest = apart.argmin(1)
    # Blur rounds the corner of a rim square and draws it 2 px inward.
    assert (apart.min(1) < np.where(true.inner[nearest], 1.0, 3.0)).all(), "a corner that is none"
    at = true.ij[nearest]
    assert len({tuple(p) for p in at.tolist()}) == len(at), "a corner twice"
    design = np.column_stack([lattice.ij, np.ones(len(at))])
    fit, *_ = np.linalg.lstsq(design, at.astype(float), rcond=None)
    assert np.abs(design @ np.round(fit) - at).max() < 1e-9
    assert round(float(np.linalg.det(fit[:2]))) == 1  # never mirrored
    # The square up and right of a node, in the lattice's own axes, is the board's square
    # whose middle lies half a step along both.
    middle = np.column_stack([lattice.ij + 0.5, np.ones(len(at))]) @ np.round(fit)
    black = np.floor(middle).astype(int).sum(1) % 2 == 0
    assert (lattice.dark(lattice.ij) == black).all()


def inner_found(lattice: Lattice, true: Board) -> int:
    """How many of the nodes where four squares meet are in the lattice."""
    apart = np.linalg.norm(lattice.xy_px[:, None] - true.xy_px[true.inner], axis=2)
    return int((apart.min(0) < 1.5).sum())


@pytest.mark.parametrize("corners_px", [TILTED, TURNED, SQUEEZED])
def test_every_node_has_its_place(corners_px: FloatArray) -> None:
    true = board(corners_px)
    smoothed = smooth(true.grey)
    (lattice,) = grow(smoothed, detect(smoothed))
    assert_same_lattice(lattice, true)
    assert inner_found(lattice, true) == INNER


@pytest.mark.parametrize("corners_px", [TILTED, TURNED])
def test_rim_corners_do_not_outlive_the_fit(corners_px: FloatArray) -> None:
    true = board(corners_px)
    photo = Photo("drawn", "", np.repeat(true.grey[:, :, None], 3, axis=2), None, None)
    sighting = sight_checkerboard(photo, 25.0)
    apart = np.linalg.norm(sighting.corners_px[:, None] - true.xy_px[true.inner], axis=2)
    assert apart.shape == (INNER, INNER)
    assert apart.min(1).max() < 0.1
    assert apart.min(0).max() < 0.1


@pytest.mark.parametrize("seed", range(4))
def test_missing_and_false_corners(seed: int) -> None:
    """A tenth is missing; as many false ones as true ones lie about, with any directions."""
    true = board(TILTED)
    smoothed = smooth(true.grey)
    seen = detect(smoothed)
    rng = np.random.default_rng(seed)
    kept = rng.random(len(seen)) > 0.1
    false_px = rng.uniform((20, 20), (680, 500), (len(true.ij), 2))
    clear = np.linalg.norm(false_px[:, None] - true.xy_px[None], axis=2).min(1) > 3
    false_px = false_px[clear]
    first = rng.uniform(0, np.pi, len(false_px))
    span = rng.uniform(0.5, np.pi - 0.5, len(false_px))
    turned = np.column_stack([first, first + span, first + np.pi, first + span + np.pi])
    mixed = Corners(
        np.vstack([seen.xy_px[kept], false_px]),
        np.vstack([seen.rays_rad[kept], turned % (2 * np.pi)]),
        np.concatenate([seen.step[kept], np.full(len(false_px), float(np.median(seen.step)))]),
    )
    lattices = grow(smoothed, mixed)
    assert_same_lattice(lattices[0], true)
    assert len(lattices[0]) >= 0.6 * kept.sum()
    for other in lattices[1:]:
        assert_same_lattice(other, true)  # a part cut off, not a thing of false corners


def test_two_boards_are_two_lattices() -> None:
    left = board(np.array([(20, 470), (330, 500), (330, 60), (60, 30)], float))
    right = board(np.array([(500, 500), (690, 300), (560, 30), (360, 240)], float))
    grey = np.where(right.mask, right.grey, left.grey).astype(np.uint8)
    smoothed = smooth(grey)
    lattices = grow(smoothed, detect(smoothed))
    assert len(lattices) == 2
    on_left = lattices[0].xy_px[:, 0].mean() < lattices[1].xy_px[:, 0].mean()
    first, second = lattices if on_left else lattices[::-1]
    assert_same_lattice(first, left)
    assert_same_lattice(second, right)
    assert inner_found(first, left) == inner_found(second, right) == INNER


def test_false_corners_alone_grow_nothing() -> None:
    rng = np.random.default_rng(5)
    noise = smooth(rng.integers(0, 256, (400, 400), np.uint8))
    corners = detect(noise)
    assert len(corners) > 50
    assert sum(len(lattice) for lattice in grow(noise, corners)) < 0.05 * len(corners)


def test_turns_and_shifts_keep_what_is_dark() -> None:
    smoothed = smooth(board(TILTED).grey)
    (lattice,) = grow(smoothed, detect(smoothed))
    true = board(TILTED)
    for turns in range(4):
        assert_same_lattice(lattice.turned(turns).moved((3, -4)), true)
    assert (lattice.turned(4).ij == lattice.ij).all()
