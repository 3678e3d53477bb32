"""Corners as a pen and a photo leave them: bend lines that end a stroke apart, blobs, overshoot."""

import math
import random

import pytest

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.materials import material
from digitize.blank.develop import develop
from digitize.blank.errors import NotDeveloped
from digitize.blank.mitre import mitred
from digitize.blank.relief import relieved
from digitize.blank.shared_corners import joined_corners
from digitize.pattern.contour import Contour
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Arc, Line
from digitize.pattern.soundness import fault

STOCK = Stock(material("mild-steel"), 1.5)
RIGHT = {"all": Said(90.0, True)}

# A pen tracing of three flanges as `digitize trace` gave it from a rendered photograph, to
# 0.01 mm: start of each edge and its bulge.
TRACED = (
    (68.09, 106.98, 0), (91.67, 107.63, 0), (92.19, 106.78, 0), (98.0, 87.55, 0.336),
    (100.38, 85.82, 0), (181.36, 87.94, 0), (180.82, 108.84, 0), (180.79, 109.82, 0),
    (182.21, 110.08, 0), (203.87, 114.02, 0.37), (206.6, 117.37, 0), (202.93, 258.31, 0.37),
    (199.87, 261.69, 0), (176.82, 264.66, 0), (171.27, 286.24, 0.35), (165.91, 290.29, 0),
    (97.37, 288.49, 0.349), (92.4, 284.32, 0), (88.06, 262.91, -0.032), (87.28, 262.17, 0),
    (73.55, 261.92, 0.417), (64.31, 252.26, 0),
)  # fmt: skip
BENDS = (
    ((177.39, 264.58), (181.44, 109.99)),
    ((176.66, 265.21), (88.07, 262.89)),
    ((92.15, 106.96), (180.78, 109.28)),
)


def traced():
    segments = []
    for (x0, y0, bulge), (x1, y1, _) in zip(TRACED, TRACED[1:] + TRACED[:1], strict=True):
        ends = (x0, y0), (x1, y1)
        segments.append(Arc(*ends, bulge) if bulge else Line(*ends))
    return Pattern("traced", Contour.of(segments), bends=tuple(BendLine(*b) for b in BENDS))


def developed(pattern, said=RIGHT):
    return develop(pattern, resolve(pattern, STOCK, said)[0])


def test_bend_lines_a_stroke_apart_end_in_one_corner():
    joined = joined_corners(traced())
    b1, b2, b3 = joined.bends
    assert b1.start_mm == b2.start_mm
    assert b1.end_mm == b3.end_mm
    corners = {e.segment.start_mm for e in joined.outline.edges}
    assert {b1.start_mm, b1.end_mm} <= corners
    for before, after in zip(traced().bends, joined.bends, strict=True):
        moved = max(
            math.dist(before.start_mm, after.start_mm), math.dist(before.end_mm, after.end_mm)
        )
        assert moved < 1.0
    assert joined_corners(joined) is joined


@pytest.mark.parametrize("style", ["round", "square"])
def test_a_traced_drawing_is_developed_mitred_and_relieved(style):
    blank = developed(traced())
    (flat,) = {round(f.deduction_mm, 6) for f in blank.facts}
    x0, y0, x1, y1 = closed_extent_mm(traced().outline)
    u0, v0, u1, v1 = closed_extent_mm(blank.pattern.outline)
    assert (u1 - u0) == pytest.approx(x1 - x0 - flat, abs=0.1)  # drawn 1.5 degrees askew
    assert (v1 - v0) == pytest.approx(y1 - y0 - 2 * flat, abs=0.1)
    assert len(blank.open_ends) == 4
    done = relieved(mitred(blank), style)
    assert fault(done.pattern) is None
    assert all(math.dist(b.start_mm, b.end_mm) > 80 for b in done.pattern.bends)


def drawn_by_hand(chance):
    """A box whose corners and ends of bend lines wander by up to 0.6 mm each way."""
    base = [(0.0, 0.0), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0)]

    def near(x, y):
        return x + chance.uniform(-0.6, 0.6), y + chance.uniform(-0.6, 0.6)

    points, bends = [], []
    for (x0, y0), (x1, y1) in zip(base, base[1:] + base[:1], strict=True):
        d = math.dist((x0, y0), (x1, y1))
        nx, ny = 25 * (y1 - y0) / d, 25 * (x0 - x1) / d
        points += [near(x0, y0), near(x0 + nx, y0 + ny), near(x1 + nx, y1 + ny), near(x1, y1)]
        bends.append(BendLine(near(x0, y0), near(x1, y1)))
    outline = Contour.of([Line(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True)])
    return Pattern("box", outline, bends=tuple(bends))


def test_boxes_drawn_by_hand_are_developed_or_refused_but_never_unsound():
    chance = random.Random(5)
    drawn = [drawn_by_hand(chance) for _ in range(300)]
    drawn = [p for p in drawn if fault(p) is None]  # without loops drawn in their corners
    assert len(drawn) > 50
    refused = 0
    for pattern in drawn:
        try:
            blank = developed(pattern)
            done = relieved(mitred(blank), "round")
        except NotDeveloped:
            refused += 1
            continue
        (deduction,) = {round(f.deduction_mm, 6) for f in blank.facts}
        x0, y0, x1, y1 = closed_extent_mm(blank.pattern.outline)
        expected = (140 - 2 * deduction, 110 - 2 * deduction)
        assert (x1 - x0, y1 - y0) == pytest.approx(expected, abs=1.5)
        assert fault(done.pattern) is None
    assert refused <= 0.06 * len(drawn)
