"""The files a command writes of a pattern that was made, not traced: document and drawings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from digitize.files.units import Unit
    from digitize.pattern.model import Pattern


def paths(into: Path, name: str) -> list[Path]:
    """Where they go."""
    suffixes = (".pattern.json", ".dxf", "-r12.dxf", ".svg", "-1to1.pdf")
    return [into / f"{name}{suffix}" for suffix in suffixes]


def rendered(pattern: Pattern, unit: Unit, paper: str) -> list[bytes]:
    """Their bytes, in the order of ``paths``."""
    from digitize.files import dxf, svg
    from digitize.files.paper import writer as template
    from digitize.pattern import document

    return [
        document.dumps(pattern).encode(),
        dxf.render(pattern, dxf.DxfOptions(unit)),
        dxf.render(pattern, dxf.DxfOptions(unit, "R12")),
        svg.render(pattern, svg.SvgOptions(unit)),
        template.render(pattern, template.PaperOptions(paper=paper, unit=unit)),
    ]
