"""``digitize blank`` as a person runs it, from a file in a folder to files in a folder."""

import json
import math
import re
import shlex
from pathlib import Path

import ezdxf
import pytest

from digitize.pattern import document
from digitize.pattern.extent import closed_extent_mm
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.placement import placed


@pytest.fixture
def tray(contour, tmp_path):
    outline = contour(
        (20, 0), (80, 0), (80, 20), (100, 20), (100, 60), (80, 60),
        (80, 80), (20, 80), (20, 60), (0, 60), (0, 20), (20, 20),
    )  # fmt: skip
    lines = [((20, 20), (80, 20)), ((80, 20), (80, 60)), ((80, 60), (20, 60)), ((20, 60), (20, 20))]
    pattern = Pattern("tray", outline, bends=tuple(BendLine(*ends) for ends in lines))
    path = tmp_path / "tray.pattern.json"
    path.write_text(document.dumps(pattern))
    return path


def test_a_piece_without_bends_gets_a_sentence_and_no_empty_table(digitize, contour, tmp_path):
    flat = Pattern("plate", contour((0, 0), (60, 0), (60, 40), (0, 40)))
    (tmp_path / "flat.pattern.json").write_text(document.dumps(flat))
    code, out, _ = digitize("blank", "flat.pattern.json", "-t", "1")
    assert code == 0
    assert "allowance" not in out
    assert "no bend lines: it is its own blank" in out


def test_a_blank_of_a_blank_says_so(digitize, tray):
    assert digitize("blank", tray, "-b", "all toward 90 r1", "-t", "1")[0] == 0
    code, out, _ = digitize("blank", "tray-blank.pattern.json")
    assert code == 0
    assert "is a blank already" in out


def test_a_pattern_becomes_a_blank_with_all_its_files(digitize, tray, tmp_path):
    code, out, err = digitize(
        "blank", tray, "-b", "all toward 90 r1", "-t", "1", "--k", "0.44", "--into", "flat"
    )
    assert code == 0, err
    assert sorted(p.name for p in (tmp_path / "flat").iterdir()) == [
        "tray-blank-1to1.pdf",
        "tray-blank-r12.dxf",
        "tray-blank.dxf",
        "tray-blank.pattern.json",
        "tray-blank.svg",
    ]
    blank = document.loads((tmp_path / "flat" / "tray-blank.pattern.json").read_text())
    x0, y0, x1, y1 = closed_extent_mm(blank.outline)
    deduction = 4 - math.pi / 2 * 1.44
    assert (x1 - x0, y1 - y0) == pytest.approx((100 - 2 * deduction, 80 - 2 * deduction))
    assert all(b.traced == "blank" for b in blank.bends)
    assert "2.26 mm" in out  # the allowance
    assert "1.74 mm" in out  # the deduction
    assert "data sheet" in out
    assert "B1 and B2 meet" in out
    for name in ("tray-blank.dxf", "tray-blank-r12.dxf"):
        drawing = ezdxf.readfile(tmp_path / "flat" / name)
        layers = [e.dxf.layer for e in drawing.modelspace()]
        assert layers.count("OUTLINE") == 1
        assert layers.count("BEND_TOWARD") == 4
        assert layers.count("BEND_TANGENT") == 8
        assert layers.count("TOOL_LINE") == 4


def test_a_bends_file_and_words_go_together(digitize, tray, tmp_path):
    (tmp_path / "bends.toml").write_text(
        'metal = "aluminium"\nthickness = "1/16in"\nlaw = "din6935"\n'
        '[all]\ndirection = "away"\nangle = 90\n[B3]\nangle = 45\n'
    )
    code, out, err = digitize(
        "blank", tray, "--bends", "bends.toml", "-b", "B1 toward", "--traced", "inside", "--json"
    )
    assert code == 0, err
    result = json.loads(out)
    assert result["metal"] == "aluminium"
    bends = result["bends"]
    assert [b["angle_deg"] for b in bends] == [90, 90, 45, 90]
    assert [b["toward_face"] for b in bends] == [True, False, False, False]
    assert {b["law"] for b in bends} == {"DIN 6935"}
    assert {b["traced"] for b in bends} == {"inside"}
    assert bends[0]["thickness_mm"] == pytest.approx(1.5875)
    assert bends[0]["defaults"] == ["radius"]
    assert len(result["files"]) == 5
    assert result["faces"][0]["name"] == "F1"


def test_a_slanting_blank_is_as_large_and_its_faces_as_far_in_as_one_squared_up(
    digitize, contour, tmp_path
):
    channel = Pattern(
        "channel",
        contour((0, 0), (90, 0), (90, 50), (0, 50)),
        bends=(BendLine((60, 0), (60, 50)), BendLine((25, 0), (25, 50))),
    )
    told = []
    for name, turn, move in (("square", 0.0, (0.0, 0.0)), ("slanting", 25.0, (200.0, 300.0))):
        turned = placed(channel, math.radians(turn), move)
        (tmp_path / f"{name}.pattern.json").write_text(document.dumps(turned))
        words = f"blank {name}.pattern.json -t 1 --k 0.44 --into {name} --bend"
        code, out, err = digitize(*words.split(), "all toward 90 r1")
        assert code == 0, err
        told += [re.findall(r"blank: (.*?),|^Faces, (.*)$", out, re.MULTILINE)]
    length_mm = 90 - 2 * (4 - math.pi / 2 * 1.44)
    size = (f"{length_mm:.1f} mm x 50.0 mm", "")
    assert told[0] == told[1] == [size, ("", told[0][1][1])]
    assert told[0][1][1].startswith("in mm from the datum corner: F1 near x 72, y 25; F2 near x 41")


def test_a_test_strip_gives_k(digitize, tray):
    words = ("blank", tray, "-b", "all toward 90 r1.5", "-t", "1.2", "--json")
    code, out, err = digitize(*words, "--strip", "100,51.1,51.1,1.5")
    assert code == 0, err
    k = ((100 - 102.2 + 2 * 2.7) / (math.pi / 2) - 1.5) / 1.2
    result = json.loads(out)
    assert result["bends"][0]["k"] == pytest.approx(k)
    (notice,) = [n for n in result["notices"] if n["code"] == "k-from-strip"]
    assert notice["level"] == "note"
    code, out, err = digitize(*words, "--strip", "100,51,50.9,1.5", "--overwrite")
    assert code == 0, err
    (notice,) = [n for n in json.loads(out)["notices"] if n["code"] == "k-from-strip"]
    assert notice["level"] == "doubt"
    code, out, err = digitize(*words, "--strip", "100,50.5,50.5,1.5,60", "--overwrite")
    assert code == 0, err
    k = ((100 - 101 + 2 * 2.7 * math.tan(math.pi / 6)) / (math.pi / 3) - 1.5) / 1.2
    assert json.loads(out)["bends"][0]["k"] == pytest.approx(k)
    assert digitize(*words, "--strip", "100,50.5,50.5,1.5,sharp")[0] == 2
    assert "measure the strip again" in notice["text"]


def test_inches_are_for_the_table_and_the_drawings(digitize, tray):
    code, out, err = digitize("blank", tray, "-b", "all toward 90", "--gauge", "18", "-u", "in")
    assert code == 0, err
    assert "0.0478 in" in out
    assert "measure the sheet" in out


def test_the_base_may_be_named(digitize, tray):
    words = ("blank", tray, "-b", "all toward 90", "-t", "1", "--json")
    code, out, err = digitize(*words, "--base", "F1")
    assert code == 0, err
    assert json.loads(out)["base"] == "F1"
    assert digitize(*words, "--base", "first", "--overwrite")[0] == 2
    code, _, err = digitize(*words, "--base", "F9", "--overwrite")
    assert code == 7
    assert "choose F1 to F5" in err


def test_nothing_is_overwritten_unasked(digitize, tray, tmp_path):
    (tmp_path / "tray-blank.svg").write_text("mine")
    code, _, err = digitize("blank", tray, "-b", "all toward 90", "-t", "1")
    assert code == 8
    assert "exists already" in err
    assert [p.name for p in tmp_path.glob("tray-blank*")] == ["tray-blank.svg"]
    assert digitize("blank", tray, "-b", "all toward 90", "-t", "1", "--overwrite")[0] == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "how thick"),
        (("-t", "1"), "nobody said which way B1 is bent"),
        (("-t", "1", "-b", "B9 toward 90"), "no bend called B9"),
        (("-t", "1", "-b", "all toward 90", "-m", "lead"), "no metal called 'lead'"),
        (("-t", "1", "-b", "all toward 90", "--law", "faa", "--k", "0.4"), "only one of"),
        (("-t", "1", "-b", "all toward 90", "--strip", "100,50"), "two legs and radius"),
        (("-t", "0", "-b", "all toward 90"), "more than zero"),
        (("-t", "-2", "-b", "all toward 90"), "for --thickness: '-2' is not a length; write it"),
        (("--gauge", "3", "-b", "all toward 90"), "gauge 3 is not in the steel table"),
        (("--gauge", "18 bwg", "-b", "all toward 90"), 'or "18 swg" for the British wire gauge'),
    ],
)
def test_what_makes_no_sense_is_said_in_one_sentence(digitize, tray, tmp_path, words, says):
    code, _, err = digitize("blank", tray, *words)
    assert code == 2
    assert says in " ".join(err.replace("│", " ").split())
    assert not list(tmp_path.glob("tray-blank*"))


def test_the_british_wire_gauge_may_be_meant(digitize, tray):
    code, out, err = digitize("blank", tray, "-b", "all toward 90", "--gauge", "18 SWG", "--json")
    assert code == 0, err
    found = json.loads(out)
    assert found["bends"][0]["thickness_mm"] == pytest.approx(1.219, abs=0.001)
    assert "18 SWG taken as 1.22 mm: measure the sheet" in [n["text"] for n in found["notices"]]


def test_a_piece_without_bends_is_its_own_blank_and_written(digitize, contour, tmp_path):
    plate = Pattern("plate", contour((0, 0), (60, 0), (60, 30), (0, 30)), thickness_mm=2.0)
    (tmp_path / "plate.pattern.json").write_text(document.dumps(plate))
    code, out, err = digitize("blank", "plate.pattern.json")
    assert code == 0, err
    assert "has no bend lines: it is its own blank" in out
    assert "┃" not in out  # a table with nothing in it
    assert (tmp_path / "plate-blank.dxf").exists()


def test_a_blank_is_kept_or_refused_as_one(digitize, contour, tray, tmp_path):
    """A sound one can be developed again; lines of one without reliefs may cross."""
    words = ("blank", tray, "-b", "all toward 90 r1", "-t", "1")
    assert digitize(*words, "--relief", "round", "-n", "relieved")[0] == 0
    code, out, err = digitize("blank", "relieved.pattern.json")
    assert code == 0, err
    assert "is a blank already" in out
    lines = [((30, 0), (30, 90)), ((0, 30), (90, 30))]
    bends = tuple(BendLine(*ends, 90.0, True, 1.0, "blank") for ends in lines)
    square = contour((0, 0), (90, 0), (90, 90), (0, 90))
    crossed = Pattern("crossed", square, bends=bends, thickness_mm=1.0)
    (tmp_path / "crossed.pattern.json").write_text(document.dumps(crossed))
    code, _, err = digitize("blank", "crossed.pattern.json")
    assert code == 7
    assert "cross on what is a blank already: work from the traced pattern" in err


def test_shaping_words_reach_the_blank(digitize, tray, tmp_path):
    words = ("blank", tray, "-b", "all toward 90 r1", "-t", "1", "--k", "0.44")
    code, out, err = digitize(
        *words, "--relief", "round", "--mitre", "--gap", "0.5", "--trim", "E1 2", "--kerf", "0.2"
    )
    assert code == 0, err
    assert "reliefs cut" in out
    assert "cut back" in out
    assert "kerf" in out
    code, _, err = digitize(*words, "--side", "opposite-hand")
    assert code == 0, err
    assert (tmp_path / "tray-opposite-hand.dxf").exists()
    code, _, err = digitize(*words, "--gap", "0.5", "--overwrite")
    assert code == 2
    code, _, err = digitize(*words, "--trim", "E99 2", "--overwrite")
    assert code == 2
    assert "no edge called E99" in err


DOCS = Path(__file__).parents[3] / "docs" / "bending.md"


def test_documented_commands_run(digitize, tray, tmp_path):
    text = DOCS.read_text("utf-8")
    (tmp_path / "hatch").mkdir()
    tray.rename(tmp_path / "hatch" / "photo.pattern.json")
    (command,) = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    words = shlex.split(command.replace("\\\n", " "))
    assert words[0] == "digitize"
    code, out, err = digitize(*words[1:])
    assert code == 0, err
    assert "45° away" in out
    (table,) = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    (tmp_path / "bends.toml").write_text(table)
    code, out, err = digitize("blank", words[2], "--bends", "bends.toml", "--json")
    assert code == 0, err
    assert json.loads(out)["bends"][1]["traced"] == "inside"


ROW = re.compile(r"^\| `(--[^|]*? [^|]*?)`(?: \(or `square`\))? \|", re.MULTILINE)


@pytest.mark.parametrize("option", ROW.findall(DOCS.read_text("utf-8")))
def test_documented_options_run(digitize, tray, option):
    """Each alone, on a pattern whose edges and bends have the names of the text."""
    words = shlex.split(option)
    code, out, err = digitize("blank", tray, "-b", "all toward 90 r1.5", "-t", "1.5", *words)
    assert code == 0, err
    assert "Wrote" in out
