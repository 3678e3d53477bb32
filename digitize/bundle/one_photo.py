"""The camera of a single photo, by all the sheets in it.

Stands in for ``camera.recover``: with one sheet in view it is the same; further sheets,
lying anywhere on the same surface, carry the scale farther and steady the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

from digitize.bundle.joint import JointSolution, solve
from digitize.bundle.search import SheetsDisagreeError
from digitize.bundle.view import Pictured, Scales, View
from digitize.camera.camera import CameraSolution
from digitize.camera.known import KnownLens
from digitize.camera.recover import recover
from digitize.errors import Notice
from digitize.sheets.layout import PrintScale
from digitize.sighting.sighting import Sighting, corners_of


@dataclass(frozen=True, slots=True, eq=False)
class OnePhoto:
    """The camera over the first of the sightings, and what was noticed."""

    solution: CameraSolution  # in the frame of the first sighting's sheet, for its corners
    sightings: tuple[Sighting, ...]  # that sheet first; of the others the corners in use
    scale_u: float  # relative, of the common scale
    notices: tuple[Notice, ...]


def camera_of(
    sightings: tuple[Sighting, ...],
    scales: Scales,
    photo: Pictured,
    known: KnownLens | None = None,
) -> OnePhoto:
    """The camera by all sheets seen, in the frame of the first one.

    ``known`` is what earlier photos told of the lens, as for ``recover``.

    If that sheet has to be left out, another one comes first.  If two sheets do not lie in
    one plane and none can be blamed, the first one alone is believed, with a doubt.

    Raises
    ------
    CameraError, SheetNotFlatError
        As ``recover``, where one sheet alone is believed.
    """
    first = sightings[0]
    if len(sightings) == 1:
        return _by_the_first(sightings, scales, photo, known, ())
    try:
        joint = solve([View(photo, sightings, known)], scales, first.sheet)
    except SheetsDisagreeError as fault:
        doubt = Notice(
            "sheets-disagree",
            f"{fault.what}; measured by {first.sheet} alone, which must lie in the plane of the "
            "piece",
            "doubt",
        )
        return _by_the_first(sightings, scales, photo, known, (doubt,))
    used = sightings_used(joint, 0, sightings)
    number = [s.sheet for s in sightings].index(used[0].sheet)
    return OnePhoto(
        joint.camera_solution(0, number),
        used,
        joint.scale_u,
        (*together(used), *joint.notices, *_twice(used)),
    )


def ring_first(sightings: tuple[Sighting, ...]) -> tuple[Sighting, ...]:
    """With the only ring of which half is seen first: what is traced lies in it."""
    rings = [s for s in sightings if s.sheet.work_area_mm is not None]
    if len(rings) != 1 or 2 * len(rings[0].corners_px) < len(rings[0].sheet.x_corners()):
        return sightings
    return (rings[0], *(s for s in sightings if s is not rings[0]))


def sightings_used(
    joint: JointSolution, photo: int, sightings: tuple[Sighting, ...]
) -> tuple[Sighting, ...]:
    """What a photo showed of the sheets in use: the datum or else the one seen most first.

    That one keeps all its corners, which its ``CameraSolution`` speaks of; the others only
    those in use.
    """
    masks = joint.views[photo].used
    number = max(
        range(len(sightings)),
        key=lambda k: (sightings[k].sheet == joint.datum and masks[k].any(), masks[k].sum()),
    )
    others = (
        corners_of(sighting, mask)
        for k, (sighting, mask) in enumerate(zip(sightings, masks, strict=True))
        if k != number and mask.any()
    )
    return (sightings[number], *others)


def together(used: tuple[Sighting, ...]) -> tuple[Notice, ...]:
    """Which sheets measured together, if there was more than one."""
    if len(used) < 2:
        return ()
    names = ", ".join(str(sighting.sheet) for sighting in used)
    return (Notice("sheets-joined", f"measured by {len(used)} sheets together: {names}"),)


def _by_the_first(
    sightings: tuple[Sighting, ...],
    scales: Scales,
    photo: Pictured,
    known: KnownLens | None,
    notices: tuple[Notice, ...],
) -> OnePhoto:
    first = sightings[0]
    scale = scales if isinstance(scales, PrintScale) else scales[first.sheet]
    solution = recover(first, scale, photo, known)
    notices = (*notices, *_twice((first,)))
    return OnePhoto(solution, (first,), max(scale.u_x, scale.u_y), notices)


def _twice(used: tuple[Sighting, ...]) -> tuple[Notice, ...]:
    return tuple(
        Notice(
            "sheet-twice",
            f"{sighting.sheet} lies there twice; measured by the copy that shows more corners: "
            "take the other away, or print sheets of different numbers",
            "doubt",
        )
        for sighting in used
        if sighting.twice
    )
