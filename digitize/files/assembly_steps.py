"""A picture of each step of an assembly: what stands already, and what comes in, tinted."""

from __future__ import annotations

import io
from collections.abc import Mapping

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from digitize.assembly.body import Body
from digitize.assembly.directions import words
from digitize.assembly.order import Step
from digitize.files.lettering import drawable, font_path
from digitize.files.shaded import picture
from digitize.folding.solid import Solid

SIZE_PX = (1000, 760)


def render(bodies: Mapping[str, Body], step: Step, number: int, of: int) -> bytes:
    """A PNG of one step; the pieces that come in are drawn where they come from."""
    standing = step.onto
    everything = np.vstack([bodies[n].vertices_mm for n in (*standing, *step.pieces)])
    reach = 0.45 * float(np.linalg.norm(np.ptp(everything, axis=0)))
    out = -np.asarray(step.along) * reach
    names = [*standing, *step.pieces]
    offset, vertices, triangles, part, surface = 0, [], [], [], []
    for k, name in enumerate(names):
        body = bodies[name]
        shift = out if name in step.pieces else np.zeros(3)
        vertices.append(body.vertices_mm + shift)
        triangles.append(body.triangles + offset)
        part.append(np.full(len(body.triangles), k))
        surface.append(np.ones(len(body.triangles), dtype=np.int8))
        offset += len(body.vertices_mm)
    solid = Solid(
        np.vstack(vertices),
        np.vstack(triangles),
        np.concatenate(part),
        np.concatenate(surface),
        len(standing),
    )
    drawn = picture(solid, dict(enumerate(names)), size_px=SIZE_PX)
    page = Image.new("RGB", (SIZE_PX[0], SIZE_PX[1] + 60), (255, 255, 255))
    page.paste(drawn, (0, 60))
    said = f"{number} of {of}: {' and '.join(step.pieces)}, {words(-np.asarray(step.along))}"
    font = ImageFont.truetype(str(font_path()), 24)
    ImageDraw.Draw(page).text((20, 16), drawable(said), font=font, fill=(20, 24, 32))
    stream = io.BytesIO()
    page.save(stream, "PNG", optimize=True)
    return stream.getvalue()
