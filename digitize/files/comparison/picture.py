"""Old and new over each other, the new edge coloured by how far it is off, as PNG.

For people: where, how much, and what to do about it, with numbers at the worst places.  The
old piece is squared up on its datum, as in its other pictures.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from digitize.comparing.comparison import Comparison
from digitize.comparing.differences import Change
from digitize.comparing.features import features_of
from digitize.comparing.stretches import Stretch
from digitize.files.comparison.diverging import MOVED, SAME, colour, full_scale_mm
from digitize.files.comparison.words import caption, change_words, title, words_for
from digitize.files.pictures.palette import Rgb
from digitize.files.pictures.picture import (
    Lettering,
    Picture,
    draw_lines,
    eight_bit,
    png,
    tag_size,
    text_size,
    wrapped,
)
from digitize.files.pictures.topdown_proof import TopdownPicture
from digitize.files.units import Unit, length
from digitize.pattern.contour import Closed
from digitize.pattern.datum import datum_of
from digitize.pattern.edge_names import opening_letter
from digitize.pattern.extent import Box
from digitize.pattern.region import metal, polygon
from digitize.pattern.segments import Point, Segment

FloatArray = NDArray[np.float64]

LONGEST_PX = 2000
MOST_NUMBERS = 12
_ALIKE_PX = 170.0
TITLE_PX = 34
INK: Rgb = (24, 28, 36)
OLD: Rgb = (60, 64, 72)
PALE: Rgb = (236, 236, 232)
WHITE: Rgb = (255, 255, 255)


@dataclass(frozen=True, eq=False)
class Backdrop:
    """A rectified photo of one of the two pieces, in that piece's own coordinates."""

    picture: TopdownPicture
    of_new: bool


def render(
    found: Comparison, headline: str, unit: Unit = "mm", backdrop: Backdrop | None = None
) -> bytes:
    """The picture of a comparison as PNG, over a photo where there is one."""
    return png(_View(found, headline, unit).draw(backdrop))


class _View:
    """One picture: where the old piece lies on it, and what is drawn from the bottom up."""

    def __init__(self, found: Comparison, headline: str, unit: Unit) -> None:
        self.found, self.unit, self.words = found, unit, words_for(found)
        self.datum = datum_of(found.old)
        boxes = [self._box(p.outline) for p in (found.old, found.laid)]
        x0, y0 = (min(b[i] for b in boxes) for i in (0, 1))
        x1, y1 = (max(b[i] for b in boxes) for i in (2, 3))
        air = max(0.16 * max(x1 - x0, y1 - y0), 3.0)
        self.box = (x0 - air, y0 - air, x1 + air, y1 + air)
        wide, high = self.box[2] - self.box[0], self.box[3] - self.box[1]
        self.px_per_mm = LONGEST_PX / max(wide, high)
        self.view_w, self.view_h = round(wide * self.px_per_mm), round(high * self.px_per_mm)
        self.type_px = 26
        self.full_mm = full_scale_mm(float(np.abs(found.deviation.new.signed_mm).max()))
        self.width = max(self.view_w, 1100)
        room = self.width - 2 * self.type_px
        bolder = round(1.15 * TITLE_PX)  # bold type runs so much wider
        self.title = wrapped([title(found, headline)], room, bolder)
        self.top = round((1.0 + 1.3 * len(self.title)) * TITLE_PX)
        closed = [c for p in (found.old, found.laid) for c in (p.outline, *p.openings)]
        self.edges = shapely.MultiLineString(
            [shapely.LinearRing(self.px(c.points_mm(0.5))) for c in closed]
        ).buffer(6.0)
        self.notes = wrapped(list(caption(found, unit)), room, round(0.9 * self.type_px))

    def draw(self, backdrop: Backdrop | None = None) -> Picture:
        """The whole picture."""
        foot = round((6.0 + 1.35 * len(self.notes)) * self.type_px)
        canvas: Picture = np.full((self.top + self.view_h + foot, self.width, 3), 255, np.uint8)
        if backdrop is not None:
            self._photo(canvas, backdrop)
        self._metal(canvas, shown=backdrop is not None)
        self._deviation(canvas)
        self._features(canvas)
        self._numbers(canvas)
        self._scale(canvas)
        self._legend(canvas)
        with Lettering(canvas) as lettering:
            for row, line in enumerate(self.title):
                y = (0.6 + 1.3 * row) * TITLE_PX
                lettering.line(self.type_px, y, line, TITLE_PX, bold=True)
            for row, line in enumerate(self.notes):
                y = self.top + self.view_h + (5.6 + 1.35 * row) * self.type_px
                lettering.line(self.type_px, y, line, round(0.9 * self.type_px))
        return canvas

    def px(self, points_mm: FloatArray | Sequence[Point]) -> FloatArray:
        """Picture places of places on the old piece."""
        p = np.array([self.datum.of((float(x), float(y))) for x, y in np.asarray(points_mm)])
        left = (self.width - self.view_w) / 2
        x = left + (p[:, 0] - self.box[0]) * self.px_per_mm
        return np.column_stack((x, self.top + (self.box[3] - p[:, 1]) * self.px_per_mm))

    def _box(self, closed: Closed) -> Box:
        points = [self.datum.of((float(x), float(y))) for x, y in closed.points_mm(0.1)]
        xs, ys = zip(*points, strict=True)
        return min(xs), min(ys), max(xs), max(ys)

    def _photo(self, canvas: Picture, backdrop: Backdrop) -> None:
        """The photo where the piece lies, grey and faded: rust has the colours of the scale."""
        grey = cv2.cvtColor(eight_bit(backdrop.picture.rgb), cv2.COLOR_RGB2GRAY)
        rgb = cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB)
        x0, y0, x1, y1 = backdrop.picture.box_mm
        corners = np.array([(x0, y1), (x1, y1), (x0, y0)])
        own = self.found.registration.pose.of(corners) if backdrop.of_new else corners
        high, wide = rgb.shape[:2]
        source = np.array([(-0.5, -0.5), (wide - 0.5, -0.5), (-0.5, high - 0.5)], np.float32)
        matrix = cv2.getAffineTransform(source, self.px(own).astype(np.float32))
        shrink = wide / max(float(np.hypot(*(self.px(own)[1] - self.px(own)[0]))), 1.0)
        if shrink > 1.5:
            rgb = cv2.GaussianBlur(rgb, (0, 0), 0.4 * shrink)
        laid = cv2.warpAffine(
            rgb,
            matrix,
            (self.width, self.top + self.view_h),
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(255, 255, 255),
        )
        faded = cv2.convertScaleAbs(laid, alpha=0.6, beta=102)
        canvas[self.top : self.top + self.view_h] = faded[self.top :]

    def _metal(self, canvas: Picture, *, shown: bool) -> None:
        """The old piece, and over it what the new one has more and what it lacks."""
        chord = 0.2 / self.px_per_mm
        old, new = (metal(p, chord) for p in (self.found.old, self.found.laid))
        sliver = 0.4 / self.px_per_mm
        if not shown:
            self._area(canvas, old, PALE)
        lap_mm = self.found.lap_mm
        wanted = polygon(self.found.old.outline, chord).buffer(lap_mm) if lap_mm else old
        more = shapely.Polygon() if lap_mm else new.difference(old)
        for area, sign in ((more, 1.0), (wanted.difference(new), -1.0)):
            thick = area.buffer(-sliver).buffer(sliver)
            self._area(canvas, thick, _paler(colour(0.4 * sign * self.full_mm, self.full_mm)))

    def _area(self, canvas: Picture, area: shapely.Geometry, shade: Rgb) -> None:
        for part in shapely.get_parts(area):
            if part.is_empty or part.geom_type != "Polygon":
                continue
            rings = [part.exterior, *part.interiors]
            places = [self.px(shapely.get_coordinates(r)) for r in rings]
            cv2.fillPoly(
                canvas, [np.round(p * 16).astype(np.int32) for p in places], shade, cv2.LINE_AA, 4
            )

    def _deviation(self, canvas: Picture) -> None:
        """The new edge in pieces of one colour each, and the old edge thin over it."""
        side = self.found.deviation.new
        places = self.px(np.vstack((side.places_mm, side.places_mm[:1])))
        off = np.where(np.abs(side.signed_mm) > side.expanded_mm, side.signed_mm, 0.0)
        steps = np.round(off / self.full_mm * 20)
        cuts = [0, *(np.flatnonzero(np.diff(steps)) + 1).tolist(), len(steps)]
        for a, b in pairwise(cuts):
            shade = (
                SAME if steps[a] == 0 else colour(float(steps[a]) / 20 * self.full_mm, self.full_mm)
            )
            draw_lines(canvas, [places[a : b + 1]], shade, 9 if steps[a] else 5, halo=None)
        for closed in (self.found.old.outline, *self.found.old.openings):
            points = self.px(closed.points_mm(0.2 / self.px_per_mm))
            draw_lines(canvas, [points], OLD, 2, closed=True, halo=None)
        for edge in unseen_edges(self.found):
            along = self.px(edge.points_mm(0.2 / self.px_per_mm))
            draw_lines(canvas, list(_dashes(along, 9.0, 9.0)), WHITE, 3, halo=None)
        for stretch in self.found.stretches:
            if not stretch.on_new:
                shade = colour(stretch.largest_mm * _sign(stretch), self.full_mm)
                ends = self.px([stretch.from_mm, stretch.to_mm])
                draw_lines(canvas, [ends], shade, 9, halo=None)

    def _features(self, canvas: Picture) -> None:
        changed = {c.new_name: c for c in self.found.changes.both}
        by_name = _named_openings(self.found)
        for name, opening in by_name.items():
            shade = _opening_shade(changed.get(name))
            points = self.px(opening.points_mm(0.2 / self.px_per_mm))
            draw_lines(canvas, [points], shade, 4, closed=True, halo=None)
        for pattern, shade in ((self.found.old, OLD), (self.found.laid, SAME)):
            bends = [self.px([b.start_mm, b.end_mm]) for b in pattern.bends]
            for line in bends:
                draw_lines(canvas, list(_dashes(line, 16.0, 10.0)), shade, 2, halo=None)

    def _numbers(self, canvas: Picture) -> None:
        """Numbers at the worst places and at the features that differ."""
        taken: list[Box] = []
        for stretch in _told_apart(self.found.stretches, _ALIKE_PX / self.px_per_mm)[:MOST_NUMBERS]:
            much = length(stretch.largest_mm, self.unit)
            named = f" {stretch.at_edge}" if stretch.edges and stretch.at_edge else ""
            text = f"{self.words.mark(stretch.kind)}{much}{named}"
            shade = colour(_sign(stretch) * self.full_mm, self.full_mm)
            self._tag(canvas, stretch.at_mm, text, taken, shade)
        changed = {c.new_name: c for c in self.found.changes.both if not c.same}
        for feature in features_of(self.found.laid):
            if feature.name in changed:
                change = changed[feature.name]
                text = f"{change.old_name} {change_words(change, self.unit)}"
                self._tag(canvas, feature.at_mm, text, taken, INK)

    def _tag(
        self,
        canvas: Picture,
        at_mm: Point,
        text: str,
        taken: list[Box],
        edge: Rgb,
    ) -> None:
        """A tag near a place with a line to it, off every edge and every other tag."""
        size = round(0.9 * self.type_px)
        w, h = tag_size(text, size)
        x, y = self.px([at_mm])[0]
        best: tuple[float, Box] | None = None
        for far in (1.6, 2.6, 3.8, 5.2, 7.0):
            for k in range(16):
                a = math.tau / 16 * k
                cx = x + math.cos(a) * (far * self.type_px + w / 2)
                cy = y + math.sin(a) * (far * self.type_px + h / 2)
                box = (cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2)
                below = self.top + self.view_h
                inside = box[0] > 0 and box[1] > self.top and box[2] < self.width
                if not inside or box[3] > below or any(_overlap(box, t) for t in taken):
                    continue
                cost = far + (20.0 if self.edges.intersects(shapely.box(*box)) else 0.0)
                if best is None or cost < best[0]:
                    best = cost, box
        if best is None:
            return
        box = best[1]
        taken.append(box)
        reach = np.clip(np.array([x, y]), box[:2], box[2:])
        draw_lines(canvas, [np.array([(x, y), reach])], edge, 2, halo=None)
        with Lettering(canvas) as lettering:
            lettering.tag(box[0], box[1], text, size, edge=edge)

    def _scale(self, canvas: Picture) -> None:
        """The colour bar with its numbers, between the view and the words."""
        count, step = 21, 34
        left = (self.width - count * step) // 2
        y = self.top + self.view_h + round(0.6 * self.type_px)
        for k in range(count):
            value = self.words.sign * (k - count // 2) / (count // 2) * self.full_mm
            shade = SAME if k == count // 2 else colour(value, self.full_mm)
            canvas[y : y + self.type_px, left + step * k : left + step * (k + 1)] = shade
        size = round(0.85 * self.type_px)
        middle, full = y + self.type_px / 2, length(self.full_mm, self.unit)
        with Lettering(canvas) as lettering:
            lettering.line(left - 14, middle, f"{self.words.negative} -{full}", size, anchor="rm")
            right = left + count * step + 14
            lettering.line(right, middle, f"+{full} {self.words.positive}", size, anchor="lm")

    def _legend(self, canvas: Picture) -> None:
        """What the lines are, in one row below the colour bar."""
        long, gap = 56.0, 14.0
        size = round(0.85 * self.type_px)
        entries = [
            (self.words.old, OLD, 2),
            (f"{self.words.new}, the same within ±", SAME, 6),
            (f"{self.words.new}, off, in colour", colour(self.full_mm / 2, self.full_mm), 9),
        ]
        made_up = any(True for _ in unseen_edges(self.found))
        if made_up:
            entries.append(("edge that was not seen", OLD, 4))
        wide = sum(long + 3 * gap + text_size(text, size)[0] for text, _, _ in entries)
        x = max((self.width - wide) / 2, 10.0)
        y = self.top + self.view_h + 3.0 * self.type_px
        for text, shade, line_px in entries:
            line = np.array([(x, y), (x + long, y)])
            draw_lines(canvas, [line], shade, line_px, halo=None)
            if line_px == 4:
                draw_lines(canvas, list(_dashes(line, 9.0, 9.0)), WHITE, 4, halo=None)
            with Lettering(canvas) as lettering:
                lettering.line(x + long + gap, y, text, size, anchor="lm")
            x += long + 3 * gap + text_size(text, size)[0]


def unseen_edges(found: Comparison) -> Iterator[Segment]:
    """The stretches of either outline that were rebuilt or carried across."""
    for pattern in (found.old, found.laid):
        for edge in pattern.outline.as_contour().edges:
            if edge.evidence != "measured":
                yield edge.segment


def _told_apart(stretches: Sequence[Stretch], near_mm: float) -> list[Stretch]:
    """Without those whose number stands near by already."""
    kept: list[Stretch] = []
    for stretch in stretches:
        said = stretch.kind, round(stretch.largest_mm, 1)
        near = (k for k in kept if (k.kind, round(k.largest_mm, 1)) == said)
        if all(math.dist(k.at_mm, stretch.at_mm) > near_mm for k in near):
            kept.append(stretch)
    return kept


def _opening_shade(change: Change | None) -> Rgb:
    """The colour of an opening of the new piece; one that only it has is metal less."""
    if change is None:
        return colour(-1.0, 1.0)
    if change.same:
        return SAME
    larger = [
        d
        for d in (change.size_mm, change.length_mm)
        if d is not None
        and change.size_expanded_mm is not None
        and abs(d) > change.size_expanded_mm
    ]
    return colour(-math.copysign(1.0, max(larger, key=abs)), 1.0) if larger else MOVED


def _named_openings(found: Comparison) -> dict[str, Closed]:
    counts: dict[str, int] = {}
    named: dict[str, Closed] = {}
    for opening in found.laid.openings:
        letter = opening_letter(opening)
        counts[letter] = counts.get(letter, 0) + 1
        named[f"{letter}{counts[letter]}"] = opening
    return named


def _paler(shade: Rgb) -> Rgb:
    r, g, b = ((3 * 255 + 2 * v) // 5 for v in shade)
    return r, g, b


def _dashes(line: FloatArray, dash_px: float, gap_px: float) -> Iterator[FloatArray]:
    """Dashes of a polyline (N, 2)."""
    string = shapely.LineString(line)
    for start in np.arange(0.0, string.length, dash_px + gap_px):
        part = substring(string, start, min(start + dash_px, string.length))
        yield shapely.get_coordinates(part)


def _sign(stretch: Stretch) -> float:
    return 1.0 if stretch.kind == "more" else -1.0


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
