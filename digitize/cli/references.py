"""Options of ``trace`` for photos without a printed target, and what they mean."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from digitize.cli.lengths import length_mm
from digitize.cli.options import Unit

if TYPE_CHECKING:
    from digitize.reference.ground import Box
    from digitize.reference.knowns import Knowns
    from digitize.reference.paper import PaperSize
    from digitize.reference_job import ByKnowns, ByPaper, ByRules

RuleKind = Annotated[
    str | None,
    typer.Option(
        "--rule",
        help="Measure by a steel rule, or two, in view: any, mm, inch, or its finest division "
        "(0.5mm, 1/32in).",
    ),
]
RuleAt = Annotated[
    str | None,
    typer.Option("--rule-at", help="Pixels x0,y0,x1,y1 of two points on the graduated edge."),
]
Tape = Annotated[bool, typer.Option("--tape", help="The rule is a tape measure.")]
Square = Annotated[
    bool, typer.Option("--square", help="Two rules in view are the legs of one square.")
]
PlainSheet = Annotated[
    str | None,
    typer.Option(
        "--plain-sheet",
        help="Measure by a plain sheet in view: A4, Letter ..., or 210x297mm as measured; "
        "'A4 upright' or 'A4 across' where the photo does not show it.",
    ),
]
SheetCorners = Annotated[
    str | None,
    typer.Option("--sheet-corners", help="Pixels x,y of the plain sheet's corners, all four."),
]
Known = Annotated[
    list[str] | None,
    typer.Option(
        "--known",
        help="Measure by what is known: 'length x0 y0 x1 y1 mm', 'point x y X Y', or a file of "
        "such lines. May be repeated.",
    ),
]
Around = Annotated[
    str | None,
    typer.Option(
        "--around",
        help="Without a printed target: pixels x0,y0,x1,y1 of a box with the piece and bare "
        "surface all round it.",
    ),
]
Level = Annotated[
    float | None,
    typer.Option(
        "--level",
        help="How level the camera was held, ± degrees; by the level that phones show, 1.",
    ),
]

_SIZE = re.compile(r"(?P<wide>[^x×]+)[x×](?P<high>[^±]+?)(?:(?:±|\+-)(?P<give>.+))?", re.IGNORECASE)
_DOUBT = 2.0  # what people mean by ± is about two standard deviations


@dataclass(frozen=True, slots=True)
class Asked:
    """What to measure by, and where the piece lies."""

    reference: ByRules | ByPaper | ByKnowns
    around_px: Box | None
    level_deg: float | None


def asked(
    *,
    rule: str | None,
    rule_at: str | None,
    tape: bool,
    square: bool,
    plain_sheet: str | None,
    sheet_corners: str | None,
    known: list[str] | None,
    around: str | None,
    level: float | None,
    unit: Unit,
    printed: dict[str, bool],
) -> Asked | None:
    """What was asked for, or None for a printed target.

    ``printed`` tells of each option that speaks of a printed target whether it was given.
    """
    ways = {"--rule": rule, "--plain-sheet": plain_sheet, "--known": known}
    given = [option for option, value in ways.items() if value]
    belong = {
        "--rule-at": (rule_at is not None, "--rule"),
        "--tape": (tape, "--rule"),
        "--square": (square, "--rule"),
        "--sheet-corners": (sheet_corners is not None, "--plain-sheet"),
        "--around": (around is not None, "--rule, --plain-sheet or --known"),
        "--level": (level is not None, "--rule or --known"),
    }
    for option, (said, owner) in belong.items():
        if said and not any(way in owner for way in given):
            raise typer.BadParameter(f"means something only with {owner}", param_hint=option)
    if not given:
        return None
    if len(given) > 1:
        raise typer.BadParameter(
            f"cannot be used together with {given[1]}: a photo is measured by one of them",
            param_hint=given[0],
        )
    for option, said in printed.items():
        if said:
            raise typer.BadParameter(
                f"cannot be used together with {option}, which speaks of a printed target",
                param_hint=given[0],
            )
    box = None if around is None else _pixels(around, 4, "--around", "x0,y0,x1,y1")
    if level is not None and not 0.05 <= level <= 40:
        raise typer.BadParameter(
            "must lie between 0.05 and 40 degrees; a careful hand holds a camera to about 5",
            param_hint="--level",
        )
    return Asked(
        _reference(
            rule=rule,
            rule_at=rule_at,
            tape=tape,
            square=square,
            plain_sheet=plain_sheet,
            sheet_corners=sheet_corners,
            known=known,
            unit=unit,
        ),
        None if box is None else (box[0], box[1], box[2], box[3]),
        None if level is None else level / _DOUBT,
    )


def _reference(
    *,
    rule: str | None,
    rule_at: str | None,
    tape: bool,
    square: bool,
    plain_sheet: str | None,
    sheet_corners: str | None,
    known: list[str] | None,
    unit: Unit,
) -> ByRules | ByPaper | ByKnowns:
    from digitize.reference_job import ByKnowns, ByPaper, ByRules

    if rule:
        return _rules(ByRules, rule, rule_at, unit, tape=tape, square=square)
    if plain_sheet:
        size, portrait = _plain_sheet(plain_sheet, unit)
        flat = _pixels(sheet_corners, 8, "--sheet-corners", "x,y,x,y,x,y,x,y")
        corners = tuple(zip(flat[::2], flat[1::2], strict=True)) if flat else None
        return ByPaper(size, portrait, corners)
    return ByKnowns(_knowns(known or [], unit))


def _rules(
    made: type[ByRules], kind: str, at: str | None, unit: Unit, *, tape: bool, square: bool
) -> ByRules:
    from digitize.reference.rules import STEEL_RULE, TAPE
    from digitize.reference.sight_rules import RuleOptions

    units: Literal["mm", "inch"] | None = None
    division_mm: float | None = None
    match kind.strip().lower():
        case "any":
            pass
        case "mm":
            units = "mm"
        case "inch" | "in":
            units = "inch"
        case text:
            try:
                division_mm = length_mm(text, unit.value)
            except ValueError:
                division_mm = 0.0
            if not 0.1 <= division_mm <= 30:
                raise typer.BadParameter(
                    f"{kind!r} is no division of a rule; say any, mm, inch, or like 0.5mm or "
                    "1/32in",
                    param_hint="--rule",
                )
    ends = _pixels(at, 4, "--rule-at", "x0,y0,x1,y1")
    options = RuleOptions(
        units=units,
        division_mm=division_mm,
        between_px=((ends[0], ends[1]), (ends[2], ends[3])) if ends else None,
        body=TAPE if tape else STEEL_RULE,
    )
    return made(options, square)


def _plain_sheet(text: str, unit: Unit) -> tuple[PaperSize, bool | None]:
    from digitize.reference.paper import measured_paper, paper_named

    words = text.split()
    portrait = {"upright": True, "across": False}.get(words[-1].lower() if words else "")
    if portrait is not None:
        words = words[:-1]
    size = " ".join(words)
    match = _SIZE.fullmatch(size)
    if match is None or not match["wide"].strip()[:1].isdigit():
        return paper_named(size), portrait
    try:
        high_mm = length_mm(match["high"], unit.value)
        # 8.5x11in: the unit is said once.
        said = re.search(r"(mm|cm|inch|in|\")\s*$", match["high"], re.IGNORECASE)
        wide_mm = length_mm(match["wide"], said[1] if said else unit.value)
        give = match["give"]
        u_mm = 0.3 if give is None else length_mm(give, unit.value) / _DOUBT
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no sheet; write it like A4, Letter, 210x297mm or 8.5x11in",
            param_hint="--plain-sheet",
        ) from None
    return measured_paper(wide_mm, high_mm, u_mm), portrait


def _knowns(items: list[str], unit: Unit) -> Knowns:
    from digitize.reference.knowns import parse_knowns, read_knowns

    lines = [item for item in items if item.split()[:1] and _begins_line(item)]
    files = [item for item in items if item not in lines]
    found = [read_knowns(Path(name)) for name in files]
    if lines:
        found.append(parse_knowns("\n".join([f"unit {unit.value}", *lines]), "--known"))
    return found[0].joined(*found[1:])


def _begins_line(item: str) -> bool:
    words = item.split()
    return len(words) > 1 and words[0].lower() in ("unit", "pick", "point", "length", "height")


def _pixels(text: str | None, count: int, option: str, like: str) -> tuple[float, ...] | None:
    """So many pixel coordinates, or None where nothing was said."""
    if text is None:
        return None
    try:
        values = tuple(float(part) for part in text.replace(" ", ",").split(",") if part)
    except ValueError:
        values = ()
    if len(values) != count or not all(abs(v) < 1e6 for v in values):
        raise typer.BadParameter(f"{text!r} is not {like}, in pixels", param_hint=option)
    return values
