"""A blank made to order: everything that may be asked of it, in the one order that works.

Edges are worked on the pattern, so that laps and holes go with their flange; then the blank
is developed; then flanges are mitred and bends relieved on the blank; then it is mirrored;
the cutter's kerf comes last.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, assert_never

from digitize.bending.bead import Bead
from digitize.bending.facts import BendFacts, Said, Stock, bend_name, resolve
from digitize.bending.setback import BadBend
from digitize.blank.beads import bead_facts
from digitize.blank.develop import Blank, counted_from_datum, develop
from digitize.blank.edges import EdgeWork, worked
from digitize.blank.errors import NotDeveloped
from digitize.blank.hand import from_behind, mirror_sum_mm, opposite_hand
from digitize.blank.kerf import cutter_path
from digitize.blank.mitre import mitred
from digitize.blank.relief import Style, relieved
from digitize.errors import Notice
from digitize.pattern.model import Pattern
from digitize.pattern.soundness import fault

Side = Literal["traced", "opposite-hand", "from-behind"]


@dataclass(frozen=True, slots=True)
class Order:
    """What is asked of a blank."""

    stock: Stock
    said: Mapping[str, Said] = field(default_factory=dict)
    base: int | None = None
    edges: EdgeWork = field(default_factory=EdgeWork)
    beads: Mapping[str, tuple[Bead, bool]] = field(default_factory=dict)  # and whether drawn in
    relief: Style | None = None
    mitre_gap_mm: float | None = None  # None leaves flanges as they are
    side: Side = "traced"
    kerf_mm: float | None = None


def made_to(pattern: Pattern, order: Order) -> tuple[Blank, tuple[Notice, ...]]:
    """The blank, and notices about what was assumed for it.

    Raises BadBend and NotDeveloped as its steps do.
    """
    pattern = replace(pattern, thickness_mm=order.stock.thickness_mm)
    pattern = worked(pattern, order.edges)
    facts, notices = _facts(pattern, order)
    blank = _developed(pattern, facts, order.base)
    if order.mitre_gap_mm is not None:
        blank = mitred(blank, order.mitre_gap_mm)
    if order.relief is not None:
        blank = relieved(blank, order.relief)
    blank = _turned(blank, order.side)
    done = blank.pattern
    if order.kerf_mm is not None:
        done = cutter_path(done, order.kerf_mm)
    found = fault(done)
    if found is not None:
        raise NotDeveloped(
            f"what was cut away meets something else: {found.what}",
            where=found.where,
            do="leave out a relief, a mitre or a hole there",
        )
    if not facts:
        text = "the pattern has no bend lines: it is its own blank"
        notices = (*notices, Notice("no-bends", text))
    return counted_from_datum(replace(blank, pattern=done)), notices


def _facts(pattern: Pattern, order: Order) -> tuple[tuple[BendFacts, ...], tuple[Notice, ...]]:
    """What is known of the bends, some of which are beads instead."""
    names = [bend_name(i) for i in range(len(pattern.bends))]
    for name in order.beads:
        if name not in names:
            has = f"it has {names[0]} to {names[-1]}" if names else "it has none"
            raise BadBend(f"the pattern has no bend line called {name} for a bead", do=has)
    # A bead goes through no angle whatever was said of all bends.
    flat = {name: Said(0.0, True, 0.0, "outside", 0.5) for name in order.beads}
    facts, notices = resolve(pattern, order.stock, {**order.said, **flat})
    beads = {
        name: bead_facts(name, pattern.bends[names.index(name)], order.stock, bead, drawn_in=drawn)
        for name, (bead, drawn) in order.beads.items()
    }
    facts = tuple(beads[f.name][0] if f.name in beads else f for f in facts)
    return facts, (*notices, *(notice for _, told in beads.values() for notice in told))


def _turned(blank: Blank, side: Side) -> Blank:
    """The blank as it is drawn: as traced, of the other hand, or seen from behind."""
    facts = blank.facts
    match side:
        case "traced":
            return blank
        case "opposite-hand":
            done = opposite_hand(blank.pattern)
        case "from-behind":
            done = from_behind(blank.pattern)
            facts = tuple(replace(f, toward_face=not f.toward_face) for f in facts)
        case _:
            assert_never(side)
    about = mirror_sum_mm(blank.pattern)
    return replace(blank, pattern=done, facts=facts, mirror_sum_mm=about)


def _developed(pattern: Pattern, facts: Sequence[BendFacts], base: int | None) -> Blank:
    try:
        return develop(pattern, facts, base)
    except NotDeveloped as fault:
        if facts and all(f.traced == "blank" for f in facts):
            raise NotDeveloped(
                f"{fault.what} on what is a blank already",
                where=fault.where,
                do="work from the traced pattern that it was developed from, with --relief",
            ) from fault
        raise
