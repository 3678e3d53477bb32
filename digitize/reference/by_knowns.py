"""The camera by points and lengths that somebody knows.

Every picked point is an unknown place on the plane, seen at its pixel as well as pixels can
be picked.  A known place pulls it there, a known length pulls two of them apart, each with
its own uncertainty.  Four well spread points fix the perspective; two points or one length
give only the scale, and then the camera is taken as square-on and the result says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.camera.priors import Framed
from digitize.reference.knowns import KnownLength, KnownPoint, Knowns, KnownsError, Pair
from digitize.reference.layout import Places, Seen
from digitize.reference.solve import PULLED, Outlook, Referenced, solve

FloatArray = NDArray[np.float64]

_SAME_PX = 2.5  # picks this close are the same point
_SHORTEST_PX = 20.0
_EXACT_MM = 1e-3  # holds the frame where only lengths are known
_ENOUGH = 10
_DISAGREES = 3.5  # standard deviations


@dataclass(frozen=True, eq=False)
class KnownsLayout:
    """Picked points on the plane; unknowns are their x and y in turn."""

    guess_mm: FloatArray  # (P, 2)
    placed: tuple[tuple[int, KnownPoint], ...]
    measured: tuple[tuple[int, int, KnownLength], ...]
    height_mm: float

    @property
    def start(self) -> FloatArray:
        """First guess of the unknowns."""
        return self.guess_mm.ravel()

    def places(self, own: FloatArray) -> Places:
        """The points."""
        n, m = len(self.guess_mm), len(own)
        mm = np.column_stack([own.reshape(-1, 2), np.full(n, self.height_mm)])
        by = np.zeros((n, 3, m))
        each = np.arange(n)
        by[each, 0, 2 * each] = by[each, 1, 2 * each + 1] = 1.0
        return Places(mm, np.zeros((n, 3)), by, np.zeros((n, 3, m)))

    def pulls(self, own: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Known places and lengths; and what holds the frame where no place is known."""
        at = own.reshape(-1, 2)
        rows, slopes = [], []
        for i, point in self.placed:
            for axis in (0, 1):
                slope = np.zeros(len(own))
                slope[2 * i + axis] = 1 / point.u_mm
                rows.append((at[i, axis] - point.at_mm[axis]) / point.u_mm)
                slopes.append(slope)
        for i, j, length in self.measured:
            apart = at[j] - at[i]
            distance = max(float(np.linalg.norm(apart)), 1e-9)
            slope = np.zeros(len(own))
            slope[2 * j : 2 * j + 2] = apart / distance / length.u_mm
            slope[2 * i : 2 * i + 2] = -apart / distance / length.u_mm
            rows.append((distance - length.length_mm) / length.u_mm)
            slopes.append(slope)
        for index, sigma in self._held():
            slope = np.zeros(len(own))
            slope[index] = 1 / sigma
            rows.append((own[index] - self.start[index]) / sigma)
            slopes.append(slope)
        return np.array(rows), np.array(slopes)

    def _held(self) -> list[tuple[int, float]]:
        """Unknowns that fix the frame's origin and turn, where known places do not."""
        if len(self.placed) >= 2:
            return []
        if self.placed:
            i = self.placed[0][0]
            others = [k for k in range(len(self.guess_mm)) if k != i]
            return [(2 * others[0] + 1, _EXACT_MM)]
        i, j, _ = self.measured[0]
        return [(2 * i, _EXACT_MM), (2 * i + 1, _EXACT_MM), (2 * j + 1, _EXACT_MM)]


def camera_by_knowns(
    photo: Framed,
    knowns: Knowns,
    *,
    level_deg: float | None = None,
) -> Referenced:
    """The camera, in the frame of the known places, or with x along the first known length.

    Raises
    ------
    KnownsError
        Too little is known, or what is known contradicts itself.
    """
    picks, placed, measured = _gathered(photo, knowns)
    guess, outlook = _guess(picks, placed, measured)
    layout = KnownsLayout(guess, tuple(placed), tuple(measured), knowns.height_mm)
    seen = Seen(picks, np.full(len(picks), knowns.pick_px), np.zeros(len(picks), dtype=bool))
    found = solve(
        photo,
        seen,
        layout,
        outlook,
        _name(knowns),
        robust=False,
        # A slip in one of a few knowns is likelier than a camera odd enough to explain it.
        unusual=2 * len(placed) + len(measured) >= _ENOUGH,
        level_deg=level_deg,
    )
    _check_agreement(layout, found)
    return found


def _gathered(
    photo: Framed, knowns: Knowns
) -> tuple[FloatArray, list[tuple[int, KnownPoint]], list[tuple[int, int, KnownLength]]]:
    """Picked pixels (P, 2), each point once, and which of them each known thing is about."""
    picks: list[Pair] = []

    def pick(at_px: Pair) -> int:
        x, y = at_px
        if not (-0.5 <= x <= photo.width_px - 0.5 and -0.5 <= y <= photo.height_px - 0.5):
            raise KnownsError(
                f"pixel {x:g}, {y:g} lies outside the photo",
                where=f"it is {photo.width_px} x {photo.height_px} pixels",
                do="count x from the left and y from the top",
            )
        for number, (a, b) in enumerate(picks):
            if math.hypot(a - x, b - y) < _SAME_PX:
                return number
        picks.append(at_px)
        return len(picks) - 1

    placed = [(pick(p.at_px), p) for p in knowns.points]
    measured = [(pick(k.from_px), pick(k.to_px), k) for k in knowns.lengths]
    if len({i for i, _ in placed}) < len(placed):
        raise KnownsError("two known points lie at the same pixel", do="leave one of them out")
    for i, j, length in measured:
        apart = math.dist(picks[i], picks[j])
        if apart < _SHORTEST_PX:
            raise KnownsError(
                f"the ends of the length {length.length_mm:g} mm are only {apart:.0f} pixels apart",
                do="take a longer one",
            )
    if len(placed) < 2 and not measured:
        raise KnownsError(
            "too little is known to measure by",
            do="give two points with their places, or one length with both its ends",
        )
    for n, (i, a) in enumerate(placed):
        for j, b in placed[:n]:
            if math.dist(a.at_mm, b.at_mm) < 1e-6 or math.dist(picks[i], picks[j]) < _SHORTEST_PX:
                raise KnownsError(
                    f"the points at {a.at_mm[0]:g}, {a.at_mm[1]:g} and {b.at_mm[0]:g}, "
                    f"{b.at_mm[1]:g} mm lie too close together",
                    do="take points far apart",
                )
    return np.array(picks), placed, measured


def _guess(
    picks: FloatArray,
    placed: list[tuple[int, KnownPoint]],
    measured: list[tuple[int, int, KnownLength]],
) -> tuple[FloatArray, Outlook]:
    """Places (P, 2) as if seen from straight above, and the camera that goes with them."""
    flipped = (picks * [1.0, -1.0]) @ np.array([1.0, 1.0j])
    if len(placed) >= 2:
        at = flipped[[i for i, _ in placed]]
        mm = np.array([complex(*p.at_mm) for _, p in placed])
        centred = at - at.mean()
        # mm = scale * px + shift in complex numbers: a similarity, by least squares.
        scale = complex((centred.conj() @ (mm - mm.mean())) / (centred.conj() @ centred).real)
        if abs(scale) == 0:
            raise KnownsError("the known places do not fit the pixels", do="check which is which")
        shift = complex(mm.mean() - scale * at.mean())
    else:
        i, j, _ = measured[0]
        ratios = [k.length_mm / abs(flipped[b] - flipped[a]) for a, b, k in measured]
        along = flipped[j] - flipped[i]
        scale = complex(float(np.median(ratios)) * abs(along) / along)
        shift = -scale * complex(flipped[i])
        if placed:
            number, point = placed[0]
            shift = complex(*point.at_mm) - scale * complex(flipped[number])
    guess = scale * flipped + shift
    middle = picks.mean(axis=0)
    at_mm = scale * complex(middle[0], -middle[1]) + shift
    return (
        np.column_stack([guess.real, guess.imag]),
        Outlook(
            at_px=middle,
            at_mm=np.array([at_mm.real, at_mm.imag]),
            turn_rad=math.atan2(scale.imag, scale.real),
            px_per_mm=1 / abs(scale),
        ),
    )


def _check_agreement(layout: KnownsLayout, found: Referenced) -> None:
    """Refuse knowns that contradict each other, or fit only an impossible camera."""
    pulls, _ = layout.pulls(found.own)
    count = 2 * len(layout.placed) + len(layout.measured)
    if float(np.abs(pulls[:count]).max()) < _DISAGREES and found.strain < PULLED + 2 * count:
        return
    worst = int(np.abs(pulls[:count]).argmax())
    if worst < 2 * len(layout.placed):
        point = layout.placed[worst // 2][1]
        off = abs(float(pulls[worst])) * point.u_mm
        what = f"the point at {point.at_mm[0]:g}, {point.at_mm[1]:g} mm"
    else:
        length = layout.measured[worst - 2 * len(layout.placed)][2]
        off = abs(float(pulls[worst])) * length.u_mm
        what = f"the length {length.length_mm:g} mm"
    raise KnownsError(
        f"no camera sees what is given as known: {what} is off by {off:.1f} mm or more",
        do="check it and its pixels, or say that it is known less well",
    )


def _name(knowns: Knowns) -> str:
    parts = []
    if knowns.points:
        parts.append(f"{len(knowns.points)} known points")
    if knowns.lengths:
        parts.append(f"{len(knowns.lengths)} known length" + "s" * (len(knowns.lengths) > 1))
    return " and ".join(parts)
