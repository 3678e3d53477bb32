"""What a page of a template carries round its window: joins, foot with key and map, and a cover."""

from __future__ import annotations

from digitize.files.lettering import BOLD, shortened, width
from digitize.files.notes import doubt_lines, precision_line
from digitize.files.paper.key import draw_key, key_width_mm
from digitize.files.paper.page import (
    DOTTED,
    FINE_MM,
    GREY,
    LEADING_MM,
    NARROW_MM,
    SMALL_MM,
    TEXT_MM,
    Pages,
)
from digitize.files.paper.part import PART_FORM
from digitize.files.paper.seams import LAY_MARK_MM, seam_marks
from digitize.files.paper.template import FOOT_AIR_MM, Template, foot_room_mm, title_lines
from digitize.files.paper.tiling import MARGIN_MM, Page
from digitize.files.units import check_text, length
from digitize.pattern.extent import Box, closed_extent_mm
from digitize.pattern.segments import Point

_LABEL_ROOM_MM = 19.0
_COVER_TITLE_MM = 6.5


def draw_page(pages: Pages, template: Template, page: Page) -> None:
    """One page of the pattern."""
    _window(pages, template, page)
    _joins(pages, template, page)
    _foot(pages, template, page)


def _window(pages: Pages, template: Template, page: Page) -> None:
    canvas = pages.canvas
    x0, y0, x1, y1 = template.tiling.window(page)
    low = MARGIN_MM + template.tiling.foot_mm
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(MARGIN_MM, low, x1 - x0, y1 - y0)
    canvas.clipPath(path, stroke=0)
    canvas.translate(MARGIN_MM - x0, low - y0)
    canvas.doForm(PART_FORM)
    canvas.restoreState()


# Joins


def _joins(pages: Pages, template: Template, page: Page) -> None:
    """Seams to the neighbours, their lay marks, and whose side goes on top."""
    tiling = template.tiling
    x0, y0, x1, y1 = tiling.window(page)
    dx, dy = MARGIN_MM - x0, MARGIN_MM + tiling.foot_mm - y0
    cx0, cy0, cx1, cy1 = tiling.core(page)
    printed = set(tiling.pages)
    for beside, start, end, trim in (
        (Page(page.row, page.column - 1), (cx0, cy0), (cx0, cy1), True),
        (Page(page.row, page.column + 1), (cx1, cy0), (cx1, cy1), False),
        (Page(page.row - 1, page.column), (cx0, cy1), (cx1, cy1), True),
        (Page(page.row + 1, page.column), (cx0, cy0), (cx1, cy0), False),
    ):
        if beside not in printed:
            continue
        pages.pen(FINE_MM, DOTTED, GREY)
        # The seam runs the whole window, so that a straightedge can be laid on it.
        if start[0] == end[0]:
            pages.canvas.line(start[0] + dx, y0 + dy, end[0] + dx, y1 + dy)
        else:
            pages.canvas.line(x0 + dx, start[1] + dy, x1 + dx, end[1] + dy)
        for x, y in seam_marks(start, end, template.lines):
            _lay_mark(pages, (x + dx, y + dy), LAY_MARK_MM)
        _join_words(pages, template, page, beside, trim)


def _lay_mark(pages: Pages, at: Point, radius: float) -> None:
    """A circle with two opposite quarters filled; its lines meet where pages must."""
    x, y = at
    pages.pen(NARROW_MM)
    pages.canvas.setFillGray(0)
    # Turned by 45 degrees, so that either page keeps half of the black and white.
    for start_deg in (-45.0, 135.0):
        path = pages.canvas.beginPath()
        path.moveTo(x, y)
        path.arcTo(x - radius, y - radius, x + radius, y + radius, start_deg, 90.0)
        path.close()
        pages.canvas.drawPath(path, stroke=0, fill=1)
    pages.canvas.circle(x, y, radius)


def _join_words(pages: Pages, template: Template, page: Page, beside: Page, trim: bool) -> None:
    """Say in the margin what to do along a seam, outside everything that is cut."""
    canvas = pages.canvas
    paper_w, paper_h = template.tiling.paper_mm
    low = MARGIN_MM + template.tiling.foot_mm
    text = (
        f"trim on the dotted line, lay on {beside.label}" if trim else f"{beside.label} goes on top"
    )
    canvas.setFillGray(GREY)
    canvas.saveState()
    if beside.row == page.row:
        x = MARGIN_MM - 1.2 if trim else paper_w - MARGIN_MM + 2.8
        canvas.translate(x, (paper_h - MARGIN_MM + low) / 2)
        canvas.rotate(90)
    else:
        canvas.translate(paper_w / 2, paper_h - MARGIN_MM + 1.2 if trim else low - 2.4)
    pages.text(-width(text, SMALL_MM) / 2, 0, text, SMALL_MM)
    canvas.restoreState()
    canvas.setFillGray(0)


# The foot


def _foot(pages: Pages, template: Template, page: Page) -> None:
    tiling, unit = template.tiling, template.unit
    left, right, base = MARGIN_MM, tiling.paper_mm[0] - MARGIN_MM, MARGIN_MM
    top = base + tiling.foot_mm - FOOT_AIR_MM
    pages.pen(FINE_MM, grey=GREY)
    pages.canvas.line(left, top, right, top)
    y = top - 0.6
    titles, size = title_lines(template.name, unit)
    for line in titles:
        pages.text(left, y - size, line, size, BOLD)
        y -= size + LEADING_MM
    for line in template.foot_lines:
        pages.text(left, y - SMALL_MM, line, SMALL_MM)
        y -= SMALL_MM + LEADING_MM
    pages.check_bar(left, base + 1.0, unit)
    beside = left + foot_room_mm(unit) + 3.0
    draw_key(pages, template.key, beside, top - 0.8)
    number = tiling.pages.index(page) + 1
    of = f"page {number} of {len(tiling.pages)}"
    if not template.several:
        pages.text_before(right, base + 0.6, of, SMALL_MM)
        return
    size = 10.0 if len(page.label) < 4 else 6.5
    pages.text_before(right, top - 9.5, page.label, size, BOLD)
    pages.text_before(right, top - 13.0, of, SMALL_MM)
    _lay_mark(pages, (right - 1.4, base + 4.0), 1.4)
    for words, y in (("lay page on", base + 4.6), ("page here", base + 1.6)):
        pages.text_before(right - 3.6, y, words, SMALL_MM)
    map_left = beside + key_width_mm(template.key) + 2.0
    _map(pages, template, (map_left, base, right - _LABEL_ROOM_MM - 2.0, top - 1.5), page)


def _map(pages: Pages, template: Template, box: Box, current: Page | None = None) -> None:
    """The page map: shares of the pages that are printed, with the part over them."""
    canvas, tiling = pages.canvas, template.tiling
    every = [Page(r, c) for r in range(tiling.rows) for c in range(tiling.columns)]
    cells = {p: tiling.core(p) for p in every}
    x0s, y0s, x1s, y1s = zip(*cells.values(), strict=True)
    wx0, wy0, wx1, wy1 = min(x0s), min(y0s), max(x1s), max(y1s)
    bx0, by0, bx1, by1 = box
    k = min((bx1 - bx0) / (wx1 - wx0), (by1 - by0) / (wy1 - wy0))
    ox = (bx0 + bx1 - k * (wx0 + wx1)) / 2
    oy = (by0 + by1 - k * (wy0 + wy1)) / 2
    for page, (x0, y0, x1, y1) in cells.items():
        there = page in tiling.pages
        pages.pen(FINE_MM, () if there else DOTTED, GREY)
        canvas.setFillGray(0.82 if page == current else 1.0)
        canvas.rect(ox + k * x0, oy + k * y0, k * (x1 - x0), k * (y1 - y0), fill=int(there))
        canvas.setFillGray(0)
    pages.pen(FINE_MM if current is None else 0.1)
    for closed in (template.pattern.outline, *template.pattern.openings):
        points = [(ox + k * x, oy + k * y) for x, y in closed.points_mm(0.05 / k).tolist()]
        pages.polyline(points, close=True)
    if current is None:
        for page in tiling.pages:
            x, y = ox + k * cells[page][0], oy + k * cells[page][3]
            canvas.setFillGray(1)
            canvas.rect(x + 0.2, y - 4.0, width(page.label, TEXT_MM, BOLD) + 1.6, 3.8, 0, 1)
            canvas.setFillGray(0)
            pages.text(x + 1.0, y - 3.2, page.label, TEXT_MM, BOLD)


# The cover


def draw_cover(pages: Pages, template: Template) -> None:
    """A page that says what this is, how to put it together, and shows the map."""
    paper_w, paper_h = template.tiling.paper_mm
    left, right = MARGIN_MM, paper_w - MARGIN_MM
    room = right - left
    y = paper_h - MARGIN_MM - 8.0
    title = shortened(template.name, _COVER_TITLE_MM, room, BOLD)
    pages.text(left, y, title, _COVER_TITLE_MM, BOLD)
    y -= 4.0
    for line in _cover_lines(template):
        y = pages.wrapped(left, y, line, TEXT_MM, room=room) - 0.6
    y -= 2.0
    for number, step in enumerate(_cover_steps(template), 1):
        pages.text(left, y - TEXT_MM, f"{number}.", TEXT_MM, BOLD)
        y = pages.wrapped(left + 6.0, y, step, TEXT_MM, room=room - 6.0) - 0.6
    pages.check_bar(left, MARGIN_MM + 1.0, template.unit)
    draw_key(pages, template.key, left + foot_room_mm(template.unit) + 3.0, MARGIN_MM + 26.0)
    _map(pages, template, (left, MARGIN_MM + 30.0, right, y - 3.0))


def _cover_lines(template: Template) -> list[str]:
    tiling, unit = template.tiling, template.unit
    x0, y0, x1, y1 = closed_extent_mm(template.pattern.outline)
    return [
        template.sheet_line,
        precision_line(template.pattern, unit),
        f"{length(x1 - x0, unit)} × {length(y1 - y0, unit)} overall as laid on the paper, "
        f"{template.scale_line}",
        f"{len(tiling.pages)} pages {template.options.paper} {tiling.orientation}, "
        f"rows A to {Page(tiling.rows - 1, 0).label[:-1]}, columns 1 to {tiling.columns}; "
        "dotted pages of the map are empty and left out",
        *doubt_lines(template.pattern),
    ]


def _cover_steps(template: Template) -> list[str]:
    what = (
        "Lay it on the piece by the edges that have no narrow line beside them. Mark the "
        "wide line and trim to it; the narrow line beside it is the edge now."
        if template.offcuts
        else "Cut wide lines only. Narrow lines named B1, B2... are bends."
    )
    return [
        f"Print at 100 % and measure the bar on a page: {check_text(template.unit)}, to the width "
        "of a scribed line.",
        "Trim each page on the dotted lines at its left and top; lay it on its neighbours' "
        "dotted lines so that the half-filled circles join to whole ones, and tape it.",
        "Measure the whole pattern's overall size before you cut anything.",
        f"{what} Dash-dot-dot edges were rebuilt from what was left: hold the pattern to the "
        "machine before you trust them.",
    ]
