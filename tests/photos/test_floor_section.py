"""A floor section longer than any photo of it, on the real command line.

Two of the four path-traced photos in samples/floor-section, which together show all of it.
One sheet in them does not lie flat, another was pushed aside between them.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import sys

import cv2
import numpy as np
import pytest
import sample_truth
import shapely
import strewn

from digitize.cli.main import run
from digitize.errors import Exit
from digitize.pattern import document
from digitize.pattern.datum import datum_of
from digitize.sheets.catalogue import sheet
from digitize.sheets.page import bars_mm

FOLDER = sample_truth.SAMPLES / "floor-section"
PHOTOS = [FOLDER / f"floor-section-{k}.jpg" for k in (2, 3)]


def digitize(*words):
    """Exit code, standard output and standard error."""
    out, err = io.StringIO(), io.StringIO()
    with (
        pytest.MonkeyPatch.context() as patch,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        patch.setattr(sys, "argv", ["digitize", *map(str, words)])
        try:
            run()
            code = 0
        except SystemExit as end:
            code = int(end.code or 0)
    return code, out.getvalue(), " ".join(err.getvalue().split())


@pytest.fixture(scope="module")
def into(tmp_path_factory):
    folder = tmp_path_factory.mktemp("floor")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
        across, up = bars_mm("ring", "A4", "mm")
        bars = ("--across", f"{0.9985 * across:.2f}", "--up", f"{1.0012 * up:.2f}")
        assert digitize("printer", "works", *bars)[0] == 0
        yield folder


@pytest.fixture(scope="module")
def traced(into):
    code, out, err = digitize(
        "trace", *PHOTOS, "--mode", "silhouette", "--thickness", "1.5", "--printer", "works",
        "--name", "floor", "--into", into, "--json",
    )  # fmt: skip
    assert code == 0, err
    return json.loads(out), document.loads((into / "floor.pattern.json").read_text())


def test_the_photo_check_measures_by_all_sheets_and_says_which(into):
    code, out, err = digitize("check", PHOTOS[0], "--printer", "works", "--json")
    assert code in (0, Exit.POOR), err
    notices = {n["code"]: n["text"] for n in json.loads(out)["notices"]}
    assert "7 sheets together" in notices["sheets-joined"]


@pytest.fixture(scope="module")
def true():
    return sample_truth.pieces(sample_truth.load(FOLDER / "floor-section-1.json"))[0]


def middle(opening):
    return np.array(shapely.Polygon(opening.points_mm(0.01)).centroid.coords[0])


def to_truth(pattern, true):
    """The motion that brings the openings' middles to where they are."""
    real = np.array([middle(o) for o in true.openings])
    found = np.array([middle(o) for o in pattern.openings])
    sizes = [[shapely.Polygon(o.points_mm(0.01)).area for o in p.openings] for p in (pattern, true)]
    order = [int(np.argmin(np.abs(np.array(sizes[0]) - size))) for size in sizes[1]]
    found = found[order]
    a, b = found.mean(axis=0), real.mean(axis=0)
    u, _, vt = np.linalg.svd((found - a).T @ (real - b))
    return lambda points: (points - a) @ u @ vt + b


def test_everything_is_written_and_each_sheet_left_out_is_named(traced, into):
    result, _ = traced
    (pattern,) = result["patterns"]
    texts = {n["code"]: n["text"] for n in pattern["notices"]}
    assert "sheet 7 does not lie in the plane" in texts["sheet-lifted"]
    assert "sheet 8 lies elsewhere" in texts["sheet-moved"]
    joined = texts["photos-joined"]
    assert all(f"sheet {k}" in joined for k in (1, 2, 3, 4, 5, 6))
    assert "sheet 7" not in joined
    assert "other-lens" not in texts
    # Places are told where they are in the pattern, on its edge, from the datum corner.
    document_ = document.loads((into / "floor.pattern.json").read_text())
    edges = shapely.MultiLineString(
        [shapely.LinearRing(c.points_mm(0.1)) for c in (document_.outline, *document_.openings)]
    )
    places = re.findall(r"near x (-?[0-9]+), y (-?[0-9]+)", texts["shadow"] + texts["edge-unclear"])
    assert places
    datum = datum_of(document_)
    for x, y in places:
        at = datum.back((float(x), float(y)))
        assert shapely.distance(edges, shapely.Point(at)) < 3.0
    assert {path.name for path in into.glob("floor*")} == {
        "floor" + suffix
        for suffix in (".pattern.json", ".dxf", "-r12.dxf", ".svg", "-1to1.pdf",
                       "-topdown.png", "-photo.png")
    }  # fmt: skip


def test_the_outline_lies_on_the_true_one_across_the_seam(traced, true):
    _, pattern = traced
    move = to_truth(pattern, true)
    found = shapely.LinearRing(move(np.asarray(pattern.outline.points_mm(0.01))))
    along = np.arange(0.0, found.length, 0.5)
    points = shapely.line_interpolate_point(found, along)
    edge = sample_truth.boundary(true.outline)
    off = shapely.distance(points, edge)
    off = np.where(shapely.contains(shapely.Polygon(edge), points), -off, off)
    assert 0.01 < np.percentile(np.abs(off), 95) < 0.3
    # A step where one photo takes over would show as a jump within a few millimetres.  Looked
    # for away from corners, which are rounded a little differently, and from the end that one
    # photo alone shows, where rust in the shade is followed to half a millimetre only.
    corner = shapely.MultiPoint([e.segment.start_mm for e in true.outline.as_contour().edges])
    plain = (shapely.distance(points, corner) > 8.0) & (shapely.get_x(points) > 160.0)
    jump = np.abs(off - np.roll(off, 6))[plain & np.roll(plain, 6)]
    assert jump.max() < 0.25


def test_lengths_lie_within_their_uncertainty(traced, true):
    result, pattern = traced
    (dims,) = [p["dimensions"] for p in result["patterns"]]
    (overall,) = [d for d in dims if d["name"] == "OL"]
    assert abs(overall["value"] - 1200.0) < min(overall["expanded"], 0.4)
    # Most of it is the printer's: two bars read to half a millimetre.
    assert 0.2 < overall["expanded"] < 2.0
    areas = sorted(shapely.Polygon(o.points_mm(0.01)).area for o in pattern.openings)
    real = sorted(shapely.Polygon(o.points_mm(0.01)).area for o in true.openings)
    assert np.sqrt(areas) == pytest.approx(np.sqrt(real), abs=0.4)


def test_photos_of_one_job_only(into):
    one, other = PHOTOS
    cases = {
        (one, one): (Exit.ASKED, "the same photo was given twice"),
        (one, other, "--checkerboard", "25mm"): (2, "goes with one photo"),
        (one, other, "--rule", "mm"): (2, "goes with one photo"),
        (one, other, "--thickness", "1.5,3"): (2, "goes with one photo"),
        (one, other, "--region", "0,0,50,50"): (2, "--sheet"),
        (one, other, "--sheet", "77", "-t", "1.5"): (Exit.TARGET, "no photo shows"),
    }
    for words, (code, text) in cases.items():
        found, _, err = digitize("trace", *words, "--into", into / "refused")
        assert (found, text in err) == (code, True), err
    assert not (into / "refused").exists()


def bench_photo(folder, name, numbers, size_px=(1800, 1350)):
    """A small photo, drawn by OpenCV, of two cards on a bench."""
    bench = strewn.bench(700, 450)
    for number, middle_mm, angle in zip(numbers, ((180, 220), (500, 230)), (0.2, 1.9), strict=True):
        bench.lay(sheet("card", "A4", number), middle_mm, angle)
    shot = strewn.look((340, 225), 560, 12, 40, size_px=size_px, focal_px=0.75 * size_px[0])
    path = folder / name
    cv2.imwrite(str(path), strewn.photograph(bench, shot, name).rgb)
    return path


def test_photos_that_share_no_sheet_and_a_sheet_seen_twice_are_refused(into):
    a = bench_photo(into, "a.png", (1, 2))
    b = bench_photo(into, "b.png", (3, 4), size_px=(1600, 1200))
    twice = bench_photo(into, "twice.png", (1, 1))
    code, _, err = digitize("trace", a, b, "-t", "1", "--into", into / "refused")
    assert code == Exit.CAMERA
    assert "b.png shares no sheet with the other photos" in err
    code, _, err = digitize("trace", a, twice, "-t", "1", "--into", into / "refused")
    assert code == Exit.TARGET
    assert "card A4, sheet 1 lies there twice (twice.png)" in err


def test_sheets_in_one_photo_measure_together(into):
    """A circle drawn in a ring, and a card beside the ring: one photo, both sheets used."""
    bench = strewn.bench(620, 430)
    bench.lay(sheet("ring", "A4", 9), (200, 210), 0.1)
    bench.draw([shapely.get_coordinates(shapely.Point(200, 210).buffer(45).exterior)[:-1]], 1.5)
    bench.lay(sheet("card", "A4", 3), (440, 230), -0.3)
    shot = strewn.look((310, 215), 560, 15, 40, size_px=(2200, 1650), focal_px=1650)
    path = into / "two-sheets.png"
    cv2.imwrite(str(path), strewn.photograph(bench, shot, path.name).rgb)
    code, out, err = digitize(
        "trace", path, "--sheet", "9", "--line-side", "centre", "--into", into / "ring", "--json"
    )
    assert code == 0, err
    alone = {n["code"] for n in json.loads(out)["patterns"][0]["notices"]}
    code, out, err = digitize(
        "trace", path, "--line-side", "centre", "--into", into / "both", "--json"
    )
    assert code == 0, err
    notices = {n["code"]: n["text"] for n in json.loads(out)["patterns"][0]["notices"]}
    assert "sheets-joined" in notices.keys() - alone
    assert "ring A4, sheet 9" in notices["sheets-joined"]
    assert "card A4, sheet 3" in notices["sheets-joined"]
    (pattern,) = json.loads(out)["patterns"]
    (size,) = [d for d in pattern["dimensions"] if d["name"] == "OL"]
    assert abs(size["value"] - 90.0) < 0.2
