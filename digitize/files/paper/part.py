"""The part of a template, drawn once in pattern millimetres; every page shows its window of it.

Nothing but the part's own lines is drawn over an edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from digitize.files.paper.key import MARK_DASHES, RESTORED_DASHES
from digitize.files.paper.labels import draw_labels
from digitize.files.paper.page import NARROW_MM, WIDE_MM, Pages
from digitize.files.paper.template import Template
from digitize.pattern.contour import Circle, Closed, Edge, Slot
from digitize.pattern.extent import extent_mm
from digitize.pattern.segments import Point

PART_FORM = "part"
_PAD_MM = 20.0  # round the part, for names beside it


def define_part(pages: Pages, template: Template) -> None:
    """Draw the part as the form ``PART_FORM``."""
    canvas, pattern = pages.canvas, template.pattern
    boxes = np.array([extent_mm(pattern), template.lines.bounds])
    low, high = boxes[:, :2].min(axis=0) - _PAD_MM, boxes[:, 2:].max(axis=0) + _PAD_MM
    canvas.beginForm(PART_FORM, *low.tolist(), *high.tolist())
    canvas.setLineJoin(0)
    _edges(pages, pattern.outline)
    pages.pen(NARROW_MM)
    for offcut in template.offcuts:
        for piece in offcut.apart_mm:
            pages.polyline([(float(x), float(y)) for x, y in piece])
    for opening in dict.fromkeys(pattern.openings):
        _edges(pages, opening)
        _centre_marks(pages, opening)
    for mark in template.marks:
        pages.pen(NARROW_MM, MARK_DASHES[mark.kind])
        canvas.line(*mark.start_mm, *mark.end_mm)
    pages.pen(NARROW_MM)
    for point in pattern.marks:
        pages.cross(point.at_mm, 3.0)
        canvas.circle(*point.at_mm, 1.2)
    draw_labels(pages, template)
    canvas.endForm()


def _edges(pages: Pages, closed: Closed) -> None:
    if isinstance(closed, Circle):
        _edge_pen(pages, closed.evidence == "measured")
        pages.canvas.circle(*closed.centre_mm, closed.radius_mm)
        return
    runs = _runs(closed.as_contour().edges)
    for measured, run in runs:
        _edge_pen(pages, measured)
        pages.segments([edge.segment for edge in run], close=len(runs) == 1)


def _edge_pen(pages: Pages, measured: bool) -> None:
    pages.pen(WIDE_MM, () if measured else RESTORED_DASHES)


def _centre_marks(pages: Pages, opening: Closed) -> None:
    """Small crosses to centre-punch, kept inside the hole."""
    match opening:
        case Circle():
            centres: tuple[Point, ...] = (opening.centre_mm,)
        case Slot():
            centres = (opening.start_mm, opening.end_mm)
        case _:
            return
    pages.pen(NARROW_MM)
    for centre in centres:
        pages.cross(centre, min(0.6 * opening.radius_mm, 4.0))


def _runs(edges: Sequence[Edge]) -> list[tuple[bool, list[Edge]]]:
    """Edges in runs that are all measured or all not, none split by where the contour starts."""

    def measured(edge: Edge) -> bool:
        return edge.evidence == "measured"

    first = next((i for i in range(len(edges)) if measured(edges[i]) != measured(edges[i - 1])), 0)
    turned = [*edges[first:], *edges[:first]]
    return [(key, list(run)) for key, run in groupby(turned, measured)]
