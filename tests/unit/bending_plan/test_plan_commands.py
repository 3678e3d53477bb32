"""``digitize fold`` and ``digitize plan`` as a person runs them."""

import json
from dataclasses import replace

import folded_pieces as pieces
import pypdfium2
import pytest
import trimesh
from PIL import Image

from digitize.bending.facts import Said
from digitize.pattern import document


@pytest.fixture
def tray(tmp_path):
    path = tmp_path / "tray.pattern.json"
    path.write_text(document.dumps(pieces.developed(pieces.tray()).pattern))
    return path


def test_fold_lists_sizes_and_writes_mesh_and_picture(digitize, tray, tmp_path):
    code, out, err = digitize("fold", tray, "tray.stl", "tray.png")
    assert (code, err) == (0, "")
    assert "160.0 mm x 100.0 mm x 20.0 mm high" in out
    assert "20.00 mm" in out
    assert sorted(trimesh.load(tmp_path / "tray.stl").extents) == pytest.approx([20, 100, 160])
    with Image.open(tmp_path / "tray.png") as picture:
        assert picture.size == (1200, 900)
    code, _, err = digitize("fold", tray, "tray.stl")
    assert code == 8
    assert "exists already" in err
    assert digitize("fold", tray, "tray.obj")[0] == 2


def test_fold_puts_traced_sizes_beside_where_there_are_any(digitize, tray, tmp_path):
    traced = replace(
        pieces.tray(),
        bends=tuple(
            replace(b, angle_deg=None, toward_face=None, traced="outside")
            for b in pieces.tray().bends
        ),
    )
    path = tmp_path / "traced.pattern.json"
    path.write_text(document.dumps(traced))
    code, out, err = digitize("fold", path, "-t", 1, "-b", "all toward 90", "-b", "B1 r2")
    assert (code, err) == (0, "")
    rows = [row.split("│") for row in out.splitlines() if "│ B" in row]
    assert len(rows) == 6
    assert all(row[4].strip() == row[5].strip() for row in rows)
    code, out, _ = digitize("fold", tray)
    assert "traced" not in out.partition("No traced sizes beside these")[0]
    assert "say its bends with --bend" in out
    code, _, err = digitize("fold", path, "-t", 1, "--bend", "B9 toward 90")
    assert code == 2
    assert "no bend called B9" in err
    code, out, err = digitize("plan", path, "-t", 1, "-b", "all toward 90", "--tool", "box-folder")
    assert (code, err) == (0, "")
    assert "B4" in out
    code, _, err = digitize("fold", tray, "--bend", "B1 45")
    assert code == 2
    assert "B1 lies on a blank" in err


def test_fold_tells_scripts(digitize, tray):
    code, out, _ = digitize("fold", tray, "--json")
    said = json.loads(out)
    assert code == 0
    assert said["overall_mm"]["height"] == pytest.approx(20.0, abs=1e-6)
    flanges = [r["folded_mm"] for r in said["over_outside"] if r["to"] == "edge"]
    assert flanges == pytest.approx([20.0] * 4, abs=0.05)


def test_plan_says_the_order_and_writes_the_job_sheet(digitize, tray, tmp_path):
    code, out, err = digitize("plan", tray, "--tool", "box-folder", "--sheet", "job.pdf")
    assert (code, err) == (0, "")
    assert "24 orders that work" in out
    assert "Caution: Cut edges" in out
    assert len(pypdfium2.PdfDocument(tmp_path / "job.pdf")) == 2
    assert digitize("plan", tray, "--printer", "shed")[0] == 2
    assert digitize("plan", tray, "--sheet", "job.txt")[0] == 2


@pytest.mark.parametrize("grain", ["nan", "inf"])
def test_plan_refuses_a_grain_that_is_no_direction(digitize, tray, grain):
    code, _, err = digitize("plan", tray, "--grain", grain)
    assert code == 2
    assert "no direction" in err


def test_plan_says_what_blocks(digitize, tray, tmp_path):
    (tmp_path / "mine.toml").write_text('kind = "straight-folder"\nclamp_height = 50\n')
    code, out, _ = digitize("plan", tray, "--tool", "mine.toml", "--json")
    said = json.loads(out)
    assert code == 10
    assert not said["possible"]
    assert said["blocks"][0]["because"]
    assert said["remedies"][0]["pieces"][0]
    code, out, _ = digitize("plan", tray, "--width", "200", "--depth", "150")
    assert code == 10
    assert "Way out: bend" in out


def test_plan_keeps_to_an_order_or_says_why_not(digitize, tmp_path):
    path = tmp_path / "lipped.pattern.json"
    path.write_text(document.dumps(pieces.developed(pieces.lipped()).pattern))
    code, out, _ = digitize("plan", path, "--tool", "straight-folder", "--order", "b1,b2", "--json")
    said = json.loads(out)
    assert code == 10
    assert (said["blocks"][0]["bend"], said["blocks"][0]["because"]) == ("B2", "B1")
    assert "1 pair swapped" in said["remedies"][0]["text"]
    assert digitize("plan", path, "--order", "B1")[0] == 2
    assert digitize("plan", path, "--tool", "anvil")[0] == 2


def test_a_blank_without_reliefs_is_read_again(digitize, tmp_path):
    """Where two flanges meet in a corner, the bends' middle lines cross on the blank."""
    pattern = pieces.corner()
    path = tmp_path / "corner.pattern.json"
    blank = pieces.developed(pattern, {"all": Said(90.0, True, 1.2)})
    path.write_text(document.dumps(blank.pattern))
    code, out, err = digitize("fold", path, "--json")
    assert (code, err) == (0, "")
    heights = {(r["from"], r["to"]): r["folded_mm"] for r in json.loads(out)["over_outside"]}
    assert heights["B1", "edge"] == pytest.approx(20.0, abs=0.05)
    assert heights["B2", "edge"] == pytest.approx(15.0, abs=0.05)
