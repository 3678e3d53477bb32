"""DXF for cutters: closed loops, true arcs, units in the header, one meaning per layer.

Each closed edge is one closed polyline with bulges (the next vertex starts where the
last segment ended, so the gap is exactly 0), a full circle is a CIRCLE, a bend line a
LINE, a point mark two crossed LINEs.  ``R2010`` states its unit ($INSUNITS); ``R12``, for
old controllers, has only POLYLINE, LINE, ARC, CIRCLE and TEXT, and no header field for
the unit, so a bar of known length is drawn on the note layer.  The same pattern always
gives the same bytes.
"""

from __future__ import annotations

import io
import math
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal, assert_never

from ezdxf import options as ezdxf_options
from ezdxf.document import Drawing
from ezdxf.layouts.layout import Modelspace

from digitize.files.arcs import no_longer_than
from digitize.files.beside import beside_restored
from digitize.files.layers import LAYERS, Role, bend_role
from digitize.files.notes import wrapped_notes
from digitize.files.units import Unit, check_length_mm, check_text, mm_per
from digitize.pattern.contour import Circle, Closed
from digitize.pattern.extent import extent_mm
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line, Point, Segment

MARK_ARM_MM = 3.0
TEXT_MM = 3.5  # ISO 3098 nominal height (from memory)
ACADVER = {"R2010": "AC1024", "R12": "AC1009"}
INSUNITS = {"mm": 4, "in": 1}  # DXF header: 1 inches, 4 millimetres
MEASUREMENT = {"mm": 1, "in": 0}  # DXF header: 0 English, 1 metric

_metadata_lock = threading.Lock()


@dataclass(frozen=True, slots=True)
class DxfOptions:
    """How a DXF is written.

    ``notes`` adds name, thickness, precision and the check bar below the part, on the
    note layer; a cutter that reads every layer may want it off.
    """

    unit: Unit = "mm"
    version: Literal["R2010", "R12"] = "R2010"
    notes: bool = True


def render(pattern: Pattern, options: DxfOptions | None = None) -> bytes:
    """The DXF file of a pattern."""
    options = options or DxfOptions()
    with fixed_metadata():
        document = Drawing.new(ACADVER[options.version])
        _set_header(document, pattern, options)
        for layer in LAYERS.values():
            made = document.layers.add(layer.name, color=layer.colour_index)
            if options.version != "R12":
                made.dxf.lineweight = round(layer.line_width_mm * 100)
                made.description = layer.title
        _Sheet(document.modelspace(), options).draw(pattern)
        stream = io.StringIO(newline="")
        document.write(stream)
    return bytes(document.encode(stream.getvalue()))


@contextmanager
def fixed_metadata() -> Iterator[None]:
    """Keep dates and random identifiers out of the file."""
    with _metadata_lock:
        before = ezdxf_options.write_fixed_meta_data_for_testing
        ezdxf_options.write_fixed_meta_data_for_testing = True
        try:
            yield
        finally:
            ezdxf_options.write_fixed_meta_data_for_testing = before


def _set_header(document: Drawing, pattern: Pattern, options: DxfOptions) -> None:
    x0, y0, x1, y1 = (v / mm_per(options.unit) for v in extent_mm(pattern))
    if options.version != "R12":
        document.units = INSUNITS[options.unit]
        document.header["$MEASUREMENT"] = MEASUREMENT[options.unit]
    space = document.modelspace()
    space.dxf.extmin, space.dxf.extmax = (x0, y0, 0.0), (x1, y1, 0.0)
    space.dxf.limmin, space.dxf.limmax = (x0, y0), (x1, y1)
    document.set_modelspace_vport(
        height=1.3 * max(y1 - y0, (x1 - x0) / 1.5), center=((x0 + x1) / 2, (y0 + y1) / 2)
    )


class _Sheet:
    """Draws on a model space in the file's unit."""

    def __init__(self, space: Modelspace, options: DxfOptions) -> None:
        self.space = space
        self.options = options
        # Twelve significant figures of a metre-long part; old controllers choke on more.
        self.digits = 6 if options.unit == "mm" else 8

    def draw(self, pattern: Pattern) -> None:
        """Everything in the pattern, each thing once."""
        self._closed(pattern.outline, "outline")
        for opening in dict.fromkeys(pattern.openings):
            self._closed(opening, "opening")
        for ends, role in {(b.start_mm, b.end_mm): bend_role(b) for b in pattern.bends}.items():
            self._segment(Line(*ends), role)
        for scribe in dict.fromkeys(pattern.scribes):
            self._segment(Line(scribe.start_mm, scribe.end_mm), scribe.kind)
        for x, y in dict.fromkeys(mark.at_mm for mark in pattern.marks):
            self._segment(Line((x - MARK_ARM_MM, y), (x + MARK_ARM_MM, y)), "mark")
            self._segment(Line((x, y - MARK_ARM_MM), (x, y + MARK_ARM_MM)), "mark")
        for beside in beside_restored(pattern):
            if isinstance(beside, Circle):
                self._closed(beside, "restored")
            else:
                self._segment(beside, "restored")
        if self.options.notes:
            self._notes(pattern)

    def _length(self, value_mm: float) -> float:
        return round(value_mm / mm_per(self.options.unit), self.digits)

    def _point(self, p: Point) -> Point:
        return self._length(p[0]), self._length(p[1])

    def _closed(self, closed: Closed, role: Role) -> None:
        on = {"layer": LAYERS[role].name}
        if isinstance(closed, Circle):
            centre = self._point(closed.centre_mm)
            self.space.add_circle(centre, self._length(closed.radius_mm), dxfattribs=on)
            return
        vertices: list[tuple[float, float, float]] = []
        for segment in (e.segment for e in closed.as_contour().edges):
            # Some readers draw a bulge above 1, more than half a turn, on the wrong side.
            pieces = no_longer_than(segment, math.pi) if isinstance(segment, Arc) else [segment]
            for s in pieces:
                start = self._point(s.start_mm)
                if start == self._point(s.end_mm):
                    continue  # a point is no edge, and cutters stumble over it
                vertices.append((*start, s.bulge if isinstance(s, Arc) else 0.0))
        if self.options.version == "R12":
            self.space.add_polyline2d(vertices, format="xyb", close=True, dxfattribs=on)
        else:
            self.space.add_lwpolyline(vertices, format="xyb", close=True, dxfattribs=on)

    def _segment(self, segment: Segment, role: Role) -> None:
        on = {"layer": LAYERS[role].name}
        match segment:
            case Line():
                start, end = self._point(segment.start_mm), self._point(segment.end_mm)
                self.space.add_line(start, end, dxfattribs=on)
            case Arc():
                forward = segment if segment.bulge > 0 else segment.reversed()
                cx, cy = forward.centre_mm
                start_deg, end_deg = (
                    math.degrees(math.atan2(y - cy, x - cx))
                    for x, y in (forward.start_mm, forward.end_mm)
                )
                self.space.add_arc(
                    self._point((cx, cy)),
                    self._length(forward.radius_mm),
                    start_deg,
                    end_deg,
                    dxfattribs=on,
                )
            case _:
                assert_never(segment)

    def _notes(self, pattern: Pattern) -> None:
        unit = self.options.unit
        x0, y0, _, _ = extent_mm(pattern)
        y = y0 - 12.0
        bar = check_length_mm(unit)
        self._segment(Line((x0, y), (x0 + bar, y)), "note")
        for x in (x0, x0 + bar):
            self._segment(Line((x, y - 2.0), (x, y + 2.0)), "note")
        lines = [f"this bar is {check_text(unit)} long; coordinates are in {unit}"]
        lines += wrapped_notes(pattern, unit)
        for row, line in enumerate(lines):
            self.space.add_text(
                _plain(line),
                height=self._length(TEXT_MM),
                dxfattribs={
                    "layer": LAYERS["note"].name,
                    "insert": self._point((x0, y - 3.0 - (row + 1) * 1.6 * TEXT_MM)),
                },
            )


def _plain(text: str) -> str:
    """Text without the two escapes of TEXT entities: ``%%`` codes and ``^`` control letters."""
    return text.replace("%%", "% %").replace("^", "^ ")
