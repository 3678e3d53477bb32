"""Points and lengths that somebody knows: what a photo sent by another may be measured by.

They come from options or from a small text file, one to a line::

    unit mm                        # or inch; mm if not said
    pick 1                         # how well the pixels were picked, in pixels
    point 812 1104   0 0           # pixel x, y, then its place x, y (y up)
    point 2988 1098  420 0  +-0.6  # and how well that is known, 95 %
    length 812 1104  905 2210  216 +-0.5
    height 1.5                     # of all of them over the surface the piece lies on

All of them lie on one plane.  What follows ``#`` is a remark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from digitize.errors import DigitizeError, Exit
from digitize.reference.graduation import INCH_MM

Pair = tuple[float, float]

PICK_PX = 1.0
"""Standard uncertainty of a pixel picked by eye (judgement, no source)."""

LENGTH_U_MM = 0.5
"""Of a length or place of which nothing is said: a tape read to the millimetre, worn piece."""

_COVERAGE = 2.0  # what follows +- is meant as the ± of results: about 95 %
_MOST_BYTES = 1_000_000
_UNITS_MM = {"mm": 1.0, "cm": 10.0, "inch": INCH_MM, "in": INCH_MM}


class KnownsError(DigitizeError):
    """What was given as known cannot be used."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class KnownPoint:
    """A point whose place on the plane is known."""

    at_px: Pair
    at_mm: Pair
    u_mm: float = LENGTH_U_MM  # standard uncertainty of each coordinate


@dataclass(frozen=True, slots=True)
class KnownLength:
    """Two points whose distance is known."""

    from_px: Pair
    to_px: Pair
    length_mm: float
    u_mm: float = LENGTH_U_MM


@dataclass(frozen=True, slots=True)
class Knowns:
    """Everything known of one photo."""

    points: tuple[KnownPoint, ...] = ()
    lengths: tuple[KnownLength, ...] = ()
    pick_px: float = PICK_PX
    height_mm: float = 0.0  # of all of them over the plane the piece lies on

    def joined(self, *others: Knowns) -> Knowns:
        """All together; picked as well as the worst; raises ``KnownsError``."""
        every = (self, *others)
        if len({k.height_mm for k in every}) > 1:
            raise KnownsError("what is known lies at different heights", do="say height once")
        return Knowns(
            tuple(p for k in every for p in k.points),
            tuple(p for k in every for p in k.lengths),
            max(k.pick_px for k in every),
            self.height_mm,
        )


def read_knowns(path: Path) -> Knowns:
    """What a text file says; raises ``KnownsError`` with the line at fault."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise KnownsError(f"{path.name} is too large for a list of points")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as fault:
        raise KnownsError(
            f"{path.name} cannot be read", where=fault.strerror or "", do="check the name"
        ) from fault
    except UnicodeDecodeError as fault:
        raise KnownsError(f"{path.name} is not a text file") from fault
    return parse_knowns(text, path.name)


def parse_knowns(text: str, name: str) -> Knowns:
    """The same for text that is already there."""
    unit_mm, pick_px, height_mm = 1.0, PICK_PX, 0.0
    points: list[KnownPoint] = []
    lengths: list[KnownLength] = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split("#")[0].replace(",", " ").replace("±", " +-").split()
        if not words:
            continue
        where = f"{name}, line {number}"
        kind, values = words[0].lower(), words[1:]
        if kind == "unit":
            if len(values) != 1 or values[0].lower() not in _UNITS_MM:
                raise KnownsError("the unit is not known", where=where, do="say mm, cm or inch")
            unit_mm = _UNITS_MM[values[0].lower()]
        elif kind == "pick":
            pick_px = _numbers(values, 1, where, "pick 1")[0][0]
            if pick_px <= 0:
                raise KnownsError("pixels cannot be picked that well", where=where)
        elif kind == "height":
            height_mm = _numbers(values, 1, where, "height 1.5")[0][0] * unit_mm
            if height_mm < 0:
                raise KnownsError("a height must not be less than nothing", where=where)
        elif kind == "point":
            (x, y, a, b), u = _numbers(values, 4, where, "point 812 1104 420 0 +-0.5")
            u_mm = LENGTH_U_MM if u is None else u * unit_mm / _COVERAGE
            points.append(KnownPoint((x, y), (a * unit_mm, b * unit_mm), u_mm))
        elif kind == "length":
            (x, y, a, b, length), u = _numbers(
                values, 5, where, "length 812 1104 2988 1098 420 +-0.5"
            )
            if length <= 0:
                raise KnownsError("a length must be more than nothing", where=where)
            u_mm = LENGTH_U_MM if u is None else u * unit_mm / _COVERAGE
            lengths.append(KnownLength((x, y), (a, b), length * unit_mm, u_mm))
        else:
            raise KnownsError(
                f"“{words[0][:20]}” begins no known line",
                where=where,
                do="begin each line with unit, pick, height, point or length",
            )
    return Knowns(tuple(points), tuple(lengths), pick_px, height_mm)


def _numbers(
    words: list[str], count: int, where: str, example: str
) -> tuple[list[float], float | None]:
    """``count`` numbers and, after +-, the uncertainty if there is one."""
    joined = " ".join(words).replace("+-", " +- ").split()
    u: float | None = None
    try:
        if "+-" in joined:
            at = joined.index("+-")
            (u,) = (float(v) for v in joined[at + 1 :])
            joined = joined[:at]
        values = [float(v) for v in joined]
    except ValueError:
        values = []
    sound = len(values) == count and all(map(math.isfinite, values))
    if not sound or (u is not None and not 0 < u < math.inf):
        raise KnownsError("the numbers are not as they should be", where=where, do=f"as: {example}")
    return values, u
