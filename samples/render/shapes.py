"""Closed shapes made of exact lines and circular arcs, in millimetres.

A shape is drawn once here; the mesh, the painted ink and the truth file all come from it.
Arcs are held as end points and bulge, tan(included angle / 4), positive counter-clockwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Segment:
    start: Point
    end: Point
    bulge: float = 0.0

    def points(self, chord_mm: float) -> FloatArray:
        """Points (N, 2) from start to end."""
        a, b = np.array(self.start), np.array(self.end)
        if self.bulge == 0.0:
            return np.array([a, b])
        sweep = 4.0 * math.atan(self.bulge)
        k = (1.0 - self.bulge**2) / (4.0 * self.bulge)
        centre = (a + b) / 2 + k * np.array([-(b - a)[1], (b - a)[0]])
        radius = float(np.hypot(*(a - centre)))
        step = 2.0 * math.acos(max(1.0 - chord_mm / radius, -1.0))
        n = max(2, math.ceil(abs(sweep) / step) + 1)
        angle = math.atan2(*(a - centre)[::-1]) + sweep * np.linspace(0.0, 1.0, n)
        return centre + radius * np.column_stack((np.cos(angle), np.sin(angle)))


@dataclass(frozen=True)
class Loop:
    segments: tuple[Segment, ...]

    def points(self, chord_mm: float = 0.002) -> FloatArray:
        """Points (N, 2) all round, the first not repeated."""
        return np.vstack([s.points(chord_mm)[:-1] for s in self.segments])

    def moved(self, x: float, y: float, turn_deg: float = 0.0) -> Loop:
        """Turned about the origin, then shifted."""
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))

        def at(p: Point) -> Point:
            return (c * p[0] - s * p[1] + x, s * p[0] + c * p[1] + y)

        return Loop(tuple(Segment(at(q.start), at(q.end), q.bulge) for q in self.segments))

    def truth(self) -> dict[str, Any]:
        segments: list[dict[str, Any]] = []
        for s in self.segments:
            item: dict[str, Any] = {"start_mm": list(s.start), "end_mm": list(s.end)}
            if s.bulge:
                item["bulge"] = s.bulge
            segments.append(item)
        return {"kind": "contour", "segments": segments}


@dataclass(frozen=True)
class Circle:
    centre: Point
    radius: float

    def points(self, chord_mm: float = 0.002) -> FloatArray:
        """Points (N, 2) all round, counter-clockwise."""
        n = math.ceil(2 * math.pi / (2.0 * math.acos(1.0 - chord_mm / self.radius)))
        a = np.linspace(0.0, 2 * math.pi, n, endpoint=False)
        return np.array(self.centre) + self.radius * np.column_stack((np.cos(a), np.sin(a)))

    def moved(self, x: float, y: float, turn_deg: float = 0.0) -> Circle:
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
        px, py = self.centre
        return Circle((c * px - s * py + x, s * px + c * py + y), self.radius)

    def truth(self) -> dict[str, Any]:
        return {"kind": "circle", "centre_mm": list(self.centre), "radius_mm": self.radius}


@dataclass(frozen=True)
class Slot:
    start: Point
    end: Point
    radius: float

    def loop(self) -> Loop:
        (x0, y0), (x1, y1), r = self.start, self.end, self.radius
        d = math.dist(self.start, self.end)
        nx, ny = (y1 - y0) / d * r, -(x1 - x0) / d * r
        a, b = (x0 + nx, y0 + ny), (x1 + nx, y1 + ny)
        c, e = (x1 - nx, y1 - ny), (x0 - nx, y0 - ny)
        return Loop((Segment(a, b), Segment(b, c, 1.0), Segment(c, e), Segment(e, a, 1.0)))

    def points(self, chord_mm: float = 0.002) -> FloatArray:
        """Points (N, 2) all round, counter-clockwise."""
        return self.loop().points(chord_mm)

    def moved(self, x: float, y: float, turn_deg: float = 0.0) -> Slot:
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))

        def at(p: Point) -> Point:
            return (c * p[0] - s * p[1] + x, s * p[0] + c * p[1] + y)

        return Slot(at(self.start), at(self.end), self.radius)

    def truth(self) -> dict[str, Any]:
        return {
            "kind": "slot",
            "start_mm": list(self.start),
            "end_mm": list(self.end),
            "radius_mm": self.radius,
        }


Shape = Loop | Circle | Slot


@dataclass(frozen=True)
class Part:
    """One piece of work: its edge, openings, bend lines and point marks."""

    name: str
    outline: Shape
    openings: tuple[Shape, ...] = ()
    bends: tuple[tuple[Point, Point], ...] = ()
    marks: tuple[Point, ...] = ()

    def moved(self, x: float, y: float, turn_deg: float = 0.0) -> Part:
        def at(p: Point) -> Point:
            return Circle(p, 1.0).moved(x, y, turn_deg).centre

        return Part(
            self.name,
            self.outline.moved(x, y, turn_deg),
            tuple(o.moved(x, y, turn_deg) for o in self.openings),
            tuple((at(a), at(b)) for a, b in self.bends),
            tuple(at(m) for m in self.marks),
        )

    def truth(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "outline": self.outline.truth(),
            "openings": [o.truth() for o in self.openings],
            "bends": [{"start_mm": list(a), "end_mm": list(b)} for a, b in self.bends],
            "marks": [list(m) for m in self.marks],
        }


def rounded(corners: list[tuple[float, float, float]]) -> Loop:
    """A loop through corners (x, y, fillet radius), counter-clockwise; radius 0 is sharp."""
    n = len(corners)
    ins: list[Point] = []
    outs: list[Point] = []
    bulges: list[float] = []
    for i, (x, y, r) in enumerate(corners):
        p = np.array([x, y])
        u = np.array(corners[i - 1][:2]) - p
        v = np.array(corners[(i + 1) % n][:2]) - p
        u, v = u / np.hypot(*u), v / np.hypot(*v)
        inner = math.acos(float(np.clip(u @ v, -1.0, 1.0)))
        reach = r / math.tan(inner / 2)
        turn = math.copysign(math.pi - inner, -(u[0] * v[1] - u[1] * v[0]))
        ins.append((float(x + u[0] * reach), float(y + u[1] * reach)))
        outs.append((float(x + v[0] * reach), float(y + v[1] * reach)))
        bulges.append(math.tan(turn / 4) if r > 0 else 0.0)
    segments: list[Segment] = []
    for i in range(n):
        if bulges[i]:
            segments.append(Segment(ins[i], outs[i], bulges[i]))
        segments.append(Segment(outs[i], ins[(i + 1) % n]))
    return Loop(tuple(s for s in segments if math.dist(s.start, s.end) > 1e-9))
