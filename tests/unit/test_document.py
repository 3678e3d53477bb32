"""The pattern document: its layout, and one sentence for every way it can be wrong."""

import json
import math
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from digitize.pattern.contour import Circle, Contour, Edge, Slot
from digitize.pattern.document import MOST_CHARACTERS, DocumentError, dumps, loads
from digitize.pattern.model import BendLine, Drawn, Pattern, PointMark, Precision
from digitize.pattern.segments import Arc, Line

OUTLINE = Contour(
    (
        Edge(Line((0.0, 0.0), (200.1, 0.0)), "measured", 0.03),
        Edge(Arc((200.1, 0.0), (200.0, 100.0), 0.1), "restored"),
        Edge(Line((200.0, 100.0), (0.0, 100.0)), "bridged"),
        Edge(Line((0.0, 100.0), (0.0, 0.0))),
    )
)
PLATE = Pattern(
    "stern plate",
    OUTLINE,
    openings=(Circle((60.0, 30.0), 4.05), Slot((140.0, 20.0), (160.0, 20.0), 3.0)),
    bends=(BendLine((20.0, 0.0), (20.0, 100.0), u_mm=0.05),),
    marks=(PointMark((100.0, 50.0)),),
    thickness_mm=1.2,
    precision=Precision(0.05, 0.0003),
)


def changed(*path_and_value):
    """The plate's document with the value at a path replaced, or removed for ``...``."""
    document = json.loads(dumps(PLATE))
    *path, last, value = path_and_value
    holder = document
    for key in path:
        holder = holder[key]
    if value is ...:
        del holder[last]
    else:
        holder[last] = value
    return json.dumps(document)


SCHEMA = jsonschema.Draft202012Validator(
    json.loads((Path(__file__).parents[2] / "shared" / "pattern.schema.json").read_text("utf-8"))
)


def test_the_schema_is_one_and_takes_what_is_written():
    SCHEMA.check_schema(SCHEMA.schema)
    SCHEMA.validate(json.loads(dumps(PLATE)))
    SCHEMA.validate(json.loads(dumps(Pattern("disc", Circle((0.0, 0.0), 50.0)))))
    rolled = replace(PLATE.bends[0], angle_deg=0.0, bead="arc 20 x 4 mm, held")
    turned = replace(
        PLATE, bends=(rolled,), drawn=Drawn(behind=True, opposite_hand=True, kerf_mm=0.2)
    )
    SCHEMA.validate(json.loads(dumps(turned)))
    assert loads(dumps(turned)) == turned


@pytest.mark.parametrize(
    "path_and_value",
    [
        ("version", 2),
        ("version", ...),
        ("unit", "in"),
        ("name", 3),
        ("colour", "red"),
        ("outline", "kind", "blob"),
        ("outline", "edges", [{}]),
        ("outline", "edges", 1, "bulge", "x"),
        ("outline", "edges", 1, "bulge", 0),
        ("outline", "edges", 1, "size", 0),
        ("outline", "edges", 1, "evidence", "seen"),
        ("outline", "edges", 1, "start_mm", [0]),
        ("outline", "edges", 1, "start_mm", [0, 1e6]),
        ("outline", "edges", 1, "u_mm", -1),
        ("openings", 0, "radius_mm", 0),
        ("openings", 1, "end_mm", ...),
        ("bends", 0, "angle_deg", 270),
        ("bends", 0, "toward_face", 1),
        ("marks", 0, 5),
        ("precision", "scale_u", ...),
        ("thickness_mm", -1),
        ("provenance", "mode", "magic"),
        ("notices", [{"code": 1}]),
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(path_and_value):
    text = changed(*path_and_value)
    with pytest.raises(DocumentError):
        loads(text)
    assert not SCHEMA.is_valid(json.loads(text))


def test_one_edge_stands_on_one_line_and_ends_where_the_next_starts():
    text = dumps(PLATE)
    assert '      {"start_mm": [200.1, 0.0], "bulge": 0.1, "evidence": "restored"},\n' in text
    assert '{"kind": "circle", "centre_mm": [60.0, 30.0], "radius_mm": 4.05, ' in text
    assert text.endswith("}\n")
    assert loads(text) == PLATE


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "the pattern document is not valid JSON (line 1, column 1)"),
        ("[]", "the pattern document must be an object."),
        ("{}", 'the document does not say "format": "digitize pattern"'),
        ('{"format": 1, "format": 1}', 'the key "format" stands twice'),
        ("[" * 200_000, "the pattern document is nested too deeply."),
        ("1" * 5000, "a number with too many digits"),
        (" " * (MOST_CHARACTERS + 1), "has more than"),
        (
            changed("version", 2),
            "version 2 of the pattern document is unknown, only 1 is read: upd",
        ),
        (changed("version", True), "version true of the pattern document is unknown"),
        (changed("version", ...), "version is missing."),
        (changed("unit", "in"), 'unit must be "mm", not "in".'),
        (changed("name", 3), "name must be text of at most 200 characters."),
        (changed("colour", "red"), "colour is not a known field: remove it or correct its"),
        (changed("outline", "kind", "blob"), "outline.kind must be contour, circle or slot, not"),
        (changed("outline", "edges", 3), "outline.edges must be a list."),
        (changed("outline", "edges", [{}]), "outline.edges needs at least two entries."),
        (changed("outline", "edges", 1, "bulge", "x"), "outline.edges[1].bulge must be a finite"),
        (changed("outline", "edges", 1, "bulge", True), "outline.edges[1].bulge must be a finite"),
        (changed("outline", "edges", 1, "bulge", math.nan), "holds NaN, which is no number"),
        (changed("outline", "edges", 1, "bulge", -math.inf), "holds -Infinity"),
        (changed("outline", "edges", 1, "bulge", 10**400), "edges[1].bulge must be a finite num"),
        (changed("outline", "edges", 1, "bulge", 0), "edges[1].bulge must not be zero: leave it"),
        (changed("outline", "edges", 1, "bulge", 1e-9), "edges[1].bulge is too small for an arc"),
        (changed("outline", "edges", 1, "size", 0), "outline.edges[1].size is not a known field"),
        (changed("outline", "edges", 1, "evidence", "seen"), "outline.edges[1].evidence must be"),
        (changed("outline", "edges", 1, "start_mm", [0, 0]), "edges[0].start_mm is also where"),
        (changed("outline", "edges", 1, "start_mm", [0]), "start_mm must be a list of two numbers"),
        (changed("outline", "edges", 1, "start_mm", [0, 1e6]), "start_mm[1] must lie between"),
        (changed("outline", "edges", 1, "u_mm", -1), "outline.edges[1].u_mm must lie between 0"),
        (changed("openings", 0, "radius_mm", 0), "openings[0].radius_mm must be more than 0, not"),
        (changed("openings", 1, "end_mm", [140, 20]), "openings[1].end_mm must differ from start"),
        (changed("bends", 0, "end_mm", [20, 0]), "bends[0].end_mm must differ from start_mm"),
        (changed("bends", 0, "angle_deg", 270), "bends[0].angle_deg must lie between 0 and 180"),
        (changed("bends", 0, "toward_face", 1), "bends[0].toward_face must be true or false, not"),
        (changed("bends", 0, "start_mm", [None, 0]), "bends[0].start_mm[0] must be a finite numb"),
        (changed("marks", 0, 5), "marks[0] must be an object."),
        (changed("precision", "scale_u", ...), "precision.scale_u is missing."),
        (changed("thickness_mm", -1), "thickness_mm must be more than 0, not -1."),
        (changed("provenance", "made_by", ...), "provenance.made_by is missing."),
        (changed("provenance", "mode", "magic"), "provenance.mode must be ink, silhouette or op"),
        (changed("provenance", "photo_size_px", [1.5, 2]), "photo_size_px[0] must be a whole numb"),
        (changed("notices", [{"code": 1}]), "notices[0].level is missing."),
    ],
)
def test_each_fault_gets_a_sentence_naming_the_field(text, sentence):
    with pytest.raises(DocumentError) as caught:
        loads(text)
    assert sentence in str(caught.value)
    assert str(caught.value).endswith(".")


def crossing():
    at = [(0, 0), (100, 0), (0, 50), (100, 50.0)]
    return [{"start_mm": list(p), "evidence": "measured"} for p in at]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (changed("outline", "edges", crossing()), "outline crosses itself (near 50.00, 25.00 mm)."),
        (
            changed("outline", "edges", [crossing()[i] for i in (2, 1, 0)]),
            "outline runs clockwise: list its edges the other way round.",
        ),
        (
            changed("outline", "edges", [crossing()[i] for i in (0, 1)]),
            "outline encloses no area.",
        ),
        (changed("openings", 0, "centre_mm", [0, 30]), "openings[0] reaches outside the outline"),
        (changed("openings", 0, "centre_mm", [140, 24]), "openings[1] overlaps openings[0] (near"),
        (changed("openings", 0, "radius_mm", 29.999), None),
        (changed("openings", 0, "radius_mm", 30.0), None),
        (changed("openings", 0, "radius_mm", 30.2), "openings[0] reaches outside the outline"),
    ],
)
def test_a_pattern_that_could_not_be_cut_is_refused(text, sentence):
    if sentence is None:
        loads(text)
        return
    with pytest.raises(DocumentError) as caught:
        loads(text)
    assert sentence in str(caught.value)


def test_numbers_that_are_not_finite_are_not_written():
    bad = Pattern("x", OUTLINE, thickness_mm=math.nan)
    with pytest.raises(DocumentError, match="holds a number that is not finite"):
        dumps(bad)


def test_text_that_is_not_unicode_is_not_written():
    with pytest.raises(DocumentError, match="not valid Unicode"):
        dumps(Pattern("\ud800", OUTLINE))


def test_whole_numbers_in_a_hand_written_document_are_read_as_lengths():
    text = changed("openings", 0, "centre_mm", [60, 30])
    assert loads(text).openings[0] == PLATE.openings[0]


def test_the_recursion_limit_is_left_alone():
    before = sys.getrecursionlimit()
    with pytest.raises(DocumentError):
        loads('{"a":' * 100_000)
    assert sys.getrecursionlimit() == before
