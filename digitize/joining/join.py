"""Faces traced one by one, joined along their bends into one pattern with bend lines.

    joined = join((a, b, c), JoinOptions(joints=(JointSaid("A.E2", "B.E4"),)))

Joints that nobody says are found (``matching``).  What is not known of a joint, the
difference of its two sides and the turn that their short length leaves open, widens the
uncertainty of the whole pattern.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitize.bending.facts import ALL, Said
from digitize.bending.setback import BadBend, outside_setback_mm
from digitize.errors import Notice
from digitize.joining.faces import MOST_FACES, NotJoined, Side, letter
from digitize.joining.joint import Joint, joint_of, precision, u_turn_rad
from digitize.joining.matching import STANDING, TELL, Pair, matched
from digitize.joining.options import Ends, JoinOptions, JointSaid
from digitize.joining.placing import Place, alike, laid, overlap, places, refuse_open_loops
from digitize.joining.said import faces_and_joints
from digitize.joining.union import united
from digitize.pattern.common_scale import shared_scale_u
from digitize.pattern.model import BendLine, Pattern, Provenance, Traced
from digitize.pattern.segments import Point
from digitize.pattern.soundness import fault


@dataclass(frozen=True, slots=True)
class Joined:
    """The one pattern, its joints, and where each face came to lie in it."""

    pattern: Pattern
    joints: tuple[Joint, ...]
    places: tuple[Place, ...]


def join(faces: Sequence[Pattern], options: JoinOptions | None = None) -> Joined:
    """The pattern of a folded piece from the patterns of its faces.

    Raises NotJoined where faces match nowhere, in several ways, or lie over each other, and
    BadBend where a bend's width is missing and angle, radius or thickness was not said.
    """
    options = options or JoinOptions()
    if not 2 <= len(faces) <= MOST_FACES:
        many = f"{len(faces)} faces are too many"
        what = "one face alone has nothing to be joined to" if len(faces) == 1 else many
        raise NotJoined(what, do=f"give the patterns of 2 to {MOST_FACES} faces")
    shared = {
        (i, j): shared_scale_u(a, b) for i, a in enumerate(faces) for j, b in enumerate(faces)
    }

    def pair_of(one: Side, other: Side) -> Pair:
        return Pair(one, other, shared[one.face, other.face])

    faces, sides, said = faces_and_joints(faces, options, pair_of)

    def fits(pairs: Sequence[Pair]) -> bool:
        return overlap(laid(faces, places(len(faces), pairs, {}))) is None

    def same(pairs: Sequence[Pair], others: Sequence[Pair]) -> bool:
        return alike(
            laid(faces, places(len(faces), pairs, {})), laid(faces, places(len(faces), others, {}))
        )

    pairs = matched(sides, said, options.within_mm, fits, same, pair=pair_of)
    words = [_words(f"B{i}", options) for i in range(1, len(pairs) + 1)]
    for name in options.said:
        if name != ALL and name not in {f"B{i}" for i in range(1, len(pairs) + 1)}:
            raise BadBend(f"no joint is called {name}", do=f"there are B1 to B{len(pairs)}")
    thickness_mm, notices = _thickness_mm(faces, options)
    gaps = {
        p: _gap_mm(f"B{i}", w, options.ends, thickness_mm)
        for i, (p, w) in enumerate(zip(pairs, words, strict=True), 1)
    }
    where = places(len(faces), pairs, gaps)
    refuse_open_loops(pairs, where, gaps, options.within_mm)
    placed = laid(faces, where)
    over = overlap(placed)
    if over is not None:
        raise NotJoined(
            f"face {letter(over[0])} lies over face {letter(over[1])} once joined",
            do="check which sides meet, and that all faces show the same surface of the sheet",
        )
    union = united(placed, pairs, gaps)
    joints = tuple(
        joint_of(f"B{i}", p, pairs, placed, where, gaps[p], p not in said)
        for i, p in enumerate(pairs, 1)
    )
    bends = tuple(
        _bend(p, ends_mm, w, options.ends)
        for p, ends_mm, w in zip(pairs, union.bends, words, strict=True)
    )
    pattern = Pattern(
        options.name,
        union.outline,
        openings=(*(o for f in placed for o in f.openings), *union.inside),
        bends=(*bends, *(b for f in placed for b in f.bends)),
        marks=tuple(m for f in placed for m in f.marks),
        scribes=tuple(s for f in placed for s in f.scribes),
        thickness_mm=thickness_mm,
        precision=precision(faces, pairs, joints),
        provenance=Provenance(made_by=options.made_by),
        notices=(
            *_face_notices(faces),
            *notices,
            *_joint_notices(joints, union.blended_mm),
            *_placed_by_word(options),
        ),
    )
    found = fault(pattern)
    if found is not None:
        raise NotJoined(
            f"the joined pattern cannot be cut: {found.what}",
            where=found.where,
            do="check which sides meet",
        )
    return Joined(pattern, joints, where)


def _words(name: str, options: JoinOptions) -> Said:
    own, every = options.said.get(name, Said()), options.said.get(ALL, Said())
    return Said(
        angle_deg=every.angle_deg if own.angle_deg is None else own.angle_deg,
        toward_face=every.toward_face if own.toward_face is None else own.toward_face,
        radius_mm=every.radius_mm if own.radius_mm is None else own.radius_mm,
        traced=own.traced or every.traced,
    )


def _thickness_mm(
    faces: Sequence[Pattern], options: JoinOptions
) -> tuple[float | None, list[Notice]]:
    if options.thickness_mm is not None:
        return options.thickness_mm, []
    known = [f.thickness_mm for f in faces if f.thickness_mm is not None]
    if not known or max(known) - min(known) <= 0.1 * max(known):
        return (known[0] if known else None), []
    text = (
        f"the faces state thicknesses from {min(known):g} to {max(known):g} mm; "
        f"{known[0]:g} mm is kept: measure the sheet"
    )
    return known[0], [Notice("thickness-differs", text, "doubt")]


def _gap_mm(name: str, words: Said, ends: Ends, thickness_mm: float | None) -> float:
    """How far apart two sides lie in the pattern: what the tangent lines leave out."""
    if ends != "tangent" or words.traced is not None:
        return 0.0
    if words.angle_deg is None or words.radius_mm is None or thickness_mm is None:
        raise BadBend(
            f"faces that end at the tangent lines lack the width of {name}",
            do='say angle, radius and thickness, as --bend "all toward 90 r1.5" --thickness 1.5',
        )
    return 2 * outside_setback_mm(words.angle_deg, words.radius_mm, thickness_mm)


def _bend(pair: Pair, ends_mm: tuple[Point, Point], words: Said, ends: Ends) -> BendLine:
    drawn = words.traced or ("outside" if ends == "tangent" else ends)
    traced: Traced | None
    if drawn == "face":
        if words.toward_face is None:
            raise BadBend(
                "sides on the seen face need to know which way each bend goes",
                do='say for example --bend "all toward 90"',
            )
        traced = "inside" if words.toward_face else "outside"
    else:
        traced = drawn
    return BendLine(
        *ends_mm,
        angle_deg=words.angle_deg,
        toward_face=words.toward_face,
        inside_radius_mm=words.radius_mm,
        traced=traced,
        u_mm=math.hypot(pair.one.u_mm, pair.other.u_mm) / 2,
        u_deg=math.degrees(u_turn_rad(pair)),
    )


def _face_notices(faces: Sequence[Pattern]) -> list[Notice]:
    """What was said of each face, once where it was said of several alike."""
    found: dict[Notice, list[str]] = {}
    for i, face in enumerate(faces):
        for notice in face.notices:
            found.setdefault(notice, []).append(letter(i))
    return [replace(n, text=f"face {', '.join(names)}: {n.text}") for n, names in found.items()]


def _joint_notices(joints: Sequence[Joint], blended_mm: float) -> list[Notice]:
    notices = []
    for joint in joints:
        if abs(joint.difference_mm) > 3.0 * joint.u_difference_mm:
            text = (
                f"{joint.bend}: {joint.one} and {joint.other} differ by "
                f"{abs(joint.difference_mm):.2f} mm in length, more than their ± explains "
                f"({STANDING}); the pattern's ± was widened: trace both again, or check that they "
                "are one bend"
            )
            notices.append(Notice("joint-mismatch", text, "doubt"))
        if joint.found and joint.cost > -TELL:
            text = (
                f"{joint.bend}: {joint.one} and {joint.other} were joined because nothing fits "
                f'better, but might be alike by chance: check, or say --joint "{joint.one} '
                f'{joint.other}"'
            )
            notices.append(Notice("joint-by-length", text, "doubt"))
    if blended_mm > 0.0:
        text = (
            "corners at the ends of joints were moved to their mean, "
            f"by at most {blended_mm:.2f} mm"
        )
        notices.append(Notice("joints-blended", text))
    if any(joint.gap_mm > 0.0 for joint in joints):
        text = "the width of each bend, which no photo shows, was closed with straight edges"
        notices.append(Notice("bend-width-added", text))
    return notices


def _placed_by_word(options: JoinOptions) -> list[Notice]:
    notices = []
    for i, joint in enumerate(options.joints, 1):
        said = JointSaid(*joint)
        if said.at_mm is not None:
            text = (
                f"B{i}: {said.one} and {said.other} lie along each other as said, from "
                f"{said.at_mm:g} mm on; no ± stands for that"
            )
            notices.append(Notice("joint-as-said", text, "doubt"))
    return notices
