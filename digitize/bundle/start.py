"""A first state: photos and sheets linked up one after the other.

The photo that shows most is placed over its largest sheet; the other sheets in it are laid
where it sees them; then the photo that shows most of what is laid follows, and so on.
Homographies are found by RANSAC, so that a sheet that was moved does not carry a photo
away with it.  Good to some millimetres, which is what the adjustment needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.beliefs import Beliefs
from digitize.bundle.heights import HEIGHTS
from digitize.bundle.state import State, turn
from digitize.bundle.view import Block, Problem
from digitize.camera.camera import Camera
from digitize.camera.lens import undistort
from digitize.camera.priors import Prior
from digitize.camera.projection import Pinhole
from digitize.camera.seed import (
    focal_from_homography,
    mirrored_pose,
    pose_from_homography,
    robust_homographies,
)
from digitize.errors import DigitizeError, Exit

FloatArray = NDArray[np.float64]

_SHORTEST, _LONGEST = 0.5, 20.0  # focal length over half the diagonal, worth a start


class PhotosNotLinkedError(DigitizeError):
    """Some photos share no sheet with the others."""

    exit_code = Exit.CAMERA


class BlockNotFlatError(DigitizeError):
    """No plane fits the corners of any sheet in a photo."""

    exit_code = Exit.CAMERA


def check_linked(problem: Problem) -> None:
    """Raises ``PhotosNotLinkedError`` where a photo has no chain of sheets to the others."""
    sheets_of = [
        {b.sheet for b in problem.blocks if b.photo == photo}
        for photo in range(len(problem.photos))
    ]
    left = set(range(len(sheets_of)))
    groups: list[set[int]] = []
    while left:
        group, sheets = {left.pop()}, set[int]()
        while True:
            sheets = set().union(*(sheets_of[p] for p in group))
            more = {p for p in left if sheets_of[p] & sheets}
            if not more:
                break
            group |= more
            left -= more
        groups.append(group)
    groups.sort(key=lambda g: (-len(g), min(g)))
    if len(groups) == 1:
        return
    apart = sorted(p for group in groups[1:] for p in group)
    names = ", ".join(problem.photos[p].name for p in apart)
    shown = sorted(str(problem.sheets[s]) for s in set().union(*(sheets_of[p] for p in apart)))
    raise PhotosNotLinkedError(
        f"{names} {'shares' if len(apart) == 1 else 'share'} no sheet with the other photos",
        where=f"only {', '.join(shown)} seen there",
        do="take the photos so that each shows a sheet, better two, that another one shows",
    )


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """A block and its homography."""

    block: Block
    homography: FloatArray  # (3, 3) px_from_local
    area_px2: float  # room that its corners take in the picture, roughly


def planes_of(problem: Problem) -> list[Plane]:
    """All blocks that a plane fits, those seen largest first.

    Raises ``BlockNotFlatError`` for a photo in which there is none.
    """
    planes = []
    for block in problem.blocks:
        found = robust_homographies(block.local_mm, block.px)
        if found:
            area = math.sqrt(max(float(np.linalg.det(np.cov(block.px.T))), 0.0))
            planes.append(Plane(block, found[-1], area))
    flat = {plane.block.photo for plane in planes}
    for photo, picture in enumerate(problem.photos):
        if photo not in flat:
            raise _not_flat(picture.name)
    return sorted(planes, key=lambda plane: -plane.area_px2)


def first_of(planes: list[Plane], datum: int | None) -> Plane:
    """The sheet to begin with, in one photo: the datum if seen, in the photo that shows most."""
    if any(p.block.sheet == datum for p in planes):
        return next(p for p in planes if p.block.sheet == datum)
    shown: dict[int, float] = {}
    for p in planes:
        shown[p.block.photo] = shown.get(p.block.photo, 0.0) + p.area_px2
    photo = max(shown, key=lambda p: shown[p])
    return next(p for p in planes if p.block.photo == photo)


def first_states(
    problem: Problem, beliefs: Beliefs, planes: list[Plane], first: Plane
) -> list[State]:
    """States that place the first photo and its sheets, and nothing else yet.

    One for each focal length, told and seen, and each of the two poses that a small sheet
    leaves open.
    """
    lens = problem.lens_of[first.block.photo]
    prior = beliefs.lens[lens]
    principal = np.asarray(prior.middle_px)
    focals = [math.exp(prior.log_focal)]
    seen = _focals_seen(
        prior, [p.homography for p in planes if problem.lens_of[p.block.photo] == lens]
    )
    if seen:
        focals.append(float(np.median(seen)))
    states = []
    for focal in focals:
        pose = pose_from_homography(first.homography, focal, principal, np.zeros(2))
        for rotation, translation in (pose, mirrored_pose(*pose, np.zeros(2))):
            middle = problem.size_mm(first.block.sheet) / 2
            # The homography is from the sheet's middle, the frame from its corner.
            shifted = translation - rotation[:, :2] @ middle
            pinhole = Pinhole(rotation, shifted, focal, prior.middle_px, 0.0, 0.0)
            chain = _Chain(problem, beliefs, planes, {lens: pinhole})
            chain.poses[first.block.photo] = (rotation, shifted)
            chain.places[first.block.sheet] = (middle, 0.0)
            chain.lay()
            states.append(chain.state())
    return states


def all_placed(
    state: State, problem: Problem, beliefs: Beliefs, planes: list[Plane], first: Plane
) -> State:
    """The state with all photos and sheets, from one in which the first photo is adjusted."""
    photo = first.block.photo
    chain = _Chain(
        problem, beliefs, planes, {problem.lens_of[photo]: state.pinhole(problem, photo)}
    )
    chain.poses[photo] = (state.rotation[photo], state.translation_mm[photo])
    for plane in planes:
        if plane.block.photo == photo:
            sheet = plane.block.sheet
            chain.places[sheet] = (state.middle_mm[sheet], float(state.angle_rad[sheet]))
    while (following := chain.next_photo()) is not None:
        chain.join(following)
        chain.lay()
    return chain.state()


@dataclass(eq=False)
class _Chain:
    """Photos and sheets placed so far."""

    problem: Problem
    beliefs: Beliefs
    planes: list[Plane]
    lens: dict[int, Pinhole]
    poses: dict[int, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    places: dict[int, tuple[FloatArray, float]] = field(default_factory=dict)

    def lay(self) -> None:
        """Lay every sheet that a placed photo sees, by the one that shows it largest."""
        for p in self.planes:
            if p.block.photo not in self.poses or p.block.sheet in self.places:
                continue
            glass = self.lens[self.problem.lens_of[p.block.photo]]
            rotation, translation = self.poses[p.block.photo]
            place = laid(p.block, replace(glass, rotation=rotation, translation_mm=translation))
            if place is not None:
                self.places[p.block.sheet] = place

    def next_photo(self) -> int | None:
        """The photo, not yet placed, that shows most of what is laid."""
        shown: dict[int, float] = {}
        for p in self.planes:
            if p.block.photo not in self.poses and p.block.sheet in self.places:
                shown[p.block.photo] = shown.get(p.block.photo, 0.0) + p.area_px2
        return max(shown, key=lambda photo: shown[photo]) if shown else None

    def join(self, photo: int) -> None:
        """Place one more photo over the sheets that are laid."""
        mine = [p for p in self.planes if p.block.photo == photo and p.block.sheet in self.places]
        mm = np.vstack([_placed(p.block.local_mm, *self.places[p.block.sheet]) for p in mine])
        px = np.vstack([p.block.px for p in mine])
        number = self.problem.lens_of[photo]
        prior, glass = self.beliefs.lens[number], self.lens.get(number)
        principal = np.asarray(prior.middle_px if glass is None else glass.principal_px)
        focal = math.exp(prior.log_focal) if glass is None else glass.focal_px
        if glass is not None:
            px = undistort((px - principal) / focal, glass.k1, glass.k2) * focal + principal
        inside = np.isfinite(px).all(axis=1)
        mm, px = mm[inside], px[inside]
        homographies = robust_homographies(mm, px) if len(mm) >= 4 else []
        if not homographies:
            raise _not_flat(self.problem.photos[photo].name)
        if glass is None and self.problem.photos[photo].focal_prior_px is None:
            focal = next(iter(_focals_seen(prior, homographies[-1:])), focal)
        middle = np.median(mm, axis=0)
        pose = pose_from_homography(homographies[-1], focal, principal, middle)
        pinholes = [
            Pinhole(r, t, focal, (float(principal[0]), float(principal[1])), 0.0, 0.0)
            for r, t in (pose, mirrored_pose(*pose, middle))
        ]
        best = min(pinholes, key=lambda p: _median_miss(p, mm, px))
        self.lens.setdefault(number, best)
        self.poses[photo] = (best.rotation, best.translation_mm)

    def state(self) -> State:
        """Everything placed; what is not stands where it does no harm."""
        photos, sheets = range(len(self.problem.photos)), range(len(self.problem.sheets))
        nowhere = next(iter(self.poses.values()))
        poses = [self.poses.get(p, nowhere) for p in photos]
        places = [self.places.get(s, (np.zeros(2), 0.0)) for s in sheets]
        lens = []
        for number, prior in enumerate(self.beliefs.lens):
            glass = self.lens.get(number)
            lens.append(
                (prior.log_focal, *prior.middle_px, 0.0, 0.0)
                if glass is None
                else (math.log(glass.focal_px), *glass.principal_px, glass.k1, glass.k2)
            )
        return State(
            lens=np.array(lens),
            rotation=np.stack([rotation for rotation, _ in poses]),
            translation_mm=np.stack([translation for _, translation in poses]),
            own=np.zeros((len(photos), 3)),
            print_=np.zeros((len(self.problem.scales), 2)),
            middle_mm=np.stack([middle for middle, _ in places]),
            angle_rad=np.array([angle for _, angle in places]),
            stretch=np.zeros((len(sheets), 2)),
            heights_mm=np.zeros((len(sheets), HEIGHTS)),
        )


def _focals_seen(prior: Prior, homographies: list[FloatArray]) -> list[float]:
    """Focal lengths that homographies suggest, without the absurd."""
    seen = [focal_from_homography(h, np.asarray(prior.middle_px)) for h in homographies]
    return [f for f in seen if f and _SHORTEST < f / prior.half_diagonal_px < _LONGEST]


def laid(block: Block, pinhole: Pinhole) -> tuple[FloatArray, float] | None:
    """Place of the sheet's middle (2,) and angle as one photo sees it lie in the plane."""
    camera = Camera(
        (0, 0),
        pinhole.rotation,
        pinhole.translation_mm,
        pinhole.focal_px,
        pinhole.principal_px,
        pinhole.k1,
        pinhole.k2,
        np.zeros((11, 11)),
    )
    at_mm = camera.to_sheet(block.px)
    seen = np.isfinite(at_mm).all(axis=1)
    if seen.sum() < 4:
        return None
    local_mm, at_mm = block.local_mm[seen], at_mm[seen]
    a = local_mm - np.median(local_mm, axis=0)
    b = at_mm - np.median(at_mm, axis=0)
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    angle = math.atan2(float(cross.sum()), float((a * b).sum()))
    return np.median(at_mm - local_mm @ turn(angle).T, axis=0), angle


def _placed(local_mm: FloatArray, middle: FloatArray, angle: float) -> FloatArray:
    return np.asarray(local_mm @ turn(angle).T + middle)


def _median_miss(pinhole: Pinhole, mm: FloatArray, px: FloatArray) -> float:
    in_camera = mm @ pinhole.rotation[:, :2].T + pinhole.translation_mm
    if in_camera[:, 2].min() <= 0:
        return np.inf
    seen = pinhole.focal_px * in_camera[:, :2] / in_camera[:, 2:] + np.asarray(pinhole.principal_px)
    return float(np.median(np.hypot(*(seen - px).T)))


def _not_flat(photo: str) -> BlockNotFlatError:
    return BlockNotFlatError(
        "the corners seen lie on no flat sheet",
        where=photo,
        do="tape the sheets down flat and photograph them again",
    )
