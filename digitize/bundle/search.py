"""The search for the state that explains all photos, and for the sheets that do not fit in.

Robust first: every start is followed with falling weights for far corners, so that the
majority decides.  Then with equal weights: blocks far off are set aside, and of the others
the most suspicious sheet (see ``suspects``) is taken out, everything is adjusted without
it, and what it then looks like decides whether it is lifted, bent, or was moved, and in
which photos it may be used after all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.beliefs import FREE_MM, Beliefs, usual_beliefs
from digitize.bundle.heights import HEIGHTS, LEVEL
from digitize.bundle.normal import adjust, inverse, linearise
from digitize.bundle.start import all_placed, first_of, first_states, laid, planes_of
from digitize.bundle.state import PLACE, State, order_of
from digitize.bundle.suspects import (
    Fault,
    Suspicion,
    active_blocks,
    active_sheets,
    off_plane,
    suspicions,
)
from digitize.bundle.view import Block, Problem
from digitize.bundle.weighing import Weighing, distance2, good_corners, typical2
from digitize.errors import DigitizeError, Exit

FloatArray = NDArray[np.float64]
Place = tuple[FloatArray, float]
BoolArray = NDArray[np.bool_]

_CAUCHY = 2.5  # standard deviations at which a corner's weight has halved
_CAUCHY_MEAN = 1.584  # of a good corner's robust cost: c^2 exp(c^2 / 2) E1(c^2 / 2), c = 2.5
_STILL_CLOSE = 4.0  # times the least cost, at which a start is worth following
_GROSS = 15.0  # standard deviations by which half of a block is off
_GROSS_MM = 1.0
_NEAR_MM = 2.0  # places of a sheet in two photos that may be one place
_ROUGH = 4.0  # times the usual misfit: a sheet that its corners do not agree on
_OTHER_LENS = 12.0  # standard deviations from the common lens
_STEPS = 60
_MOST_ROUNDS, _PAYS = 12, 0.98  # of drawing weights anew; the share of the cost that is left
_MOST_TRIED = 3  # sheets left out in turn, where several are far off
_USUAL_OFF = 4.0  # times what the other sheets are off the plane
_LEARNING_ROUNDS = 4
_TERMS_BELIEVED = 3.0
_CONTRADICTED = 20.0  # more chi square with a known lens than without: the lens is another one


class SheetsDisagreeError(DigitizeError):
    """Sheets lie otherwise to one another than they should, and none can be blamed."""

    exit_code = Exit.CAMERA


@dataclass(frozen=True, slots=True)
class SetAside:
    """A sheet that was left out, in all photos or in some."""

    sheet: int
    photos: tuple[int, ...]  # where it is not used
    everywhere: bool
    fault: Fault
    size_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class _Lying:
    """A sheet taken in again, and what is wrong with how it lies."""

    state: State
    weighing: Weighing
    fault: Fault | None
    size_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The adjusted state."""

    problem: Problem  # where a photo proved to be of another lens, it has one of its own
    state: State
    beliefs: Beliefs
    weighing: Weighing
    datum: int
    aside: tuple[SetAside, ...]


def free_unknowns(problem: Problem, weighing: Weighing, datum: int) -> BoolArray:
    """Which unknowns (U,) the active blocks can move; the datum stays in place."""
    order = order_of(problem)
    free = np.zeros(order.count, dtype=bool)
    for number in np.flatnonzero(weighing.active):
        free[order.block(problem, problem.blocks[number])] = True
    free[order.sheet(datum)[:PLACE]] = False
    return free


def search(problem: Problem, datum: int | None) -> Found:
    """Adjust everything; raises ``SheetsDisagreeError`` and what ``start`` raises.

    Cameras known from earlier photos are believed unless these photos contradict them.
    """
    if not any(problem.known):
        return _searched(problem, datum)
    stranger = replace(problem, known=(None,) * len(problem.photos))
    free = _searched(stranger, datum)
    try:
        found = _searched(problem, datum)
    except SheetsDisagreeError:
        return free
    both = free.weighing.active & found.weighing.active
    cost = _robust_cost(found.state, found.problem, usual_beliefs(found.problem), both)
    unbiased = _robust_cost(free.state, free.problem, usual_beliefs(free.problem), both)
    return found if cost < unbiased + _CONTRADICTED else free


def _searched(problem: Problem, datum: int | None) -> Found:
    beliefs = usual_beliefs(problem)
    planes = planes_of(problem)
    first = first_of(planes, datum)
    flat = _among(problem, {(p.block.photo, p.block.sheet) for p in planes})
    shown = flat & np.array([b.photo == first.block.photo for b in problem.blocks])
    home = first.block.sheet
    tried = [
        _robust(s, problem, beliefs, home, part=shown, rounds=2)
        for s in first_states(problem, beliefs, planes, first)
    ]
    least = min(cost for _, cost in tried)
    close = [s for s, cost in tried if cost <= _STILL_CLOSE * least]
    state = min(
        (_robust(s, problem, beliefs, home, part=shown, rounds=3) for s in close),
        key=lambda t: t[1],
    )[0]
    if len(problem.photos) > 1:
        state = all_placed(state, problem, beliefs, planes, first)
        state, _ = _robust(state, problem, beliefs, home, part=flat, rounds=4)
        apart, of_its_own = problem, state
        while strange := _strange_photos(of_its_own, apart, usual_beliefs(apart)):
            apart, of_its_own = _with_lenses_of_their_own(apart, of_its_own, strange)
            of_its_own, _ = _robust(
                of_its_own, apart, usual_beliefs(apart), home, part=flat, rounds=4
            )
        if apart is not problem:
            return _by_evidence(
                _Search(problem, beliefs.doubting(state, problem), home),
                state,
                _Search(apart, usual_beliefs(apart).doubting(of_its_own, apart), home),
                of_its_own,
                flat,
            )
    return _Search(problem, beliefs.doubting(state, problem), home).found(state, flat)


def _by_evidence(
    shared: _Search, together: State, split: _Search, apart: State, flat: BoolArray
) -> Found:
    """With lenses of their own for some photos, if that explains them better.

    A sheet that was lifted or moved can make a lens look strange, until it is left out.
    """
    by_split = split.found(apart, flat)
    try:
        by_shared = shared.found(together, flat)
    except SheetsDisagreeError:
        return by_split
    both = by_split.weighing.active & by_shared.weighing.active
    costs = [
        _robust_cost(found.state, found.problem, usual_beliefs(found.problem), both)
        for found in (by_shared, by_split)
    ]
    more = by_split.problem.lenses - by_shared.problem.lenses
    plain = len(by_shared.aside) <= len(by_split.aside)
    return by_shared if plain and costs[0] < costs[1] + more * _CONTRADICTED else by_split


def _strange_photos(state: State, problem: Problem, beliefs: Beliefs) -> list[int]:
    """Photos that are not of the lens that they seem to share with others."""
    off = np.abs(state.own / beliefs.own_sigma).max(axis=1)
    shared = [problem.lens_of.count(lens) > 1 for lens in problem.lens_of]
    worst = max((float(o) for o, s in zip(off, shared, strict=True) if s), default=0.0)
    if worst < _OTHER_LENS:
        return []
    # One at a time: a strange photo pulls the common lens, and so the others, off as well.
    return [int(np.flatnonzero(np.array(shared) & (off == worst))[0])]


def _with_lenses_of_their_own(
    problem: Problem, state: State, photos: list[int]
) -> tuple[Problem, State]:
    lens_of, lens, own = list(problem.lens_of), state.lens, state.own.copy()
    for photo in photos:
        mine = lens[lens_of[photo]].copy()
        mine[:3] += own[photo]
        lens_of[photo], own[photo] = len(lens), 0.0
        lens = np.vstack([lens, mine])
    return replace(problem, lens_of=tuple(lens_of)), replace(state, lens=lens, own=own)


def _among(problem: Problem, names: set[tuple[int, int]]) -> BoolArray:
    return np.array([(block.photo, block.sheet) in names for block in problem.blocks])


def _robust(
    state: State, problem: Problem, beliefs: Beliefs, datum: int, *, part: BoolArray, rounds: int
) -> tuple[State, float]:
    """Adjust with falling weights for far corners; the state and its robust cost.

    ``part`` (B,) marks the blocks that take part.  ``rounds`` is as often as weights are
    drawn anew at least; it goes on as long as that pays.
    """
    scale2, cost = math.inf, math.inf
    for round_ in range(_MOST_ROUNDS):
        far2 = [
            distance2(state, problem, block) if on else np.full(len(block.px), np.inf)
            for block, on in zip(problem.blocks, part, strict=True)
        ]
        scale2 = min(scale2, typical2([d for d in far2 if np.isfinite(d).all()]))
        weights = [1 / (1 + d / (_CAUCHY**2 * scale2)) for d in far2]
        seen = np.array([bool(w.any()) for w in weights])
        free = free_unknowns(problem, Weighing((), seen, np.ones(0)), datum)
        forgiving = beliefs.forgiving(state.heights_mm, _CAUCHY)
        state = adjust(state, problem, forgiving, weights, free=free, most_steps=5)
        before, cost = cost, _robust_cost(state, problem, beliefs, part)
        if round_ + 1 >= rounds and cost > _PAYS * before:
            break
    return state, cost


def _robust_cost(state: State, problem: Problem, beliefs: Beliefs, part: BoolArray) -> float:
    mine = [block for block, on in zip(problem.blocks, part, strict=True) if on]
    far2 = np.concatenate([distance2(state, problem, block) for block in mine])
    corners = _CAUCHY**2 * float(np.log1p(np.minimum(far2, 1e12) / _CAUCHY**2).sum())
    forgiving = beliefs.forgiving(state.heights_mm, _CAUCHY)
    return corners + forgiving.cost(state, order_of(problem))


@dataclass(eq=False)
class _Search:
    problem: Problem
    beliefs: Beliefs
    datum: int

    def found(self, state: State, flat: BoolArray) -> Found:
        """From a robust start; ``flat`` (B,) marks the blocks that a plane fits."""
        problem = self.problem
        weighing = self._weighed(state, flat)
        aside: dict[int, SetAside] = {}
        gross = []
        while far := self._gross(state, weighing):
            sheet, state, weighing = self._without_one(state, weighing, far[:_MOST_TRIED])
            gross.append(sheet)
        state, weighing = self._settled(state, weighing)
        for sheet in gross:
            state, weighing = self._judged(state, weighing, sheet, aside)
        for _ in range(2 * len(problem.sheets)):
            suspects = self._suspicions(state, weighing)
            if not suspects:
                break
            likely = list(dict.fromkeys(s.sheet for s in suspects))[:_MOST_TRIED]
            sheet, state, weighing = self._without_one(state, weighing, likely)
            why = next(s for s in suspects if s.sheet == sheet)
            state, weighing = self._judged(state, weighing, sheet, aside, why)
        for sheet in [s for s, one in aside.items() if one.everywhere]:
            # Blamed while another one still pulled everything awry, perhaps.
            del aside[sheet]
            state, weighing = self._judged(state, weighing, sheet, aside)
        state, weighing = self._flatness_learned(state, weighing)
        return Found(problem, state, self.beliefs, weighing, self.datum, tuple(aside.values()))

    def _weighed(self, state: State, active: BoolArray) -> Weighing:
        """Good corners, and the roughness that the middle one of the sheets shows."""
        problem = self.problem
        good = tuple(good_corners(state, problem, block) for block in problem.blocks)
        active = active & np.array([bool(g.any()) for g in good])
        rough = [
            float(distance2(state, problem, problem.blocks[b])[good[b]].mean()) / 2
            for b in np.flatnonzero(active)
        ]
        usual = max(float(np.median(rough)), 1.0) if rough else 1.0
        return Weighing(good, active, np.full(len(problem.sheets), usual))

    def _settled(self, state: State, weighing: Weighing) -> tuple[State, Weighing]:
        """Adjusted with equal weight for the good corners of the active blocks."""
        self._mind_the_datum(weighing)
        for _ in range(3):
            free = free_unknowns(self.problem, weighing, self.datum)
            state = adjust(
                state,
                self.problem,
                self.beliefs,
                weighing.weights(self.problem),
                free=free,
                most_steps=_STEPS,
            )
            before, weighing = weighing, self._weighed(state, weighing.active)
            same = all(map(np.array_equal, before.good, weighing.good))
            if same and 0.9 < float(weighing.rough2[0] / before.rough2[0]) < 1.1:
                break
        return state, weighing

    def _mind_the_datum(self, weighing: Weighing) -> None:
        """Where the datum itself was taken out, the sheet with most corners takes over."""
        sheets = active_sheets(self.problem, weighing)
        if self.datum not in sheets:
            corners = {
                s: sum(
                    int(weighing.good[b].sum()) for b in active_blocks(self.problem, weighing, s)
                )
                for s in sheets
            }
            self.datum = max(corners, key=lambda s: corners[s])

    def _gross(self, state: State, weighing: Weighing) -> list[int]:
        """Sheets with a block that is so far off that equal weights would only spread it."""
        problem = self.problem
        far2 = [distance2(state, problem, b) for b in problem.blocks]
        middle2 = np.array([float(np.median(d)) for d in far2])
        scale2 = typical2([d for d in far2 if np.isfinite(d).all()])
        sheets: dict[int, float] = {}
        for number, block in enumerate(problem.blocks):
            if not weighing.active[number] or middle2[number] < _GROSS**2 * scale2:
                continue
            off_px = math.sqrt(middle2[number]) * float(np.median(block.sigma_px))
            if off_px > _GROSS_MM * _px_per_mm(block):
                sheets[block.sheet] = max(sheets.get(block.sheet, 0.0), float(middle2[number]))
        for sheet in active_sheets(problem, weighing):
            level_mm = state.heights_mm[sheet, :LEVEL]
            off2 = float(((level_mm / self.beliefs.height_sigma_mm[sheet, :LEVEL]) ** 2).max())
            if np.abs(level_mm).max() > _GROSS_MM and off2 > _GROSS**2:
                sheets[sheet] = max(sheets.get(sheet, 0.0), off2)
        return sorted(sheets, key=lambda s: -sheets[s])

    def _without_one(
        self, state: State, weighing: Weighing, sheets: list[int]
    ) -> tuple[int, State, Weighing]:
        """Without that one of some sheets which leaves the others most at peace."""
        tried = []
        for sheet in sheets:
            try:
                out = self._taken_out(weighing, sheet)
            except SheetsDisagreeError:
                continue
            place = state.middle_mm[sheet], float(state.angle_rad[sheet])
            tried.append((sheet, *self._settled(self._put(state, sheet, place), out)))
        if not tried:
            self._taken_out(weighing, sheets[0])
        rough2 = min(float(out.rough2[0]) for _, _, out in tried)
        unrest = [self._unrest(there, out, rough2) for _, there, out in tried]
        return tried[int(np.argmin(unrest))]

    def _unrest(self, state: State, weighing: Weighing, rough2: float) -> float:
        """Chi square beyond what noise explains, far corners counting little more."""
        far2 = np.concatenate(
            [
                distance2(state, self.problem, self.problem.blocks[b])[weighing.good[b]]
                for b in np.flatnonzero(weighing.active)
            ]
        )
        excess = _CAUCHY**2 * np.log1p(far2 / (rough2 * _CAUCHY**2)) - _CAUCHY_MEAN
        return float(excess.sum()) + self.beliefs.cost(state, order_of(self.problem))

    def _flatness_learned(self, state: State, weighing: Weighing) -> tuple[State, Weighing]:
        """Beliefs about how flat bench and paper are, brought in line with all the sheets.

        Expectation maximisation of two common factors, one for how the surface departs
        from its plane and one for the paper, with the usual belief counting as some terms
        seen already.
        """
        problem, usual = self.problem, self.beliefs.height_sigma_mm
        order = order_of(problem)
        sheets = active_sheets(problem, weighing)
        for _ in range(_LEARNING_ROUNDS):
            state, weighing = self._settled(state, weighing)
            free = np.flatnonzero(free_unknowns(problem, weighing, self.datum))
            linear = linearise(state, problem, self.beliefs, weighing.weights(problem))
            whole = (linear.information + linear.prior_information)[np.ix_(free, free)]
            variance = np.zeros(order.count)
            variance[free] = np.diag(inverse(whole))
            at = np.stack([order.sheet(s)[-HEIGHTS:] for s in sheets])
            seen2 = (state.heights_mm[sheets] ** 2 + variance[at]) / usual[sheets] ** 2
            factor = np.ones(HEIGHTS)
            for terms in (slice(0, LEVEL), slice(LEVEL, HEIGHTS)):
                total = float(seen2[:, terms].sum())
                mean2 = (_TERMS_BELIEVED + total) / (_TERMS_BELIEVED + seen2[:, terms].size)
                factor[terms] = math.sqrt(mean2)
            self.beliefs = replace(self.beliefs, height_sigma_mm=usual * factor)
        return self._settled(state, weighing)

    def _suspicions(self, state: State, weighing: Weighing) -> list[Suspicion]:
        linear = linearise(state, self.problem, self.beliefs, weighing.weights(self.problem))
        free = free_unknowns(self.problem, weighing, self.datum)
        return suspicions(state, self.problem, self.beliefs, weighing, linear=linear, free=free)

    def _taken_out(self, weighing: Weighing, sheet: int) -> Weighing:
        """Without a sheet; raises ``SheetsDisagreeError`` where the others cannot do without."""
        problem = self.problem
        out = weighing.without(active_blocks(problem, weighing, sheet))
        others = active_sheets(problem, out)
        if len(others) < 2:
            raise self._disagree(sheet, others)
        photos = {problem.blocks[b].photo for b in np.flatnonzero(weighing.active)}
        linked = self._linked(out)
        for photo in sorted(photos - linked):
            there = {
                problem.blocks[b].sheet
                for b in np.flatnonzero(out.active)
                if problem.blocks[b].photo == photo
            }
            raise self._disagree(sheet, sorted(there) or others, photo)
        return out

    def _linked(self, weighing: Weighing) -> set[int]:
        """Photos that hang together with the one that shows most sheets."""
        blocks = [self.problem.blocks[b] for b in np.flatnonzero(weighing.active)]
        most = max({b.photo for b in blocks}, key=lambda p: sum(b.photo == p for b in blocks))
        linked = {most}
        while True:
            sheets = {b.sheet for b in blocks if b.photo in linked}
            more = {b.photo for b in blocks if b.sheet in sheets}
            if more == linked:
                return linked
            linked = more

    def _judged(
        self,
        state: State,
        weighing: Weighing,
        sheet: int,
        aside: dict[int, SetAside],
        why: Suspicion | None = None,
    ) -> tuple[State, Weighing]:
        """Decide on a sheet that was taken out, with everything adjusted without it."""
        problem = self.problem
        known = aside[sheet].photos if sheet in aside else ()
        blocks = [
            number
            for number, block in enumerate(problem.blocks)
            if block.sheet == sheet and weighing.good[number].any() and block.photo not in known
        ]
        places = self._places(state, blocks)
        if not places:
            return state, weighing
        lying = self._lying(state, weighing, sheet, places)
        if lying is not None and lying.fault is None:
            return lying.state, lying.weighing
        stays = self._majority(places, sheet, why)
        if lying is not None or len(stays) == len(places):
            photos = tuple(sorted(problem.blocks[b].photo for b in blocks))
            fault = "bent" if lying is None or lying.fault is None else lying.fault
            size_mm = None if lying is None else lying.size_mm
            aside[sheet] = SetAside(sheet, (*known, *photos), True, fault, size_mm)
            return state, weighing
        gone = tuple(sorted(problem.blocks[b].photo for b in places if b not in stays))
        self._check_moved(weighing, sheet, gone)
        size_mm = max(
            _apart_mm(places[a], places[b], self._radius_mm(sheet)) for a in places for b in stays
        )
        aside[sheet] = SetAside(sheet, (*known, *gone), False, "moved", size_mm)
        put = self._put(state, sheet, places[stays[0]])
        return self._settled(put, weighing.with_(stays))

    def _places(self, state: State, blocks: list[int]) -> dict[int, Place]:
        """Where each photo sees the sheet lie in the plane, the largest view first."""
        problem = self.problem
        found = {}
        for number in sorted(blocks, key=lambda b: -_px_per_mm(problem.blocks[b])):
            block = problem.blocks[number]
            place = laid(block, state.pinhole(problem, block.photo))
            if place is not None:
                found[number] = place
        return found

    def _put(self, state: State, sheet: int, place: Place) -> State:
        """The state with one sheet laid flat at a place."""
        middles, angles = state.middle_mm.copy(), state.angle_rad.copy()
        heights, stretch = state.heights_mm.copy(), state.stretch.copy()
        (middles[sheet], angles[sheet]), heights[sheet], stretch[sheet] = place, 0.0, 0.0
        return replace(
            state, middle_mm=middles, angle_rad=angles, heights_mm=heights, stretch=stretch
        )

    def _lying(
        self, state: State, weighing: Weighing, sheet: int, places: dict[int, Place]
    ) -> _Lying | None:
        """The sheet as one thing that may lie off the plane; None if it is not one thing."""
        problem, usual = self.problem, self.beliefs
        heights = usual.height_sigma_mm.copy()
        heights[sheet] = FREE_MM
        self.beliefs = replace(usual, height_sigma_mm=heights)
        first = next(iter(places.values()))
        there, back = self._settled(self._put(state, sheet, first), weighing.with_(list(places)))
        linear = linearise(there, problem, self.beliefs, back.weights(problem))
        free = free_unknowns(problem, back, self.datum)
        suspects = suspicions(there, problem, self.beliefs, back, linear=linear, free=free)
        self.beliefs = usual
        if any(s.sheet == sheet and s.fault == "moved" for s in suspects):
            return None
        rough = max(
            float(distance2(there, problem, problem.blocks[b])[back.good[b]].mean()) / 2
            for b in places
        )
        off = off_plane(there, problem, linear, free, sheet)
        level = state.heights_mm[active_sheets(problem, weighing), :LEVEL]
        usual_mm = float(np.median(np.sqrt((level**2).sum(axis=1))))
        if rough > _ROUGH * float(back.rough2[0]):
            return _Lying(there, back, "bent", off.bulge_mm)
        if off.fault is not None and off.size_mm > _USUAL_OFF * usual_mm:
            return _Lying(there, back, off.fault, off.size_mm)
        # Innocent; but its heights are to be believed as far as they were seen.
        heights = usual.height_sigma_mm.copy()
        heights[sheet] = np.maximum(heights[sheet], np.abs(there.heights_mm[sheet]))
        self.beliefs = replace(usual, height_sigma_mm=heights)
        return _Lying(*self._settled(there, back), None, 0.0)

    def _majority(self, places: dict[int, Place], sheet: int, why: Suspicion | None) -> list[int]:
        """The blocks in which a sheet that was moved lies where most photos see it."""
        radius = self._radius_mm(sheet)
        near = {
            a: [b for b in places if _apart_mm(places[a], places[b], radius) < _NEAR_MM]
            for a in places
        }
        stays = max(near.values(), key=len)
        if len(stays) == len(places) and why is not None and why.block in places:
            stays = [b for b in places if b != why.block]
        return stays

    def _radius_mm(self, sheet: int) -> float:
        return float(np.hypot(*self.problem.size_mm(sheet))) / 2

    def _check_moved(self, weighing: Weighing, sheet: int, gone: tuple[int, ...]) -> None:
        """Two sheets at least must say that it was the third one that was moved."""
        blocks = [self.problem.blocks[b] for b in np.flatnonzero(weighing.active)]
        for photo in gone:
            elsewhere = {b.sheet for b in blocks if b.photo != photo}
            tied = sorted({b.sheet for b in blocks if b.photo == photo} & elsewhere)
            if len(tied) < 2:
                raise self._disagree(sheet, tied, photo)

    def _disagree(
        self, sheet: int, others: list[int], photo: int | None = None
    ) -> SheetsDisagreeError:
        names = [str(self.problem.sheets[s]) for s in (sheet, *others)]
        if photo is None:
            return SheetsDisagreeError(
                f"{' and '.join(names)} do not lie still on one plane, and nothing tells which is "
                "out of place",
                do="lay three sheets or more flat on one surface and photograph them again",
            )
        return SheetsDisagreeError(
            f"{' and '.join(names)} lie otherwise to one another than in the other photos, and "
            "nothing tells which of them was moved",
            where=self.problem.photos[photo].name,
            do="leave that photo out, or take all photos again and move no sheet between them",
        )


def _apart_mm(one: Place, other: Place, radius_mm: float) -> float:
    """How far apart two places of a sheet are, at its rim."""
    turned = (one[1] - other[1] + math.pi) % (2 * math.pi) - math.pi
    return float(np.hypot(*(one[0] - other[0]))) + abs(turned) * radius_mm


def _px_per_mm(block: Block) -> float:
    """Size of a millimetre of a block in its photo, roughly."""
    areas = [float(np.linalg.det(np.cov(points.T))) for points in (block.px, block.local_mm)]
    return float((areas[0] / max(areas[1], 1e-12)) ** 0.25)
