"""Roughly where an opening lies: something darker than the metal all round it.

Metal is painted here and rusty there, and through the opening a rib may catch the light, so
no one level of grey tells them apart.  Every level is tried: at each, what is darker falls
apart into blobs, and an opening is the blob across whose edge light falls most.  The colours
inside it and beyond it then draw the line between them (``cv2.grabCut``: C. Rother, V.
Kolmogorov and A. Blake, "GrabCut", ACM Transactions on Graphics 23, 2004).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import (  # type: ignore[attr-defined]
    binary_fill_holes,
    map_coordinates,
)

from digitize.errors import DigitizeError, Exit
from digitize.photo.tone import LUMINANCE
from digitize.tracing.overview import Overview

FloatArray = NDArray[np.float64]
Cells = NDArray[np.bool_]

_LEVELS = 40
_DARK = 0.01  # of paper white: levels below that differ by noise alone
_TIDY_MM = 1.2  # spots and cracks narrower than that are closed
_LEAST_MM2 = 400.0
_BESIDE_MM = 0.8  # to either side of an edge, where light is compared
_FALL = float(np.log(1.4))  # the least ratio of light across a clear edge
_MOST_FALL = float(np.log(4.0))  # a darker inside makes an edge no clearer
_CLEAR_SHARE = 0.6  # of an edge that must be clear
_AS_DARK = float(np.log(1.6))  # the ratio by which another opening may be lighter inside
_AS_GOOD = 0.95  # of the best blob's fall of light: as good as the best
_SMALL = 0.1  # of the largest opening: what is smaller is a hole beside it
_CORE_MM = 8.0  # inside a blob's edge, where it is surely open
_ROUND_MM = 25.0  # beyond the blob, where the metal's colours are taken from
_CUTS = 4  # rounds of colours and cut
_LEAST_AMBIGUOUS = 0.03  # of the area: what two blobs may differ by and be the same


class NoOpeningFound(DigitizeError):
    """Nothing in the photo looks like an opening."""

    exit_code = Exit.TRACE


def log_light(ratio: NDArray[np.float32]) -> NDArray[np.float32]:
    """Logarithm of brightness (...) of light over paper white (..., 3)."""
    return np.asarray(np.log(ratio @ np.array(LUMINANCE, np.float32) + _DARK))


def no_opening() -> NoOpeningFound:
    """What to say where there is none."""
    return NoOpeningFound(
        "no opening with a clear rim is seen in the metal",
        do="photograph it whole with the target beside it and something dark and even behind it, "
        "or narrow the search by --region",
    )


@dataclass(frozen=True, eq=False)
class Opening:
    """A rough opening."""

    loop_mm: FloatArray  # (N, 2) counter-clockwise
    clear_share: float  # of its edge, across which light falls off
    fall: float  # mean logarithm of the ratio of light across its edge
    level: float  # median logarithm of the light inside, in paper whites
    unsure_mm: tuple[float, float] | None = None  # the middle of what may be metal or not

    @property
    def body(self) -> shapely.Geometry:
        """What lies inside."""
        return shapely.make_valid(shapely.Polygon(self.loop_mm))


def find_openings(
    view: Overview,
) -> tuple[list[Opening], list[tuple[tuple[float, float], float]]]:
    """Openings, the largest first, and place and size of smaller holes beside it.

    Raises
    ------
    NoOpeningFound
    """
    look = _Look.at(view)
    groups = _apart(look.candidates())
    if not groups:
        raise no_opening()
    # Through one plate's openings it is about as dark; what is lighter is rust or paint.
    darkest = groups[0][0].level
    firsts = [group for group in groups if group[0].level < darkest + _AS_DARK]
    least = _SMALL * max(group[0].body.area for group in firsts)
    large = [look.cut(group) for group in firsts if group[0].body.area >= least]
    small = [group[0].body for group in firsts if group[0].body.area < least]
    return sorted(large, key=lambda o: -o.body.area), [
        ((b.centroid.x, b.centroid.y), float(np.sqrt(b.area))) for b in small
    ]


def _apart(candidates: Iterable[Opening]) -> list[list[Opening]]:
    """Candidates in groups that overlap, the clearest group and member first.

    Of members about as clear the largest comes first: it has fewest lit things cut out of it.
    """
    groups: list[list[Opening]] = []
    for one in sorted(candidates, key=lambda o: -o.fall):
        mine = next((g for g in groups if g[0].body.intersects(one.body)), None)
        if mine is None:
            groups.append([one])
        elif one.fall > _AS_GOOD * mine[0].fall:
            mine.append(one)
    return [sorted(group, key=lambda o: -o.body.area) for group in groups]


@dataclass(frozen=True, eq=False)
class _Look:
    """The plate from above, as logarithms of light."""

    view: Overview
    level: NDArray[np.float32]  # (rows, columns) of the brightness

    @classmethod
    def at(cls, view: Overview) -> _Look:
        """The plate in an overview."""
        level = log_light(view.ratio)
        return cls(view, np.asarray(cv2.GaussianBlur(level, (0, 0), 1.0)))

    def candidates(self) -> list[Opening]:
        """Blobs of every level with a mostly clear edge."""
        darkest, bright = (float(v) for v in np.quantile(self.level[self.view.valid], [0.002, 0.9]))
        least = _LEAST_MM2 / self.view.pitch_mm**2
        found = []
        for at in np.linspace(darkest, bright, _LEVELS):
            dark = self._tidy((self.level < at) & self.view.valid)
            _, labels, stats, _ = cv2.connectedComponentsWithStats(dark)
            rows, columns = dark.shape
            for k, (x, y, w, h, area) in enumerate(stats[1:], 1):
                whole = x > 1 and y > 1 and x + w < columns - 1 and y + h < rows - 1
                if area >= least and whole:
                    window = np.s_[y - 1 : y + h + 1, x - 1 : x + w + 1]
                    found.append(self._opening(labels[window] == k, (x - 1, y - 1)))
        return [o for o in found if o.clear_share > _CLEAR_SHARE]

    def cut(self, group: list[Opening]) -> Opening:
        """The opening in a group, between the colours inside it and those beyond it."""
        first = group[0].body
        hull = first.convex_hull
        kind = np.full(self.level.shape, cv2.GC_BGD, np.uint8)
        near = self._cells(hull.buffer(_ROUND_MM))
        kind[near] = cv2.GC_PR_BGD
        kind[self._cells(hull)] = cv2.GC_PR_FGD
        kind[self._cells(first.buffer(-_CORE_MM))] = cv2.GC_FGD
        kind[~self.view.valid] = cv2.GC_BGD
        rows, columns = (np.flatnonzero(near.any(axis=k)) for k in (1, 0))
        window = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        colour = np.log(self.view.ratio[window] + _DARK)
        low, high = float(colour.min()), float(colour.max())
        seen = ((colour - low) * (255.0 / max(high - low, 1e-6))).astype(np.uint8)
        kinds = np.ascontiguousarray(kind[window])
        cv2.setRNGSeed(1)  # the colours are clustered from a random start
        beyond, inside = np.zeros((1, 65)), np.zeros((1, 65))  # the models it keeps
        whole = (0, 0, kinds.shape[1], kinds.shape[0])
        cv2.grabCut(seen, kinds, whole, beyond, inside, _CUTS, cv2.GC_INIT_WITH_MASK)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(
            self._tidy((kinds == cv2.GC_FGD) | (kinds == cv2.GC_PR_FGD))
        )
        if len(stats) < 2:
            return group[0]
        largest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
        found = self._opening(labels == largest, (int(columns[0]), int(rows[0])))
        return _with_doubt(found, group)

    def _tidy(self, dark: Cells) -> NDArray[np.uint8]:
        """Without cracks and spots."""
        size = max(3, 2 * round(_TIDY_MM / self.view.pitch_mm / 2) + 1)
        disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        closed = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_CLOSE, disk)
        return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, disk), np.uint8)

    def _cells(self, body: shapely.Geometry) -> Cells:
        """Cells inside a body without holes."""
        cells = np.zeros(self.level.shape, np.uint8)
        for part in shapely.get_parts(body):
            if not part.is_empty:
                corners = self.view.to_cells(np.asarray(part.exterior.coords))
                cv2.fillPoly(cells, [np.rint(corners).astype(np.int32)], 1)
        return cells > 0

    def _opening(self, blob: Cells, corner: tuple[int, int]) -> Opening:
        """A blob without its holes, its first cell at ``corner``; how light falls at its edge."""
        whole = np.asarray(binary_fill_holes(blob))
        contours, _ = cv2.findContours(
            whole.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        cells = max(contours, key=len)[:, 0, :].astype(np.float64) + corner
        loop = self.view.to_mm(cells)
        loop = loop if shapely.LinearRing(loop).is_ccw else loop[::-1]
        ahead = np.roll(loop, -4, axis=0) - np.roll(loop, 4, axis=0)
        ahead /= np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
        out = np.column_stack((ahead[:, 1], -ahead[:, 0]))
        beyond, within = (
            map_coordinates(
                self.level,
                self.view.to_cells(loop + side * _BESIDE_MM * out).T[::-1],
                order=1,
                mode="nearest",
            )
            for side in (1.0, -1.0)
        )
        x, y = corner
        window = self.level[y : y + whole.shape[0], x : x + whole.shape[1]]
        return Opening(
            loop,
            clear_share=float(np.mean(beyond - within > _FALL)),
            fall=float(np.clip(beyond - within, -_FALL, _MOST_FALL).mean()),
            level=float(np.median(window[whole])),
        )


def _with_doubt(found: Opening, group: list[Opening]) -> Opening:
    """The opening, and where another blob as clear as it says otherwise."""
    others = [o for o in group if o.clear_share >= found.clear_share - 0.02]
    apart = [shapely.symmetric_difference(found.body, o.body) for o in others]
    largest = [max(shapely.get_parts(a), key=lambda p: p.area) for a in apart if not a.is_empty]
    unsure = [p for p in largest if p.area > _LEAST_AMBIGUOUS * found.body.area]
    if not unsure:
        return found
    at = max(unsure, key=lambda p: p.area).representative_point()
    return Opening(found.loop_mm, found.clear_share, found.fall, found.level, (at.x, at.y))
