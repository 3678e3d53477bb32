"""What people (a table) and scripts (JSON) see of a folded blank."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from digitize.errors import Notice
from digitize.files.notices import grouped
from digitize.files.units import Unit, length
from digitize.folding.sizes import FoldedSize, Overall

NOT_COMPARED = (
    "No traced sizes beside these: a blank keeps its flat lengths only. To see both, fold the "
    "traced pattern and say its bends with --bend."
)


def table(
    name: str, sizes: Sequence[FoldedSize], box: Overall, notices: Sequence[Notice], unit: Unit
) -> None:
    """The folded piece's dimensions over outside."""
    console = Console(width=None if Console().is_terminal else 100, highlight=False)
    over_all = " x ".join(length(v, unit) for v in (box.length_mm, box.width_mm, box.height_mm))
    shown = Table(title=f"{name}, folded", title_justify="left")
    compared = any(row.traced_mm is not None for row in sizes)
    for heading in ("face", "from", "to"):
        shown.add_column(heading)
    for heading in ("over outside", *(["traced"] if compared else [])):
        shown.add_column(heading, justify="right")
    for row in sizes:
        traced = "" if row.traced_mm is None else length(row.traced_mm, unit, 2)
        cells = (length(row.folded_mm, unit, 2), *([traced] if compared else []))
        shown.add_row(row.face, row.start, row.end, *cells)
    console.print(shown)
    console.print(f"Overall {over_all} high", soft_wrap=True)
    if not compared:
        console.print(NOT_COMPARED, soft_wrap=True)
    for notice in grouped(notices):
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)


def as_json(sizes: Sequence[FoldedSize], box: Overall, notices: Sequence[Notice]) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "overall_mm": {
            "length": box.length_mm,
            "width": box.width_mm,
            "height": box.height_mm,
        },
        "over_outside": [
            {
                "face": row.face,
                "from": row.start,
                "to": row.end,
                "folded_mm": row.folded_mm,
                "traced_mm": row.traced_mm,
            }
            for row in sizes
        ],
        "notices": [{"code": n.code, "text": n.text, "level": n.level} for n in notices],
    }
