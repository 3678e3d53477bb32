"""A paper template before it is drawn: options, the pages it takes, and what its foot says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import shapely
from shapely.geometry.base import BaseGeometry

from digitize.errors import DigitizeError, Exit
from digitize.files.lettering import BOLD, broken, shortened, width
from digitize.files.notes import every_doubt, limit_line, note_lines
from digitize.files.paper.fold_marks import FoldMark, fold_marks
from digitize.files.paper.key import KeyRow, key_height_mm, key_rows
from digitize.files.paper.offcut import Offcut
from digitize.files.paper.page import CHECK_BAR_MM, HEAD_MM, LEADING_MM, SMALL_MM, TEXT_MM
from digitize.files.paper.seams import lay_marks
from digitize.files.paper.tiling import FOOT_MM, PAPERS_MM, Orientation, Tiling, tile
from digitize.files.units import Unit, check_length_mm
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.pattern.segments import Point

FOOT_AIR_MM = 3.4  # between the pattern's window and the line over the foot
FEWEST_FOOT_LINES, MOST_FOOT_LINES = 3, 9


class BadPaper(DigitizeError):
    """The paper or overlap asked for is not one that can be printed on."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class PaperOptions:
    """How the paper pattern is laid out.

    ``orientation`` None picks whichever needs fewer pages.  ``turn`` lets the part be
    turned on the paper where that saves pages.  ``print_scale`` is printed size over
    nominal size across the paper's short side and along its long one: a printer known to
    be untrue is then allowed for.
    """

    paper: str = "A4"
    orientation: Orientation | None = None
    overlap_mm: float = 12.0
    unit: Unit = "mm"
    turn: bool = False
    print_scale: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class Template:
    """A pattern as it lies on its pages."""

    pattern: Pattern  # turned
    turn_deg: int
    tiling: Tiling
    options: PaperOptions
    offcuts: tuple[Offcut, ...]

    @property
    def unit(self) -> Unit:
        """What lengths are written in."""
        return self.options.unit

    @property
    def printed(self) -> tuple[float, float]:
        """What the printer makes of 1 mm to the right and up on the page as it is turned."""
        across, along = self.options.print_scale
        return (across, along) if self.tiling.orientation == "portrait" else (along, across)

    @property
    def several(self) -> bool:
        """Whether pages are to be taped together."""
        return len(self.tiling.pages) > 1

    @property
    def has_cover(self) -> bool:
        """Whether it takes a page to say how they go together."""
        return self.tiling.rows * self.tiling.columns > 6

    @cached_property
    def name(self) -> str:
        """The pattern's name in one line."""
        return note_lines(self.pattern, self.unit)[0]

    @cached_property
    def sheet_line(self) -> str:
        """Thickness, and which face is seen."""
        return note_lines(self.pattern, self.unit)[1]

    @cached_property
    def marks(self) -> tuple[FoldMark, ...]:
        """Bend lines in their order, then the other lines to mark."""
        return fold_marks(self.pattern)

    @cached_property
    def key(self) -> tuple[KeyRow, ...]:
        """The lines that are drawn, and what each means."""
        return key_rows(self.pattern, self.marks, trim=bool(self.offcuts))

    @cached_property
    def lines(self) -> BaseGeometry:
        """Every line of the part, for keeping other things clear of it."""
        rings = [
            shapely.LinearRing(closed.points_mm(0.05))
            for closed in (self.pattern.outline, *self.pattern.openings)
        ]
        folds = [shapely.LineString((m.start_mm, m.end_mm)) for m in self.marks]
        points = [shapely.Point(m.at_mm).buffer(3.0) for m in self.pattern.marks]
        present = [shapely.LineString(piece) for o in self.offcuts for piece in o.apart_mm]
        whole: BaseGeometry = shapely.union_all([*rings, *folds, *points, *present])
        return whole

    @cached_property
    def lay_marks(self) -> list[Point]:
        """Where all lay marks go."""
        return lay_marks(self.tiling, self.lines)

    @property
    def scale_line(self) -> str:
        """The scale, and what was done to the part and the page to get it."""
        return _scale_line(self.options, self.turn_deg)

    @property
    def foot_lines(self) -> list[str]:
        """What the foot of every page says, as far as there is room."""
        most = _lines_in(self.tiling.foot_mm, self.name, self.unit)
        return _fitted(_sentences(self.pattern, self.options, self.turn_deg), most, self.unit)


def laid_out(pattern: Pattern, options: PaperOptions, offcuts: Sequence[Offcut] = ()) -> Template:
    """The template on the fewest pages; a part with offcuts is not turned.

    Raises BadPaper for unknown paper and TooManyPages for an absurd heap of it.
    """
    paper = _paper_mm(options)
    turns = range(0, 180, 5) if options.turn and not offcuts else range(1)
    beyond = [piece for offcut in offcuts for piece in offcut.apart_mm]
    best: tuple[int, Pattern, Tiling] | None = None
    for foot_mm in _feet_mm(pattern, options, offcuts):
        for turn_deg in turns:
            turned = placed(pattern, math.radians(turn_deg)) if turn_deg else pattern
            tiling = tile(
                turned, paper, options.overlap_mm, options.orientation, beyond, foot_mm=foot_mm
            )
            if best is None or len(tiling.pages) < len(best[2].pages):
                best = turn_deg, turned, tiling
    assert best is not None
    turn_deg, turned, tiling = best
    return Template(turned, turn_deg, tiling, options, tuple(offcuts))


def _paper_mm(options: PaperOptions) -> tuple[float, float]:
    """The paper as printed: laying out on that, and shrinking or stretching the page once,
    keeps every length on it true."""
    if options.paper not in PAPERS_MM:
        raise BadPaper(
            f"no paper called {options.paper!r}", do="choose one of " + ", ".join(PAPERS_MM)
        )
    if not 5.0 <= options.overlap_mm <= 40.0:
        raise BadPaper(f"pages cannot overlap by {options.overlap_mm:g} mm", do="choose 5 to 40 mm")
    across, along = options.print_scale
    if not (0.9 <= across <= 1.1 and 0.9 <= along <= 1.1):
        raise BadPaper(
            f"a printer that prints {across:g} by {along:g} of the true size scales the page",
            do="print at 100 % and measure the bars again",
        )
    short, long = PAPERS_MM[options.paper]
    return short * across, long * along


# The foot of a page


def foot_room_mm(unit: Unit) -> float:
    """Width of the foot's words: that of the check bar under them."""
    return check_length_mm(unit) + 3.0


def title_lines(name: str, unit: Unit) -> tuple[list[str], float]:
    """The name in one large line, or else in no more than two small ones."""
    room = foot_room_mm(unit)
    if width(name, HEAD_MM, BOLD) <= room:
        return [name], HEAD_MM
    first, *rest = broken(name, TEXT_MM, room, BOLD)
    return [first, *([shortened(" ".join(rest), TEXT_MM, room, BOLD)] if rest else [])], TEXT_MM


def _feet_mm(
    pattern: Pattern, options: PaperOptions, offcuts: Sequence[Offcut]
) -> tuple[float, ...]:
    """Heights of the foot to try: one that holds every word, and one that holds the key."""
    widest_turn = 175 if options.turn else 0
    lines = _broken(_sentences(pattern, options, widest_turn), options.unit)
    name = note_lines(pattern, options.unit)[0]
    whole = _foot_mm(min(len(lines), MOST_FOOT_LINES), name, options.unit)
    rows = key_rows(pattern, fold_marks(pattern), trim=bool(offcuts))
    few = _foot_mm(min(len(lines), FEWEST_FOOT_LINES), name, options.unit)
    least = max(FOOT_MM, key_height_mm(rows) + FOOT_AIR_MM, few)
    return tuple(dict.fromkeys((max(whole, least), least)))


def _foot_mm(lines: int, name: str, unit: Unit) -> float:
    titles, size = title_lines(name, unit)
    words = len(titles) * (size + LEADING_MM) + lines * (SMALL_MM + LEADING_MM)
    return FOOT_AIR_MM + 0.6 + words + 1.0 + CHECK_BAR_MM


def _lines_in(foot_mm: float, name: str, unit: Unit) -> int:
    """Lines of small type that a foot has room for."""
    return int((foot_mm - _foot_mm(0, name, unit)) / (SMALL_MM + LEADING_MM) + 1e-6)


def _sentences(pattern: Pattern, options: PaperOptions, turn_deg: int) -> list[str]:
    """What is worth saying, the weightiest first."""
    _, sheet, precision, *_ = note_lines(pattern, options.unit)
    limit = limit_line(pattern, options.unit)
    return [
        f"{sheet}; {precision}",
        _scale_line(options, turn_deg),
        *every_doubt(pattern),
        *([limit] if limit else []),
    ]


def _scale_line(options: PaperOptions, turn_deg: int) -> str:
    line = "scale 1:1" + (f", part turned {turn_deg}°" if turn_deg else "")
    across, along = options.print_scale
    if (across, along) == (1.0, 1.0):
        return line
    return f"{line}, for a printer that prints {across:.4f} across and {along:.4f} along"


def _broken(sentences: Sequence[str], unit: Unit) -> list[str]:
    return [line for s in sentences for line in broken(s, SMALL_MM, foot_room_mm(unit))]


def _fitted(sentences: Sequence[str], most: int, unit: Unit) -> list[str]:
    """Whole sentences as far as there is room, and how many there was none for."""
    lines = _broken(sentences, unit)
    if len(lines) <= most:
        return lines
    for kept in range(len(sentences) - 1, -1, -1):
        left = len(sentences) - kept
        rest = f"{left} more {'note is' if left == 1 else 'notes are'} kept with the pattern"
        lines = [*_broken(sentences[:kept], unit), rest]
        if len(lines) <= most:
            return lines
    return []
