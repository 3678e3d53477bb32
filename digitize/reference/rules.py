"""The camera from rules lying in view.

A mark is a straight line across its rule, and where it should lie along the rule is known:
whole divisions, times the rule's own stretch.  Marks that crowd together show a lean along
the rule, marks that fan out a lean across it, as far as the rule lies flat on the bench.
What neither shows, the prior of a camera held square-on must say, and then the result
tells so.  Two rules at an angle, or a square, see both leans by their spacings alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.reference.layout import Places, Seen
from digitize.reference.measuring import Marks

FloatArray = NDArray[np.float64]

_ANYWHERE_MM, _ANY_TURN = 1e4, 10.0


@dataclass(frozen=True, slots=True)
class RuleBody:
    """What kind of rule it is: how high, how flat and how true its marks are.

    Standard uncertainties.
    """

    rise_mm: float  # of the marks over the work plane
    u_rise_mm: float
    u_lean: float  # slope of the marked face across the rule
    mark_u_mm: float  # of single marks
    error_mm: tuple[float, float]  # largest, for a length L in mm: first + second * L

    def stretch_u(self, length_mm: float) -> float:
        """Relative standard uncertainty of a length between two marks."""
        limit = self.error_mm[0] + self.error_mm[1] * length_mm
        return limit / math.sqrt(3) / length_mm


STEEL_RULE = RuleBody(0.75, 0.15, math.tan(math.radians(0.4)), 0.03, (0.1, 1e-4))
"""0.5 to 1 mm thick, lying flat to 0.35 mm across 25 mm, two sigma (common practice, no source);
errors as for accuracy class I of material measures of length (2014/32/EU, annex X: 0.1 + 0.1 L,
from memory)."""
TAPE = RuleBody(0.6, 0.4, 1.0, 0.06, (0.3, 2e-4))
"""Curved across, so its marks say nothing of a lean; accuracy class II (0.3 + 0.2 L)."""


@dataclass(frozen=True, slots=True, eq=False)
class RuleSeen:
    """One rule in the photo: its marks, what they mean, what it is."""

    marks: Marks
    pitch_mm: float
    body: RuleBody
    name: str  # "1 mm", "1/16 inch"

    @property
    def length_mm(self) -> float:
        """Between the first and the last mark."""
        return float(np.ptp(self.marks.index)) * self.pitch_mm


@dataclass(frozen=True, eq=False)
class RulesLayout:
    """Rules on one plane; the first one's middle mark is the frame's y axis.

    Unknowns: stretch, rise (mm), lean of each rule; then x, y (mm) and turn (rad) of every
    rule but the first.  ``turn_rad`` is what is known of the second rule's turn.
    """

    rules: tuple[RuleSeen, ...]
    guess: tuple[tuple[float, float, float], ...]  # x, y, turn of the others
    turn_rad: tuple[float, float] | None = None  # value and sigma

    @property
    def start(self) -> FloatArray:
        """First guess of the unknowns."""
        own = [v for rule in self.rules for v in (0.0, 0.0, 0.0)]
        return np.array([*own, *(v for g in self.guess for v in g)])

    def seen(self, mm_per_px: float) -> Seen:
        """What was seen of all rules: marks first, then each rule's base."""
        px, sigma = [], []
        for rule in self.rules:
            marks = rule.marks
            px.append(marks.px.reshape(-1, 2))
            error = rule.body.mark_u_mm / mm_per_px
            sigma.append(np.hypot(marks.sigma_px.reshape(-1), error))
        for number, rule in enumerate(self.rules):
            px.append(rule.marks.base_px[None])
            sigma.append(np.array([0.01 if number == 0 else 0.5]))
        all_px = np.vstack(px)
        return Seen(all_px, np.concatenate(sigma), np.ones(len(all_px), dtype=bool))

    def places(self, own: FloatArray) -> Places:
        """Where the marks are."""
        count = len(self.rules)
        blocks = [
            self._marks(number, own, np.repeat(rule.marks.index - _middle(rule), 2))
            for number, rule in enumerate(self.rules)
        ]
        for number in range(count):
            place = self._marks(number, own, np.zeros(1))
            turn = own[3 * count + 3 * number - 1] if number else 0.0
            c, s = math.cos(turn), math.sin(turn)
            along_by = np.zeros_like(place.along_by_own)
            if number:
                along_by[:, 0, 3 * count + 3 * number - 1] = -s
                along_by[:, 1, 3 * count + 3 * number - 1] = c
            blocks.append(Places(place.mm, np.array([[c, s, 0.0]]), place.by_own, along_by))
        return Places(
            np.vstack([b.mm for b in blocks]),
            np.vstack([b.along for b in blocks]),
            np.vstack([b.by_own for b in blocks]),
            np.vstack([b.along_by_own for b in blocks]),
        )

    def _marks(self, number: int, own: FloatArray, index: FloatArray) -> Places:
        rule, count = self.rules[number], len(self.rules)
        stretch, rise, lean = own[3 * number : 3 * number + 3]
        x0 = y0 = turn = 0.0
        at = 3 * count + 3 * (number - 1)
        if number:
            x0, y0, turn = own[at : at + 3]
        c, s = math.cos(turn), math.sin(turn)
        nominal = index * rule.pitch_mm
        x = nominal * (1 + stretch)
        n, m = len(index), len(own)
        z = np.full(n, rule.body.rise_mm + rise)
        mm = np.column_stack([x0 + c * x, y0 + s * x, z])
        along = np.tile([-s, c, lean], (n, 1))
        by, along_by = np.zeros((n, 3, m)), np.zeros((n, 3, m))
        by[:, 0, 3 * number], by[:, 1, 3 * number] = c * nominal, s * nominal
        by[:, 2, 3 * number + 1] = 1.0
        along_by[:, 2, 3 * number + 2] = 1.0
        if number:
            by[:, 0, at] = by[:, 1, at + 1] = 1.0
            by[:, 0, at + 2], by[:, 1, at + 2] = -s * x, c * x
            along_by[:, 0, at + 2], along_by[:, 1, at + 2] = -c, -s
        return Places(mm, along, by, along_by)

    def pulls(self, own: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Priors of stretch, rise and lean, and of where the other rules lie."""
        sigma = [
            v
            for rule in self.rules
            for v in (
                rule.body.stretch_u(max(rule.length_mm, 1.0)),
                rule.body.u_rise_mm,
                rule.body.u_lean,
            )
        ]
        sigma += [_ANYWHERE_MM, _ANYWHERE_MM, _ANY_TURN] * (len(self.rules) - 1)
        middle = np.zeros(len(own))
        if len(self.rules) > 1 and self.turn_rad is not None:
            at = 3 * len(self.rules) + 2
            middle[at], sigma[at] = self.turn_rad
        widths = np.array(sigma)
        return (own - middle) / widths, np.diag(1 / widths)


def _middle(rule: RuleSeen) -> int:
    index = rule.marks.index
    return int(index[0] + index[-1]) // 2
