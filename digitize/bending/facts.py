"""Every bend of a pattern with all that is needed to develop it, and what was only assumed.

What somebody says of a bend (``Said``, for one bend or for all) goes before what the
pattern holds, and that before the defaults of the metal.  Defaults are named, so that a
table can show them as such.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from digitize.bending.gauges import Gauge
from digitize.bending.laws import Law, NeutralLine, allowance_mm, k_of
from digitize.bending.materials import Material
from digitize.bending.setback import STEEPEST_DEG, BadBend, deduction_mm, reach_mm
from digitize.errors import Notice
from digitize.pattern.model import BendLine, Pattern, Traced

ALL = "all"
Drawn = Traced | Literal["face"]
"""What was traced, as people say it: also the marked face throughout, whose planes meet inside
a bend toward it and outside one away from it."""
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody says of a bend; None where nothing is said."""

    angle_deg: float | None = None
    toward_face: bool | None = None
    radius_mm: float | None = None
    traced: Drawn | None = None
    k: float | None = None


@dataclass(frozen=True, slots=True)
class Stock:
    """The sheet, and the law it is bent by; ``law`` None takes the metal's."""

    metal: Material
    thickness_mm: float
    law: Law | None = None


@dataclass(frozen=True, slots=True)
class BendFacts:
    """A bend, fully said.  ``reach_mm`` is from the traced line to either tangent line."""

    name: str
    line: BendLine
    angle_deg: float
    toward_face: bool
    radius_mm: float
    thickness_mm: float
    traced: Traced
    law: Law
    allowance_mm: float
    reach_mm: float
    defaults: tuple[str, ...] = ()

    @property
    def deduction_mm(self) -> float:
        """What the blank is shorter than the traced legs together; negative where longer."""
        return deduction_mm(self.reach_mm, self.allowance_mm)

    @property
    def k(self) -> float:
        """Where the neutral line lies, in thicknesses from the inside."""
        return k_of(self.law, self.radius_mm, self.thickness_mm)


def bend_name(index: int) -> str:
    """The name drawings and tables give a pattern's bend."""
    return f"B{index + 1}"


def stock_thickness_mm(
    measured_mm: float | None, pattern: Pattern, gauge: Gauge | None
) -> tuple[float, tuple[Notice, ...]]:
    """Thickness of the sheet: measured, else the pattern's, else by gauge.

    Raises BadBend where nobody says it.  A gauge that contradicts a measurement is named.
    """
    known = measured_mm if measured_mm is not None else pattern.thickness_mm
    if known is None:
        if gauge is None:
            raise BadBend("nobody said how thick the sheet is", do="give --thickness, measured")
        nominal = gauge.thickness_mm
        text = f"{gauge.title} taken as {nominal:.2f} mm: measure the sheet"
        return nominal, (Notice("gauge-nominal", text),)
    if gauge is None or abs(known - gauge.thickness_mm) <= 0.1 * gauge.thickness_mm:
        return known, ()
    text = (
        f"{gauge.title} is {gauge.thickness_mm:.2f} mm, but {known:.2f} mm was measured; the "
        "measurement is used"
    )
    return known, (Notice("gauge-contradicted", text),)


def resolve(
    pattern: Pattern, stock: Stock, said: Mapping[str, Said] | None = None
) -> tuple[tuple[BendFacts, ...], tuple[Notice, ...]]:
    """Facts of every bend, and notices about what was assumed.

    ``said`` maps ``B1``... or ``all`` to what is said.  Raises BadBend for an unknown name, a
    bend whose angle or direction nobody said, and values no sheet can have.
    """
    said = said or {}
    names = [bend_name(i) for i in range(len(pattern.bends))]
    for name in said:
        if name != ALL and name not in names:
            has = f"it has {names[0]} to {names[-1]}" if names else "it has no bends"
            raise BadBend(f"the pattern has no bend called {name}", do=has)
    facts = tuple(
        _facts(name, line, stock, said.get(name, Said()), said.get(ALL, Said()))
        for name, line in zip(names, pattern.bends, strict=True)
    )
    return facts, tuple(_notices(facts, stock))


def told(pattern: Pattern, facts: tuple[BendFacts, ...]) -> Pattern:
    """The pattern with what is known of its bends written into it."""
    bends = tuple(
        replace(
            f.line,
            angle_deg=f.angle_deg,
            toward_face=f.toward_face,
            inside_radius_mm=f.radius_mm,
            traced=f.traced,
        )
        for f in facts
    )
    thickness = facts[0].thickness_mm if facts else pattern.thickness_mm
    return replace(pattern, bends=bends, thickness_mm=thickness)


def _facts(name: str, line: BendLine, stock: Stock, own: Said, every: Said) -> BendFacts:
    defaults = []
    angle = _first(own.angle_deg, line.angle_deg, every.angle_deg)
    toward = _first(own.toward_face, line.toward_face, every.toward_face)
    if angle == 0.0 and toward is None:
        toward = True  # of a line that is not bent, as a bead's on a blank, nothing hangs on it
    if angle is None or toward is None:
        missing = "the angle" if toward is not None else "which way"
        raise BadBend(
            f"nobody said {missing} {name} is bent",
            do=f'say for example --bend "{name} toward 90"',
        )
    radius = _first(own.radius_mm, line.inside_radius_mm, every.radius_mm)
    if radius is None:
        radius = stock.metal.radius_mm(stock.thickness_mm)
        defaults.append("radius")
    drawn = own.traced or line.traced or every.traced
    if drawn is None:
        defaults.append("traced")
    of_face: Traced = "inside" if toward else "outside"
    traced: Traced = of_face if drawn == "face" else drawn or "outside"
    if traced == "outside" and angle > STEEPEST_DEG:
        traced = "outermost"
    k = _first(own.k, every.k)
    law: Law = stock.metal.law if stock.law is None else stock.law
    if k is not None:
        law = NeutralLine(k)
    elif stock.law is None:
        defaults.append("law")
    allowance = allowance_mm(law, angle, radius, stock.thickness_mm)
    reach = (
        allowance / 2 if traced == "blank" else reach_mm(traced, angle, radius, stock.thickness_mm)
    )
    return BendFacts(
        name=name,
        line=line,
        angle_deg=angle,
        toward_face=toward,
        radius_mm=radius,
        thickness_mm=stock.thickness_mm,
        traced=traced,
        law=law,
        allowance_mm=allowance,
        reach_mm=reach,
        defaults=tuple(defaults),
    )


def _first(*values: T | None) -> T | None:
    return next((v for v in values if v is not None), None)


def _notices(facts: tuple[BendFacts, ...], stock: Stock) -> list[Notice]:
    notices = []
    for what, code, text in (
        ("radius", "radius-assumed", f"inside radius by default for {stock.metal.title}"),
        ("traced", "traced-assumed", "taken as drawn to the outside mould lines"),
        ("law", "law-assumed", f"bent by the default law for {stock.metal.title}"),
    ):
        names = [f.name for f in facts if what in f.defaults]
        if names:
            notices.append(Notice(code, f"{', '.join(names)}: {text}, since nobody said"))
    hems = [f.name for f in facts if f.angle_deg > STEEPEST_DEG and f.traced == "outermost"]
    if hems:
        text = f"{', '.join(hems)}: legs taken as drawn to the outermost point of the bend"
        notices.append(Notice("hem-outermost", text))
    return notices
