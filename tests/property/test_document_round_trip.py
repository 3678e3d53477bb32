"""Whatever pattern is written, exactly that pattern is read."""

import contextlib
import json
import math
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitize.errors import Notice
from digitize.pattern.budget import POWERS, Budget, Field, Part
from digitize.pattern.contour import Circle, Contour, Edge, Slot
from digitize.pattern.document import DocumentError, dumps, loads
from digitize.pattern.model import (
    BendLine,
    CameraFacts,
    Drawn,
    Pattern,
    PointMark,
    Precision,
    Provenance,
    ScribeLine,
)
from digitize.pattern.segments import Arc, Line

SCHEMA = jsonschema.Draft202012Validator(
    json.loads((Path(__file__).parents[2] / "shared" / "pattern.schema.json").read_text("utf-8"))
)


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


def maybe(strategy):
    return st.none() | strategy


points = st.tuples(numbers(-2000, 2000), numbers(-2000, 2000))
evidence = st.sampled_from(["measured", "restored", "bridged"])
u = maybe(numbers(0, 5))
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)

coefficients = st.lists(numbers(-1, 1), min_size=len(POWERS), max_size=len(POWERS)).map(tuple)
fields = st.lists(st.builds(Field, coefficients, coefficients), max_size=2).map(tuple)
parts = st.lists(st.builds(Part, texts, fields, numbers(0, 2), numbers(0, 2)), max_size=3)
budgets = st.builds(Budget, points, numbers(-4, 4), numbers(1, 500), parts.map(tuple))


@st.composite
def outlines(draw):
    """A star-shaped outline whose arcs are too flat to reach each other."""
    n = draw(st.integers(3, 12))
    radii = draw(st.lists(numbers(60, 300), min_size=n, max_size=n))
    cx, cy = draw(points)
    vertices = [
        (cx + r * math.cos(math.tau * k / n), cy + r * math.sin(math.tau * k / n))
        for k, r in enumerate(radii)
    ]
    edges = []
    for a, b in zip(vertices, vertices[1:] + vertices[:1], strict=True):
        bulge = draw(st.just(0.0) | numbers(1e-6, 0.02) | numbers(-0.02, -1e-6))
        segment = Line(a, b) if bulge == 0.0 else Arc(a, b, bulge)
        edges.append(Edge(segment, draw(evidence), draw(u)))
    return (cx, cy), Contour(tuple(edges))


@st.composite
def patterns(draw):
    (cx, cy), outline = draw(outlines())
    inner = 60 * math.cos(math.pi / 3) * 0.5  # safely inside any outline drawn above
    openings = []
    if draw(st.booleans()):
        openings.append(Circle((cx - inner / 2, cy), draw(numbers(0.01, 4)), draw(evidence)))
    if draw(st.booleans()):
        at = (cx + 5, cy)
        openings.append(Slot(at, (cx + 8, cy + 1), draw(numbers(0.01, 1)), "measured", draw(u)))
    bend = st.builds(
        BendLine,
        start_mm=points,
        end_mm=points,
        angle_deg=maybe(numbers(0, 180)),
        toward_face=maybe(st.booleans()),
        inside_radius_mm=maybe(numbers(0, 50)),
        traced=maybe(st.sampled_from(["outside", "outermost", "inside", "rolled", "blank"])),
        u_mm=u,
        u_deg=u,
        bead=maybe(st.sampled_from(["arc 20 x 4 mm, drawn in", "v 8 x 2 mm, held"])),
    ).filter(lambda b: b.start_mm != b.end_mm)
    scribe = st.builds(ScribeLine, points, points, st.sampled_from(["tangent", "tool"])).filter(
        lambda s: s.start_mm != s.end_mm
    )
    camera = st.builds(
        CameraFacts,
        focal_px=numbers(1, 1e5),
        principal_px=points,
        k1=numbers(-1, 1),
        k2=numbers(-1, 1),
        tilt_deg=numbers(0, 90),
        height_mm=numbers(0, 1e4),
        foot_mm=points,
        residual_rms_px=numbers(0, 10),
        corners_used=st.integers(0, 10**6),
        corners_rejected=st.integers(0, 10**6),
    )
    provenance = st.builds(
        Provenance,
        made_by=texts,
        photo_name=maybe(texts),
        photo_sha256=maybe(texts),
        photo_size_px=maybe(st.tuples(st.integers(1, 10**5), st.integers(1, 10**5))),
        target=maybe(texts),
        print_scale=maybe(st.tuples(numbers(0.5, 2), numbers(0.5, 2))),
        print_measured=st.booleans(),
        mode=st.sampled_from([None, "ink", "silhouette"]),
        camera=maybe(camera),
    )
    return Pattern(
        name=draw(texts),
        outline=outline,
        openings=tuple(openings),
        bends=tuple(draw(st.lists(bend, max_size=3))),
        marks=tuple(draw(st.lists(st.builds(PointMark, points, u), max_size=3))),
        scribes=tuple(draw(st.lists(scribe, max_size=2))),
        thickness_mm=draw(maybe(numbers(0.1, 20))),
        drawn=draw(st.builds(Drawn, st.booleans(), st.booleans(), maybe(numbers(0.01, 5)))),
        precision=draw(
            maybe(st.builds(Precision, numbers(0, 2), numbers(0, 0.05), maybe(budgets)))
        ),
        provenance=draw(provenance),
        notices=tuple(
            draw(
                st.lists(
                    st.builds(Notice, texts, texts, st.sampled_from(["note", "doubt"])), max_size=2
                )
            )
        ),
    )


@settings(deadline=None, max_examples=150)
@given(patterns())
def test_a_written_pattern_reads_back_exactly(pattern):
    text = dumps(pattern)
    assert loads(text) == pattern
    assert dumps(loads(text)) == text
    SCHEMA.validate(json.loads(text))


@settings(deadline=None, max_examples=150)
@given(patterns(), st.data())
def test_a_document_cut_off_anywhere_is_refused_in_one_sentence(pattern, data):
    text = dumps(pattern).rstrip()
    cut = data.draw(st.integers(0, len(text) - 1))
    with pytest.raises(DocumentError, match=r"^[^\n]+\.$"):
        loads(text[:cut])


@settings(deadline=None, max_examples=200)
@given(patterns(), st.data())
def test_a_document_with_one_value_replaced_is_read_or_refused_never_worse(pattern, data):
    document = json.loads(dumps(pattern))
    holder = document
    while True:
        keys = list(holder) if isinstance(holder, dict) else list(range(len(holder)))
        if not keys:
            break
        key = data.draw(st.sampled_from(keys))
        if isinstance(holder[key], dict | list) and holder[key] and data.draw(st.booleans()):
            holder = holder[key]
            continue
        holder[key] = data.draw(
            st.sampled_from([None, True, -1, 0, 1e308, 10**400, "", "x", [], {}, [1], [[1, 2], 3]])
        )
        break
    with contextlib.suppress(DocumentError):
        loads(json.dumps(document))
