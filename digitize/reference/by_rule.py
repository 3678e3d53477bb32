"""The camera by one or two rules in view."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from digitize.camera.priors import Framed
from digitize.errors import Notice
from digitize.reference.rules import RuleSeen, RulesLayout
from digitize.reference.solve import Outlook, Referenced, solve

FloatArray = NDArray[np.float64]

_SQUARE_U_RAD = math.radians(0.05)
"""Of a carpenter's square's right angle (judgement, no source)."""


def camera_by_rules(
    photo: Framed,
    rules: tuple[RuleSeen, ...],
    *,
    square: bool = False,
    level_deg: float | None = None,
) -> Referenced:
    """The camera, in a frame whose x runs along the first rule and whose plane is the bench.

    ``square``: two rules are the legs of one square.  ``level_deg`` is how square-on
    somebody says that the camera was held, one sigma; None: nobody says.
    """
    first = rules[0]
    outlook, axis = _outlook(first)
    guess = []
    for other in rules[1:]:
        own, _ = _outlook(other)
        turn = -(own.turn_rad - outlook.turn_rad)
        off = (own.at_px - outlook.at_px) / outlook.px_per_mm
        left = np.array([axis[1], -axis[0]])
        guess.append((float(off @ axis), float(off @ left), turn))
    right_angle = None
    if square and guess:
        nearest = (math.floor(guess[0][2] / math.pi) + 0.5) * math.pi
        right_angle = (nearest, _SQUARE_U_RAD)
    layout = RulesLayout(rules, tuple(guess), right_angle)
    seen = layout.seen(1 / outlook.px_per_mm)
    found = solve(photo, seen, layout, outlook, _name(rules), level_deg=level_deg)
    return replace(found, notices=(*_notices(rules, found), *found.notices))


def _outlook(rule: RuleSeen) -> tuple[Outlook, FloatArray]:
    index, px = rule.marks.index, rule.marks.px.mean(axis=1)
    near = np.argsort(np.abs(index - (index[0] + index[-1]) // 2))[: max(6, len(index) // 3)]
    k = index[near].astype(float) - (index[0] + index[-1]) // 2
    step = np.polynomial.polynomial.polyfit(k, px[near], 1)
    axis = step[1] / np.linalg.norm(step[1])
    return (
        Outlook(
            at_px=step[0],
            at_mm=np.zeros(2),
            turn_rad=math.atan2(axis[1], axis[0]),
            px_per_mm=float(np.linalg.norm(step[1])) / rule.pitch_mm,
        ),
        axis,
    )


def _name(rules: tuple[RuleSeen, ...]) -> str:
    parts = [f"{r.name} marks over {r.length_mm:.0f} mm" for r in rules]
    return ("rule, " if len(rules) == 1 else "rules, ") + " and ".join(parts)


def _notices(rules: tuple[RuleSeen, ...], found: Referenced) -> list[Notice]:
    notices = [
        Notice(
            "rule-read",
            f"the rule is read as {rule.name}, {len(rule.marks.index)} marks over "
            f"{rule.length_mm:.0f} mm: say so if that is wrong",
        )
        for rule in rules
    ]
    if len(rules) == 1 and not found.square_on_assumed:
        notices.append(
            Notice(
                "lean-by-marks",
                "one rule shows how far the camera leaned across it only by how its marks fan "
                f"out, here to ±{2 * found.lean_u_deg[1]:.1f}°, and the ± is widened for that: lay "
                "a second rule at a right angle for a smaller one",
                "doubt",
            )
        )
    share = float(found.solution.used.mean())
    if share < 0.7:
        notices.append(
            Notice(
                "marks-left-out",
                f"{100 * (1 - share):.0f} % of the rule's marks do not fit the others: "
                "look at the proof before trusting the size",
                "doubt",
            )
        )
    return notices
