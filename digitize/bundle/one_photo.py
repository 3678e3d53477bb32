"""The camera of a single photo, by all the sheets in it.

Stands in for ``camera.recover``: with one sheet in view it is the same; further sheets,
lying anywhere on the same surface, carry the scale farther and steady the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

from digitize.bundle.joint import solve
from digitize.bundle.search import SheetsDisagreeError
from digitize.bundle.view import Pictured, Scales, View
from digitize.camera.camera import CameraSolution
from digitize.camera.recover import recover
from digitize.errors import Notice
from digitize.sheets.layout import PrintScale
from digitize.sighting.sighting import Sighting


@dataclass(frozen=True, slots=True, eq=False)
class OnePhoto:
    """The camera over the first of the sightings, and what was noticed."""

    solution: CameraSolution  # in the frame of the first sighting's sheet, for its corners
    sightings: tuple[Sighting, ...]  # that sheet first
    scale_u: float  # relative, of the common scale
    notices: tuple[Notice, ...]


def camera_of(sightings: tuple[Sighting, ...], scales: Scales, photo: Pictured) -> OnePhoto:
    """The camera by all sheets seen, in the frame of the first one.

    If that sheet has to be left out, another one comes first.  If two sheets do not lie in
    one plane and none can be blamed, the first one alone is believed, with a doubt.

    Raises
    ------
    CameraError, SheetNotFlatError
        As ``recover``, where one sheet alone is believed.
    """
    first = sightings[0]
    if len(sightings) == 1:
        return _by_the_first(sightings, scales, photo, ())
    try:
        joint = solve([View(photo, sightings)], scales, first.sheet)
    except SheetsDisagreeError as fault:
        doubt = Notice(
            "sheets-disagree",
            f"{fault.what}; measured by {first.sheet} alone, which must lie in the plane of the "
            "piece",
            "doubt",
        )
        return _by_the_first(sightings, scales, photo, (doubt,))
    number = [s.sheet for s in sightings].index(joint.datum)
    others = (s for s in sightings if s.sheet != joint.datum)
    return OnePhoto(
        joint.camera_solution(0, number),
        (sightings[number], *others),
        joint.scale_u,
        joint.notices,
    )


def _by_the_first(
    sightings: tuple[Sighting, ...],
    scales: Scales,
    photo: Pictured,
    notices: tuple[Notice, ...],
) -> OnePhoto:
    first = sightings[0]
    scale = scales if isinstance(scales, PrintScale) else scales[first.sheet]
    solution = recover(first, scale, photo)
    return OnePhoto(solution, sightings, max(scale.u_x, scale.u_y), notices)
