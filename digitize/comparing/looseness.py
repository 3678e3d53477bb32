"""Whether the edges that agree hold the new piece in every direction, or let it slide or turn.

Where none agrees, the pose is between all of them, and a doubt says so.

The normal matrix of the fit says how much of the agreeing edge resists a move in a direction: on a
strip whose ends are eaten away next to none resists a move along it, and its place along the old
piece is then chance.  (Slippage of a registration by the eigenvalues of that matrix: Gelfand,
Ikemoto, Rusinkiewicz and Levoy, "Geometrically stable sampling for the ICP algorithm", 2003.)
"""

from __future__ import annotations

import math

import numpy as np

from digitize.comparing.boundary import Boundary
from digitize.comparing.least_squares import jacobian
from digitize.comparing.registration import Registration
from digitize.errors import Notice
from digitize.pattern.datum import datum_of
from digitize.pattern.model import Pattern

_AGREES = 4.0  # standard uncertainties: edges so near have a say
_SAME = 2.0  # likewise; edges so near are the same
_NOTHING = 0.05  # of the edge: what agrees by chance where edges cross
_HELD = 0.004  # of the agreeing edge, squarely against a move; less holds nothing

_SHARED_OUT = (
    "no edge of the two pieces agrees, so what they differ by is shared out all round; it may as "
    "well be all on one side or two: lock two edges or holes that should agree to see it so"
)


def loose(old: Pattern, found: Registration, alike_mm: float) -> tuple[Notice, ...]:
    """A doubt where the agreeing edges leave a move or a turn all but free, or there are none."""
    edge = Boundary.of_pattern(old, openings=False)
    laid = found.pose.of(found.samples.points_mm)
    rows = jacobian(found.nearest, laid, edge.middle_mm)
    rows[:, 2] /= edge.size_mm / 2.0  # of a turn, the move at the rim
    counted = np.abs(found.nearest.signed_mm) <= _AGREES * alike_mm
    weight = found.samples.weight_mm * counted
    same = np.abs(found.nearest.signed_mm) <= _SAME * alike_mm
    whole = found.samples.weight_mm
    if float(np.dot(same, whole)) < _NOTHING * float(whole.sum()):
        return (Notice("compare-shared-out", _SHARED_OUT, "doubt"),)
    shares, ways = np.linalg.eigh(rows.T @ (rows * weight[:, None]) / weight.sum())
    if float(shares[0]) >= _HELD:
        return ()
    text = (
        f"the edges that agree hardly keep the new piece from {_said(ways[:, 0], old)}, "
        "so how far it lies that way is chance; lock a feature to fix it"
    )
    return (Notice("compare-loose", text, "doubt"),)


def _said(way: np.ndarray, old: Pattern) -> str:
    x, y, turn = (float(v) for v in way)
    if abs(turn) > math.hypot(x, y):
        return "turning"
    along = math.degrees(math.atan2(y, x) - datum_of(old).direction_rad) % 180.0
    if min(along, 180.0 - along) < 22.5:
        return "sliding left and right"
    return "sliding up and down" if abs(along - 90.0) < 22.5 else "sliding at a slant"
