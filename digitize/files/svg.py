"""SVG in real units: one user unit is one millimetre (or inch), y turned once.

Every layer is a group with an id; a closed edge is one path with arcs as arcs, a full
circle a circle.  The drawing starts at a margin from the page's corner, and the file's
description says where the pattern's own (0, 0) lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import assert_never
from xml.etree import ElementTree as ET

from digitize.files.arcs import no_longer_than
from digitize.files.beside import beside_restored
from digitize.files.layers import LAYERS, Role, bend_role
from digitize.files.notes import note_lines, wrapped_notes
from digitize.files.units import Unit, check_length_mm, check_text, mm_per
from digitize.pattern.contour import Circle, Closed
from digitize.pattern.extent import extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Point, Segment

MARGIN_MM = 5.0
HAIRLINE_MM = 0.1
MARK_ARM_MM = 3.0
TEXT_MM = 3.5  # ISO 3098 nominal height (from memory)


@dataclass(frozen=True, slots=True)
class SvgOptions:
    """How an SVG is written; ``notes`` adds the check bar and the notes under the part."""

    unit: Unit = "mm"
    notes: bool = True


def render(pattern: Pattern, options: SvgOptions | None = None) -> bytes:
    """The SVG file of a pattern."""
    return _Page(pattern, options or SvgOptions()).render()


class _Page:
    """One drawing; holds where the page lies over the pattern, and writes in the file's unit."""

    def __init__(self, pattern: Pattern, options: SvgOptions) -> None:
        self.pattern, self.options = pattern, options
        self.digits = 6 if options.unit == "mm" else 8
        x0, y0, x1, y1 = extent_mm(pattern)
        self.left_mm, self.top_mm = x0 - MARGIN_MM, y1 + MARGIN_MM
        self.width_mm = x1 - x0 + 2 * MARGIN_MM
        self.part_height_mm = self.height_mm = y1 - y0 + 2 * MARGIN_MM
        if options.notes:
            self.width_mm = max(self.width_mm, check_length_mm(options.unit) + 2 * MARGIN_MM)
            # A sans-serif letter is about 0.55 of the type's height wide (from memory).
            letters = int((self.width_mm - 2 * MARGIN_MM) / (0.55 * TEXT_MM))
            self.notes = [
                f"this bar is {check_text(options.unit)} long",
                *wrapped_notes(pattern, options.unit, letters),
            ]
            self.height_mm += 8.0 + 1.6 * TEXT_MM * len(self.notes)

    def render(self) -> bytes:
        width, height = self._length(self.width_mm), self._length(self.height_mm)
        unit = self.options.unit
        root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "version": "1.1",
                "width": f"{width}{unit}",
                "height": f"{height}{unit}",
                "viewBox": f"0 0 {width} {height}",
            },
        )
        lines = note_lines(self.pattern, unit)
        ET.SubElement(root, "title").text = lines[0]
        x, y = self._point((0.0, 0.0)).split()
        ET.SubElement(root, "desc").text = (
            f"{'; '.join(lines[1:])}. One user unit is one {unit}. "
            f"The pattern's own (0, 0) lies at x = {x}, y = {y}, and its y runs up."
        )
        for role in LAYERS:
            group = self._group(root, role)
            self._fill(group, role)
            if not len(group):
                root.remove(group)
        ET.indent(root, " ")
        return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"

    def _group(self, root: ET.Element, role: Role) -> ET.Element:
        layer = LAYERS[role]
        return ET.SubElement(
            root,
            "g",
            {
                "id": layer.name,
                "aria-label": layer.title,
                "fill": "none",
                "stroke": layer.rgb,
                "stroke-width": self._length(HAIRLINE_MM),
                "stroke-linejoin": "round",
            },
        )

    def _fill(self, group: ET.Element, role: Role) -> None:
        pattern = self.pattern
        match role:
            case "outline":
                self._closed(group, pattern.outline)
            case "opening":
                for opening in dict.fromkeys(pattern.openings):
                    self._closed(group, opening)
            case "bend" | "bend toward" | "bend away" | "bead":
                roles = {(b.start_mm, b.end_mm): bend_role(b) for b in pattern.bends}
                for ends, own in roles.items():
                    if own == role:
                        self._line(group, *ends)
            case "tangent" | "tool":
                for scribe in dict.fromkeys(pattern.scribes):
                    if scribe.kind == role:
                        self._line(group, scribe.start_mm, scribe.end_mm)
            case "mark":
                for x, y in dict.fromkeys(mark.at_mm for mark in pattern.marks):
                    self._line(group, (x - MARK_ARM_MM, y), (x + MARK_ARM_MM, y))
                    self._line(group, (x, y - MARK_ARM_MM), (x, y + MARK_ARM_MM))
            case "restored":
                for beside in beside_restored(pattern):
                    if isinstance(beside, Circle):
                        self._closed(group, beside)
                    else:
                        path = f"M {self._point(beside.start_mm)} {self._step(beside)}"
                        ET.SubElement(group, "path", {"d": path})
            case "note":
                if self.options.notes:
                    self._notes(group)
            case _:
                assert_never(role)

    def _closed(self, group: ET.Element, closed: Closed) -> None:
        if isinstance(closed, Circle):
            cx, cy = self._point(closed.centre_mm).split()
            r = self._length(closed.radius_mm)
            ET.SubElement(group, "circle", {"cx": cx, "cy": cy, "r": r})
            return
        segments = [
            e.segment
            for e in closed.as_contour().edges
            if self._point(e.segment.start_mm) != self._point(e.segment.end_mm)
        ]
        steps = [self._step(s) for s in segments]
        if isinstance(segments[-1], Line):
            steps.pop()  # Z draws it
        path = " ".join([f"M {self._point(segments[0].start_mm)}", *steps, "Z"])
        ET.SubElement(group, "path", {"d": path})

    def _step(self, segment: Segment) -> str:
        match segment:
            case Line():
                return f"L {self._point(segment.end_mm)}"
            case Arc():
                # Near half a turn the centre follows badly from end points and radius.
                r = self._length(segment.radius_mm)
                sweep = 0 if segment.bulge > 0 else 1  # counter-clockwise stays so to the eye
                return " ".join(
                    f"A {r} {r} 0 0 {sweep} {self._point(piece.end_mm)}"
                    for piece in no_longer_than(segment, math.radians(120))
                )
            case _:
                assert_never(segment)

    def _line(self, group: ET.Element, start: Point, end: Point) -> None:
        (x1, y1), (x2, y2) = self._point(start).split(), self._point(end).split()
        ET.SubElement(group, "line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2})

    def _notes(self, group: ET.Element) -> None:
        unit = self.options.unit
        left = self.left_mm + MARGIN_MM
        y = self.top_mm - self.part_height_mm - 3.0
        right = left + check_length_mm(unit)
        self._line(group, (left, y), (right, y))
        for x in (left, right):
            self._line(group, (x, y - 2.0), (x, y + 2.0))
        text = ET.SubElement(
            group,
            "g",
            {
                "fill": LAYERS["note"].rgb,
                "stroke": "none",
                "font-family": "sans-serif",
                "font-size": self._length(TEXT_MM),
            },
        )
        for row, line in enumerate(self.notes):
            x_text, y_text = self._point((left, y - 3.0 - (row + 1) * 1.6 * TEXT_MM)).split()
            ET.SubElement(text, "text", {"x": x_text, "y": y_text}).text = line

    def _length(self, value_mm: float) -> str:
        text = f"{value_mm / mm_per(self.options.unit):.{self.digits}f}"
        return text.rstrip("0").rstrip(".")

    def _point(self, p: Point) -> str:
        return f"{self._length(p[0] - self.left_mm)} {self._length(self.top_mm - p[1])}"
