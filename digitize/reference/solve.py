"""From what was seen of a reference to a camera, and what the reference could not tell.

First the camera is sought with nearly any lean allowed.  If the reference leaves one way of
leaning open, the camera is taken to have been held square-on, as well as people do that,
and sought again: the lean that can be seen is kept, the other widens the result, and a
notice says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import CameraSolution
from digitize.camera.priors import Framed, Prior, priors_for
from digitize.camera.projection import Pinhole, rotation_matrix
from digitize.errors import DigitizeError, Exit, Notice
from digitize.reference.adjustment import Adjusted, Problem, State, adjust, camera_of
from digitize.reference.layout import Layout, Seen
from digitize.sheets.layout import PrintScale

FloatArray = NDArray[np.float64]

SQUARE_ON_DEG = 5.0
"""How square-on a careful hand holds a camera, one sigma each way (judgement, no source)."""

_ANY_LEAN_DEG = 40.0
_TOLD_DEG = 2.5  # a lean known no worse than this counts as seen
_CARELESS = 1.5
PULLED = 12.0  # chi square of the priors that makes us doubt them
_EXACT = PrintScale(1.0, 1.0, 0.0, 0.0, True, "no print")


class ReferenceUnclear(DigitizeError):
    """What was given or seen as a reference does not tell the scale."""

    exit_code = Exit.CAMERA


@dataclass(frozen=True, eq=False)
class Referenced:
    """A camera found by a reference that is no printed target."""

    solution: CameraSolution
    name: str  # of the reference, for the record
    seen: Seen
    lean_u_deg: tuple[float, float]  # best and worst known lean, standard uncertainties
    square_on_assumed: bool
    own: FloatArray  # what was found of the reference's own unknowns
    own_u: FloatArray  # their standard uncertainties
    chi2: float  # of what was seen and kept
    strain: float  # chi square of everything known beforehand: how far it had to give
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """Roughly how the plane lies: a point of it, its x direction and its scale."""

    at_px: FloatArray  # (2,)
    at_mm: FloatArray  # (2,)
    turn_rad: float  # of the plane's x axis in the photo, from x toward y
    px_per_mm: float

    def states(self, prior: Prior, own: FloatArray) -> list[State]:
        """Cameras to start from: square-on, and leaning each way."""
        focal = math.exp(prior.log_focal)
        ray = np.append((self.at_px - prior.middle_px) / focal, 1.0)
        there = ray * focal / self.px_per_mm
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        square = np.array([[c, s, 0.0], [s, -c, 0.0], [0.0, 0.0, -1.0]])
        states = []
        for lean in ((0, 0), (0.45, 0), (-0.45, 0), (0, 0.45), (0, -0.45)):
            rotation = rotation_matrix(np.array([*lean, 0.0])) @ square
            translation = there - rotation[:, :2] @ self.at_mm
            pinhole = Pinhole(rotation, translation, focal, prior.middle_px, 0.0, 0.0)
            states.append(State(pinhole, own))
        return states


def solve(
    photo: Framed,
    seen: Seen,
    layout: Layout,
    outlook: Outlook,
    name: str,
    *,
    robust: bool = True,
    unusual: bool = True,
    level_deg: float | None = None,
) -> Referenced:
    """The camera that explains what was seen of a reference.

    ``level_deg`` is how square-on somebody says that the camera was held, one sigma each way.
    ``unusual``: where a usual camera does not, a wrong header or a cropped picture may.
    Raises ``ReferenceUnclear`` when none does.
    """
    usual, blind, cropped, _ = priors_for(photo, _EXACT)

    def best(prior: Prior, lean_deg: float) -> Adjusted:
        problem = Problem(seen, layout, prior, lean_deg)
        found = adjust(outlook.states(prior, layout.start), problem, robust=robust)
        if found is None:
            raise ReferenceUnclear(
                "No camera sees the reference as it lies in this photo",
                do="check what was given as known, and that it lies flat beside the piece",
            )
        return found

    lean_deg = _ANY_LEAN_DEG
    found = best(usual, lean_deg)
    lean_u, lean = _leans(found)
    notices: list[Notice] = []
    assumed = bool(lean_u[1] > math.radians(_TOLD_DEG))
    # How far each lean is sure not to be nothing.
    sure_deg = np.degrees(np.maximum(np.arcsin(np.minimum(np.abs(lean), 1.0)) - 2 * lean_u, 0.0))
    if level_deg is not None and sure_deg.max() > 3 * level_deg:
        notices.append(_not_level_notice(level_deg, float(sure_deg.max())))
        level_deg = None
    if level_deg is not None:
        lean_deg = level_deg
        found = best(usual, lean_deg)
        lean_u, _ = _leans(found)
        notices.append(_level_notice(level_deg))
    elif assumed:
        told = lean_u[0] < math.radians(_TOLD_DEG)
        shown_deg = math.degrees(math.asin(min(abs(float(lean[0])), 1.0))) if told else 0.0
        # Somebody who leaned over one way was not careful about the other.
        lean_deg = max(SQUARE_ON_DEG, _CARELESS * shown_deg)
        found = best(usual, lean_deg)
        lean_u, _ = _leans(found)
        notices.append(_square_on_notice(lean_deg, shown_deg))
    if unusual and float(found.linear.prior_rows @ found.linear.prior_rows) > PULLED:
        ranked = ((usual, found), *((p, best(p, lean_deg)) for p in (blind, cropped)))
        prior, found = min(ranked, key=lambda r: r[1].linear.cost + r[0].rarity)
        lean_u, _ = _leans(found)
        if prior is not usual:
            notices.append(_odd_camera_notice(name))
    size = (photo.width_px, photo.height_px)
    residuals = found.linear.residuals_px
    rms = float(np.sqrt((residuals[found.used] ** 2).sum(axis=1).mean()))
    expected = float(np.sqrt((seen.sigma_px[found.used] ** 2).mean()))
    solution = CameraSolution(
        camera=camera_of(found, size),
        used=found.used,
        residuals_px=residuals,
        rms_px=rms,
        expected_rms_px=expected,
        sheet_flatness_mm=0.0,
    )
    return Referenced(
        solution=solution,
        name=name,
        seen=seen,
        lean_u_deg=(math.degrees(lean_u[0]), math.degrees(lean_u[1])),
        square_on_assumed=assumed or level_deg is not None,
        own=found.state.own,
        own_u=np.sqrt(np.diag(found.covariance)[11:]),
        chi2=float(found.linear.seen_rows @ found.linear.seen_rows),
        strain=float(found.linear.prior_rows @ found.linear.prior_rows),
        notices=tuple(notices),
    )


def _leans(found: Adjusted) -> tuple[FloatArray, FloatArray]:
    """Standard uncertainties (2,) rad of the best and worst known lean, and their sines (2,)."""
    variance, axes = np.linalg.eigh(found.lean_covariance())
    normal = found.state.pinhole.rotation[:2, 2]
    return np.sqrt(np.maximum(variance, 0.0)), axes.T @ normal


def _odd_camera_notice(name: str) -> Notice:
    return Notice(
        "odd-camera",
        f"the {name} fits only if the photo was cropped or its header is wrong: "
        "check that it is what it is said to be",
        "doubt",
    )


def _level_notice(level_deg: float) -> Notice:
    return Notice(
        "level-as-said", f"the camera is taken as held level to {2 * level_deg:g}°, as you said"
    )


def _not_level_notice(level_deg: float, shown_deg: float) -> Notice:
    return Notice(
        "not-level",
        f"the camera was said to be level to {level_deg:g}° but leaned {shown_deg:.0f}° or more: "
        "what was said is not used",
        "doubt",
    )


def _square_on_notice(sigma_deg: float, shown_deg: float) -> Notice:
    shown = f"it leaned {shown_deg:.0f}° the way that can be seen, so " if shown_deg > 5 else ""
    return Notice(
        "square-on-assumed",
        "what is in view does not show how far the camera leaned across it; "
        f"{shown}the camera is taken as square-on within {2 * sigma_deg:.0f}° and the ± is "
        "widened: lay a second rule at a right angle, or hold the camera level over the piece",
        "doubt",
    )
