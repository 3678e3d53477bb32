"""A paper pattern at 1:1: PDF pages to print, trim, tape together and cut out.

Lines follow the ISO 128 family: wide lines are cut, narrow lines never.  Every page carries a
check bar, a key, its place on a page map, and lay marks (circles with two quarters filled,
unlike anything that is punched) that it shares with its neighbours.  The same pattern always
gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence

from digitize.files.paper.offcut import Offcut
from digitize.files.paper.page import Pages
from digitize.files.paper.part import define_part
from digitize.files.paper.template import BadPaper, PaperOptions, Template, laid_out
from digitize.files.paper.template_page import draw_cover, draw_page
from digitize.files.paper.tiling import Tiling
from digitize.pattern.model import Pattern

__all__ = ["BadPaper", "PaperOptions", "add_to", "layout", "render"]


def render(
    pattern: Pattern, options: PaperOptions | None = None, offcuts: Sequence[Offcut] = ()
) -> bytes:
    """The PDF of a pattern; a template for trimming where there are offcuts.

    A part with offcuts is not turned.  Raises BadPaper for unknown paper and TooManyPages for
    an absurd heap of it.
    """
    template = laid_out(pattern, options or PaperOptions(), offcuts)
    pages = Pages(template.name)
    add_to(pages, template)
    return pages.finished()


def layout(pattern: Pattern, options: PaperOptions | None = None) -> Tiling:
    """The pages that ``render`` would print, in coordinates of the (turned) pattern."""
    return laid_out(pattern, options or PaperOptions()).tiling


def add_to(pages: Pages, template: Template) -> None:
    """Draw a template's pages after those that are there; one template to a document."""
    define_part(pages, template)
    if template.has_cover:
        pages.start(template.tiling.paper_mm, template.printed)
        draw_cover(pages, template)
        pages.end()
    for page in template.tiling.pages:
        pages.start(template.tiling.paper_mm, template.printed)
        pages.canvas.bookmarkPage(page.label)
        pages.canvas.addOutlineEntry(page.label, page.label)
        draw_page(pages, template, page)
        pages.end()
