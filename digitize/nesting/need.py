"""The smallest rectangle of sheet a blank fits in, how its bends lie to the grain, its weight."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from digitize.errors import Notice
from digitize.pattern.model import Pattern
from digitize.pattern.region import metal, polygon
from digitize.pattern.segments import FloatArray

ALONG_DEG = 30.0  # of a bend to the grain, that counts as along it: common practice, no source
"""Bends nearer to the grain than this count as lying along it: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A rectangle of sheet; ``direction_deg`` is that of its length on the pattern."""

    length_mm: float
    width_mm: float
    direction_deg: float
    corners_mm: tuple[tuple[float, float], ...]

    @property
    def area_mm2(self) -> float:
        """Area."""
        return self.length_mm * self.width_mm


@dataclass(frozen=True, slots=True)
class Need:
    """What to cut the blank from."""

    rectangle: Rectangle
    area_mm2: float  # of the blank itself
    weight_kg: float | None
    grain_deg: float | None
    notices: tuple[Notice, ...] = ()

    @property
    def waste(self) -> float:
        """Share of the rectangle that is not used."""
        return 1.0 - self.area_mm2 / self.rectangle.area_mm2


def need(
    blank: Pattern,
    density_kg_m3: float | None = None,
    grain_deg: float | None = None,
    margin_mm: float = 0.0,
) -> Need:
    """The sheet a blank needs, ``margin_mm`` all round.

    With a grain direction (on the pattern, counter-clockwise from x) the rectangle lies along
    it, and bends along it are named; without, the rectangle is the smallest of all.
    """
    area = float(metal(blank).area)
    weight = None
    if density_kg_m3 is not None and blank.thickness_mm is not None:
        weight = area * blank.thickness_mm * density_kg_m3 * 1e-9
    return Need(
        rectangle=smallest_rectangle(blank, grain_deg, margin_mm),
        area_mm2=area,
        weight_kg=weight,
        grain_deg=grain_deg,
        notices=() if grain_deg is None else tuple(_along(blank, grain_deg)),
    )


def smallest_rectangle(
    blank: Pattern, direction_deg: float | None = None, margin_mm: float = 0.0
) -> Rectangle:
    """The rectangle of least area round a blank, or the one along a direction.

    One side of the least rectangle lies along an edge of the convex hull (Freeman and Shapira
    1975), so every hull edge is tried.
    """
    hull = np.array(polygon(blank.outline, 0.005).convex_hull.exterior.coords)
    if direction_deg is None:
        edges = np.diff(hull, axis=0)
        turns = np.unique(np.round(np.arctan2(edges[:, 1], edges[:, 0]) % (math.pi / 2), 9))
    else:
        turns = np.array([math.radians(direction_deg)])
    boxes = [_box(hull, float(turn)) for turn in turns]
    turn, low, high = min(boxes, key=lambda b: float(np.prod(b[2] - b[1])))
    low, high = low - margin_mm, high + margin_mm
    c, s = math.cos(turn), math.sin(turn)
    corners = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
    placed = tuple((float(c * u - s * v), float(s * u + c * v)) for u, v in corners)
    across, up = (float(x) for x in high - low)
    lengthwise = across >= up
    direction = math.degrees(turn) + (0.0 if lengthwise else 90.0)
    return Rectangle(max(across, up), min(across, up), direction % 180.0, placed)


def grain_for(blank: Pattern) -> float | None:
    """The grain direction that lies farthest from every bend, in degrees; None without bends."""
    ways = [_direction_deg(b.start_mm, b.end_mm) for b in blank.bends]
    if not ways:
        return None
    tried = np.arange(0.0, 180.0, 1.0)
    nearest = [min(_between(g, way) for way in ways) for g in tried]
    return float(tried[int(np.argmax(nearest))])


def _along(blank: Pattern, grain_deg: float) -> list[Notice]:
    names = [
        f"B{i + 1}"
        for i, b in enumerate(blank.bends)
        if _between(grain_deg, _direction_deg(b.start_mm, b.end_mm)) < ALONG_DEG
    ]
    if not names:
        return []
    text = (
        f"{', '.join(names)} along the grain: the sheet may crack outside, take half as much "
        "radius again or turn the blank (common practice, no source)"
    )
    return [Notice("bend-along-grain", text)]


def _box(points: FloatArray, turn: float) -> tuple[float, FloatArray, FloatArray]:
    c, s = math.cos(turn), math.sin(turn)
    turned = points @ np.array([[c, -s], [s, c]])
    return turn, turned.min(axis=0), turned.max(axis=0)


def _direction_deg(a: tuple[float, float], b: tuple[float, float]) -> float:
    return math.degrees(math.atan2(b[1] - a[1], b[0] - a[0])) % 180.0


def _between(a_deg: float, b_deg: float) -> float:
    off = abs(a_deg - b_deg) % 180.0
    return min(off, 180.0 - off)
