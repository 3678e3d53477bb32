"""Faces traced one by one, joined along their bends into one pattern with bend lines.

    joined = join((a, b, c), JoinOptions(joints=(JointSaid("A.E2", "B.E4"),)))

Joints that nobody says are found (``matching``).  What is not known of a joint, the
difference of its two sides and the turn that their short length leaves open, widens the
uncertainty of the whole pattern.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

from digitize.bending.facts import ALL, Said
from digitize.bending.setback import BadBend, outside_setback_mm
from digitize.blank.hand import from_behind
from digitize.errors import Notice
from digitize.joining.faces import (
    MOST_FACES,
    NotJoined,
    Side,
    letter,
    side_named,
    sides_of,
    turned_over,
)
from digitize.joining.matching import STANDING, TELL, Pair, matched
from digitize.joining.parts import cut, part_of, stretch_mm
from digitize.joining.placing import (
    Place,
    alike,
    ends_apart_mm,
    laid,
    overlap,
    places,
    refuse_open_loops,
)
from digitize.joining.union import united
from digitize.pattern.common_scale import shared_scale_u
from digitize.pattern.model import BendLine, Pattern, Precision, Provenance, Traced
from digitize.pattern.segments import Point
from digitize.pattern.soundness import fault

Ends = Traced | Literal["face", "tangent"]
"""Where the faces were seen to end at a bend: as ``BendLine.traced`` says it, on the seen face
throughout, or at the tangent line, where the flat ends and the bend begins."""

WITHIN_MM = 1.0
"""How far the two sides of a bend may differ in length: what snips, a file and a ragged edge
leave on a hand-made piece; common practice, no source."""


class JointSaid(NamedTuple):
    """Two sides that are one bend, as A.E3 and B.E1.

    Where the bend takes only a part of the longer side, ``at_mm`` is where on it the shorter one
    begins, from the corner where the longer side begins, going round counter-clockwise.
    """

    one: str
    other: str
    at_mm: float | None = None


@dataclass(frozen=True, slots=True)
class JoinOptions:
    """How faces are joined.

    ``said`` maps B1... or ``all`` to what is said of
    a bend.  Sides may differ in length by ``within_mm``.  Faces in ``turned_over`` (from 0) were
    seen from the other side of the sheet than the rest.
    """

    name: str = "joined"
    joints: tuple[JointSaid, ...] = ()
    said: Mapping[str, Said] = field(default_factory=dict)
    ends: Ends = "outside"
    turned_over: frozenset[int] = frozenset()
    thickness_mm: float | None = None
    within_mm: float = WITHIN_MM
    made_by: str = "hand"


@dataclass(frozen=True, slots=True)
class Joint:
    """A bend two faces were joined along, and how well they met.

    ``difference_mm`` is how much longer the first side is, ``start_off_mm`` and ``end_off_mm``
    how far the corners at the first side's start and end missed each other, ``residual_mm``
    their root mean square.  ``u_mm`` is the standard uncertainty the joint adds to a length
    over it.
    """

    bend: str
    one: str
    other: str
    length_mm: float
    difference_mm: float
    u_difference_mm: float
    start_off_mm: float
    end_off_mm: float
    residual_mm: float
    u_mm: float
    gap_mm: float
    found: bool  # not said
    cost: float  # as ``Pair`` has it


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

    faces, sides, said = _faces_and_joints(faces, options, pair_of)

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
        _joint(f"B{i}", p, pairs, placed, where, gaps[p], p not in said)
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
        precision=_precision(faces, pairs, joints),
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


def _faces_and_joints(
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
        faces[i] = from_behind(faces[i])
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
        u_deg=math.degrees(_u_turn_rad(pair)),
    )


def _u_turn_rad(pair: Pair) -> float:
    """Standard uncertainty of the turn between two faces, whose sides' ends are each off."""
    length = min(pair.one.line.length_mm, pair.other.line.length_mm)
    return math.sqrt(2.0) * math.hypot(pair.one.u_mm, pair.other.u_mm) / length


def _joint(  # noqa: PLR0917
    name: str,
    pair: Pair,
    pairs: Sequence[Pair],
    placed: Sequence[Pattern],
    where: Sequence[Place],
    gap_mm: float,
    found: bool,
) -> Joint:
    start_off, end_off, residual = ends_apart_mm(pair, where, gap_mm)
    middle = _placed_middle(pair.one, placed)
    beyond = _beyond(pair, pairs)
    reaches = [
        max(
            (
                math.dist(middle, (float(x), float(y)))
                for i, face in enumerate(placed)
                if (i in beyond) == far
                for x, y in face.outline.points_mm(0.5)
            ),
            default=0.0,
        )
        for far in (True, False)
    ]
    # A length over the joint turns with the shorter arm at most.
    turned = _u_turn_rad(pair) * min(reaches)
    own = math.hypot(pair.one.u_mm, pair.other.u_mm)
    return Joint(
        name,
        pair.one.full_name,
        pair.other.full_name,
        (pair.one.line.length_mm + pair.other.line.length_mm) / 2,
        pair.difference_mm,
        pair.u_difference_mm,
        start_off,
        end_off,
        residual,
        math.hypot(own, residual, turned),
        gap_mm,
        found,
        pair.cost,
    )


def _placed_middle(side: Side, placed: Sequence[Pattern]) -> Point:
    """The middle of a side where its face was placed."""
    edges = placed[side.face].outline.as_contour().edges
    (x0, y0), (x1, y1) = edges[side.first].segment.start_mm, edges[side.last].segment.end_mm
    return (x0 + x1) / 2, (y0 + y1) / 2


def _beyond(pair: Pair, pairs: Sequence[Pair]) -> set[int]:
    """The faces that hang on the first face through this joint."""
    reached, grown = {pair.other.face}, True
    while grown:
        grown = False
        for p in pairs:
            ends = {p.one.face, p.other.face}
            if p != pair and len(ends & reached) == 1:
                reached |= ends
                grown = True
    return reached


def _precision(
    faces: Sequence[Pattern], pairs: Sequence[Pair], joints: Sequence[Joint]
) -> Precision | None:
    """The poorest face's, widened by the joints of the longest way from face to face.

    The faces' own budgets speak of places in their own photos, and end here.
    """
    stated = [f.precision for f in faces if f.precision is not None]
    if len(stated) < len(faces):
        return None
    worst = Precision(max(p.edge_u_mm for p in stated), max(p.scale_u for p in stated))
    worst = replace(worst, budget=worst.as_budget)
    return worst.widened("joints", math.sqrt(_longest(len(faces), pairs, joints) / 2))


def _longest(count: int, pairs: Sequence[Pair], joints: Sequence[Joint]) -> float:
    """The largest sum of squared joint uncertainties between two faces."""
    worst = 0.0
    for start in range(count):
        reached = {start: 0.0}
        waiting = [start]
        while waiting:
            here = waiting.pop()
            for pair, joint in zip(pairs, joints, strict=True):
                for a, b in ((pair.one.face, pair.other.face), (pair.other.face, pair.one.face)):
                    if a == here and b not in reached:
                        reached[b] = reached[here] + joint.u_mm**2
                        waiting.append(b)
        worst = max(worst, *reached.values())
    return worst


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
