"""A comparison on paper: both pieces over each other, the deviation along the edge, as PDF.

A4 pages for the wall of the workshop, one for each picture; nothing on them is to scale.  The
trim template at 1:1 is a file of its own.
"""

from __future__ import annotations

import io

from PIL import Image

from digitize.files.paper.page import TEXT_MM, Pages
from digitize.files.paper.tiling import PAPERS_MM

_MARGIN_MM = 12.7
_LINE_MM = 5.0  # under the picture


def render(title: str, pictures: tuple[bytes, ...]) -> bytes:
    """A page for each PNG, as large as the page allows, upright or across."""
    pages = Pages(title)
    for number, data in enumerate(pictures, 1):
        image = Image.open(io.BytesIO(data)).convert("RGB")
        upright = image.height >= image.width
        wide, high = PAPERS_MM["A4"] if upright else PAPERS_MM["A4"][::-1]
        pages.start((wide, high))
        room = wide - 2 * _MARGIN_MM, high - 2 * _MARGIN_MM - _LINE_MM
        pages.picture(image, (_MARGIN_MM, high - _MARGIN_MM - room[1]), room)
        words = f"{title}, {number} of {len(pictures)}; not to scale"
        pages.text(_MARGIN_MM, _MARGIN_MM / 2, words, TEXT_MM)
        pages.end()
    return pages.finished()
