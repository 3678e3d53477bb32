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
    first = next(line for line in out.splitlines() if line.startswith("│ 1 │"))
    assert [cell.strip() for cell in first.split("│")[4:6]] == ["5.0 mm", "5.0 mm"]
    assert "Kept free: 4.0 mm between blanks (--gap), 5.0 mm along the edge" in out
    with Image.open(tmp_path / "layout.png") as picture:
        assert picture.width == 1200
    places = []
    for number in range(1, 5):
        drawing = ezdxf.readfile(tmp_path / f"layout-{number}-channel.dxf")
        points = [p for e in drawing.modelspace().query("LWPOLYLINE") for p in e.get_points("xy")]
        places.append((min(points), max(points)))
    assert len(set(places)) == 4
    assert all(4.9 <= x <= 295.1 and 4.9 <= y <= 295.1 for pair in places for x, y in pair)


def test_blanks_may_touch_the_edge_where_that_is_wanted(digitize, channel):
    said = {}
    for rim in ("0", "0mm", "5"):
        _, out, _ = digitize(
            "nest", channel, "--sheet", "300x300", "--rim", rim, "--json", "--overwrite"
        )
        said[rim] = json.loads(out)["pieces"][0]["move_mm"]
    assert said["0"] == said["0mm"]
    assert said["5"] == pytest.approx([v + 5.0 for v in said["0"]], abs=0.2)
    assert digitize("nest", channel, "--sheet", "300x300", "--rim=-1", "--overwrite")[0] == 2


def test_what_did_not_fit_is_counted_by_name(digitize, channel):
    code, out, _ = digitize("nest", f"{channel}:12", "--sheet", "300x150")
    assert code == 10
    left = next(line for line in out.splitlines() if line.startswith("Did not fit"))
    assert left == f"Did not fit: {12 - out.count('°')} x channel"


def test_where_nothing_fits_nothing_is_written(digitize, channel, tmp_path):
    code, out, _ = digitize("nest", channel, "--sheet", "30x30")
    assert code == 10
    assert "Did not fit: channel" in out
    assert "Wrote" not in out
    assert not list(tmp_path.glob("layout*"))


@pytest.mark.parametrize("option", ["--grain", "--blank-grain"])
def test_a_grain_that_is_no_direction_is_refused(digitize, channel, option):
    code, _, err = digitize("nest", channel, "--sheet", "300x300", option, "nan")
    assert code == 2
    assert "no direction" in err


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
