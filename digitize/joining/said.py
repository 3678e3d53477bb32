"""The joints that somebody says, on faces cut and turned over as they need.

A bend that takes only a part of a side cuts that side there; faces seen from the other side
of the sheet are mirrored, and keep the names of their edges.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from digitize.blank.hand import from_behind
from digitize.joining.faces import NotJoined, Side, side_named, sides_of, turned_over
from digitize.joining.matching import STANDING, Pair
from digitize.joining.options import JoinOptions, JointSaid
from digitize.joining.parts import cut, part_of, stretch_mm
from digitize.pattern.model import Pattern


def faces_and_joints(
    faces: Sequence[Pattern], options: JoinOptions, pair_of: Callable[[Side, Side], Pair]
) -> tuple[list[Pattern], list[tuple[Side, ...]], tuple[Pair, ...]]:
    """Faces cut where a bend takes a part of a side, and turned over; sides; joints said."""
    faces = list(faces)
    sides = [sides_of(i, face) for i, face in enumerate(faces)]
    pairs = _said(sides, options)
    stretches: dict[Side, list[tuple[float, float]]] = {}
    of_joint: list[tuple[Side, tuple[float, float]] | None] = []
    for pair, joint in zip(pairs, options.joints, strict=True):
        at_mm = JointSaid(*joint).at_mm
        if at_mm is None:
            of_joint.append(None)
            continue
        long, short = (pair.one, pair.other)
        if pair.difference_mm < 0.0:
            long, short = short, long
        stretch = stretch_mm(long, short, at_mm, options.within_mm)
        stretches.setdefault(long, []).append(stretch)
        of_joint.append((long, stretch))
    for side, found in stretches.items():
        faces[side.face] = cut(faces[side.face], _again(side, sides), [x for s in found for x in s])
        sides[side.face] = sides_of(side.face, faces[side.face])
    joined: list[Pair] = []
    for pair, part in zip(pairs, of_joint, strict=True):
        one, other = (
            part_of(faces[side.face], _again(side, sides), part[1])
            if part is not None and side == part[0]
            else _again(side, sides)
            for side in (pair.one, pair.other)
        )
        joined.append(pair_of(one, other))
    for i in options.turned_over:
        if not 0 <= i < len(faces):
            raise NotJoined(f"there is no face {i + 1}", do=f"there are {len(faces)}")
        # Turned over, it shows the face that the others show: nothing to tell of it.
        own = faces[i]
        faces[i] = replace(from_behind(own), drawn=own.drawn, notices=own.notices)
        sides[i] = turned_over(sides[i], faces[i])
        joined = [
            pair_of(
                *(turned_over((s,), faces[i])[0] if s.face == i else s for s in (p.one, p.other))
            )
            for p in joined
        ]
    return faces, sides, tuple(joined)


def _again(side: Side, sides: Sequence[Sequence[Side]]) -> Side:
    """The side of that name, after its face was cut somewhere."""
    return next(s for s in sides[side.face] if side.names[0] in s.names)


def _said(sides: Sequence[Sequence[Side]], options: JoinOptions) -> tuple[Pair, ...]:
    pairs: list[Pair] = []
    used: dict[Side, bool] = {}
    for joint in options.joints:
        said = JointSaid(*joint)
        one, other = side_named(said.one, sides), side_named(said.other, sides)
        pair = Pair(one, other)
        if one.face == other.face:
            raise NotJoined(f"a face is not joined to itself ({pair.words})")
        if said.at_mm is None and abs(pair.difference_mm) > options.within_mm:
            raise NotJoined(
                f"{one.full_name} is {one.line.length_mm:.1f} mm long and {other.full_name} "
                f"{other.line.length_mm:.1f} mm; {STANDING}",
                do=f"check the names, allow more than {options.within_mm:g} mm with --within, or "
                f'say where on the longer the shorter begins, as "{said.one} {said.other} at 20"',
            )
        longer = one if pair.difference_mm >= 0.0 else other
        for side in (one, other):
            whole = said.at_mm is None or side != longer
            if side in used and (whole or used[side]):
                raise NotJoined(f"{side.full_name} is joined twice", do="say each side once")
            used[side] = whole
        pairs.append(pair)
    return tuple(pairs)
