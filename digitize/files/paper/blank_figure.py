"""The blank on a job sheet: squared up on its datum, drawn to fit, with its overall size.

Each bend has its name and, ringed, its places in the order; each face has its name.  A name
stands on what it names where it covers no other line, and else beside it on a leader.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import product

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from digitize.blank.develop import Blank
from digitize.files.lettering import width
from digitize.files.paper.page import FINE_MM, LONG_DASHED_DOTTED, NARROW_MM, WIDE_MM, Pages
from digitize.files.units import Unit, length
from digitize.folding.regions import regions
from digitize.folding.sizes import face_name
from digitize.pattern.datum import datum_of
from digitize.pattern.extent import Box, extent_mm
from digitize.pattern.placement import placed
from digitize.pattern.segments import FloatArray, Point

_CLEAR_MM, _DOT_MM, _TICK_MM = 0.4, 0.35, 1.0
_SHARES = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9)  # of a bend, best first
_LEADERS_MM = (5.0, 7.0, 9.0, 12.0, 15.0, 19.0, 24.0, 30.0, 38.0)


def draw_blank(
    pages: Pages,
    blank: Blank,
    places: Mapping[str, Sequence[int]],
    room: Box,
    *,
    type_mm: float,
    unit: Unit,
) -> None:
    """Draw a blank into ``room``; ``places`` in the order by bend, as ``{"B1": (2,)}``."""
    _Figure(pages, blank, room, type_mm).draw(places, unit)


class _Figure:
    """Draws lines first, then names one after another, none over another."""

    def __init__(self, pages: Pages, blank: Blank, room: Box, type_mm: float) -> None:
        self.pages, self.blank, self.type_mm = pages, blank, type_mm
        self.ring_mm = 0.95 * type_mm
        x0, y0, x1, y1 = self.room = room
        turn = -datum_of(blank.pattern).direction_rad
        self.turn = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        left, low, right, high = extent_mm(placed(blank.pattern, turn))
        self.size_mm = right - left, high - low
        beside = type_mm + 4.0  # for the overall sizes
        self.scale = min(
            (x1 - x0 - beside - 2.0) / max(right - left, 1e-6),
            (y1 - y0 - beside - 2.0) / max(high - low, 1e-6),
        )
        across = x0 + beside + (x1 - x0 - beside - self.scale * (right - left)) / 2
        up = y0 + beside + (y1 - y0 - beside - self.scale * (high - low)) / 2
        self.shift = np.array([across - self.scale * left, up - self.scale * low])
        self.box = across, up, across + self.scale * (right - left), up + self.scale * (high - low)
        pattern = blank.pattern
        closed = (pattern.outline, *pattern.openings)
        self.edges = [
            shapely.LinearRing(self.on_page(c.points_mm(0.05 / self.scale))) for c in closed
        ]
        self.bends = [
            shapely.LineString(self.on_page(np.array([b.start_mm, b.end_mm])))
            for b in pattern.bends
        ]
        self.names: list[BaseGeometry] = []
        self.sizes: list[BaseGeometry] = []  # lines of the overall sizes: a leader may cross them

    def on_page(self, points_mm: FloatArray) -> FloatArray:
        """Points of the pattern on the page."""
        placed_mm: FloatArray = points_mm @ self.turn.T * self.scale + self.shift
        return placed_mm

    def draw(self, places: Mapping[str, Sequence[int]], unit: Unit) -> None:
        """Draw it."""
        self.pages.pen(NARROW_MM, LONG_DASHED_DOTTED)
        for line in self.bends:
            (ax, ay), (bx, by) = line.coords
            self.pages.canvas.line(ax, ay, bx, by)
        self._overall(unit)
        bends = zip(self.blank.pattern.bends, self.bends, strict=True)
        for number, (bend, line) in enumerate(bends, 1):
            name = f"B{number}"
            words = name if bend.bead is None else f"{name} bead"
            self._bend_name(line, words, places.get(name, ()))
        parts = regions(self.blank.tree, self.blank.pattern)
        for face, area in enumerate(parts.faces):
            if not area.is_empty:
                self._face_name(face_name(face), shapely.transform(area, self.on_page))
        self.pages.pen(WIDE_MM)
        for ring in self.edges:
            self.pages.polyline(list(ring.coords), close=True)

    def _overall(self, unit: Unit) -> None:
        """The two overall sizes, below and to the left."""
        x0, y0, x1, y1 = self.box
        canvas, size = self.pages.canvas, self.type_mm
        self.pages.pen(FINE_MM)
        across, up = (length(v, unit) for v in self.size_mm)
        y, x = y0 - 2.0, x0 - 2.0
        canvas.line(x0, y, x1, y)
        canvas.line(x, y0, x, y1)
        for at in (x0, x1):
            canvas.line(at, y - _TICK_MM, at, y + _TICK_MM)
        for at in (y0, y1):
            canvas.line(x - _TICK_MM, at, x + _TICK_MM, at)
        self.pages.text((x0 + x1 - width(across, size)) / 2, y - size - 0.6, across, size)
        canvas.saveState()
        canvas.translate(x - 1.0, (y0 + y1 - width(up, size)) / 2)
        canvas.rotate(90)
        self.pages.text(0, 0, up, size)
        canvas.restoreState()
        self.names += [
            _room((x0 + x1) / 2, y - size / 2 - 0.6, width(across, size), size),
            _room(x - size / 2 - 1.0, (y0 + y1) / 2, size, width(up, size)),
        ]
        self.sizes += [
            shapely.LineString(((x0, y), (x1, y))),
            shapely.LineString(((x, y0), (x, y1))),
        ]

    # Names

    def _bend_name(self, line: BaseGeometry, name: str, places: Sequence[int]) -> None:
        step = 2 * self.ring_mm + 0.8
        w = width(name, self.type_mm) + 1.6 + step * len(places)
        h = 2 * self.ring_mm + 0.6
        others = [*self.edges, *(b for b in self.bends if b is not line), *self.names]
        anchors = [_at(line.interpolate(share, normalized=True)) for share in _SHARES]
        for x, y in anchors:
            room = _room(x, y, w, h)
            if not _meets(room, others):
                self._ringed(x - w / 2, y, name, places, room)
                return
        led = self._led(anchors, w, h)
        if led is not None:
            (x, y), room = led
            self._ringed(x - w / 2, y, name, places, room)

    def _ringed(
        self, left: float, y: float, name: str, places: Sequence[int], room: BaseGeometry
    ) -> None:
        """A bend's name with its ringed places in the order, on white."""
        canvas, size = self.pages.canvas, self.type_mm
        x0, y0, x1, y1 = room.bounds
        canvas.setFillGray(1)
        canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=0, fill=1)
        canvas.setFillGray(0)
        self.pages.text(left + 0.8, y - 0.36 * size, name, size)
        self.pages.pen(FINE_MM)
        for k, place in enumerate(places):
            cx = left + width(name, size) + 1.6 + self.ring_mm + (2 * self.ring_mm + 0.8) * k
            canvas.circle(cx, y, self.ring_mm)
            number = str(place)
            self.pages.text(cx - width(number, size) / 2, y - 0.36 * size, number, size)
        self.names.append(room)

    def _face_name(self, name: str, area: BaseGeometry) -> None:
        w, h = width(name, self.type_mm), self.type_mm
        free = area.difference(shapely.union_all(self.names)) if self.names else area
        free = area if free.is_empty else free
        widest = shapely.maximum_inscribed_circle(free, tolerance=0.2)
        roomy = free.buffer(-0.8 * widest.length)
        middle = _at(widest)
        best = middle if roomy.is_empty else _at(nearest_points(roomy, free.centroid)[0])
        spots = [best, middle]
        fitting = next((s for s in spots if free.contains(_room(*s, w, h))), None)
        found = None if fitting is None else (fitting, _room(*fitting, w, h))
        found = found or self._led([middle], w, h)
        if found is not None:
            (x, y), room = found
            self.pages.text(x - w / 2, y - 0.36 * h, name, h)
            self.names.append(room)

    def _led(
        self, anchors: Iterable[Point], w: float, h: float
    ) -> tuple[Point, BaseGeometry] | None:
        """The middle and room of a name that a leader ties to one of the anchors."""
        sheet = shapely.box(*self.room)
        turns = [math.pi * k / 8 for k in range(16)]
        for reach, (ax, ay), turn in product(_LEADERS_MM, list(anchors), turns):
            x, y = ax + reach * math.cos(turn), ay + reach * math.sin(turn)
            room = _room(x, y, w, h)
            others = [*self.edges, *self.bends, *self.names, *self.sizes]
            if not sheet.contains(room) or _meets(room, others):
                continue
            leader = shapely.LineString([(ax, ay), (x, y)]).difference(room)
            if leader.length < 1.0 or _meets(leader, self.names) or self._along_a_bend(leader):
                continue
            self.pages.pen(FINE_MM)
            (x0, y0), (x1, y1) = leader.coords
            self.pages.canvas.line(x0, y0, x1, y1)
            self.pages.canvas.circle(ax, ay, _DOT_MM, stroke=0, fill=1)
            self.names.append(leader)
            return (x, y), room
        return None

    def _along_a_bend(self, leader: BaseGeometry) -> bool:
        """Whether a leader would be taken for a part of a bend line."""
        return any(leader.intersection(b.buffer(0.5)).length > 2.5 for b in self.bends)


def _room(x: float, y: float, w: float, h: float) -> BaseGeometry:
    room: BaseGeometry = shapely.box(
        x - w / 2 - _CLEAR_MM, y - h / 2 - _CLEAR_MM, x + w / 2 + _CLEAR_MM, y + h / 2 + _CLEAR_MM
    )
    return room


def _meets(room: BaseGeometry, others: Iterable[BaseGeometry]) -> bool:
    return any(room.intersects(other) for other in others)


def _at(place: BaseGeometry) -> Point:
    x, y = place.coords[0]
    return float(x), float(y)
