"""What to tell the person when no target is seen, or not the right one."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from digitize.errors import DigitizeError, Exit
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.sighting.lattice import Lattice
from digitize.sighting.levels import GreyPicture, halved

DARK_GREY = 40  # 99 % of a photo darker than this code: too dark to tell
BLURRED = 0.3  # strongest slopes against those of the picture at a quarter of the size


class NoTargetFound(DigitizeError):
    """No target was seen in the photo."""

    exit_code = Exit.TARGET


class TargetUnreadable(NoTargetFound):
    """A lattice was seen, but nothing says which sheet it is."""


class MirroredPhoto(NoTargetFound):
    """The target is seen as in a mirror."""


class WrongSheet(NoTargetFound):
    """Another sheet than the one asked for."""


class SheetTwice(NoTargetFound):
    """Two copies of one sheet in a photo."""


def sheet_twice(photo: Photo, sheet: Sheet) -> SheetTwice:
    """Which of two copies a corner is of cannot be told apart."""
    return SheetTwice(
        f"{sheet} lies there twice",
        where=photo.name,
        do="take one copy away, or print sheets of different numbers, and photograph again",
    )


def nothing_read(
    photo: Photo, grey: GreyPicture, nameless: Sequence[Lattice], mirrored: bool
) -> NoTargetFound:
    """The error that says what was seen instead of a coded sheet."""
    if mirrored:
        return MirroredPhoto(
            "the target is seen as in a mirror",
            where=photo.name,
            do="use the photo as the camera took it, not flipped",
        )
    if nameless:
        largest = max(nameless, key=len)
        side = float(np.median(largest.side_px()))
        return TargetUnreadable(
            f"{len(largest)} corners of a checkered lattice are seen, its squares {side:.0f} px "
            "wide, but no coded mark can be read",
            where=photo.name,
            do="if it is a plain checkerboard, say --checkerboard and the size of its squares; "
            "otherwise come closer or take a sharper photo",
        )
    return nothing_seen(photo, grey)


def nothing_seen(photo: Photo, grey: GreyPicture) -> NoTargetFound:
    """The error for a photo without any lattice."""
    if np.percentile(grey[::4, ::4], 99) < DARK_GREY:
        return NoTargetFound(
            "no target is seen because the photo is too dark",
            where=photo.name,
            do="give more light",
        )
    if _blurred(grey):
        return NoTargetFound(
            "no target is seen because the photo is too blurred",
            where=photo.name,
            do="hold still, focus on the sheet and give more light",
        )
    return NoTargetFound(
        "no target is seen",
        where=photo.name,
        do="take the photo with a printed sheet in it, in focus and at most half covered",
    )


def wrong_sheet(photo: Photo, asked: int, seen: Sequence[Sheet]) -> WrongSheet:
    """The error for a photo of other sheets."""
    names = " and ".join(str(sheet) for sheet in seen)
    return WrongSheet(
        f"sheet {asked} is not in the photo, only {names}",
        where=photo.name,
        do="take the photo with the right sheet, or name the one that is there with --sheet",
    )


def _blurred(grey: GreyPicture) -> bool:
    """Whether the strongest edges are several pixels wide.

    In a dim photo noise hides that at full size, not at half.
    """
    if min(grey.shape) < 32:
        return False
    strongest = []
    picture = grey
    for _ in range(4):
        across = cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
        down = cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
        strongest.append(float(np.percentile(cv2.magnitude(across, down)[::2, ::2], 99.8)))
        picture = halved(picture)
    return any(strongest[k] < BLURRED * strongest[k + 2] for k in (0, 1))
