"""From a photo to the targets in it: finding, reading and measuring strung together.

X-corners are found on a reduced picture (squares of 8 to 80 px there), grown into
lattices, named by their marks, completed where the named sheet says more corners should
be, and then fitted in the photo's own pixels.  When the first size of picture shows no
target, finer and coarser ones are tried.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.errors import DigitizeError
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.sighting import identify
from digitize.sighting.corners import Corners, GreyArray, detect, smooth
from digitize.sighting.extend import extend, join
from digitize.sighting.identify import Identity
from digitize.sighting.lattice import IndexArray, Lattice, grow
from digitize.sighting.local import local_maps
from digitize.sighting.refine import Refined, refine
from digitize.sighting.sighting import Sighting

GreyPicture = NDArray[np.uint8]

FIRST_LEVEL_PIXELS = 1.0e6  # the first reduced picture has at most about this many
SMALLEST_LEVEL_PIXELS = 4.0e4
LARGEST_LEVEL_PIXELS = 2.6e7
ENLARGE_BELOW_PIXELS = 1.0e6  # a tiny photo is also tried at twice its size
CROWD = 20  # corners: a nameless lattice as large as this may be a target too small to read
CROWDED_PX = 11.0  # squares as small as this: a smaller target may need a finer picture
CLEAR_OF_MARK = 0.26  # of a side: the radius about a corner that marks leave free
CLEAR_OF_CORNERS = 0.42  # the same where there are no marks, only other corners
LARGEST_STRAY = 0.06  # of a side, from where the neighbours say a corner should be
LEAST_CORNERS = 6
LEAST_BOARD_CORNERS = 9
DARK_GREY = 40  # 99 % of a photo darker than this code: too dark to tell


class NoTargetFound(DigitizeError):
    """No target was seen in the photo."""

    exit_code = 3


class TargetUnreadable(NoTargetFound):
    """A lattice was seen, but nothing says which sheet it is."""


class MirroredPhoto(NoTargetFound):
    """The target is seen as in a mirror."""


class WrongSheet(NoTargetFound):
    """Another sheet than the one asked for."""


@dataclass(frozen=True, eq=False)
class _Level:
    """One reduced picture and what was found on it; coordinates are the level's own."""

    scale: float  # photo pixels per level pixel
    smoothed: GreyArray
    corners: Corners
    lattices: list[Lattice]

    def in_photo(self, lattice: Lattice) -> Lattice:
        return replace(lattice, xy_px=(lattice.xy_px + 0.5) * self.scale - 0.5)

    def in_level(self, lattice: Lattice) -> Lattice:
        return replace(lattice, xy_px=(lattice.xy_px + 0.5) / self.scale - 0.5)


def sight(photo: Photo, only: int | None = None) -> tuple[Sighting, ...]:
    """Every coded sheet in a photo, the one with most corners first.

    ``only`` keeps the sheets of that number.  Raises ``NoTargetFound`` when none is seen,
    ``TargetUnreadable`` when lattices are seen without legible marks, ``MirroredPhoto``,
    and ``WrongSheet`` when ``only`` is not among the sheets seen.
    """
    grey = _grey(photo)
    named: dict[Sheet, Lattice] = {}
    agreeing: dict[Sheet, int] = {}
    nameless: list[Lattice] = []
    mirrored = False
    for level in _levels(grey):
        fragments: dict[Sheet, list[Identity]] = {}
        crowded = False
        for lattice in level.lattices:
            whole = level.in_photo(lattice)
            reading = identify.read_marks(whole, grey)
            identity = identify.identify(whole, reading)
            if identity is not None:
                fragments.setdefault(identity.sheet, []).append(identity)
            else:
                mirrored |= identify.looks_mirrored(reading)
                nameless.append(whole)
            if identity is not None or len(lattice) >= CROWD:
                crowded |= bool(np.median(lattice.side_px()) < CROWDED_PX)
        for sheet, parts in fragments.items():
            lattice = _joined([level.in_level(part.lattice) for part in parts])
            lattice = extend(lattice, level.smoothed, level.corners, identify.nodes_of(sheet))
            if sheet not in named or len(named[sheet]) < len(lattice):
                named[sheet] = level.in_photo(lattice)
                agreeing[sheet] = sum(part.marks_read for part in parts)
        if named and not crowded:
            break

    sightings = []
    for sheet, lattice in named.items():
        sighting = _measured(photo, sheet, lattice, agreeing[sheet])
        if sighting is not None:
            sightings.append(sighting)
    if not sightings:
        raise _nothing(photo, grey, nameless, mirrored)
    sightings.sort(key=lambda s: -len(s.corners_px))
    kept = [s for s in sightings if only is None or s.sheet.number == only]
    if not kept:
        raise WrongSheet(
            f"sheet {only} is not in the photo, but "
            + ", ".join(str(s.sheet) for s in sightings)
            + (" is" if len(sightings) == 1 else " are"),
            where=photo.name,
            do="take the photo with the right sheet, or name the one that is there",
        )
    return tuple(kept)


def sight_checkerboard(
    photo: Photo, square_mm: float, inner: tuple[int, int] | None = None
) -> Sighting:
    """The largest plain checkerboard in a photo.

    ``inner`` are the counts of inner corners along the two sides, in either order; without
    it, the board is what is seen.  The axes are chosen so that x points right and y up in
    the photo, as nearly as quarter turns allow; node (1, 1) is then the lower left corner
    seen.  Raises ``NoTargetFound``.
    """
    grey = _grey(photo)
    best: Lattice | None = None
    for count, level in enumerate(_levels(grey)):
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
            if len(best) >= wanted and np.median(best.side_px()) / level.scale > CROWDED_PX:
                break
    if best is None:
        raise _nothing(photo, grey, [], mirrored=False)
    best, fit = _fitted(photo, best, CLEAR_OF_CORNERS)
    best, fit = _regular(best, fit)
    faces = _in_faces(best)
    at = {place: k for k, place in enumerate(map(tuple, best.ij.tolist()))}
    fit = _chosen(fit, np.array([at[i, j] for i, j in faces.ij.tolist()], np.intp))
    best = faces
    if inner is not None:
        keep = _window(best.ij, inner)
        best, fit = best.chosen(keep), _chosen(fit, np.flatnonzero(keep))
    if len(best) < LEAST_BOARD_CORNERS:
        raise NoTargetFound(
            f"only {len(best)} corners of a checkerboard are seen",
            where=photo.name,
            do="show more of the board, larger and sharper",
        )
    low = best.ij.min(0)
    best = best.moved((int(1 - low[0]), int(1 - low[1])))
    columns, rows = (int(n) + 1 for n in best.ij.max(0))
    if inner is not None:
        across, up = columns - 1, rows - 1
        a, b = inner if _fits((across, up), inner) else inner[::-1]
        columns, rows = a + 1, b + 1
    sheet = Sheet("checkerboard", "", 0, columns, rows, float(square_mm), 0)
    return _sighting(sheet, best, fit, marks_read=0)


def _grey(photo: Photo) -> GreyPicture:
    """Coded grey, 8 bit: enough to find and to read, not to measure."""
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    if grey.dtype != np.uint8:
        grey = cv2.convertScaleAbs(grey, alpha=1.0 / 257.0)
    return np.asarray(grey, np.uint8)


def _levels(grey: GreyPicture) -> Iterator[_Level]:
    """Reduced pictures, the likeliest size first, each searched as it is asked for."""
    halvings = 0
    while grey.size / 4**halvings > FIRST_LEVEL_PIXELS * 1.3:
        halvings += 1
    pictures = [grey]
    while pictures[-1].size >= 4 * SMALLEST_LEVEL_PIXELS:
        pictures.append(_halved(pictures[-1]))
    order = [halvings]
    for step in range(1, len(pictures) + 1):
        order += [halvings + step, halvings - step]  # the coarser one costs next to nothing
    for k in order:
        if 0 <= k < len(pictures) and pictures[k].size <= LARGEST_LEVEL_PIXELS:
            yield _searched(pictures[k], grey.shape[1] / pictures[k].shape[1])
        elif k == -1 and grey.size <= ENLARGE_BELOW_PIXELS:
            doubled = cv2.resize(grey, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC)
            yield _searched(np.asarray(doubled, np.uint8), 0.5)


def _halved(grey: GreyPicture) -> GreyPicture:
    height, width = grey.shape[0] // 2 * 2, grey.shape[1] // 2 * 2
    half = cv2.resize(
        grey[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA
    )
    return np.asarray(half, np.uint8)


def _searched(grey: GreyPicture, scale: float) -> _Level:
    # Odd rows are dropped on the way down, so the true scale is a power of two.
    scale = float(2.0 ** np.round(np.log2(scale)))
    smoothed = smooth(grey)
    corners = detect(smoothed)
    return _Level(scale, smoothed, corners, grow(smoothed, corners))


def _joined(parts: list[Lattice]) -> Lattice:
    """Fragments of one sheet as one; fragments that contradict the largest are left out.

    A second copy of the same sheet contradicts, because it lies elsewhere.
    """
    parts = sorted(parts, key=len, reverse=True)
    whole = parts[0]
    for part in parts[1:]:
        maps = local_maps(whole, part.ij.astype(float), neighbours=32)
        off = np.linalg.norm(maps.centres_px - part.xy_px, axis=1) / np.maximum(maps.sides_px, 1.0)
        known = set(map(tuple, whole.ij.tolist()))
        new = np.array([(i, j) not in known for i, j in part.ij.tolist()])
        if np.median(off / (1.0 + 0.1 * maps.reach)) < 0.4 and new.any():
            whole = replace(
                whole,
                xy_px=np.vstack([whole.xy_px, part.xy_px[new]]),
                ij=np.vstack([whole.ij, part.ij[new]]),
            )
    return whole


def _fitted(photo: Photo, lattice: Lattice, clear: float) -> tuple[Lattice, Refined]:
    """The lattice with its corners fitted; those that do not fit are left out."""
    maps = local_maps(lattice, lattice.ij.astype(float))
    fit = refine(
        photo,
        lattice.xy_px,
        maps.edges_rad(lattice.dark(lattice.ij)),
        clear * maps.sides_px,
    )
    kept = replace(lattice, xy_px=fit.xy_px).chosen(fit.good)
    return kept, _chosen(fit, np.flatnonzero(fit.good))


def _regular(lattice: Lattice, fit: Refined) -> tuple[Lattice, Refined]:
    """Without corners that lie away from where their neighbours say; worst first."""
    for _ in range(8):
        if len(lattice) < LEAST_CORNERS:
            break
        maps = local_maps(lattice, lattice.ij.astype(float), neighbours=14, leave_out=True)
        off = np.linalg.norm(maps.centres_px - lattice.xy_px, axis=1)
        off /= np.maximum(maps.sides_px, 1.0) * (1.0 + 0.5 * (maps.reach - 1.0))
        limit = max(LARGEST_STRAY, 6.0 * float(np.median(off)))
        stray = off > limit
        if not stray.any():
            break
        # One bad corner makes its neighbours look bad: only the worst of each part goes.
        stray &= off >= 0.7 * off.max()
        lattice, fit = lattice.chosen(~stray), _chosen(fit, np.flatnonzero(~stray))
    return lattice, fit


def _measured(photo: Photo, sheet: Sheet, lattice: Lattice, marks_read: int) -> Sighting | None:
    lattice, fit = _fitted(photo, lattice, CLEAR_OF_MARK)
    lattice, fit = _regular(lattice, fit)
    if len(lattice) < LEAST_CORNERS:
        return None
    return _sighting(sheet, lattice, fit, marks_read)


def _sighting(sheet: Sheet, lattice: Lattice, fit: Refined, marks_read: int) -> Sighting:
    order = np.lexsort((lattice.ij[:, 0], lattice.ij[:, 1]))
    return Sighting(
        sheet=sheet,
        corners_px=fit.xy_px[order],
        corners_mm=lattice.ij[order].astype(np.float64) * sheet.square_mm,
        sigma_px=fit.sigma_px[order],
        blur_px=float(np.median(fit.blur_px)),
        marks_read=marks_read,
    )


def _chosen(fit: Refined, index: IndexArray) -> Refined:
    return Refined(
        fit.xy_px[index],
        fit.sigma_px[index],
        fit.blur_px[index],
        fit.misfit[index],
        fit.good[index],
    )


def _in_faces(lattice: Lattice) -> Lattice:
    """Only corners of whole faces: a board has no lone corner sticking out."""
    known = set(map(tuple, lattice.ij.tolist()))
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
    return len(lattice) * float(np.median(lattice.side_px())) ** 2 if len(lattice) else 0.0


def _fits(size: tuple[int, int], inner: tuple[int, int]) -> bool:
    return size[0] <= inner[0] and size[1] <= inner[1]


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


def _nothing(
    photo: Photo, grey: GreyPicture, nameless: list[Lattice], mirrored: bool
) -> NoTargetFound:
    """The error that says what was seen instead of a target."""
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
            f"{len(largest)} lattice corners are seen, but no coded mark can be read "
            f"(squares are {side:.0f} px wide)",
            where=photo.name,
            do="if this is a plain checkerboard, say so and give its square size; "
            "otherwise come closer or take a sharper photo",
        )
    if np.percentile(grey[::4, ::4], 99) < DARK_GREY:
        return NoTargetFound(
            "no target is seen: the photo is too dark",
            where=photo.name,
            do="give more light",
        )
    if _blurred(grey):
        return NoTargetFound(
            "no target is seen: the photo is too blurred",
            where=photo.name,
            do="hold still, tap to focus on the sheet, give more light",
        )
    return NoTargetFound(
        "no target is seen",
        where=photo.name,
        do="lay a printed sheet into the picture, in focus and not covered by more than half",
    )


def _blurred(grey: GreyPicture) -> bool:
    """Whether the strongest edges are several pixels wide."""
    sharpest = []
    for picture in (grey, _halved(_halved(grey))):
        gx = cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
        gy = cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
        sharpest.append(float(np.percentile(cv2.magnitude(gx, gy)[::2, ::2], 99.8)))
    return sharpest[0] < 0.3 * sharpest[1]
