"""Pieces of the tractor and narrow-boat workshop to hold against one another."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from digitize.pattern.contour import Circle, Contour, Slot
from digitize.pattern.model import BendLine, Pattern, PointMark, Precision
from digitize.pattern.segments import Arc, Line, Point


def polygon(*corners: Point) -> Contour:
    ends = (*corners[1:], corners[0])
    return Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])


@pytest.fixture
def footplate() -> Pattern:
    """A footplate of a tractor, with a notch, a round corner, holes and a bend."""
    outline = Contour.of(
        (
            Line((0.0, 0.0), (180.0, 0.0)),
            Line((180.0, 0.0), (180.0, 40.0)),
            Line((180.0, 40.0), (150.0, 40.0)),
            Line((150.0, 40.0), (150.0, 55.0)),
            Line((150.0, 55.0), (180.0, 55.0)),
            Line((180.0, 55.0), (170.0, 110.0)),
            Line((170.0, 110.0), (60.0, 130.0)),
            Arc((60.0, 130.0), (0.0, 70.0), math.tan(math.pi / 8)),
            Line((0.0, 70.0), (0.0, 0.0)),
        )
    )
    return Pattern(
        "footplate",
        outline,
        (
            Circle((30.0, 40.0), 5.0),
            Circle((110.0, 80.0), 4.0),
            Slot((60.0, 30.0), (80.0, 30.0), 4.0),
        ),
        (BendLine((0.0, 15.0), (180.0, 15.0)),),
        (PointMark((130.0, 30.0)),),
        thickness_mm=1.2,
        precision=Precision(0.05, 0.0002),
    )


@pytest.fixture
def cover() -> Pattern:
    """A square hatch cover of a narrow boat."""
    square = polygon((0.0, 0.0), (90.0, 0.0), (90.0, 90.0), (0.0, 90.0))
    return Pattern("cover", square, thickness_mm=1.0, precision=Precision(0.05, 0.0002))


@pytest.fixture
def porthole() -> Pattern:
    """A round blank with three holes, one of them nearer the middle."""
    holes = tuple(
        Circle((50.0 + r * math.cos(a), 50.0 + r * math.sin(a)), 3.0)
        for r, a in ((38.0, 0.2), (38.0, 2.3), (30.0, 4.4))
    )
    return Pattern("porthole", Circle((50.0, 50.0), 45.0), holes, precision=Precision(0.05, 0.0002))


@pytest.fixture
def without_features(porthole: Pattern) -> Pattern:
    """The round blank before its holes are cut."""
    return replace(porthole, openings=())
