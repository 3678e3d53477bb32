"""What people (a table) and scripts (JSON) see of a developed blank."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import typer
from rich.console import Console
from rich.table import Table

from digitize.bending.facts import BendFacts
from digitize.bending.laws import law_name
from digitize.bending.materials import Material
from digitize.blank.develop import Blank
from digitize.errors import Notice
from digitize.files.notices import grouped
from digitize.files.units import Unit, length
from digitize.nesting.need import smallest_rectangle
from digitize.pattern.datum import datum_of
from digitize.pattern.segments import Point

CAUTION = (
    "Tables and formulas only start a job: the data sheet of your metal and a test strip bent "
    "with your own tools go before them. Edges are sharp: gloves, and eye protection. Grind zinc "
    "back before welding and extract the fume. Structural "
    "parts need a competent welder and the rules of your country."
)


def table(blank: Blank, notices: Sequence[Notice], metal: Material, unit: Unit) -> None:
    """Every bend with what it takes up; defaults carry a star."""
    console = Console(width=None if Console().is_terminal else 110, highlight=False)
    needed = smallest_rectangle(blank.pattern)
    size = f"{length(needed.length_mm, unit)} x {length(needed.width_mm, unit)}"
    thickness = length(blank.facts[0].thickness_mm, unit, 2) if blank.facts else ""
    title = f"{blank.pattern.name}: {size}, {metal.title} {thickness}".rstrip()
    if blank.facts:
        _bends(console, blank, title, unit)
    else:
        console.print(title, soft_wrap=True)
    for notice in grouped(notices):
        word = "Doubt" if notice.level == "doubt" else "Note"
        console.print(f"{word}: {notice.text}", soft_wrap=True)
    console.print(f"Caution: {CAUTION}", soft_wrap=True)


def _bends(console: Console, blank: Blank, title: str, unit: Unit) -> None:
    shown = Table(
        title=title,
        caption="* by default, nobody said; F" + str(blank.tree.base + 1) + " stays where it is",
        title_justify="left",
    )
    for heading in ("", "bent", "radius", "traced", "by", "K", "allowance", "setback", "deduction"):
        shown.add_column(heading, justify="left" if heading in ("", "traced", "by") else "right")
    for f in blank.facts:
        shown.add_row(*_row(f, unit))
    console.print(shown)
    datum = datum_of(blank.pattern)
    places = ((name, datum.of(at)) for name, at in _faces(blank))
    faces = "; ".join(f"{name} near x {x:.0f}, y {y:.0f}" for name, (x, y) in places)
    console.print(f"Faces, in mm from the datum corner: {faces}", soft_wrap=True)


def files(paths: Sequence[Path]) -> None:
    """The files that were written."""
    for path in paths:
        typer.echo(f"Wrote {path}")


def as_json(blank: Blank, notices: Sequence[Notice], metal: Material) -> dict[str, Any]:
    """The same for scripts."""
    needed = smallest_rectangle(blank.pattern)
    return {
        "name": blank.pattern.name,
        "metal": metal.name,
        "length_mm": needed.length_mm,
        "width_mm": needed.width_mm,
        "base": f"F{blank.tree.base + 1}",
        "faces": [{"name": name, "near_mm": list(at)} for name, at in _faces(blank)],
        "bends": [
            {
                "name": f.name,
                "angle_deg": f.angle_deg,
                "bead": f.line.bead,
                "toward_face": f.toward_face,
                "inside_radius_mm": f.radius_mm,
                "thickness_mm": f.thickness_mm,
                "traced": f.traced,
                "law": law_name(f.law),
                "k": f.k,
                "allowance_mm": f.allowance_mm,
                "setback_mm": f.reach_mm,
                "deduction_mm": f.deduction_mm,
                "defaults": list(f.defaults),
            }
            for f in blank.facts
        ],
        "notices": [{"code": n.code, "text": n.text, "level": n.level} for n in notices],
    }


def _faces(blank: Blank) -> list[tuple[str, Point]]:
    """A place on each face, in pattern coordinates."""
    return [(f"F{face + 1}", blank.on_face_mm(face)) for face in range(blank.tree.faces.count)]


def _row(f: BendFacts, unit: Unit) -> tuple[str, ...]:
    def star(what: str) -> str:
        return "*" if what in f.defaults else ""

    taken = length(f.allowance_mm, unit, 2), length(f.deduction_mm, unit, 2)
    if f.line.bead is not None:
        return f.name, "bead", "", "", "", "", taken[0], "", taken[1]
    return (
        f.name,
        f"{f.angle_deg:g}° {'toward' if f.toward_face else 'away'}" if f.angle_deg else "not bent",
        length(f.radius_mm, unit, 2) + star("radius"),
        f.traced + star("traced"),
        law_name(f.law) + star("law"),
        f"{f.k:.3f}",
        taken[0],
        length(f.reach_mm, unit, 2),
        taken[1],
    )
