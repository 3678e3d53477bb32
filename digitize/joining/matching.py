"""Which sides of the faces are two sides of one bend, where nobody says.

Two sides match by their length, as far as its uncertainty goes, and by the shape of their
ends: at most bends the edges beside the bend line run straight on over it, so that the two
corners make 180 degrees.  The cost of a joint is minus twice the logarithm of how much
likelier its sides are as one bend than as two edges of like length by chance; lengths of
edges are spread evenly over their logarithm, so that long sides that agree say more.  The
joints chosen are the tree of least cost whose faces do not lie over each other.  A second
tree that costs less than ``TELL`` more is nearly as good, and then somebody must say.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

from digitize.joining.faces import NotJoined, Side, letter

TELL = 6.0
"""Odds of 20 to 1 as twice their logarithm, "strong" (Kass and Raftery 1995; from memory)."""
_END_DEG = 10.0  # how far corners usually are from running straight on
_MOST_END = 4.0  # a tapered flange says no more against a joint than that, at each end
_SHORTEST_MM = 10.0  # edges shorter than that match by chance
_LEAST_U_MM = 0.1
_MOST_STEPS = 2_000
_MOST_ALIKE = 64


@dataclass(frozen=True, slots=True)
class Pair:
    """Two sides that are, or may be, one bend."""

    one: Side
    other: Side
    shared_scale_u: float = 0.0  # relative: what makes both faces too large alike

    @property
    def difference_mm(self) -> float:
        """How much longer the first is."""
        return self.one.line.length_mm - self.other.line.length_mm

    @property
    def u_difference_mm(self) -> float:
        """Standard uncertainty of that difference, without what both lengths have in common."""
        both = self.one.line.length_mm * self.other.line.length_mm * self.shared_scale_u**2
        own = self.one.u_length_mm**2 + self.other.u_length_mm**2 - 2.0 * both
        return max(math.sqrt(max(0.0, own)), _LEAST_U_MM)

    @property
    def cost(self) -> float:
        """Minus twice the log of the odds for one bend against chance; less is better."""
        u = self.u_difference_mm
        length = min(self.one.line.length_mm, self.other.line.length_mm)
        cost = (self.difference_mm / u) ** 2 - 2.0 * math.log(length / (u * math.sqrt(math.tau)))
        for corners in (
            self.one.before_deg + self.other.after_deg,
            self.one.after_deg + self.other.before_deg,
        ):
            cost += min(((corners - 180.0) / _END_DEG) ** 2, _MOST_END)
        return cost

    @property
    def words(self) -> str:
        """As "A.E3 to B.E1"."""
        return f"{self.one.full_name} to {self.other.full_name}"


def matched(
    faces: Sequence[Sequence[Side]],
    said: Sequence[Pair],
    within_mm: float,
    fits: Callable[[Sequence[Pair]], bool],
    same: Callable[[Sequence[Pair], Sequence[Pair]], bool],
    *,
    pair: Callable[[Side, Side], Pair] = Pair,
) -> tuple[Pair, ...]:
    """The joints: those that were said, then those found, face by face.

    ``fits`` tells whether faces joined so lie beside each other, ``same`` whether two ways of
    joining give one piece, as either long side of a plain rectangle does; ``pair`` makes the
    pair of two sides.  Raises NotJoined
    where a face matches none, or the faces go together in more than one way.
    """
    found = _Search(faces, said, within_mm, fits, pair)
    found.run()
    if not found.trees and not found.given_up:
        raise _lonely(faces, said, within_mm, pair)
    best = min((cost for cost, _ in found.trees), default=0.0)
    good = sorted((t for t in found.trees if t[0] < best + TELL), key=lambda t: t[0])
    if found.given_up or len(good) > _MOST_ALIKE:
        raise NotJoined(_SEVERAL, where=_either(good), do=_SAY)
    for other in good[1:]:
        if not same((*said, *good[0][1]), (*said, *other[1])):
            raise NotJoined(_SEVERAL, where=_either([good[0], other]), do=_SAY)
    chosen = sorted(good[0][1], key=lambda p: (p.one.face, p.other.face, p.one.names))
    return (*said, *chosen)


STANDING = "a flange that stood up toward the camera makes a side too long"
_SEVERAL = "the faces go together in more than one way"


def _say(sides: str) -> str:
    return f'say which sides meet, as --joint "{sides}"'


_SAY = _say("A.E3 B.E1")


def _either(good: Sequence[tuple[float, tuple[Pair, ...]]]) -> str:
    if len(good) < 2:
        return "too many sides are of one length"
    first, second = good[0][1], good[1][1]
    one = [p.words for p in first if p not in second]
    other = [p.words for p in second if p not in first]
    return f"{' and '.join(one)}, or {' and '.join(other)}"


def _lonely(
    faces: Sequence[Sequence[Side]],
    said: Sequence[Pair],
    within_mm: float,
    pair: Callable[[Side, Side], Pair],
) -> NotJoined:
    """What keeps the faces apart; the sides to name are those that are nearest in length."""
    group = _grouped(len(faces), said)
    for face, sides in enumerate(faces):
        others = [s for f, there in enumerate(faces) if group[f] != group[face] for s in there]
        near = min(
            (
                (abs(a.line.length_mm - b.line.length_mm), a.full_name, b.full_name)
                for a in sides
                for b in others
            ),
            default=None,
        )
        like = [
            p
            for a in sides
            for b in others
            if abs((p := pair(a, b)).difference_mm) <= within_mm and p.cost < 0.0
        ]
        if others and not like:
            nearest = "" if near is None else f"; nearest are {near[1]} and {near[2]}, "
            nearest += "" if near is None else f"{near[0]:.2f} mm apart in length ({STANDING})"
            what = f"no side of face {letter(face)} is clearly one of another face too{nearest}"
            return NotJoined(what, do=_SAY if near is None else _say(f"{near[1]} {near[2]}"))
    return NotJoined(
        "no sides of like length join all the faces without laying one over another", do=_SAY
    )


def _grouped(count: int, pairs: Sequence[Pair]) -> list[int]:
    """For every face a number shared by those that are joined."""
    group = list(range(count))
    for pair in pairs:
        a, b = group[pair.one.face], group[pair.other.face]
        group = [a if g == b else g for g in group]
    return group


class _Search:
    """Every tree of joints that costs little more than the best, the cheapest pairs first."""

    def __init__(
        self,
        faces: Sequence[Sequence[Side]],
        said: Sequence[Pair],
        within_mm: float,
        fits: Callable[[Sequence[Pair]], bool],
        pair: Callable[[Side, Side], Pair],
    ) -> None:
        used = {(s.face, s.names) for p in said for s in (p.one, p.other)}
        pairs = [
            pair(a, b)
            for f, g in combinations(range(len(faces)), 2)
            for a in faces[f]
            for b in faces[g]
            if not {(a.face, a.names), (b.face, b.names)} & used
            and abs(a.line.length_mm - b.line.length_mm) <= within_mm
            and min(a.line.length_mm, b.line.length_mm) >= _SHORTEST_MM
        ]
        # At a cost above zero the two are likelier alike by chance.
        self._pairs = sorted((p for p in pairs if p.cost < 0.0), key=lambda p: p.cost)
        self._said, self._count, self._fits = tuple(said), len(faces), fits
        self.trees: list[tuple[float, tuple[Pair, ...]]] = []
        self.best, self.steps = float("inf"), 0

    @property
    def given_up(self) -> bool:
        return self.steps > _MOST_STEPS

    def run(self) -> None:
        self._from(0, (), 0.0, _grouped(self._count, self._said))

    def _from(self, at: int, chosen: tuple[Pair, ...], cost: float, group: list[int]) -> None:
        self.steps += 1
        missing = len(set(group)) - 1
        if missing == 0:
            if not chosen or self._fits((*self._said, *chosen)):
                self.trees.append((cost, chosen))
                self.best = min(self.best, cost)
            return
        if self.given_up:
            return
        for i in range(at, len(self._pairs)):
            pair = self._pairs[i]
            # Later pairs cost no less, so no tree from here on is worth having either.
            if cost + missing * pair.cost >= self.best + TELL:
                return
            a, b = group[pair.one.face], group[pair.other.face]
            taken = {s for p in chosen for s in (p.one, p.other)}
            if a != b and not {pair.one, pair.other} & taken:
                merged = [a if g == b else g for g in group]
                self._from(i + 1, (*chosen, pair), cost + pair.cost, merged)
