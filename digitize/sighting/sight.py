"""From a photo to the targets in it: finding, reading and measuring strung together.

X-corners are found on reduced pictures, grown into lattices, named by their marks,
completed where the named sheet says that more corners should be, and then fitted in the
photo's own pixels.  A plain checkerboard has no marks; its lattice is all there is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.sighting.extend import extend, join
from digitize.sighting.identify import Identity, identify, looks_mirrored, nodes_of
from digitize.sighting.lattice import IndexArray, Lattice
from digitize.sighting.levels import GreyPicture, Level, grey_of, levels
from digitize.sighting.local import local_maps
from digitize.sighting.measure import LEAST_CORNERS, measure
from digitize.sighting.reading import read_marks
from digitize.sighting.sighting import Sighting
from digitize.sighting.unseen import NoTargetFound, nothing_read, nothing_seen, wrong_sheet

CROWD = 20  # corners: a nameless lattice as large as this may be a target too small to read
CROWDED_PX = 11.0  # squares as small as this on a level: corners may be missed there
SAME_PLACE = 0.5  # of a side: fragments off by more, with lens distortion in it, lie elsewhere
LEAST_BOARD_CORNERS = 9
_ELSEWHERE = 3.0  # sides by which a second copy of a sheet is off at least
_SURELY_READ = 4  # marks of it


def sight(photo: Photo, only: int | None = None) -> tuple[Sighting, ...]:
    """Every coded sheet in a photo, the one with most corners first.

    ``only`` keeps the sheets of that number.  Raises ``NoTargetFound`` when none is seen,
    ``TargetUnreadable`` when lattices are seen without legible marks, ``MirroredPhoto``,
    and ``WrongSheet`` when ``only`` is not among the sheets seen.  Of two copies of one
    sheet in the same photo, the one with more corners counts, and is marked ``twice``.
    """
    grey = grey_of(photo)
    pictures = levels(grey)
    search = _Search(grey, {}, {}, [], set())
    finest = np.inf
    for level in pictures:
        if search.named and level.scale > finest:
            continue  # coarser than where something was read
        finest = min(finest, level.scale)
        if not search.look(level) and search.named:
            break
    search.complete([level for level in pictures if level.scale < finest])
    sightings = []
    for sheet, lattice in search.named.items():
        measured = measure(photo, lattice, marked=True)
        if len(measured.lattice) >= LEAST_CORNERS:
            sightings.append(measured.sighting(sheet, search.marks_read[sheet]))
    if not sightings:
        mirrored = any(looks_mirrored(read_marks(lattice, grey)) for lattice in search.nameless)
        raise nothing_read(photo, grey, search.nameless, mirrored)
    # Ties are broken by name: what is found first depends on Python's hashing of the day.
    sightings.sort(key=lambda sighting: (-len(sighting.corners_px), str(sighting.sheet)))
    kept = tuple(s for s in sightings if only is None or s.sheet.number == only)
    if only is not None and not kept:
        raise wrong_sheet(photo, only, [s.sheet for s in sightings])
    return tuple(replace(s, twice=s.sheet in search.twice) for s in kept)


@dataclass(eq=False)
class _Search:
    """What has been found so far, in photo pixels."""

    grey: GreyPicture
    named: dict[Sheet, Lattice]
    marks_read: dict[Sheet, int]
    nameless: list[Lattice]
    twice: set[Sheet]

    def look(self, level: Level) -> bool:
        """Search one level; whether a finer one may show more."""
        crowded = False
        fragments: dict[Sheet, list[Identity]] = {}
        for lattice in level.lattices:
            whole = level.in_photo(lattice)
            identity = identify(whole, read_marks(whole, self.grey))
            if identity is not None:
                fragments.setdefault(identity.sheet, []).append(identity)
            else:
                self.nameless.append(whole)
                crowded |= len(lattice) >= CROWD and _median_side(lattice) < CROWDED_PX
        for sheet in self.named.keys() | fragments.keys():
            found = fragments.get(sheet, [])
            parts = [part.lattice for part in found]
            if sheet in self.named:
                parts.append(self.named[sheet])
            lattice = level.in_level(_joined(parts))
            lattice = extend(lattice, level.smoothed, level.corners, nodes_of(sheet))
            # Beside small squares there may be a sheet of still smaller ones.
            crowded |= _median_side(lattice) < CROWDED_PX
            self.named[sheet] = level.in_photo(lattice)
            if any(_lies_elsewhere(part, self.named[sheet]) for part in found):
                self.twice.add(sheet)
            read = sum(part.marks_read for part in found)
            self.marks_read[sheet] = max(read, self.marks_read.get(sheet, 0))
        return crowded

    def complete(self, finer: list[Level]) -> None:
        """Look on finer levels for corners of known sheets whose squares are small there."""
        for sheet in self.named:
            for level in sorted(finer, key=lambda level: -level.scale):
                lattice = level.in_level(self.named[sheet])
                if not _more_might_show(lattice, sheet, level):
                    break
                lattice = extend(lattice, level.smoothed, None, nodes_of(sheet))
                self.named[sheet] = level.in_photo(lattice)


def _more_might_show(lattice: Lattice, sheet: Sheet, level: Level) -> bool:
    """Whether corners are missing where squares were small on the level before this one."""
    if len(lattice) < LEAST_CORNERS:
        return False
    missing = nodes_of(sheet) - _places(lattice)
    if not missing:
        return False
    maps = local_maps(lattice, np.array(sorted(missing), float))
    height, width = level.grey.shape
    at = maps.centres_px
    small = (maps.reach < 6.0) & (maps.sides_px < 2 * CROWDED_PX)
    small &= ((at > 0) & (at < (width - 1, height - 1))).all(1)
    return int(small.sum()) >= 3


def _lies_elsewhere(part: Identity, whole: Lattice) -> bool:
    """Whether a fragment, surely read, is of another copy of the sheet."""
    places = {(i, j): xy for (i, j), xy in zip(whole.ij.tolist(), whole.xy_px, strict=True)}
    off = [
        float(np.hypot(*(xy - places[i, j])))
        for (i, j), xy in zip(part.lattice.ij.tolist(), part.lattice.xy_px, strict=True)
        if (i, j) in places
    ]
    sure = part.marks_read >= _SURELY_READ and len(off) >= LEAST_CORNERS
    return sure and float(np.median(off)) > _ELSEWHERE * float(np.median(whole.side_px()))


def _joined(parts: list[Lattice]) -> Lattice:
    """Fragments of one sheet as one; fragments that contradict the largest are left out.

    A second copy of the same sheet contradicts, because it lies elsewhere.
    """
    parts = sorted(parts, key=len, reverse=True)
    whole = parts[0]
    for part in parts[1:]:
        known = _places(whole)
        new = np.array([(i, j) not in known for i, j in part.ij.tolist()], bool)
        both = replace(
            whole,
            xy_px=np.vstack([whole.xy_px, part.xy_px[new]]),
            ij=np.vstack([whole.ij, part.ij[new]]),
        )
        homography, _ = cv2.findHomography(both.ij.astype(float), both.xy_px)
        seen = cv2.perspectiveTransform(part.ij[None].astype(float), homography)[0]
        off = np.linalg.norm(np.asarray(seen) - part.xy_px, axis=1)
        if np.median(off) < SAME_PLACE * np.median(whole.side_px()):
            whole = both
    return whole


def sight_checkerboard(
    photo: Photo, square_mm: float, inner: tuple[int, int] | None = None
) -> Sighting:
    """The largest plain checkerboard in a photo.

    ``inner`` are the counts of inner corners along the two sides, in either order; without
    it, the board is what is seen.  The axes are chosen so that x points right and y up in
    the photo, as nearly as quarter turns allow; node (1, 1) is then the lower left corner
    seen.  Raises ``NoTargetFound``.
    """
    grey = grey_of(photo)
    best: Lattice | None = None
    for count, level in enumerate(levels(grey)):
        parts = sorted(level.lattices, key=_area, reverse=True)
        for lattice in parts[:3]:
            whole = extend(lattice, level.smoothed, level.corners)
            for part in parts:
                whole = whole if part is lattice else join(whole, part) or whole
            whole = _facing(_in_faces(level.in_photo(whole)))
            if best is None or _area(whole) > _area(best):
                best = whole
        # In noise one level may show only crumbs of the board: two are always looked at.
        if best is not None and len(best) >= LEAST_BOARD_CORNERS and count > 0:
            wanted = inner[0] * inner[1] if inner is not None else 0
            if len(best) >= wanted and _median_side(best) / level.scale > CROWDED_PX:
                break
    if best is None:
        raise nothing_seen(photo, grey)
    measured = measure(photo, best, marked=False)
    kept = _places(_in_faces(measured.lattice))
    measured = measured.chosen(
        np.array([(i, j) in kept for i, j in measured.lattice.ij.tolist()], bool)
    )
    if inner is not None and kept:
        measured = measured.chosen(_window(measured.lattice.ij, inner))
    lattice = measured.lattice
    if len(lattice) < LEAST_BOARD_CORNERS:
        raise NoTargetFound(
            f"only {len(lattice)} corners of a checkerboard are seen",
            where=photo.name,
            do="show more of the board, larger and sharper",
        )
    low = lattice.ij.min(0)
    lattice = lattice.moved((int(1 - low[0]), int(1 - low[1])))
    across, up = (int(n) for n in lattice.ij.max(0))
    if inner is not None:
        across, up = inner if across <= inner[0] and up <= inner[1] else inner[::-1]
    sheet = Sheet(
        form="checkerboard",
        paper="",
        number=0,
        columns=across + 1,
        rows=up + 1,
        square_mm=float(square_mm),
        band=0,
        black_first=lattice.dark_parity == 0,
    )
    return replace(measured, lattice=lattice).sighting(sheet, marks_read=0)


def _places(lattice: Lattice) -> set[tuple[int, int]]:
    return {(i, j) for i, j in lattice.ij.tolist()}


def _median_side(lattice: Lattice) -> float:
    return float(np.median(lattice.side_px()))


def _in_faces(lattice: Lattice) -> Lattice:
    """Only corners of whole faces: a board has no lone corner sticking out."""
    known = _places(lattice)
    keep = set()
    for i, j in known:
        face = {(i, j), (i + 1, j), (i, j + 1), (i + 1, j + 1)}
        if face <= known:
            keep |= face
    return lattice.chosen(np.array([(i, j) in keep for i, j in lattice.ij.tolist()], bool))


def _facing(lattice: Lattice) -> Lattice:
    """The lattice turned so that x points right in the photo as nearly as can be."""
    if len(lattice) < 4:
        return lattice
    axes = local_maps(lattice, lattice.ij.astype(float)).axes_px.mean(0)
    right = [axes[0, 0], axes[1, 0], -axes[0, 0], -axes[1, 0]]
    # After k turns of the axes, the old axis k lies along x.
    return lattice.turned((4 - int(np.argmax(right))) % 4)


def _area(lattice: Lattice) -> float:
    """Square pixels that a lattice covers, roughly."""
    return len(lattice) * _median_side(lattice) ** 2 if len(lattice) else 0.0


def _window(ij: IndexArray, inner: tuple[int, int]) -> NDArray[np.bool_]:
    """The corners (N,) inside the part of the lattice that fits the board best."""
    low, high = ij.min(0), ij.max(0)
    best: NDArray[np.bool_] = np.zeros(len(ij), bool)
    for a, b in (inner, inner[::-1]):
        for i in range(int(low[0]), max(int(high[0]) - a + 1, int(low[0])) + 1):
            for j in range(int(low[1]), max(int(high[1]) - b + 1, int(low[1])) + 1):
                inside = np.all((ij >= (i, j)) & (ij < (i + a, j + b)), axis=1)
                if inside.sum() > best.sum():
                    best = inside
    return best
