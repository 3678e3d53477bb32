"""``digitize nest`` as a person runs it."""

import json

import ezdxf
import folded_pieces as pieces
import pytest
from PIL import Image

from digitize.pattern import document
from digitize.pattern.model import Pattern


@pytest.fixture
def channel(tmp_path):
    path = tmp_path / "channel.pattern.json"
    path.write_text(document.dumps(pieces.developed(pieces.channel()).pattern))
    return path


def test_four_blanks_on_a_sheet_each_drawn_in_place(digitize, channel, tmp_path):
    code, out, err = digitize("nest", f"{channel}:4", "--sheet", "300x300", "--gap", "4")
    assert (code, err) == (0, "")
    assert "% of the sheet used" in out
    with Image.open(tmp_path / "layout.png") as picture:
        assert picture.width == 1200
    places = []
    for number in range(1, 5):
        drawing = ezdxf.readfile(tmp_path / f"layout-{number}-channel.dxf")
        points = [p for e in drawing.modelspace().query("LWPOLYLINE") for p in e.get_points("xy")]
        places.append((min(points), max(points)))
    assert len(set(places)) == 4
    assert all(0 <= x <= 300 and 0 <= y <= 300 for pair in places for x, y in pair)


def test_the_grain_and_an_offcut_are_kept_to(digitize, channel, tmp_path):
    offcut = tmp_path / "offcut.pattern.json"
    shape = pieces.outline([(0, 0), (260, 0), (200, 140), (0, 140)])
    offcut.write_text(document.dumps(Pattern("offcut", shape)))
    code, out, _ = digitize(
        "nest", f"{channel}:2", "--offcut", offcut, "--grain", 0, "--name", "cut", "--json"
    )
    said = json.loads(out)
    assert code == 10
    assert [p["turn_deg"] % 180 for p in said["pieces"]] == [0.0]
    assert said["left_over"] == ["channel"]
    assert digitize("nest", channel)[0] == 2
    assert digitize("nest", channel, "--sheet", "300")[0] == 2
    assert digitize("nest", f"{channel}:999", "--sheet", "300x300")[0] == 2
