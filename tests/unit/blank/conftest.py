from __future__ import annotations

from collections.abc import Callable

import pytest

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.laws import Law, NeutralLine
from digitize.bending.materials import material
from digitize.blank.develop import Blank, develop
from digitize.pattern.contour import Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line


def closed(*points: tuple[float, float]) -> Contour:
    return Contour.of([Line(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True)])


def piece(outline: Contour, *lines: tuple[tuple[float, float], tuple[float, float]], **more):
    return Pattern("piece", outline, bends=tuple(BendLine(*ends) for ends in lines), **more)


def blank_of(
    pattern: Pattern,
    said: dict[str, Said] | Said | None = None,
    *,
    thickness_mm: float = 1.0,
    law: Law | None = None,
    base: int | None = None,
) -> Blank:
    said = {"all": said} if isinstance(said, Said) else said
    stock = Stock(material("mild-steel"), thickness_mm, law or NeutralLine(0.44))
    return develop(pattern, resolve(pattern, stock, said)[0], base)


@pytest.fixture
def make() -> Callable[..., Pattern]:
    return piece


@pytest.fixture
def contour() -> Callable[..., Contour]:
    return closed


@pytest.fixture
def unfold() -> Callable[..., Blank]:
    return blank_of
