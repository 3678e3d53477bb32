"""From the command line to a pattern, measured by what lies in the photo."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scenes import SCENES, THICK, phone_file
from typer.testing import CliRunner

from digitize.cli.main import app


@pytest.fixture(scope="session")
def file_of(picture, tmp_path_factory):
    """A scene as a phone's file, whose header gives the focal length as whole millimetres."""
    folder = tmp_path_factory.mktemp("photos")

    def get(name):
        path = folder / f"{name}.jpg"
        if not path.exists():
            phone_file(SCENES[name], picture(name), path)
        return path

    return get


@pytest.fixture(scope="session")
def traced(file_of, tmp_path_factory):
    """What ``trace --json`` and the pattern document say of a scene, traced once."""
    known = {}

    def get(scene, *options):
        if (scene, options) not in known:
            into = tmp_path_factory.mktemp("out")
            told = ("trace", str(file_of(scene)), *options, "--json", "--into", str(into))
            done = CliRunner().invoke(app, told)
            assert done.exit_code == 0, done.exception or done.output
            document = json.loads((into / f"{scene}.pattern.json").read_text())
            known[scene, options] = json.loads(done.stdout)["patterns"], document
        return known[scene, options]

    return get


def sizes(pattern):
    return {d["name"]: d for d in pattern["dimensions"] if d["kind"] == "overall"}


def codes(pattern):
    return {n["code"]: n for n in pattern["notices"]}


def corners_px(name):
    shot = SCENES[name]
    corners = shot.plates[-1].corners_mm.astype(float)
    raised = np.column_stack([corners, np.full(len(corners), THICK)])
    return corners, shot.px(raised)


def in_its_u(row, true):
    assert abs(row["value"] - true) < row["expanded"]


def test_a_300_mm_piece_beside_one_rule(traced):
    (pattern,), document = traced("job-rule", "-t", "1.2", "--rule", "mm")
    rows = sizes(pattern)
    assert rows["OL"]["value"] == pytest.approx(300, abs=0.5)
    assert rows["OW"]["value"] == pytest.approx(135, abs=0.5)
    in_its_u(rows["OL"], 300)
    in_its_u(rows["OW"], 135)
    assert codes(pattern)["lean-by-marks"]["level"] == "doubt"
    assert document["provenance"]["target"].startswith("rule, 1 mm marks over 30")
    assert "print_scale" not in document["provenance"]


def around(px, beside=80):
    """Options that box a piece in."""
    (x, y), (right, low) = px.min(axis=0) - beside, px.max(axis=0) + beside
    return "--around", f"{x:.0f},{y:.0f},{right:.0f},{low:.0f}"


def test_the_same_piece_by_a_length_that_is_known(traced):
    _, px = corners_px("job-rule")
    (x0, y0), (x1, y1) = px[0], px[1]
    line = f"length {x0:.1f} {y0:.1f} {x1:.1f} {y1:.1f} 300 +-0.5"
    told = ("-t", "1.2", "--known", line, "--known", "height 1.2", *around(px))
    (pattern,), document = traced("job-rule", *told)
    in_its_u(sizes(pattern)["OL"], 300)
    in_its_u(sizes(pattern)["OW"], 135)
    assert codes(pattern)["square-on-assumed"]["level"] == "doubt"
    assert document["provenance"]["target"] == "1 known length"
    (level,), _ = traced("job-rule", *told, "--level", "3")
    assert sizes(level)["OW"]["expanded"] < 0.9 * sizes(pattern)["OW"]["expanded"]
    in_its_u(sizes(level)["OL"], 300)
    in_its_u(sizes(level)["OW"], 135)
    assert "level to 3°, as you said" in codes(level)["level-as-said"]["text"]


def test_a_drawing_on_plain_paper(traced):
    (pattern,), document = traced("job-drawn", "--plain-sheet", "A4")
    rows = sizes(pattern)
    assert document["provenance"]["mode"] == "ink"
    assert document["provenance"]["target"] == "plain A4 sheet"
    assert rows["OL"]["value"] == pytest.approx(160, abs=0.6)
    assert rows["OW"]["value"] == pytest.approx(150, abs=0.6)
    # A sheet that nobody measured is trimmed to 2 mm, and no result is surer than that.
    assert 1.0 < rows["OL"]["expanded"] < 3.0
    (measured,), _ = traced("job-drawn", "--plain-sheet", "210x297mm+-0.2")
    assert sizes(measured)["OL"]["expanded"] < 0.5 * rows["OL"]["expanded"]
    in_its_u(sizes(measured)["OL"], 160)


def test_a_box_with_nothing_clear_in_it(file_of, tmp_path):
    _, px = corners_px("job-rule")
    x, y = px.mean(axis=0)
    box = f"{x - 200:.0f},{y - 150:.0f},{x + 200:.0f},{y + 150:.0f}"
    told = ("trace", str(file_of("job-rule")), "-t", "1.2", "--rule", "mm", "--around", box)
    done = CliRunner().invoke(app, (*told, "--into", str(tmp_path)))
    assert done.exit_code == 6 or type(done.exception).__name__ == "PieceNotClear"
    assert "lies clear in the box" in str(done.exception)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--rule", "mm", "--known", "length 1 1 99 1 5"), "cannot be used together with --known"),
        (("--rule", "mm", "--sheet", "3"), "together with --sheet, which speaks of a printed"),
        (("--plain-sheet", "A4", "--phone", "mine"), "together with --phone, which speaks"),
        (("--tape",), "means something only with --rule"),
        (("--square", "--known", "length 1 1 99 1 5"), "means something only with --rule"),
        (("--around", "1,2,3,4"), "means something only with --rule, --plain-sheet or --known"),
        (("--rule", "cubit"), "is no division of a rule"),
        (("--rule", "40mm"), "is no division of a rule"),
        (("--rule", "mm", "--rule-at", "1,2,3"), "is not x0,y0,x1,y1, in pixels"),
        (("--rule", "mm", "--around", "1,2,3,x"), "is not x0,y0,x1,y1, in pixels"),
        (("--rule", "mm", "--level", "0"), "between 0.05 and 40 degrees"),
        (("--plain-sheet", "210xlong"), "is no sheet"),
    ],
)
def test_options_that_make_no_sense(options, says, tmp_path):
    done = CliRunner().invoke(app, ("trace", str(tmp_path / "none.jpg"), *options))
    assert done.exit_code == 2
    assert says in " ".join(done.output.split())


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--plain-sheet", "A9"), "no paper is called 'A9'"),
        (("--known", "nowhere.txt"), "nowhere.txt cannot be read"),
        (("--known", "length 1 2 3"), "--known, line 2"),
    ],
)
def test_references_that_are_none(options, says, tmp_path):
    done = CliRunner().invoke(app, ("trace", str(tmp_path / "none.jpg"), *options))
    assert says in str(done.exception)
