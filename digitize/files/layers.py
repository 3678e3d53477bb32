"""The layers of a pattern file: one table for DXF and SVG.

Names hold only what R12 allows (A-Z, 0-9, _), so that both DXF versions and SVG agree.
Colours are the project's own: each is the RGB value of its DXF colour index (ACI), told
apart by people who cannot tell red from green, and free of pure red and pure blue, to
which many cutting programs attach a meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from digitize.pattern.model import BendLine

Role = Literal[
    "outline",
    "opening",
    "bend",
    "bend toward",
    "bend away",
    "bead",
    "tangent",
    "tool",
    "mark",
    "restored",
    "note",
]


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer: what it is called, whether a machine cuts it, how it is drawn."""

    name: str
    title: str
    cuts: bool
    colour_index: int  # DXF colour index (ACI)
    rgb: str  # the same colour for SVG
    line_width_mm: float


def bend_role(bend: BendLine) -> Role:
    """The layer of a bend line, by the way it is bent; a bead's is not bent at all."""
    if bend.bead is not None:
        return "bead"
    if bend.toward_face is None:
        return "bend"
    return "bend toward" if bend.toward_face else "bend away"


LAYERS: dict[Role, Layer] = {
    "outline": Layer("OUTLINE", "outline: cut", True, 7, "#000000", 0.35),
    "opening": Layer("OPENING", "holes and cut-outs: cut", True, 122, "#00a57c", 0.35),
    "bend": Layer("BEND_LINE", "bend lines: scribe, do not cut", False, 200, "#bf00ff", 0.18),
    "bend toward": Layer(
        "BEND_TOWARD",
        "bend toward the face you look at: scribe, do not cut",
        False,
        212,
        "#a500a5",
        0.18,
    ),
    "bend away": Layer(
        "BEND_AWAY",
        "bend away from the face you look at: scribe, do not cut",
        False,
        24,
        "#7f1f00",
        0.18,
    ),
    "bead": Layer(
        "BEAD_LINE", "middle of a bead: rolled in, not bent, not cut", False, 174, "#00007f", 0.18
    ),
    "tangent": Layer(
        "BEND_TANGENT", "where a bend begins and ends: do not cut", False, 252, "#666666", 0.18
    ),
    "tool": Layer(
        "TOOL_LINE",
        "edge of the folding tool or vice: scribe, do not cut",
        False,
        54,
        "#7f7f00",
        0.18,
    ),
    "mark": Layer("POINT_MARK", "point marks: centre-punch", False, 142, "#007ca5", 0.18),
    "restored": Layer(
        "RESTORED_EDGE",
        "beside edges that were rebuilt or bridged, on the waste side: do not cut",
        False,
        30,
        "#ff7f00",
        0.18,
    ),
    "note": Layer("NOTE", "notes and check bar: do not cut", False, 8, "#808080", 0.18),
}
"""ISO 128 widths: wide lines 0.35 mm, narrow ones half of that (from memory)."""
