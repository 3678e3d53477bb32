"""Marks as a camera would see them, without pictures; OpenCV projects, everything is drawn."""

from __future__ import annotations

import numpy as np
from bench import Rule, Shot

from digitize.camera.priors import Frame
from digitize.reference.measuring import Marks
from digitize.reference.rules import STEEL_RULE, RuleSeen

CORNERS_MM = np.array([[20, 50], [280, 50], [280, 150], [150, 180], [20, 150], [150, 110]], float)


def seen_rules(rng, *, body=STEEL_RULE, tilt_deg=None, header=True, second=False, noise_px=0.05):
    """A shot, its header, and the rules seen in it, every error drawn from its prior."""
    focal = rng.uniform(1100, 1800)
    shot = Shot(
        focal_px=focal,
        off_px=tuple(rng.normal(0, 12, 2)),
        k1=rng.normal(0, 0.03),
        tilt_deg=abs(rng.normal(0, 5)) if tilt_deg is None else tilt_deg,
        toward_deg=rng.uniform(0, 360),
        roll_deg=rng.uniform(-20, 20),
        distance_mm=focal / 1500 * rng.uniform(380, 520),
    )
    rules = [_rule(rng, shot, body, (5.0, 0.0), 0.0, 300, noise_px)]
    if second:
        rules.append(_rule(rng, shot, body, (300.0, 20.0), 90.0, 150, noise_px))
    told = (focal * np.exp(rng.normal(0, 0.03)), 0.03) if header else (None, None)
    return shot, Frame(*shot.size_px, *told), tuple(rules)


def _rule(rng, shot, body, at_mm, turn_deg, count, noise_px):  # noqa: PLR0917
    stretch = 1 + rng.normal(0, body.stretch_u(count))
    rise = body.rise_mm + rng.normal(0, body.u_rise_mm)
    lean = rng.normal(0, body.u_lean)
    index = np.arange(count + 1)
    length = np.where(index % 10 == 0, 6.5, np.where(index % 5 == 0, 4.5, 3.0))
    rule = Rule(at_mm=at_mm, turn_deg=turn_deg)

    def px(along_mm, across_mm):
        across_mm = np.broadcast_to(across_mm, along_mm.shape)
        place = rule.place(along_mm, across_mm)
        return shot.px(np.column_stack([place, rise + lean * across_mm]))

    points = [
        px(index * stretch + rng.normal(0, body.mark_u_mm, count + 1), share * length)
        for share in (0.2, 0.8)
    ]
    both = np.stack(points, axis=1) + rng.normal(0, noise_px, (count + 1, 2, 2))
    base = px(np.array([count // 2 * stretch]), 0.0)[0]
    sigma = np.full((count + 1, 2), noise_px)
    return RuleSeen(Marks(index, both, sigma, base, 0.7), 1.0, body, "1 mm")
