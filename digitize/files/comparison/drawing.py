"""Old and new in one DXF or SVG, each on its own layers, in the old piece's coordinates.

Nothing in these files is meant to be cut as it is: the trim line is on a layer of its own,
and the notes say which is which.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from ezdxf.document import Drawing

from digitize.comparing.comparison import Comparison
from digitize.comparing.corrected import trim_lines_on_old
from digitize.files.arcs import no_longer_than
from digitize.files.comparison.words import sentence, title
from digitize.files.dxf import ACADVER, INSUNITS, MEASUREMENT, fixed_metadata
from digitize.files.notes import one_line
from digitize.files.units import Unit, mm_per
from digitize.pattern.contour import Circle, Closed
from digitize.pattern.extent import Box, extent_mm
from digitize.pattern.segments import Arc, Line, Point, Segment

MARGIN_MM = 6.0
TEXT_MM = 3.5


@dataclass(frozen=True, slots=True)
class _Layer:
    name: str
    title: str
    colour_index: int  # DXF colour index
    rgb: str
    width_mm: float


OLD = _Layer("OLD_PIECE", "the old piece", 8, "#3c4048", 0.25)
NEW = _Layer("NEW_PIECE", "the new piece, laid over the old one", 30, "#ff7f00", 0.25)
TRIM = _Layer("TRIM_LINE", "trim the new piece to this line", 200, "#bf00ff", 0.35)
OLD_BEND = _Layer("OLD_BEND", "bend lines of the old piece", 8, "#3c4048", 0.13)
NEW_BEND = _Layer("NEW_BEND", "bend lines of the new piece", 30, "#ff7f00", 0.13)
WORDS = _Layer("NOTE", "what differs", 8, "#808080", 0.18)
LAYERS = (OLD, NEW, OLD_BEND, NEW_BEND, TRIM, WORDS)


def dxf(found: Comparison, headline: str, unit: Unit = "mm") -> bytes:
    """The comparison as DXF R2010 with its unit in the header."""
    k = 1.0 / mm_per(unit)
    with fixed_metadata():
        document = Drawing.new(ACADVER["R2010"])
        document.units = INSUNITS[unit]
        document.header["$MEASUREMENT"] = MEASUREMENT[unit]
        for layer in LAYERS:
            made = document.layers.add(layer.name, color=layer.colour_index)
            made.dxf.lineweight = round(layer.width_mm * 100)
            made.description = _title(layer, found)
        space = document.modelspace()
        for layer, closed in _edges(found):
            on = {"layer": layer.name}
            if isinstance(closed, Circle):
                x, y = closed.centre_mm
                space.add_circle((x * k, y * k), closed.radius_mm * k, dxfattribs=on)
                continue
            rows = list(_vertices([e.segment for e in closed.as_contour().edges], k))
            space.add_lwpolyline(rows, format="xyb", close=True, dxfattribs=on)
        for layer, way in _ways(found):
            last_x, last_y = way[-1].end_mm
            rows = [*_vertices(way, k), (last_x * k, last_y * k, 0.0)]
            space.add_lwpolyline(rows, format="xyb", dxfattribs={"layer": layer.name})
        x0, y0, _, _ = _box(found)
        for row, text in enumerate(_notes(found, headline, unit)):
            at = (x0 * k, (y0 - 8.0 - 1.6 * TEXT_MM * row) * k)
            space.add_text(
                text.replace("%%", "% %").replace("^", "^ "),
                height=TEXT_MM * k,
                dxfattribs={"layer": WORDS.name, "insert": at},
            )
        stream = io.StringIO(newline="")
        document.write(stream)
    return bytes(document.encode(stream.getvalue()))


def svg(found: Comparison, headline: str, unit: Unit = "mm") -> bytes:
    """The comparison as SVG; one user unit is one millimetre or inch."""
    x0, y0, x1, y1 = _box(found)
    notes = _notes(found, headline, unit)
    per = mm_per(unit)
    left, top = x0 - MARGIN_MM, y1 + MARGIN_MM
    width = max(x1 - x0, 150.0) + 2 * MARGIN_MM
    height = y1 - y0 + 2 * MARGIN_MM + 1.6 * TEXT_MM * (len(notes) + 1)

    def number(value_mm: float) -> str:
        return f"{value_mm / per:.6f}".rstrip("0").rstrip(".")

    def place(p: Point) -> str:
        return f"{number(p[0] - left)} {number(top - p[1])}"

    root = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "version": "1.1",
            "width": f"{number(width)}{unit}",
            "height": f"{number(height)}{unit}",
            "viewBox": f"0 0 {number(width)} {number(height)}",
        },
    )
    ET.SubElement(root, "title").text = notes[0]
    groups = {}
    for layer in LAYERS:
        groups[layer.name] = ET.SubElement(
            root,
            "g",
            {
                "id": layer.name,
                "aria-label": _title(layer, found),
                "fill": "none",
                "stroke": layer.rgb,
                "stroke-width": number(layer.width_mm),
            },
        )
    for layer, closed in _edges(found):
        if isinstance(closed, Circle):
            cx, cy = place(closed.centre_mm).split()
            made = {"cx": cx, "cy": cy, "r": number(closed.radius_mm)}
            ET.SubElement(groups[layer.name], "circle", made)
            continue
        way = [e.segment for e in closed.as_contour().edges]
        steps = [f"M {place(way[0].start_mm)}", *(_step(s, place, number) for s in way), "Z"]
        ET.SubElement(groups[layer.name], "path", {"d": " ".join(steps)})
    for layer, way in _ways(found):
        steps = [f"M {place(way[0].start_mm)}", *(_step(s, place, number) for s in way)]
        ET.SubElement(groups[layer.name], "path", {"d": " ".join(steps)})
    words = groups[WORDS.name]
    for row, text in enumerate(notes):
        x, y = place((x0, y0 - MARGIN_MM - 1.6 * TEXT_MM * row - TEXT_MM)).split()
        style = {"font-family": "sans-serif", "font-size": number(TEXT_MM), "stroke": "none"}
        ET.SubElement(words, "text", {"x": x, "y": y, "fill": WORDS.rgb, **style}).text = text
    for group in list(root):
        if group.tag == "g" and not len(group):
            root.remove(group)
    ET.indent(root, " ")
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _edges(found: Comparison) -> Iterator[tuple[_Layer, Closed]]:
    for layer, pattern in ((OLD, found.old), (NEW, found.laid)):
        for closed in (pattern.outline, *pattern.openings):
            yield layer, closed


def _ways(found: Comparison) -> Iterator[tuple[_Layer, list[Segment]]]:
    for layer, pattern in ((OLD_BEND, found.old), (NEW_BEND, found.laid)):
        for bend in pattern.bends:
            yield layer, [Line(bend.start_mm, bend.end_mm)]
    for way in trim_lines_on_old(found):
        yield TRIM, list(way)


def _vertices(way: list[Segment], k: float) -> Iterator[tuple[float, float, float]]:
    for segment in way:
        # Some readers draw a bulge above 1, more than half a turn, on the wrong side.
        pieces = no_longer_than(segment, math.pi) if isinstance(segment, Arc) else [segment]
        for s in pieces:
            yield s.start_mm[0] * k, s.start_mm[1] * k, s.bulge if isinstance(s, Arc) else 0.0


def _step(segment: Segment, place: Callable[[Point], str], number: Callable[[float], str]) -> str:
    if isinstance(segment, Line):
        return f"L {place(segment.end_mm)}"
    r, sweep = number(segment.radius_mm), 0 if segment.bulge > 0 else 1
    pieces = no_longer_than(segment, math.radians(120))
    return " ".join(f"A {r} {r} 0 0 {sweep} {place(p.end_mm)}" for p in pieces)


def _notes(found: Comparison, headline: str, unit: Unit) -> list[str]:
    lines = [one_line(title(found, headline))]
    lines += [f"{layer.name}: {_title(layer, found)}" for layer in (OLD, NEW, TRIM)]
    return [*lines, *(sentence(found, s, unit) for s in found.stretches[:8])]


def _title(layer: _Layer, found: Comparison) -> str:
    """What is on a layer; where a piece was placed in an opening in those words."""
    if not found.registration.placed:
        return layer.title
    inside = layer.title.replace("the new piece, laid over the old one", "the piece, placed inside")
    return inside.replace("the old piece", "the opening").replace("the new piece", "the piece")


def _box(found: Comparison) -> Box:
    a, b = extent_mm(found.old), extent_mm(found.laid)
    return min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])
