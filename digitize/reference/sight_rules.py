"""Rules in a photo: found, numbered, read, measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.errors import DigitizeError, Exit
from digitize.photo.photo import Photo
from digitize.reference.finding import bands, grey_levels, long_lines
from digitize.reference.graduation import IMPERIAL, INCH_MM, METRIC, Division
from digitize.reference.measuring import measure
from digitize.reference.row import Row, find_rows
from digitize.reference.rules import STEEL_RULE, RuleBody, RuleSeen

FloatArray = NDArray[np.float64]

_FEWEST_MARKS, _FEWEST_WHERE_TOLD = 20, 10
_CLEAR = -25.0  # of a reading's criterion: less clear ones come from wood grain as well
_MOST_GROWTH = 5
_SAME_SPACING = 0.08
_BESIDE_POINTS = 0.08  # of the length between the points given, to either side
_LEAST_BESIDE_PX = 40.0
_SAME_RULE_MM = 45.0  # width of a wide rule
_APART_RAD = np.radians(20.0)
_MOST_SCALE = 2.0  # between two rules in one photo


class RuleNotFound(DigitizeError):
    """No row of graduations is seen."""

    exit_code = Exit.TARGET


class GraduationUnclear(DigitizeError):
    """Marks are seen, but not what they mean."""

    exit_code = Exit.TARGET


@dataclass(frozen=True, slots=True)
class RuleOptions:
    """What the user may say about rules in view; nothing must be said."""

    units: Literal["mm", "inch"] | None = None
    division_mm: float | None = None  # between neighbouring marks, where they cannot be read
    between_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    """Two points on the graduated edge."""
    box_px: tuple[float, float, float, float] | None = None  # x0, y0, x1, y1 round the rule
    body: RuleBody = STEEL_RULE
    most: int = 2  # rules to use


def sight_rules(photo: Photo, options: RuleOptions | None = None) -> tuple[RuleSeen, ...]:
    """Every rule in a photo, the one with most marks first.

    Raises
    ------
    RuleNotFound
        No row of marks shows, or not where it was said to be.
    GraduationUnclear
        A row shows, but its marks could mean two things.
    """
    options = options or RuleOptions()
    grey = grey_levels(photo)
    within = _mask(photo, options)
    divisions = {"mm": METRIC, "inch": IMPERIAL, None: METRIC + IMPERIAL}[options.units]
    found: list[tuple[float, Row, Division]] = []
    unread: list[Row] = []
    unsure: list[Row] = []
    for candidates in (long_lines(grey, within), bands(grey, within)):
        for band in candidates:
            for row in find_rows(grey, band, divisions):
                division = _division(row, options)
                if division is not None:
                    found.append((_worth(row), row, division))
                elif row.reading is not None and row.reading.badness < _CLEAR:
                    unsure.append(row)
                else:
                    unread.append(row)
        if found:
            break
    found.sort(key=lambda f: -f[0])
    told = within is not None
    fewest = _FEWEST_WHERE_TOLD if told else _FEWEST_MARKS
    rules: list[RuleSeen] = []
    for _, short, division in found:
        if len(rules) >= options.most:
            break
        row = _longer(grey, short, division)
        marks = measure(photo, row)
        if len(marks.index) < fewest:
            continue
        rule = RuleSeen(marks, division.pitch_mm, options.body, division.name)
        if all(_another(rule, known) for known in rules):
            rules.append(rule)
    if rules:
        return tuple(rules)
    raise _nothing(photo, options, unsure, unread)


def _mask(photo: Photo, options: RuleOptions) -> NDArray[np.uint8] | None:
    height, width = photo.height_px, photo.width_px
    if options.box_px is not None:
        x0, y0, x1, y1 = options.box_px
        mask = np.zeros((height, width), np.uint8)
        low_x, high_x = sorted((int(x0), int(x1)))
        low_y, high_y = sorted((int(y0), int(y1)))
        mask[max(low_y, 0) : max(high_y, 0), max(low_x, 0) : max(high_x, 0)] = 1
        if not mask.any():
            raise RuleNotFound(
                "the box given for the rule lies outside the photo",
                where=f"the photo is {width} x {height} pixels",
                do="give x and y of two opposite corners in pixels",
            )
        return mask
    if options.between_px is not None:
        a, b = (np.array(p, dtype=float) for p in options.between_px)
        length = float(np.linalg.norm(b - a))
        if length < 30:
            raise RuleNotFound(
                "the two points given for the rule lie too close together",
                where=f"{length:.0f} pixels",
                do="give --rule-at two points far apart on its graduated edge",
            )
        wide = max(_BESIDE_POINTS * length, _LEAST_BESIDE_PX)
        mask = np.zeros((height, width), np.uint8)
        ends = [tuple(round(v) for v in p) for p in (a, b)]
        cv2.line(mask, ends[0], ends[1], 1, max(1, int(2 * wide)))
        return mask
    return None


def _division(row: Row, options: RuleOptions) -> Division | None:
    """What the marks mean, or None where that is not certain."""
    if options.division_mm is not None:
        inches = INCH_MM / options.division_mm
        whole = options.units != "mm" and abs(inches - round(inches)) < 1e-6
        name = f"1/{round(inches)} inch" if whole else f"{options.division_mm:g} mm"
        return Division(name, options.division_mm, 1, whole)
    if row.reading is None or not row.reading.sure or row.reading.badness > _CLEAR:
        return None
    return row.reading.division


def _longer(grey: NDArray[np.float32], row: Row, division: Division) -> Row:
    """The same row followed beyond the piece of line it was found beside.

    What its marks mean is known by then: the longer row need only go on as evenly.
    """
    for _ in range(_MOST_GROWTH):
        grown = [
            r
            for r in find_rows(grey, row.beyond(), (division,))
            if r.dark == row.dark and abs(_spacing_there(r, row) - 1) < _SAME_SPACING
        ]
        if not grown or len(grown[0].comb.index) < 1.05 * len(row.comb.index):
            break
        row = grown[0]
    return row


def _spacing_there(row: Row, other: Row) -> float:
    """Spacing of a row's marks over that of another's, in the middle of that one."""
    px, there = (r.strip.to_px(r.comb.at, np.zeros(len(r.comb.at))) for r in (row, other))
    middle = len(there) // 2
    near = int(np.argmin(np.linalg.norm(px - there[middle], axis=1)))
    spacings = []
    for at, index, k in ((px, row.comb.index, near), (there, other.comb.index, middle)):
        low, high = max(k - 5, 0), min(k + 5, len(index) - 1)
        spacings.append(float(np.linalg.norm(at[high] - at[low])) / (index[high] - index[low]))
    return float(spacings[0] / spacings[1])


def _worth(row: Row) -> float:
    told = max(-row.reading.badness, 0.0) if row.reading is not None else 0.0
    return row.comb.worth * (1.0 + told)


def _another(rule: RuleSeen, known: RuleSeen) -> bool:
    """Whether two rows of marks belong to different rules, of believable sizes."""
    a0, a1 = rule.marks.px[[0, -1]].mean(axis=1)
    b0, b1 = known.marks.px[[0, -1]].mean(axis=1)
    px_a = float(np.linalg.norm(a1 - a0)) / rule.length_mm
    px_b = float(np.linalg.norm(b1 - b0)) / known.length_mm
    if not 1 / _MOST_SCALE < px_a / px_b < _MOST_SCALE:
        return False
    axis = (b1 - b0) / np.linalg.norm(b1 - b0)
    cross = axis[0] * (a1 - a0)[1] - axis[1] * (a1 - a0)[0]
    if abs(cross) > np.sin(_APART_RAD) * float(np.linalg.norm(a1 - a0)):
        return True
    middle = (a0 + a1) / 2 - b0
    across_mm = abs(axis[0] * middle[1] - axis[1] * middle[0]) / px_b
    return bool(across_mm > _SAME_RULE_MM)


def _nothing(
    photo: Photo, options: RuleOptions, unsure: list[Row], unread: list[Row]
) -> DigitizeError:
    if unsure:
        row = max(unsure, key=_worth)
        assert row.reading is not None
        rival = row.reading.rival.name if row.reading.rival else "something else"
        return GraduationUnclear(
            f"the marks of the rule could be {row.reading.division.name} or {rival}",
            where=_where(row),
            do="say how far apart neighbouring marks are, as --rule 1mm or --rule 1/16in",
        )
    good = [row for row in unread if len(row.comb.index) >= 30 and row.comb.residual < 0.03]
    if good:
        row = max(good, key=_worth)
        return GraduationUnclear(
            "a row of even marks is seen, but none of them are longer than the others",
            where=_where(row),
            do="say how far apart neighbouring marks are, as --rule 1mm or --rule 1/16in",
        )
    said = options.box_px is not None or options.between_px is not None
    return RuleNotFound(
        "no rule is seen " + ("where it was said to be" if said else "in the photo"),
        where=photo.name,
        do="show the whole graduated edge, sharp, without glare, its finest marks at least "
        "4 pixels apart; or say where it is with two points on it",
    )


def _where(row: Row) -> str:
    (x0, y0), (x1, y1) = row.ends_px
    return f"from x {x0:.0f}, y {y0:.0f} to x {x1:.0f}, y {y1:.0f} pixels"
