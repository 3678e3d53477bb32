"""A comparison on paper: both pieces over each other, the deviation along the edge, as PDF.

Two A4 pages for the wall of the workshop; nothing on them is to scale.  The trim template
at 1:1 is a file of its own.
"""

from __future__ import annotations

import io

from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from digitize.files.lettering import REGULAR, drawable, registered

_A4_PT = (595.276, 841.890)
_MARGIN_PT = 36.0


def render(title: str, pictures: tuple[bytes, ...]) -> bytes:
    """A page for each PNG, as large as the page allows, upright or across."""
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(drawable(title))
    canvas.setCreator("digitize")
    for number, data in enumerate(pictures, 1):
        image = Image.open(io.BytesIO(data)).convert("RGB")
        wide, high = _A4_PT if image.height >= image.width else _A4_PT[::-1]
        canvas.setPageSize((wide, high))
        scale = min(
            (wide - 2 * _MARGIN_PT) / image.width, (high - 2 * _MARGIN_PT - 14.0) / image.height
        )
        w, h = image.width * scale, image.height * scale
        canvas.drawImage(ImageReader(image), (wide - w) / 2, high - _MARGIN_PT - h, w, h)
        canvas.setFont(registered(REGULAR), 9)
        canvas.drawString(
            _MARGIN_PT,
            _MARGIN_PT / 2,
            drawable(f"{title}, {number} of {len(pictures)}; not to scale"),
        )
        canvas.showPage()
    canvas.save()
    return stream.getvalue()
