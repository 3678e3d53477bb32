"""A bead right across the piece, on one of its bend lines, as something that takes up sheet.

Drawn in, the bead's base in the pattern becomes the longer length of its section in the
blank, and the sheet beyond it moves out; held, nothing moves and the sheet is stretched.
"""

from __future__ import annotations

from dataclasses import replace

from digitize.bending.bead import (
    Bead,
    bead_words,
    drawn_in_mm,
    forming_limit_strain,
    held_strain,
    section_length_mm,
)
from digitize.bending.facts import BendFacts, Stock
from digitize.bending.laws import NeutralLine
from digitize.errors import Notice
from digitize.pattern.model import BendLine


def bead_facts(
    name: str, line: BendLine, stock: Stock, bead: Bead, *, drawn_in: bool
) -> tuple[BendFacts, tuple[Notice, ...]]:
    """The bead as a bend through no angle, and what to know about it.

    Raises BadBend for a section that cannot be.
    """
    words = f"{bead_words(bead)}, {'drawn in' if drawn_in else 'held'}"
    facts = BendFacts(
        name=name,
        line=replace(line, bead=words),
        angle_deg=0.0,
        toward_face=True,
        radius_mm=0.0,
        thickness_mm=stock.thickness_mm,
        traced="outside",
        law=NeutralLine(0.5),
        allowance_mm=section_length_mm(bead) if drawn_in else bead.base_mm,
        reach_mm=bead.base_mm / 2,
    )
    text = f"{name} is not bent: a bead, {words}, is rolled along it, between the lines beside it"
    return facts, (Notice("blank-bead", text), _cost(name, stock, bead, drawn_in=drawn_in))


def _cost(name: str, stock: Stock, bead: Bead, *, drawn_in: bool) -> Notice:
    """What the bead takes: sheet from beside it, or its own stretching."""
    if drawn_in:
        text = (
            f"the bead at {name} draws in {drawn_in_mm(bead):.1f} mm, by which the blank is wider; "
            "expect puckers at its ends"
        )
        return Notice("bead-drawn-in", text)
    strain, limit = held_strain(bead), forming_limit_strain(stock.thickness_mm)
    text = f"the bead at {name}, held, stretches the sheet by {100 * strain:.0f} %"
    if strain >= limit:
        text += (
            f"; mild steel of {stock.thickness_mm:.2f} mm tears from about {100 * limit:.0f} % "
            "(Keeler and Brazier, from memory): let metal draw in, or make it shallower"
        )
        return Notice("bead-tears", text, "doubt")
    return Notice("bead-held", text)
