"""Pictures of an assembly: what stands already, and what comes in, tinted; or what is stuck."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from digitize.assembly.body import Body
from digitize.assembly.directions import words
from digitize.assembly.order import Step
from digitize.files.lettering import broken, font_path, shortened
from digitize.files.pictures.shaded import picture
from digitize.folding.solid import Solid
from digitize.pattern.segments import FloatArray

SIZE_PX = (1000, 760)
_RIM_PX, _LETTERS_PX, _LINE_PX, _LABEL_PX = 18, 24, 30, 240
_SMOOTH = math.cos(math.radians(25.0))


def render_first(bodies: Mapping[str, Body], first: Sequence[str], of: int) -> bytes:
    """A PNG of what stands before anything comes in."""
    return _drawn(bodies, (), first, np.zeros(3), f"1 of {of}: {' and '.join(first)}")


def render(bodies: Mapping[str, Body], step: Step, number: int, of: int) -> bytes:
    """A PNG of one step; the pieces that come in are drawn where they come from."""
    everything = np.vstack([bodies[n].vertices_mm for n in (*step.onto, *step.pieces)])
    reach = 0.45 * float(np.linalg.norm(np.ptp(everything, axis=0)))
    out = -np.asarray(step.along)
    said = f"{number} of {of}: {' and '.join(step.pieces)}, {words(out)}"
    return _drawn(bodies, step.onto, step.pieces, out * reach, said)


def render_stuck(bodies: Mapping[str, Body], pair: Sequence[str], said: str) -> bytes:
    """A PNG of the whole job, with one of two that are in each other's way tinted, and a heading.

    What is fixed is not tinted: it is the other one that has to come out.
    """
    tinted = [n for n in pair if not bodies[n].fixed][:1]
    standing = [n for n in bodies if n not in tinted]
    return _drawn(bodies, standing, tinted, np.zeros(3), f"{said}; {' '.join(tinted)} is tinted")


def render_finished(bodies: Mapping[str, Body]) -> bytes:
    """A PNG of all pieces in place."""
    return _drawn(bodies, tuple(bodies), (), np.zeros(3), "finished: all pieces in place")


def _drawn(
    bodies: Mapping[str, Body],
    standing: Sequence[str],
    tinted: Sequence[str],
    shift_mm: FloatArray,
    heading: str,
) -> bytes:
    """Pieces that stand, pieces that are tinted and moved (3,), and a line over the picture."""
    names = [*standing, *tinted]
    offset, vertices, triangles, part, surface = 0, [], [], [], []
    for k, name in enumerate(names):
        body = bodies[name]
        vertices.append(body.vertices_mm + (shift_mm if name in tinted else 0.0))
        triangles.append(body.triangles + offset)
        part.append(np.full(len(body.triangles), k))
        surface.append(_surfaces(body))
        offset += len(body.vertices_mm)
    solid = Solid(
        np.vstack(vertices),
        np.vstack(triangles),
        np.concatenate(part),
        np.concatenate(surface),
        len(standing),
    )
    labels = {k: shortened(name, _LETTERS_PX, _LABEL_PX) for k, name in enumerate(names)}
    drawn = picture(solid, labels, size_px=SIZE_PX)
    lines = broken(heading, _LETTERS_PX, SIZE_PX[0] - 2 * _RIM_PX)
    top = 2 * _RIM_PX + len(lines) * _LINE_PX
    page = Image.new("RGB", (SIZE_PX[0], SIZE_PX[1] + top), (255, 255, 255))
    page.paste(drawn, (0, top))
    font = ImageFont.truetype(str(font_path()), _LETTERS_PX)
    write = ImageDraw.Draw(page)
    for number, line in enumerate(lines):
        write.text((_RIM_PX, _RIM_PX + number * _LINE_PX), line, font=font, fill=(20, 24, 32))
    stream = io.BytesIO()
    page.save(stream, "PNG", optimize=True)
    return stream.getvalue()


def _surfaces(body: Body) -> NDArray[np.int8]:
    """The smooth surface, from 1, that each triangle (M,) is part of: lines are drawn between."""
    corners = body.vertices_mm[body.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    beside: dict[frozenset[int], int] = {}
    pairs = []
    for number, (i, j, k) in enumerate(body.triangles.tolist()):
        for edge in (frozenset((i, j)), frozenset((j, k)), frozenset((k, i))):
            other = beside.setdefault(edge, number)
            if other != number and normals[number] @ normals[other] > _SMOOTH:
                pairs.append((number, other))
    one, other_side = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    count = len(body.triangles)
    graph = coo_array((np.ones(len(one)), (one, other_side)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1] % 120 + 1, dtype=np.int8)
