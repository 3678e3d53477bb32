"""The pattern as a versioned JSON text, checked field by field when it is read.

``dumps`` lays the text out so that a person can read it: one edge, circle, bend or mark
a line.  ``loads`` gives back exactly the pattern that was written, or raises
``DocumentError`` naming the field.  Reading and writing of files is somebody else's work.

An edge states only where it starts: it ends where the next one starts, so a contour is
closed by construction.  An edge with a ``bulge`` is an arc, one without is a line.
``shared/pattern.schema.json`` describes the same layout for other programs.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any, TypeVar, assert_never, get_args

from digitize.errors import DigitizeError, Exit, Notice
from digitize.pattern.budget import POWERS, Budget, Field, Part
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Evidence, Slot
from digitize.pattern.model import (
    BendLine,
    CameraFacts,
    Drawn,
    Pattern,
    PointMark,
    Precision,
    Provenance,
    ScribeKind,
    ScribeLine,
    Traced,
    TracedFrom,
)
from digitize.pattern.segments import Arc, Line, Point, Segment
from digitize.pattern.soundness import fault

FORMAT = "digitize pattern"
VERSION = 1

MOST_CHARACTERS = 50_000_000
MOST_EDGES = 200_000
FARTHEST_MM = 100_000.0  # a hundred metres; beyond it the text is not about sheet metal
_LINE = 100

T = TypeVar("T")


class DocumentError(DigitizeError):
    """A pattern document that cannot be read; the sentence names the field."""

    exit_code = Exit.PATTERN


def dumps(pattern: Pattern) -> str:
    """The JSON text of a pattern, ending in a newline.

    Raises ``DocumentError`` for a number that is not finite or text that is not Unicode,
    which ``loads`` would refuse.
    """
    document: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "unit": "mm",
        "name": pattern.name,
        "thickness_mm": pattern.thickness_mm,
        "outline": _closed_out(pattern.outline),
        "openings": [_closed_out(o) for o in pattern.openings],
        "bends": [
            _given(
                start_mm=list(b.start_mm),
                end_mm=list(b.end_mm),
                angle_deg=b.angle_deg,
                toward_face=b.toward_face,
                inside_radius_mm=b.inside_radius_mm,
                traced=b.traced,
                u_mm=b.u_mm,
                u_deg=b.u_deg,
                bead=b.bead,
            )
            for b in pattern.bends
        ],
        "marks": [_given(at_mm=list(m.at_mm), u_mm=m.u_mm) for m in pattern.marks],
    }
    if pattern.scribes:
        document["scribes"] = [
            {"start_mm": list(s.start_mm), "end_mm": list(s.end_mm), "kind": s.kind}
            for s in pattern.scribes
        ]
    if pattern.thickness_mm is None:
        del document["thickness_mm"]
    if pattern.drawn != Drawn():
        document["drawn"] = _drawn_out(pattern.drawn)
    if pattern.precision is not None:
        document["precision"] = _precision_out(pattern.precision)
    document["provenance"] = _provenance_out(pattern.provenance)
    document["notices"] = [
        {"code": n.code, "level": n.level, "text": n.text} for n in pattern.notices
    ]
    try:
        text = _layout(document, "") + "\n"
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise DocumentError(
            "the pattern holds text that is not valid Unicode", do="rename it"
        ) from None
    except ValueError:
        raise DocumentError(
            "the pattern holds a number that is not finite", do="trace the piece again"
        ) from None
    return text


def loads(text: str) -> Pattern:
    """The pattern written in ``text``.

    Raises ``DocumentError``: not JSON, another format or version, a missing, unknown or
    doubled key, a value of the wrong kind or range, an outline that crosses itself or runs
    clockwise, an opening outside the outline or over another one.
    """
    if len(text) > MOST_CHARACTERS:
        raise DocumentError(
            f"the pattern document has more than {MOST_CHARACTERS} characters",
            do="check that it is the right file",
        )
    try:
        value = json.loads(text, parse_constant=_no_constant, object_pairs_hook=_no_doubles)
    except RecursionError:
        raise DocumentError("the pattern document is nested too deeply") from None
    except json.JSONDecodeError as error:
        raise DocumentError(
            "the pattern document is not valid JSON",
            where=f"line {error.lineno}, column {error.colno}",
            do="check that it is a whole pattern file",
        ) from None
    except ValueError:
        raise DocumentError(
            "the pattern document holds a number with too many digits",
            do="check that it is a pattern file",
        ) from None
    pattern = _pattern_in(_Fields(value, ""))
    found = fault(pattern)
    if found is not None:
        raise DocumentError(found.what, where=found.where, do=found.do)
    return pattern


# ---------------------------------------------------------------- out


def _given(**fields: Any) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if value is not None}


def _knowledge_out(evidence: Evidence, u_mm: float | None) -> dict[str, Any]:
    return _given(evidence=evidence, u_mm=u_mm)


def _closed_out(closed: Closed) -> dict[str, Any]:
    match closed:
        case Contour():
            return {"kind": "contour", "edges": [_edge_out(e) for e in closed.edges]}
        case Circle():
            return {
                "kind": "circle",
                "centre_mm": list(closed.centre_mm),
                "radius_mm": closed.radius_mm,
                **_knowledge_out(closed.evidence, closed.u_mm),
            }
        case Slot():
            return {
                "kind": "slot",
                "start_mm": list(closed.start_mm),
                "end_mm": list(closed.end_mm),
                "radius_mm": closed.radius_mm,
                **_knowledge_out(closed.evidence, closed.u_mm),
            }
        case _:
            assert_never(closed)


def _edge_out(edge: Edge) -> dict[str, Any]:
    segment = edge.segment
    match segment:
        case Line():
            shape: dict[str, Any] = {"start_mm": list(segment.start_mm)}
        case Arc():
            shape = {"start_mm": list(segment.start_mm), "bulge": segment.bulge}
        case _:
            assert_never(segment)
    return {**shape, **_knowledge_out(edge.evidence, edge.u_mm)}


def _drawn_out(drawn: Drawn) -> dict[str, Any]:
    return _given(
        behind=drawn.behind or None,
        opposite_hand=drawn.opposite_hand or None,
        kerf_mm=drawn.kerf_mm,
    )


def _precision_out(precision: Precision) -> dict[str, Any]:
    budget = precision.budget
    short: dict[str, Any] = {"edge_u_mm": precision.edge_u_mm, "scale_u": precision.scale_u}
    if budget is None:
        return short
    parts = [
        {
            "cause": part.cause,
            "outward_mm": part.outward_mm,
            "each_mm": part.each_mm,
            "fields": [{"x_mm": list(f.x_mm), "y_mm": list(f.y_mm)} for f in part.fields],
        }
        for part in budget.parts
    ]
    return {
        **short,
        "budget": {
            "origin_mm": list(budget.origin_mm),
            "direction_rad": budget.direction_rad,
            "size_mm": budget.size_mm,
            "parts": parts,
        },
    }


def _provenance_out(p: Provenance) -> dict[str, Any]:
    camera = p.camera
    return _given(
        made_by=p.made_by,
        photo_name=p.photo_name,
        photo_sha256=p.photo_sha256,
        photo_size_px=None if p.photo_size_px is None else list(p.photo_size_px),
        target=p.target,
        print_scale=None if p.print_scale is None else list(p.print_scale),
        print_measured=p.print_measured,
        mode=p.mode,
        camera=None
        if camera is None
        else {
            "focal_px": camera.focal_px,
            "principal_px": list(camera.principal_px),
            "k1": camera.k1,
            "k2": camera.k2,
            "tilt_deg": camera.tilt_deg,
            "height_mm": camera.height_mm,
            "foot_mm": list(camera.foot_mm),
            "residual_rms_px": camera.residual_rms_px,
            "corners_used": camera.corners_used,
            "corners_rejected": camera.corners_rejected,
        },
    )


def _layout(value: Any, indent: str) -> str:
    """JSON with whatever fits a line on one line."""
    flat = json.dumps(value, ensure_ascii=False, allow_nan=False)
    nested = isinstance(value, dict) and any(isinstance(v, dict) for v in value.values())
    if (
        not isinstance(value, dict | list)
        or not value
        or (len(indent) + len(flat) <= _LINE and not nested and indent)
    ):
        return flat
    deeper = indent + "  "
    if isinstance(value, dict):
        rows = [
            f"{deeper}{json.dumps(k, ensure_ascii=False)}: {_layout(v, deeper)}"
            for k, v in value.items()
        ]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    return "[\n" + ",\n".join(deeper + _layout(v, deeper) for v in value) + f"\n{indent}]"


# ---------------------------------------------------------------- in


def _no_constant(name: str) -> float:
    raise DocumentError(
        f"the pattern document holds {name}, which is no number", do="replace it by a number"
    )


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        keys = [k for k, _ in pairs]
        twice = next(k for k in keys if keys.count(k) > 1)
        raise DocumentError(
            f"the key {_short(twice)} stands twice in the same place", do="remove one of them"
        )
    return fields


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=True)
    return text if len(text) <= 40 else text[:37] + "..."


class _Fields:
    """The fields of one JSON object; knows its path and which keys were asked for."""

    def __init__(self, value: Any, path: str) -> None:
        if not isinstance(value, dict):
            raise DocumentError(f"{path or 'the pattern document'} must be an object")
        self._value, self._path, self._asked = value, path, set[str]()

    def path(self, key: str) -> str:
        return f"{self._path}.{key}" if self._path else key

    def has(self, key: str) -> bool:
        self._asked.add(key)
        return key in self._value

    def raw(self, key: str) -> Any:
        if not self.has(key):
            raise DocumentError(f"{self.path(key)} is missing")
        return self._value[key]

    def maybe(self, key: str, read: Callable[[str], T]) -> T | None:
        return read(key) if self.has(key) else None

    def done(self) -> None:
        for key in self._value:
            if key not in self._asked:
                name = key if len(key) <= 40 else key[:37] + "..."
                raise DocumentError(
                    f"{self.path(name)} is not a known field",
                    do="remove it or correct its spelling",
                )

    def number(
        self,
        key: str,
        *,
        least: float = -FARTHEST_MM,
        above: float | None = None,
        most: float = FARTHEST_MM,
    ) -> float:
        return _number(self.raw(key), self.path(key), least=least, above=above, most=most)

    def count(self, key: str) -> int:
        return _count(self.raw(key), self.path(key))

    def point(self, key: str) -> Point:
        x, y = _pair(self.raw(key), self.path(key))
        path = self.path(key)
        return _number(x, path + "[0]"), _number(y, path + "[1]")

    def pair(self, key: str, read: Callable[[Any, str], T]) -> tuple[T, T]:
        a, b = _pair(self.raw(key), self.path(key))
        return read(a, self.path(key) + "[0]"), read(b, self.path(key) + "[1]")

    def yes(self, key: str) -> bool:
        value = self.raw(key)
        if not isinstance(value, bool):
            raise DocumentError(f"{self.path(key)} must be true or false, not {_short(value)}")
        return value

    def text(self, key: str, most: int = 2000) -> str:
        value = self.raw(key)
        if not isinstance(value, str) or len(value) > most:
            raise DocumentError(f"{self.path(key)} must be text of at most {most} characters")
        return value

    def word(self, key: str, words: tuple[str, ...]) -> str:
        value = self.raw(key)
        if value not in words or not isinstance(value, str):
            listed = ", ".join(words[:-1]) + " or " + words[-1]
            raise DocumentError(f"{self.path(key)} must be {listed}, not {_short(value)}")
        return value

    def items(self, key: str, most: int = MOST_EDGES) -> list[_Fields]:
        value = self.raw(key)
        if not isinstance(value, list):
            raise DocumentError(f"{self.path(key)} must be a list")
        if len(value) > most:
            raise DocumentError(f"{self.path(key)} has more than {most} entries")
        return [_Fields(v, f"{self.path(key)}[{i}]") for i, v in enumerate(value)]


def _number(
    value: Any,
    path: str,
    *,
    least: float = -FARTHEST_MM,
    above: float | None = None,
    most: float = FARTHEST_MM,
) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DocumentError(f"{path} must be a finite number, not {_short(value)}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise DocumentError(f"{path} must be a finite number")
    if above is not None and not number > above:
        raise DocumentError(f"{path} must be more than {above:g}, not {number:g}")
    if not least <= number <= most:
        raise DocumentError(f"{path} must lie between {least:g} and {most:g}, not at {number:g}")
    return number


def _count(value: Any, path: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**31:
        raise DocumentError(f"{path} must be a whole number from 0, not {_short(value)}")
    return value


def _pair(value: Any, path: str) -> tuple[Any, Any]:
    if not isinstance(value, list) or len(value) != 2:
        raise DocumentError(f"{path} must be a list of two numbers")
    return value[0], value[1]


def _pattern_in(f: _Fields) -> Pattern:
    if not f.has("format") or f.raw("format") != FORMAT:
        raise DocumentError(
            f'the document does not say "format": "{FORMAT}"', do="check that it is a pattern file"
        )
    version = f.raw("version")
    if isinstance(version, bool) or version != VERSION:
        newer = isinstance(version, int) and version > VERSION
        raise DocumentError(
            f"version {_short(version)} of the pattern document is unknown, only {VERSION} is read",
            do="update this program" if newer else "check the file",
        )
    if f.raw("unit") != "mm":
        raise DocumentError(f'unit must be "mm", not {_short(f.raw("unit"))}')
    pattern = Pattern(
        name=f.text("name", 200),
        outline=_closed_in(f, "outline"),
        openings=tuple(_closed_of(o) for o in f.items("openings")),
        bends=tuple(_bend_in(b) for b in f.items("bends")),
        marks=tuple(_mark_in(m) for m in f.items("marks")),
        scribes=tuple(_scribe_in(s) for s in f.items("scribes")) if f.has("scribes") else (),
        thickness_mm=f.maybe("thickness_mm", lambda k: f.number(k, above=0.0)),
        precision=_precision_in(_Fields(f.raw("precision"), "precision"))
        if f.has("precision")
        else None,
        provenance=_provenance_in(_Fields(f.raw("provenance"), "provenance")),
        notices=tuple(_notice_in(n) for n in f.items("notices")),
        drawn=_drawn_in(_Fields(f.raw("drawn"), "drawn")) if f.has("drawn") else Drawn(),
    )
    f.done()
    return pattern


def _evidence_in(f: _Fields) -> Evidence:
    word = f.word("evidence", get_args(Evidence))
    evidence: Evidence = word  # type: ignore[assignment]
    return evidence


def _u_in(f: _Fields, key: str = "u_mm") -> float | None:
    return f.maybe(key, lambda k: f.number(k, least=0.0))


def _closed_in(f: _Fields, key: str) -> Closed:
    return _closed_of(_Fields(f.raw(key), f.path(key)))


def _closed_of(f: _Fields) -> Closed:
    kind = f.word("kind", ("contour", "circle", "slot"))
    closed: Closed
    if kind == "contour":
        closed = _contour_in(f)
    elif kind == "circle":
        closed = Circle(
            f.point("centre_mm"), f.number("radius_mm", above=0.0), _evidence_in(f), _u_in(f)
        )
    else:
        start, end = _two_ends(f)
        closed = Slot(start, end, f.number("radius_mm", above=0.0), _evidence_in(f), _u_in(f))
    f.done()
    return closed


def _contour_in(f: _Fields) -> Contour:
    rows = f.items("edges")
    if len(rows) < 2:
        raise DocumentError(f"{f.path('edges')} needs at least two entries")
    starts = [row.point("start_mm") for row in rows]
    edges = []
    for row, start, end in zip(rows, starts, (*starts[1:], starts[0]), strict=True):
        if start == end:
            raise DocumentError(f"{row.path('start_mm')} is also where the edge ends")
        segment: Segment = Line(start, end)
        if row.has("bulge"):
            bulge = row.number("bulge")
            if bulge == 0.0:
                raise DocumentError(
                    f"{row.path('bulge')} must not be zero", do="leave it out for a straight edge"
                )
            segment = Arc(start, end, bulge)
            if not segment.radius_mm <= 1e9:
                raise DocumentError(
                    f"{row.path('bulge')} is too small for an arc", do="leave it out"
                )
        edges.append(Edge(segment, _evidence_in(row), _u_in(row)))
        row.done()
    return Contour(tuple(edges))


def _two_ends(f: _Fields) -> tuple[Point, Point]:
    start, end = f.point("start_mm"), f.point("end_mm")
    if start == end:
        raise DocumentError(f"{f.path('end_mm')} must differ from start_mm")
    return start, end


def _bend_in(f: _Fields) -> BendLine:
    start, end = _two_ends(f)
    word = f.word("traced", get_args(Traced)) if f.has("traced") else None
    traced: Traced | None = word  # type: ignore[assignment]
    bend = BendLine(
        start_mm=start,
        end_mm=end,
        angle_deg=f.maybe("angle_deg", lambda k: f.number(k, least=0.0, most=180.0)),
        toward_face=f.maybe("toward_face", f.yes),
        inside_radius_mm=f.maybe("inside_radius_mm", lambda k: f.number(k, least=0.0)),
        traced=traced,
        u_mm=_u_in(f),
        u_deg=_u_in(f, "u_deg"),
        bead=f.maybe("bead", lambda k: f.text(k, 100)),
    )
    f.done()
    return bend


def _mark_in(f: _Fields) -> PointMark:
    mark = PointMark(f.point("at_mm"), _u_in(f))
    f.done()
    return mark


def _scribe_in(f: _Fields) -> ScribeLine:
    start, end = _two_ends(f)
    word = f.word("kind", get_args(ScribeKind))
    kind: ScribeKind = word  # type: ignore[assignment]
    f.done()
    return ScribeLine(start, end, kind)


def _drawn_in(f: _Fields) -> Drawn:
    drawn = Drawn(
        behind=f.maybe("behind", f.yes) or False,
        opposite_hand=f.maybe("opposite_hand", f.yes) or False,
        kerf_mm=f.maybe("kerf_mm", lambda k: f.number(k, above=0.0)),
    )
    f.done()
    return drawn


def _precision_in(f: _Fields) -> Precision:
    precision = Precision(
        f.number("edge_u_mm", least=0.0),
        f.number("scale_u", least=0.0, most=1.0),
        _budget_in(_Fields(f.raw("budget"), f.path("budget"))) if f.has("budget") else None,
    )
    f.done()
    return precision


def _budget_in(f: _Fields) -> Budget:
    budget = Budget(
        f.point("origin_mm"),
        f.number("direction_rad"),
        f.number("size_mm", above=0.0),
        tuple(_part_in(part) for part in f.items("parts", 100)),
    )
    f.done()
    return budget


def _part_in(f: _Fields) -> Part:
    part = Part(
        f.text("cause", 100),
        tuple(_field_in(field) for field in f.items("fields", 100)),
        f.number("outward_mm", least=0.0),
        f.number("each_mm", least=0.0),
    )
    f.done()
    return part


def _field_in(f: _Fields) -> Field:
    field = Field(_coefficients(f, "x_mm"), _coefficients(f, "y_mm"))
    f.done()
    return field


def _coefficients(f: _Fields, key: str) -> tuple[float, ...]:
    values, path = f.raw(key), f.path(key)
    if not isinstance(values, list) or len(values) != len(POWERS):
        raise DocumentError(f"{path} must be a list of {len(POWERS)} numbers")
    return tuple(_number(v, f"{path}[{i}]") for i, v in enumerate(values))


def _provenance_in(f: _Fields) -> Provenance:
    word = f.word("mode", get_args(TracedFrom)) if f.has("mode") else None
    mode: TracedFrom | None = word  # type: ignore[assignment]
    provenance = Provenance(
        made_by=f.text("made_by"),
        photo_name=f.maybe("photo_name", f.text),
        photo_sha256=f.maybe("photo_sha256", f.text),
        photo_size_px=f.maybe("photo_size_px", lambda k: f.pair(k, _count)),
        target=f.maybe("target", f.text),
        print_scale=f.maybe("print_scale", lambda k: f.pair(k, _number)),
        print_measured=f.yes("print_measured"),
        mode=mode,
        camera=_camera_in(_Fields(f.raw("camera"), f.path("camera"))) if f.has("camera") else None,
    )
    f.done()
    return provenance


def _camera_in(f: _Fields) -> CameraFacts:
    far = 1e9
    facts = CameraFacts(
        focal_px=f.number("focal_px", above=0.0, most=far),
        principal_px=f.point("principal_px"),
        k1=f.number("k1"),
        k2=f.number("k2"),
        tilt_deg=f.number("tilt_deg", least=0.0, most=90.0),
        height_mm=f.number("height_mm", least=0.0, most=far),
        foot_mm=f.point("foot_mm"),
        residual_rms_px=f.number("residual_rms_px", least=0.0),
        corners_used=f.count("corners_used"),
        corners_rejected=f.count("corners_rejected"),
    )
    f.done()
    return facts


def _notice_in(f: _Fields) -> Notice:
    level = f.word("level", ("note", "doubt"))
    notice = Notice(f.text("code"), f.text("text"), "doubt" if level == "doubt" else "note")
    f.done()
    return notice
