"""The camera by a plain sheet of paper of known size."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from digitize.camera.priors import Framed
from digitize.errors import Notice
from digitize.reference.layout import Seen
from digitize.reference.paper import PaperLayout, PaperSize
from digitize.reference.sight_paper import PaperSeen
from digitize.reference.solve import Outlook, Referenced, ReferenceUnclear, solve

FloatArray = NDArray[np.float64]

_INDEPENDENT = 40  # stretches round the sheet whose errors are their own (judgement, no source)
_CLEAR = 8.0  # chi square by which one way round must be better than the other


def camera_by_paper(
    photo: Framed, seen: PaperSeen, size: PaperSize, *, portrait: bool | None = None
) -> Referenced:
    """The camera, in a frame whose origin is the sheet's lower left corner as photographed.

    ``portrait`` says whether the longer side stands upright in the photo, roughly.

    Raises
    ------
    ReferenceUnclear
        Either way round fits, or neither does.
    """
    ways = (True, False) if portrait is None else (portrait,)
    found = [(_one_way(photo, seen, size, portrait=upright), upright) for upright in ways]
    found.sort(key=lambda f: _misfit(f[0]))
    best = found[0][0]
    if len(found) > 1 and _misfit(found[1][0]) < _misfit(best) + _CLEAR:
        raise ReferenceUnclear(
            f"the photo does not show which side of the {size.name} sheet is the longer one",
            do="say which with --plain-sheet, as 'A4 across' or 'A4 upright'",
        )
    if best.strain > _CLEAR + 3 * len(best.own):
        raise ReferenceUnclear(
            f"the bright sheet in the photo does not have the shape of {size.name}",
            do="check its size, lay it flat with all four edges seen, or give its --sheet-corners",
        )
    short, long = size.u_short_mm * math.sqrt(3), size.u_long_mm * math.sqrt(3)
    note = Notice(
        "paper-as-scale",
        f"measured by a plain {size.name} sheet, whose sides are taken as true to "
        f"{max(short, long):.1f} mm: measure them with a rule for a smaller ±",
    )
    return replace(best, notices=(note, *best.notices))


def _misfit(found: Referenced) -> float:
    return found.strain + found.chi2


def _one_way(photo: Framed, seen: PaperSeen, size: PaperSize, *, portrait: bool) -> Referenced:
    layout = PaperLayout(size, portrait, seen.side)
    corners = seen.corners_px
    lower = corners[1] - corners[0]
    middle = corners.mean(axis=0)
    area_px = 0.5 * abs(float(_cross(corners[2] - corners[0], corners[3] - corners[1])))
    outlook = Outlook(
        at_px=middle,
        at_mm=np.array([layout.width_mm, layout.height_mm]) / 2,
        turn_rad=math.atan2(lower[1], lower[0]),
        px_per_mm=math.sqrt(area_px / (layout.width_mm * layout.height_mm)),
    )
    # Neighbouring points share the edge's waves: so many count as one.
    together = math.sqrt(max(len(seen.px) / _INDEPENDENT, 1.0))
    edges = Seen(seen.px, together * seen.sigma_px, np.ones(len(seen.px), dtype=bool))
    return solve(photo, edges, layout, outlook, f"plain {size.name} sheet")


def _cross(a: FloatArray, b: FloatArray) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
