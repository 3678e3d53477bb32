"""An opening in a plate, a card taped beside it: its rim against the renderer's own scene."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import sample_truth as truths
import shapely

from digitize.job import JobOptions, JobResult, pattern_from_photo
from digitize.pattern import document
from digitize.pattern.contour import Contour
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line
from digitize.sheets.layout import PrintScale
from digitize.sheets.page import bars_mm
from digitize.tracing.opening.finding import NoOpeningFound
from digitize.tracing.opening.trace import OpeningInRing, OpeningThicknessMissing
from digitize.tracing.traces import MEASURED

FOLDER = truths.SAMPLES / "floor-opening"
SOFT, SUN = FOLDER / "floor-opening.json", FOLDER / "floor-opening-sun.json"


def options(facts: Path, **said: object) -> JobOptions:
    x, y = truths.load(facts)["targets"][0]["print_scale"]
    scale = PrintScale(x, y, 0.0005, 0.0005, measured=True, source="bars as measured")
    return JobOptions(scale, mode="opening", thicknesses_mm=(2.0,), **said)  # type: ignore[arg-type]


def true_opening(facts: Path) -> truths.TruePiece:
    (piece,) = truths.pieces(truths.load(facts))
    return piece


@pytest.fixture(scope="module")
def soft() -> JobResult:
    return pattern_from_photo(SOFT.with_suffix(".jpg"), options(SOFT))


@pytest.fixture(scope="module")
def sun() -> JobResult:
    return pattern_from_photo(SUN.with_suffix(".jpg"), options(SUN))


def doubts(result: JobResult) -> list[str]:
    return [n.code for p in result.patterns for n in p.notices if n.level == "doubt"]


def test_the_rim_lies_where_it_was_cut(soft: JobResult):
    """Rust runs up to it, a rib crosses beneath it and its wall shows on three sides."""
    (pattern,) = soft.patterns
    off = truths.deviations_mm(pattern.outline, true_opening(SOFT).outline)
    assert np.quantile(off, 0.95) < 0.08
    assert off.max() < 0.15
    assert doubts(soft) == ["edge-unclear"]  # rust like the wall hides some of it


def test_its_corners_are_arcs_again(soft: JobResult):
    outline = soft.patterns[0].outline
    assert isinstance(outline, Contour)
    arcs = [e.segment for e in outline.edges if isinstance(e.segment, Arc)]
    found = sorted(arc.radius_mm for arc in arcs)
    large = [r for r in found if r > 8]
    assert large == pytest.approx([10.0, 10.0, 10.0, 14.0], abs=0.8)


def test_a_wall_as_bright_as_the_face_is_not_taken_for_it(sun: JobResult):
    """In low sun only the right-hand wall's foot stands out, 0.6 mm inside the rim."""
    (pattern,) = sun.patterns
    true = true_opening(SUN).outline
    ring = truths.boundary(pattern.outline)
    points = shapely.line_interpolate_point(ring, np.arange(0.0, ring.length, 0.5))
    right = points[(shapely.get_x(points) > 172.0) & (np.abs(shapely.get_y(points) + 77.0) < 20.0)]
    assert len(right) > 60
    assert shapely.distance(right, truths.boundary(true)).max() < 0.15


def test_what_the_sun_lights_through_it_is_doubted(sun: JobResult):
    (notice,) = [n for n in sun.patterns[0].notices if n.code == "opening-ambiguous"]
    assert "may be metal of its rim" in notice.text


@pytest.mark.parametrize("name", ["soft", "sun"])
def test_points_of_the_rim_are_as_sure_as_they_say(name: str, request: pytest.FixtureRequest):
    """Two standard uncertainties hold 95 % of them; neither many fewer nor all."""
    loop = request.getfixturevalue(name).traced.pieces[0].outline
    true = truths.boundary(true_opening(SOFT if name == "soft" else SUN).outline)
    off = shapely.distance(shapely.points(loop.points_mm), true)
    seen = loop.evidence == MEASURED
    assert 0.92 < np.mean(off[seen] < 2.0 * loop.u_mm[seen]) < 0.995
    assert np.median(loop.u_mm[seen]) < 0.05


def test_what_means_nothing_for_an_opening_is_refused(digitize):
    photo = SOFT.with_suffix(".jpg")
    for said in (("--surface", "1"), ("--line-side", "outside")):
        code, _, err = digitize("trace", photo, "--mode", "opening", "-t", "2", *said)
        assert code == 2
        assert "means nothing for an opening" in err


def painted(tmp_path: Path, grey: int) -> Path:
    """The photo with everything that shows through the opening as bright as the plate."""
    picture = cv2.imread(str(SOFT.with_suffix(".jpg")))
    camera = truths.load(SOFT)["camera"]
    rim = true_opening(SOFT).outline.points_mm(0.05)
    (cx, cy), f = camera["principal_px"], camera["focal_px"]
    seen, _ = cv2.projectPoints(
        np.column_stack((rim, np.full(len(rim), -0.1))),
        cv2.Rodrigues(np.array(camera["rotation"]))[0],
        np.array(camera["translation_mm"]),
        np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]]),
        np.array([camera["k1"], camera["k2"], 0, 0]),
    )
    cv2.fillPoly(picture, [np.rint(seen[:, 0]).astype(np.int32)], (grey, grey, grey))
    path = tmp_path / "bright.jpg"
    cv2.imwrite(str(path), picture)
    return path


def test_a_plate_that_only_rusts_has_no_opening(tmp_path: Path):
    with pytest.raises(NoOpeningFound, match="no opening with a clear rim"):
        pattern_from_photo(painted(tmp_path, 145), options(SOFT))


def test_a_drawn_line_is_no_opening():
    facts = truths.SAMPLES / "panel-cut-line.json"
    with pytest.raises(NoOpeningFound, match="something dark and even behind it"):
        pattern_from_photo(facts.with_suffix(".jpg"), options(facts))


def test_paper_in_a_ring_is_no_plate():
    facts = truths.SAMPLES / "two-pieces.json"
    with pytest.raises(OpeningInRing, match="tape a card"):
        pattern_from_photo(facts.with_suffix(".jpg"), options(facts))


def test_the_plate_s_thickness_is_asked_for():
    unsaid = JobOptions(PrintScale(1.0, 1.0, 0.0005, 0.0005, True, "exact"), mode="opening")
    with pytest.raises(OpeningThicknessMissing, match="say --thickness"):
        pattern_from_photo(SOFT.with_suffix(".jpg"), unsaid)


def test_a_piece_is_held_into_the_photographed_opening(tmp_path: Path, digitize):
    """A piece 0.8 mm smaller all round leaves that gap all round, however it was drawn."""
    rim = shapely.Polygon(true_opening(SOFT).outline.points_mm(0.01))
    turned = shapely.affinity.rotate(rim.buffer(-0.8), 37.0, origin=(0, 0)).simplify(0.005)
    ring = shapely.geometry.polygon.orient(turned).exterior
    corners = [(float(x), float(y)) for x, y in ring.coords[:-1]]
    lines = [Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    piece = tmp_path / "patch.pattern.json"
    outline = Contour.of(lines)
    piece.write_text(document.dumps(Pattern("patch", outline, thickness_mm=2.0)), encoding="utf-8")
    across, up = bars_mm("card", "A4", "mm")
    x, y = truths.load(SOFT)["targets"][0]["print_scale"]
    bars = ("--form", "card", "--across", f"{x * across:.3f}", "--up", f"{y * up:.3f}")
    assert digitize("printer", "shed", *bars)[0] == 0
    code, out, err = digitize("fit", piece, SOFT.with_suffix(".jpg"), "--printer", "shed", "--json")
    assert code == 0, err
    gaps = [edge["mean_mm"] for edge in json.loads(out)["edges"]]
    assert gaps == pytest.approx([0.8] * len(gaps), abs=0.15)


def test_a_plate_thicker_than_the_piece_is_said(tmp_path: Path, digitize):
    """What was traced of the 2 mm plate fits itself as a piece of 1 mm, if --plate says 2."""
    photo = SOFT.with_suffix(".jpg")
    assert digitize("trace", photo, "--mode", "opening", "-t", "2", "--name", "patch")[0] == 0
    words = ("fit", "patch.pattern.json", photo, "-t", "1", "--plate", "2", "--json")
    code, out, err = digitize(*words)
    assert code == 0, err
    means = [abs(edge["mean_mm"]) for edge in json.loads(out)["edges"]]
    assert max(means) < 0.01
