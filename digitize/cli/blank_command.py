"""``digitize blank``: the flat blank of a pattern with bends."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from digitize.cli.options import (
    Into,
    Json,
    Overwrite,
    Paper,
    PaperSize,
    Unit,
    Units,
    plain_name,
    positive_mm,
    said_thickness_mm,
)

if TYPE_CHECKING:
    from digitize.bending.gauges import Gauge
    from digitize.bending.laws import Law
    from digitize.bending.materials import Material
    from digitize.blank.develop import Blank
    from digitize.blank.relief import Style
    from digitize.errors import Notice
    from digitize.files.units import Unit as FileUnit
    from digitize.pattern.model import Pattern


_ENDINGS = {"traced": "blank", "opposite-hand": "opposite-hand", "from-behind": "from-behind"}


class LawName(StrEnum):
    """The laws for what a bend takes up; a K of one's own is the neutral line's."""

    HANDBOOK = "handbook"
    DIN = "din6935"
    FAA = "faa"


class TracedSurface(StrEnum):
    """What the pattern's bend lines stand for."""

    OUTSIDE = "outside"
    OUTERMOST = "outermost"
    INSIDE = "inside"
    ROLLED = "rolled"
    BLANK = "blank"
    FACE = "face"


class Relief(StrEnum):
    """How ends of bends are relieved."""

    NONE = "none"
    ROUND = "round"
    SQUARE = "square"


class Side(StrEnum):
    """Which piece is drawn, and from where."""

    TRACED = "traced"
    OPPOSITE = "opposite-hand"
    BEHIND = "from-behind"


Bend = Annotated[
    list[str] | None,
    typer.Option(
        "--bend",
        "-b",
        help='How a bend is bent, as "B1 toward 90 r1.5", or all of them, as "all away 45"; may be '
        "said again.",
    ),
]
BendsFile = Annotated[
    Path | None, typer.Option("--bends", help="A TOML file that says how bends are bent.")
]
Metal = Annotated[
    str | None,
    typer.Option(
        "--metal", "-m", help="The metal: mild-steel, galvanised, aluminium, stainless..."
    ),
]
Thickness = Annotated[
    str | None, typer.Option("--thickness", "-t", help="The sheet's measured thickness.")
]
GaugeNumber = Annotated[
    str | None,
    typer.Option(
        "--gauge", help='Gauge number of the metal where nobody measured, as 18, or "18 swg".'
    ),
]
LawOption = Annotated[
    LawName | None, typer.Option("--law", help="By which law bends take up sheet.")
]
K = Annotated[
    float | None, typer.Option("--k", min=0.0, max=1.0, help="Your own K of the neutral line.")
]
Strip = Annotated[
    str | None,
    typer.Option(
        "--strip",
        help="K from a bent test strip: flat length, both legs outside, inside radius, as "
        "100,51.1,51.1,1.5; and the angle bent through, if not 90.",
    ),
]
TracedOption = Annotated[
    TracedSurface | None,
    typer.Option("--traced", help="What the bend lines stand for, where a bend does not say."),
]
Base = Annotated[str | None, typer.Option("--base", help="The face that stays where it is, as F2.")]

ReliefOption = Annotated[
    Relief, typer.Option("--relief", help="What is cut where a bend would tear.")
]
Mitre = Annotated[
    bool, typer.Option("--mitre", help="Cut back flanges that would overlap at a corner.")
]
Gap = Annotated[str | None, typer.Option("--gap", help="The gap --mitre leaves between flanges.")]
Trim = Annotated[
    list[str] | None, typer.Option("--trim", help='Extra metal on an edge, as "E3 2".')
]
LapOption = Annotated[
    list[str] | None,
    typer.Option("--lap", help='A lap beyond an edge, as "E4 12" or "E4 12 joggle 1.2 r1 away".'),
]
Holes = Annotated[
    list[str] | None,
    typer.Option("--holes", help='Plug-weld holes along an edge, as "E4 d8 pitch 40 in 6".'),
]
BeadOption = Annotated[
    list[str] | None,
    typer.Option("--bead", help='A bead on a bend line, as "B3 arc 20 4 drawn" (or held).'),
]
Kerf = Annotated[str | None, typer.Option("--kerf", help="Draw the path of a cutter of this kerf.")]
SideOption = Annotated[
    Side, typer.Option("--side", help="The piece as traced, its opposite hand, or it from behind.")
]


def blank(
    pattern: Annotated[Path, typer.Argument(help="A .pattern.json file.", show_default=False)],
    bend: Bend = None,
    bends: BendsFile = None,
    metal: Metal = None,
    thickness: Thickness = None,
    gauge: GaugeNumber = None,
    law: LawOption = None,
    k: K = None,
    strip: Strip = None,
    traced: TracedOption = None,
    base: Base = None,
    trim: Trim = None,
    lap: LapOption = None,
    holes: Holes = None,
    bead: BeadOption = None,
    relief: ReliefOption = Relief.NONE,
    mitre: Mitre = False,
    gap: Gap = None,
    kerf: Kerf = None,
    side: SideOption = Side.TRACED,
    name: Annotated[
        str | None,
        typer.Option("--name", "-n", help="Name of the blank and its files.", callback=plain_name),
    ] = None,
    paper: Paper = PaperSize.A4,
    into: Into = Path(),
    units: Units = Unit.MM,
    as_json: Json = False,
    overwrite: Overwrite = False,
) -> None:
    """Develop the flat blank of a folded piece, with bend, tangent and tool lines."""
    from digitize.bending.facts import ALL, Said, Stock, stock_thickness_mm
    from digitize.bending.materials import DEFAULT, material
    from digitize.blank.checks import too_tight
    from digitize.blank.making import Order, made_to
    from digitize.cli import bend_words, drawings, shaping_words, show_blank
    from digitize.cli.documents import read_pattern
    from digitize.files.atomic import write_all

    read = read_pattern(pattern)
    name = name or f"{read.name}-{_ENDINGS[side]}"
    unit: FileUnit = units.value
    file = bend_words.read_bend_file(bends, unit) if bends else bend_words.BendFile()
    sheet = material(metal or file.metal or DEFAULT)
    typed = thickness or file.thickness
    measured = said_thickness_mm(typed, units)
    thick, notices = stock_thickness_mm(measured, read, _gauge(gauge, sheet))
    said = dict(file.said)
    if traced is not None:
        said[ALL] = bend_words.merged(said.get(ALL, Said()), Said(traced=traced.value))
    for key, words in bend_words.bends_said(bend or [], unit).items():
        said[key] = bend_words.merged(said.get(key, Said()), words)
    bent_by, measured_k = _law(law.value if law else file.law, k, strip, thick, units)
    order = Order(
        stock=Stock(sheet, thick, bent_by),
        said=said,
        base=_face(base),
        edges=shaping_words.edge_work(trim or [], lap or [], holes or [], unit),
        beads=shaping_words.beads_said(bead or [], unit),
        relief=_style(relief),
        mitre_gap_mm=_gap(mitre, gap, units),
        side=side.value,
        kerf_mm=positive_mm(kerf, units, "--kerf"),
    )
    made, assumed = made_to(read, order)
    tight = too_tight(made.facts, sheet)
    done = _named(made, name, (*notices, *measured_k, *_already(read), *assumed, *tight))
    paths = drawings.paths(into, name)
    files = dict(zip(paths, drawings.rendered(done.pattern, unit, paper.value), strict=True))
    written = write_all(files, overwrite=overwrite)
    noticed = done.pattern.notices
    if as_json:
        out = show_blank.as_json(done, noticed, sheet) | {"files": [str(f) for f in written]}
        typer.echo(json.dumps(out, indent=2))
        return
    show_blank.table(done, noticed, sheet, unit)
    show_blank.files(written)


def _named(blank: Blank, name: str, notices: tuple[Notice, ...]) -> Blank:
    from dataclasses import replace

    pattern = blank.pattern
    noticed = tuple(dict.fromkeys((*pattern.notices, *notices)))
    return replace(blank, pattern=replace(pattern, name=name, notices=noticed))


def _already(read: Pattern) -> tuple[Notice, ...]:
    """Say so where a blank is developed once more."""
    from digitize.errors import Notice

    if not read.bends or any(bend.traced != "blank" for bend in read.bends):
        return ()
    text = (
        "the pattern is a blank already: it is kept as long as it is, whatever the law and radius"
    )
    return (Notice("blank-already", text),)


def _gauge(typed: str | None, sheet: Material) -> Gauge | None:
    from digitize.bending.gauges import SWG, Gauge

    if typed is None:
        return None
    number, _, series = typed.lower().partition(" ")
    if not number.isdigit() or series not in ("", SWG):
        raise typer.BadParameter(
            'write a number, as 18, or "18 swg" for the British wire gauge', param_hint="--gauge"
        )
    return Gauge(int(number), series or sheet.gauge_series)


def _style(relief: Relief) -> Style | None:
    match relief:
        case Relief.NONE:
            return None
        case Relief.ROUND:
            return "round"
        case Relief.SQUARE:
            return "square"


def _gap(mitre: bool, gap: str | None, units: Unit) -> float | None:
    if not mitre:
        if gap is not None:
            raise typer.BadParameter("a gap is left by --mitre only", param_hint="--gap")
        return None
    return positive_mm(gap, units, "--gap") or 0.0


def _law(
    name: str | None, k: float | None, strip: str | None, thick: float, units: Unit
) -> tuple[Law | None, tuple[Notice, ...]]:
    from digitize.bending.coupon import Coupon, k_from
    from digitize.bending.laws import Din6935, Faa, NeutralLine

    if sum(given is not None for given in (name, k, strip)) > 1:
        raise typer.BadParameter("say only one of --law, --k and --strip", param_hint="--law")
    if k is not None:
        return NeutralLine(k), ()
    if strip is not None:
        *lengths, angle = strip.split(",") if strip.count(",") == 4 else [*strip.split(","), "90"]
        if len(lengths) != 4 or not angle.strip().replace(".", "", 1).isdigit():
            raise typer.BadParameter(
                "give flat length, two legs and radius, as 100,51.1,51.1,1.5, and the angle if it "
                "is not 90",
                param_hint="--strip",
            )
        flat, leg_a, leg_b, radius = (positive_mm(t, units, "--strip") or 0.0 for t in lengths)
        found = k_from(Coupon(flat, leg_a, leg_b, thick, radius, float(angle)))
        return NeutralLine(found.k), (found.notice,)
    match name:
        case None | "handbook":  # each metal has its own row of the handbook
            return None, ()
        case "din6935":
            return Din6935(), ()
        case "faa":
            return Faa(), ()
        case _:
            raise typer.BadParameter(
                f"no law called {name!r}; choose handbook, din6935 or faa", param_hint="--law"
            )


def _face(name: str | None) -> int | None:
    if name is None:
        return None
    if not (name[:1] in "Ff" and name[1:].isdigit() and int(name[1:]) > 0):
        raise typer.BadParameter(f"{name!r} is no face; write F1, F2...", param_hint="--base")
    return int(name[1:]) - 1
