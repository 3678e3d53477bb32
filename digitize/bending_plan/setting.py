"""One bend with one side held: the swing, sampled, and what it runs into.

The part is carried into the tool's frame (u, v as in ``tools``, then the station along the
bend) with the held side at rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.bending_plan.collision import depths_between, depths_with_prism
from digitize.bending_plan.operation import CANNOT, Block, Operation
from digitize.bending_plan.part import Part
from digitize.bending_plan.tools import MACHINE_MM, Choice, Section, Tool
from digitize.blank.fold import Matrix, fold_motion
from digitize.folding.sizes import face_name
from digitize.pattern.segments import FloatArray

TOUCH_MM = 0.25  # bodies that overlap by less only touch: common practice, no source
SWING_DEG = 15.0  # between two samples of a swing: chosen, a flange meets over more than that
SHIFT_MM = 5.0  # how far a swing's centre may wander while the sheet rolls up: chosen, generous
HELD_SHARE = 0.5  # of the bend's length, to the tool's least depth: common practice, no source


Extent = tuple[float, float, float, float]
"""First and last station along a bend, nearest and farthest distance from its tool line."""


@dataclass(frozen=True, slots=True, eq=False)
class Prisms:
    """Bodies (2M, 3) of a tool by name: those that stand, and those that move with the leaf."""

    fixed: tuple[tuple[str, FloatArray], ...]
    leaf: tuple[tuple[str, FloatArray], ...]


class Setting:
    """An operation with the parent's side held, or the children's; states are given to it."""

    def __init__(self, part: Part, operation: Operation, parent_held: bool) -> None:
        """Find which plates are held and which swing."""
        self.part, self.operation, self.parent_held = part, operation, parent_held
        self.fold = part.tree.folds[operation.folds[0]]
        self.frame = part.regions.frames[operation.folds[0]]
        frames = [part.regions.frames[k] for k in operation.folds]
        self.start_mm = min(f.start_mm for f in frames)
        self.end_mm = max(f.end_mm for f in frames)
        self.held_faces = (operation.parent,) if parent_held else operation.children
        self.moving, self.held = self._split()
        self._cares = {
            region: part.operations_of(
                [k for k in part.way(region, self.held_faces[0]) if k not in operation.folds]
            )
            for region in (*self.moving, *self.held)
        }
        into = min(self.fold.facts.radius_mm, self.fold.facts.allowance_mm)
        width = self.fold.facts.allowance_mm
        if parent_held:
            self._held_axes, self._leaf_axes = self._axes(into, 1.0), self._axes(width, 1.0)
        else:
            self._held_axes, self._leaf_axes = self._axes(width - into, -1.0), self._axes(0.0, -1.0)
        self._motions: dict[float, tuple[FloatArray, FloatArray, FloatArray]] = {}
        self._rest_hits: dict[tuple[int, int, int], str | None] = {}
        self._swing_hits: dict[tuple[int, int, int, float], tuple[float, str] | None] = {}
        self._meetings: dict[tuple[int, int, int, float], float | None] = {}
        self._extents: dict[tuple[int, int], Extent] = {}

    @property
    def held_names(self) -> str:
        """The faces between the jaws."""
        return " and ".join(face_name(f) for f in self.held_faces)

    def holds(self, depth_mm: float) -> bool:
        """Whether the held faces fill half the bend's length to that depth."""
        width = self.fold.facts.allowance_mm
        near, far = (-depth_mm, 0.0) if self.parent_held else (width, width + depth_mm)
        band = self.frame.band(self.start_mm, self.end_mm, near, far)
        flat = shapely.union_all([self.part.regions.faces[f] for f in self.held_faces])
        return bool(flat.intersection(band).area >= HELD_SHARE * band.area)

    def against_itself(self, done: int, to_deg: float) -> Block | None:
        """What the swinging side runs into on the held one, whichever hits first."""
        first: tuple[float, int, int] | None = None
        for a in self.moving:
            for b in self.held:
                angle = self._meeting(done, a, b, to_deg)
                if angle is not None and (first is None or angle < first[0]):
                    first = angle, a, b
        if first is None:
            return None
        angle, a, b = first
        into = f"{self.part.name(a)} into {self.part.name(b)}"
        return self._block(done, f"brings {into} at {angle:.0f}°", b, a)

    def against_tool(self, done: int, prisms: Prisms, to_deg: float) -> Block | None:
        """What of the part runs into the tool: on the held side, else whatever hits first."""
        for region in self.held:
            name = self._in_the_way(done, region, prisms)
            if name is not None:
                reason = (
                    f"{CANNOT}held by {self.held_names}, {self.part.name(region)} runs into {name}"
                )
                return self._block(done, reason, region)
        hits = [
            (*hit, region)
            for region in (*self.moving, *self.held)
            if (hit := self._swing_hit(done, region, prisms, to_deg)) is not None
        ]
        if not hits:
            return None
        angle, name, region = min(hits)
        when = f"at {angle:.0f}°" if angle >= 0.5 else "before it swings"
        hit_text = f"{self.part.name(region)} runs into {name} {when}"
        reason = f"{CANNOT}held by {self.held_names}, {hit_text}"
        return self._block(done, reason, region)

    # One region at a time: where it is depends only on the bends between it and the held face.

    def _in_the_way(self, done: int, region: int, prisms: Prisms) -> str | None:
        """The part of the tool that a held region lies in."""
        key = (id(prisms), region, done & self._cares[region])
        if key not in self._rest_hits:
            plates = _carried(*self._plates(key[2], region, self._held_axes))
            self._rest_hits[key] = next(
                (
                    name
                    for name, prism in prisms.fixed
                    if (depths_with_prism(plates, prism) > TOUCH_MM).any()
                ),
                None,
            )
        return self._rest_hits[key]

    def _swing_hit(
        self, done: int, region: int, prisms: Prisms, to_deg: float
    ) -> tuple[float, str] | None:
        """When in the swing a region meets what stands, or the leaf, and what it meets."""
        key = (id(prisms), region, done & self._cares[region], to_deg)
        if key not in self._swing_hits:
            angles, motions, back = self._swing(to_deg)
            hits: list[tuple[float, str]] = []
            plates, base = self._plates(key[2], region, np.eye(4))
            if region in self.moving:
                swung = _swung(plates, motions @ base)
                hits += _hits(swung, prisms.fixed, angles)
                on_leaf = _carried(plates, np.asarray(self._leaf_axes @ base))
                hits += _hits(on_leaf, prisms.leaf, angles[:1])
            elif prisms.leaf:
                hits += _hits(_swung(plates, back @ base), prisms.leaf, angles)
            self._swing_hits[key] = min(hits, default=None)
        return self._swing_hits[key]

    def _meeting(self, done: int, a: int, b: int, to_deg: float) -> float | None:
        """The angle at which two regions meet in the swing, if they do."""
        bits = done & (self._cares[a] | self._cares[b])
        key = (a, b, bits, to_deg)
        if key not in self._meetings:
            near = self._extent(done & self._cares[a], a), self._extent(done & self._cares[b], b)
            self._meetings[key] = self._met(bits, a, b, to_deg) if _could_meet(*near) else None
        return self._meetings[key]

    def _met(self, done: int, a: int, b: int, to_deg: float) -> float | None:
        _, trimmed, _ = self.part.posed(done)
        base = self._from_base(done)
        part = self.part.trimmed.part
        angles, motions, _ = self._swing(to_deg)
        still = _carried(trimmed[part == b], np.asarray(self._held_axes @ base))
        swung = _swung(trimmed[part == a], motions[1:] @ base)
        i, j = _near_pairs(swung, still)
        if not len(i):
            return None
        hits = np.flatnonzero(depths_between(swung[i], still[j]) > TOUCH_MM)
        if not len(hits):
            return None
        return float(angles[1 + int(i[hits[0]]) // int((part == a).sum())])

    def _extent(self, bits: int, region: int) -> Extent:
        """Where a region lies about the bend: along it, and how far from it."""
        key = bits, region
        if key not in self._extents:
            plates = _carried(*self._plates(bits, region, self._held_axes)).reshape(-1, 3)
            if not len(plates):
                self._extents[key] = (math.inf, -math.inf, math.inf, -math.inf)
            else:
                low, high = plates.min(axis=0), plates.max(axis=0)
                nearest = math.hypot(*np.maximum(np.maximum(low, -high), 0.0)[:2])
                farthest = float(np.hypot(plates[:, 0], plates[:, 1]).max())
                self._extents[key] = (float(low[2]), float(high[2]), nearest, farthest)
        return self._extents[key]

    def _plates(self, bits: int, region: int, axes: Matrix) -> tuple[FloatArray, Matrix]:
        """A region's plates in a state, and the motion from the base face to ``axes``."""
        plates, _, _ = self.part.posed(bits)
        motion = np.asarray(axes @ self._from_base(bits))
        return plates[self.part.plates.part == region], motion

    def reach_mm(self, done: int) -> tuple[float, float]:
        """How far the held faces reach behind the tool line, and the others before it."""
        plates, _, _ = self.part.posed(done)
        there = _carried(plates, np.asarray(self._held_axes @ self._from_base(done)))[..., 0]
        held = np.isin(self.part.plates.part, self.held_faces)
        moving = np.isin(self.part.plates.part, self.moving)
        return float(-there[held].min()), float(there[moving].max())

    # Where things are

    def _split(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Regions that swing and regions that are held, without the bend itself."""
        part = self.part
        n = part.tree.faces.count
        own = {n + k for k in self.operation.folds}
        beyond = part.beyond(self.operation)
        there = [
            int(r)
            for r in np.unique(part.plates.part)
            if part.owner(int(r)) in part.present and int(r) not in own
        ]
        children = tuple(r for r in there if part.owner(r) in beyond)
        rest = tuple(r for r in there if part.owner(r) not in beyond)
        return (children, rest) if self.parent_held else (rest, children)

    def _axes(self, beyond_mm: float, outward: float) -> Matrix:
        """From the plane of the blank at the bend to (u, v, station)."""
        facts, frame = self.fold.facts, self.frame
        x, y = frame.at(0.0, beyond_mm)
        (bx, by), (ax, ay) = frame.beyond, frame.along
        up = 1.0 if facts.toward_face else -1.0
        rows = np.array(
            [[outward * bx, outward * by, 0.0], [0.0, 0.0, up], [ax, ay, 0.0]], dtype=np.float64
        )
        axes = np.eye(4)
        axes[:3, :3] = rows
        axes[:3, 3] = -rows @ np.array([x, y, 0.0])
        axes[1, 3] += facts.thickness_mm if facts.toward_face else 0.0
        return axes

    def _from_base(self, done: int) -> Matrix:
        motion = self.part.posed(done)[2][self.operation.parent]
        back = np.eye(4)
        back[:3, :3] = motion[:3, :3].T
        back[:3, 3] = -motion[:3, :3].T @ motion[:3, 3]
        return back

    def _swing(self, to_deg: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Angles sampled, the swinging side's motions (S, 4, 4) and those seen from the leaf."""
        if to_deg not in self._motions:
            angles = np.linspace(0.0, to_deg, max(2, math.ceil(to_deg / SWING_DEG) + 1))
            shares = angles / self.fold.facts.angle_deg
            forth = np.array([fold_motion(self.part.tree, self.fold, s) for s in shares])
            back = np.linalg.inv(forth)
            if not self.parent_held:
                forth, back = back, forth
            self._motions[to_deg] = angles, self._held_axes @ forth, self._leaf_axes @ back
        return self._motions[to_deg]

    # What to say

    def _block(self, done: int, reason: str, part: int, other: int | None = None) -> Block:
        """A block by a region that runs into the tool, or into another region."""
        face = self.held_faces[0] if other is None else self.part.owner(other)
        way = [k for k in self.part.way(part, face) if k not in self.operation.folds]
        if other is not None and other >= self.part.tree.faces.count:
            way.append(other - self.part.tree.faces.count)
        made = self.part.made(done)
        because = next((made[k].name for k in way if k in made), None)
        return Block(self.operation, reason, because, self.part.operations_of(way))


def _carried(plates_mm: FloatArray, motion: Matrix) -> FloatArray:
    return np.asarray(plates_mm @ motion[:3, :3].T + motion[:3, 3])


def _swung(plates_mm: FloatArray, motions: FloatArray) -> FloatArray:
    """Plates (B, 2K, 3) carried by motions (S, 4, 4), one after the other: (S B, 2K, 3)."""
    turned = np.einsum("bki,sji->sbkj", plates_mm, motions[:, :3, :3])
    moved = turned + motions[:, None, None, :3, 3]
    return np.asarray(moved.reshape(-1, *plates_mm.shape[1:]))


def _hits(
    plates_mm: FloatArray, prisms: tuple[tuple[str, FloatArray], ...], angles: FloatArray
) -> list[tuple[float, str]]:
    """The first angle at which each body is hit, by its name; plates lie angle by angle."""
    found = []
    for name, prism in prisms:
        hits = np.flatnonzero(depths_with_prism(plates_mm, prism) > TOUCH_MM)
        if len(hits):
            found.append((float(angles[int(hits[0]) * len(angles) // len(plates_mm)]), name))
    return found


def _could_meet(a: Extent, b: Extent) -> bool:
    """Whether regions that turn about the bend could touch: same stations, same distances."""
    return (
        a[0] < b[1]
        and b[0] < a[1]
        and a[2] - SHIFT_MM < b[3] + SHIFT_MM
        and b[2] - SHIFT_MM < a[3] + SHIFT_MM
    )


def _near_pairs(a: FloatArray, b: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of plates whose boxes meet."""
    met = np.all(
        (a.min(axis=1)[:, None] < b.max(axis=1)) & (b.min(axis=1) < a.max(axis=1)[:, None]), axis=2
    )
    i, j = np.nonzero(met)
    return i, j


def prisms_of(tool: Tool, setting: Setting, choice: Choice, start_mm: float) -> Prisms:
    """The tool's bodies in a setting's frame, beginning at a station."""
    facts = setting.fold.facts
    fixed = tool.sections(facts.thickness_mm, facts.radius_mm)
    return Prisms(
        tuple(_prisms(fixed, choice, start_mm)), tuple(_prisms(tool.leaf(), choice, start_mm))
    )


def _prisms(
    sections: list[Section], choice: Choice, start_mm: float
) -> Iterator[tuple[str, FloatArray]]:
    end, middle = start_mm + choice.width_mm, start_mm + choice.width_mm / 2
    for section in sections:
        w = section.width_mm
        spans = {
            "tool": [(start_mm, end)],
            "middle": [(middle - w / 2, middle + w / 2)],
            "ends": [(start_mm, start_mm + w), (end - w, end)],
            "machine": [(-MACHINE_MM, MACHINE_MM)],
        }[section.span]
        for low, high in spans:
            rows = [(u, v, s) for s in (low, high) for u, v in section.corners]
            yield section.name, np.array(rows)
