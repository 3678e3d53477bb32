"""``digitize compare`` as a person runs it, and what it leaves in the folder."""

from __future__ import annotations

import io
import json
import re
import shlex
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import ezdxf
import numpy as np
import pypdfium2
import pytest
from svgelements import SVG
from svgelements import Path as SvgPath

from digitize.comparing.comparison import compare
from digitize.comparing.opening import FitInOptions, fit_in
from digitize.comparing.pose import Pose
from digitize.comparing.trials import (
    History,
    Trial,
    TrialsUnreadable,
    changed,
    dumps,
    loads,
    trial_of,
)
from digitize.files.comparison import drawing as comparison_drawing
from digitize.files.comparison import history as comparison_history
from digitize.files.comparison import picture as comparison_picture
from digitize.files.comparison import plot as comparison_plot
from digitize.files.comparison.diverging import LESS_TO_MORE, MOVED, colour, full_scale_mm
from digitize.files.comparison.words import words_for
from digitize.files.pictures.topdown_proof import TopdownPicture
from digitize.pattern import document
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Line

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def remade(footplate: Pattern) -> Pattern:
    """The lower edge 2 mm long over its left 100 mm, the first hole 0.4 mm to the right."""
    parts = [e.segment for e in footplate.outline.as_contour().edges]
    way = [(0.0, 70.0), (0.0, -2.0), (100.0, -2.0), (100.0, 0.0), (180.0, 0.0)]
    below = [Line(a, b) for a, b in pairwise(way)]
    outline = Contour.of([*below[1:], *parts[1:-1], below[0]])
    openings = (Circle((30.4, 40.0), 5.0), *footplate.openings[1:])
    return replace(footplate, name="remade", outline=outline, openings=openings)


@pytest.fixture
def folder(tmp_path: Path, footplate: Pattern, remade: Pattern) -> Path:
    for pattern in (footplate, remade):
        (tmp_path / f"{pattern.name}.pattern.json").write_text(document.dumps(pattern), "utf-8")
    return tmp_path


def test_table_files_and_history(digitize: Command, folder: Path, footplate: Pattern) -> None:
    code, out, _ = digitize(
        "compare", "footplate.pattern.json", "remade.pattern.json", "--into", "fit"
    )
    assert code == 0
    assert "trim 2.0 mm over 100 mm on the lower edge (E1)" in out
    assert "0.4 mm off" in out
    made = {p.name for p in (folder / "fit").iterdir()}
    assert made == {
        "remade-over-footplate.png",
        "remade-over-footplate-edge.png",
        "remade-over-footplate.pdf",
        "remade-over-footplate.dxf",
        "remade-over-footplate.svg",
        "remade-trimmed.pattern.json",
        "remade-trimmed-1to1.pdf",
        "remade-next.pattern.json",
        "footplate.trials.json",
    }
    trimmed = folder / "fit" / "remade-trimmed.pattern.json"
    code, out, _ = digitize("compare", "footplate.pattern.json", trimmed, "--into", "fit")
    assert code == 0
    assert "lower edge (E1): put right (was +2.0 mm)" in out
    assert "hole H1: still 0.4 mm" in out
    assert len(loads((folder / "fit" / "footplate.trials.json").read_text("utf-8"))) == 2
    assert (folder / "fit" / "footplate-trials.png").exists()
    better = folder / "fit" / "remade-next.pattern.json"
    code, out, _ = digitize("compare", "footplate.pattern.json", better, "--json")
    assert json.loads(out)["same"] is True
    pages = pypdfium2.PdfDocument(folder / "fit" / "remade-trimmed-1to1.pdf")
    assert len(pages) == 1
    template = pages[0].get_textpage().get_text_range()
    assert "trim 2.0 mm" in template
    assert "the edge now" in template
    report = pypdfium2.PdfDocument(folder / "fit" / "remade-over-footplate.pdf")
    assert [page.get_width() < page.get_height() for page in report] == [False, False]
    shown = np.asarray(report[0].render(scale=1.0).to_numpy())
    assert (np.ptp(shown[..., :3].astype(int), axis=2) > 60).sum() > 300  # it is in colour
    code, _, err = digitize(
        "compare", "footplate.pattern.json", "remade.pattern.json", "--into", "fit"
    )
    assert code == 8
    assert "exists already" in err


def test_json_and_codes(digitize: Command, folder: Path) -> None:
    pair = ("compare", "footplate.pattern.json", "remade.pattern.json")
    code, out, _ = digitize(*pair, "--json", "--allow", "2.5")
    assert code == 0
    said = json.loads(out)
    assert said["stretches"][0]["largest_mm"] == pytest.approx(2.0, abs=1e-3)
    assert said["profile_mm"] == pytest.approx(4.0, abs=2e-3)
    assert said["area_mm2"]["new"] - said["area_mm2"]["old"] == pytest.approx(200.0)
    assert digitize(*pair, "--allow", "0.5")[0] == 10
    code, out, _ = digitize(*pair, "--json", "--lock", "H1,H2")
    assert json.loads(out)["pose"]["locked"] == ["H1", "H2"]
    code, _, err = digitize(*pair, "--lock", "H7")
    assert code == 2
    assert "no H7" in err
    assert digitize("compare", "footplate.pattern.json", "nothing.jpg")[0] == 7


def test_inches_in_words(digitize: Command, folder: Path, footplate: Pattern) -> None:
    code, out, _ = digitize(
        "compare", "footplate.pattern.json", "remade.pattern.json", "--units", "in"
    )
    assert code == 0
    assert "trim 0.079 in over 3.94 in on the lower edge (E1)" in out
    assert "metal +0.31 in²" in out  # 200 mm²
    assert " mm" not in out
    pair = ("footplate.pattern.json", "remade.pattern.json", "-u", "in")
    digitize("compare", *pair, "--into", "fit")
    better = replace(
        document.loads(Path("remade.pattern.json").read_text("utf-8")),
        name="third",
        openings=footplate.openings,
    )
    Path("third.pattern.json").write_text(document.dumps(better), "utf-8")
    third = ("footplate.pattern.json", "third.pattern.json", "-u", "in")
    _, out, _ = digitize("compare", *third, "--into", "fit")
    assert "lower edge (E1): still +0.079 in" in out
    drawn = ezdxf.readfile(folder / "fit" / "remade-over-footplate.dxf")
    notes = [t.dxf.text for t in drawn.modelspace().query("TEXT")]
    assert notes[0].startswith("remade over footplate: trim up to 0.079 in (1 place)")
    assert not any(" mm" in note for note in notes)


def test_drawings_hold_both_pieces_on_their_own_layers(footplate: Pattern, remade: Pattern) -> None:
    found = compare(footplate, remade)
    read = ezdxf.read(io.StringIO(comparison_drawing.dxf(found, "verdict").decode()))
    rings = {
        layer: [e for e in read.modelspace() if e.dxf.layer == layer]
        for layer in ("OLD_PIECE", "NEW_PIECE", "TRIM_LINE")
    }
    assert [len(r) for r in rings.values()] == [4, 4, 1]
    trim = np.array(rings["TRIM_LINE"][0].get_points("xy"))
    assert np.ptp(trim[:, 0]) == pytest.approx(100.0, abs=0.6)
    assert trim[:, 1] == pytest.approx(0.0, abs=0.6)
    assert read.units == 4
    assert comparison_drawing.dxf(found, "verdict") == comparison_drawing.dxf(found, "verdict")
    svg = SVG.parse(io.BytesIO(comparison_drawing.svg(found, "verdict")), ppi=25.4)
    groups = {g.id: list(g.select()) for g in svg.select() if getattr(g, "id", None)}
    paths = [p for p in groups["NEW_PIECE"] if isinstance(p, SvgPath)]
    x0, y0, x1, y1 = paths[0].bbox()
    assert (x1 - x0, y1 - y0) == pytest.approx((180.0, 132.0), abs=0.01)


def test_picture_and_plot_show_more_metal_in_orange(footplate: Pattern, remade: Pattern) -> None:
    found = compare(footplate, remade)
    for data in (
        comparison_picture.render(found, "verdict"),
        comparison_plot.render(found, "verdict"),
    ):
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        assert picture is not None
        b, g, r = (picture[:1450, :, i].astype(int) for i in range(3))  # above the colour bar
        assert ((r - b > 90) & (r > g)).sum() > 1500  # orange
        assert ((b - g > 60) & (b > r)).sum() < 50  # no purple


def test_history_as_a_picture_has_a_cell_for_each_trial_and_place() -> None:
    """Two trials and two places: orange cells for what is long, purple for what is short."""
    long, short = Trial("a", {"lower edge (E1)": 2.0}, 4.0, 0.7), {"left edge (E4)": -2.0}
    data = comparison_history.render("plate", [long, Trial("b", short, 4.0, 0.8)])
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    b, g, r = (picture[..., i].astype(int) for i in range(3))
    cell = 184 * 40
    for shade in ((r - b > 90) & (r > g), (b - g > 60) & (b > r)):
        assert shade.sum() == pytest.approx(cell, rel=0.15)  # its number is lettered over it
    _, columns = np.nonzero((r - b > 90) & (r > g))
    assert columns.max() < np.nonzero((b - g > 60) & (b > r))[1].min()  # the first one left


def test_colours_are_the_published_scheme() -> None:
    """PuOr, eleven classes, ColorBrewer 2.0: ends and middle (values from colorbrewer2.org)."""
    assert LESS_TO_MORE[0] == (0x2D, 0x00, 0x4B)
    assert LESS_TO_MORE[5] == (0xF7, 0xF7, 0xF7)
    assert LESS_TO_MORE[10] == (0x7F, 0x3B, 0x08)
    assert colour(5.0, 2.0) == LESS_TO_MORE[10]
    assert colour(-2.0, 2.0) == LESS_TO_MORE[0]
    assert [full_scale_mm(v) for v in (0.0, 0.13, 1.0, 2.1, 30.0)] == [0.1, 0.2, 1.0, 5.0, 50.0]


def test_history_keeps_a_size_that_differs(footplate: Pattern) -> None:
    wider = replace(footplate.openings[0], radius_mm=5.3)
    new = replace(footplate, name="new", openings=(wider, *footplate.openings[1:]))
    assert trial_of(compare(footplate, new)).off_mm == {"size of hole H1": pytest.approx(0.6)}


def test_a_piece_held_up_again_is_no_new_trial(digitize: Command, folder: Path) -> None:
    """The first one again after it was put right: nothing has come back."""
    pair = ("footplate.pattern.json", "remade.pattern.json", "--into", "fit", "--overwrite")
    history = folder / "fit" / "footplate.trials.json"
    digitize("compare", *pair)
    digitize("compare", "footplate.pattern.json", "fit/remade-trimmed.pattern.json", *pair[2:])
    once = history.read_text("utf-8")
    for again in ("remade.pattern.json", "fit/remade-trimmed.pattern.json"):
        _, out, _ = digitize("compare", pair[0], again, *pair[2:])
        assert "no trial was added" in out
        assert "new, +" not in out
        assert ("put right (was +2.0 mm)" in out) == ("trimmed" in again)
        assert history.read_text("utf-8") == once


def shades(data: bytes) -> tuple[int, int, int]:
    """How many pixels of a picture are orange, purple, and the blue-grey of what has moved."""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    b, g, r = (picture[..., i].astype(int) for i in range(3))
    moved = (np.abs(picture.astype(int) - np.array(MOVED[::-1])) < 4).all(axis=2)
    return (
        int(((r - b > 90) & (r > g)).sum()),
        int(((b - g > 60) & (b > r)).sum()),
        int(moved.sum()),
    )


def test_history_shows_a_moved_hole_as_neither_and_a_large_one_as_less_metal() -> None:
    names = {"hole H1": (0, 0, 1), "size of hole H1": (0, 1, 0), "lower edge (E1)": (1, 0, 0)}
    for place, seen in names.items():
        trial = Trial("a", {place: 1.4}, 4.0, 0.7)
        found = shades(comparison_history.render("plate", [trial]))
        assert tuple(n > 2000 for n in found) == tuple(map(bool, seen))


def test_gaps_are_positive_in_every_word_and_picture_of_a_fit(footplate: Pattern) -> None:
    """One edge 2 mm short, the opposite one 1 mm past its place: +gap, -overlap."""
    opening = replace(footplate, openings=())
    found = fit_in(opening, opening, FitInOptions(1.0)).comparison
    words = words_for(found)
    assert (words.positive, words.negative) == ("gap", "overlap")
    assert (words.mark("less"), words.mark("more")) == ("+", "-")
    trial = Trial("a", {"lower edge (E1)": -2.0, "upper edge (E3)": 1.0}, 4.0, 0.7, "the opening")
    assert [trial.said_mm(place) for place in trial.off_mm] == ["+2.0", "-1.0"]
    assert trial_of(found).in_opening
    lapped = words_for(fit_in(opening, opening, FitInOptions(1.0, lap_mm=3.0)).comparison)
    assert lapped.positive == "lap missing"
    assert lapped.mark("less") == "+"


def test_trials_against_another_thing_are_not_compared() -> None:
    butt = Trial("a", {"lower edge (E1)": -2.0}, 4.0, 0.7, "the opening")
    lapped = replace(butt, against="the opening, lap 5 mm")
    history = History.with_trial([butt], lapped)
    assert history.before is None
    assert len(history.trials) == 2
    assert loads(dumps("hole", history.trials)) == history.trials


def test_history_tells_what_changed() -> None:
    before = Trial("a", {"lower edge (E1)": 2.0, "left edge (E4)": -0.5, "hole H1": 0.4}, 4.0, 0.7)
    now = Trial("b", {"lower edge (E1)": 0.6, "hole H1": 0.4, "upper edge (E3)": 1.0}, 2.0, 0.8)
    assert changed(before, now) == [
        "lower edge (E1): was +2.0 mm, now +0.6 mm",
        "left edge (E4): put right (was -0.5 mm)",
        "hole H1: still 0.4 mm",
        "upper edge (E3): new, +1.0 mm",
    ]
    assert loads(dumps("plate", [before, now])) == (before, now)
    for text in ("", "[]", '{"schema": 9, "trials": []}', '{"schema": 1, "trials": [{}]}'):
        with pytest.raises(TrialsUnreadable, match="cannot be read"):
            loads(text)


def test_picture_lies_over_the_photo_of_the_new_piece(footplate: Pattern, remade: Pattern) -> None:
    """A photo that is black where the new piece's first hole is comes out dark there, faded."""
    pose = Pose(1.1, (40.0, 9.0))
    new = pose.pattern_back(remade)
    hole = new.openings[0]
    assert isinstance(hole, Circle)
    x, y = hole.centre_mm
    rgb = np.full((400, 400, 3), 255, np.uint8)
    rgb[180:220, 180:220] = 0  # 4 by 4 mm in the middle of 40 by 40 mm
    shown = TopdownPicture(rgb, (x - 20.0, y - 20.0, x + 20.0, y + 20.0))
    found = compare(footplate, new)
    data = comparison_picture.render(
        found, "verdict", backdrop=comparison_picture.Backdrop(shown, True)
    )
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    rows, columns = np.nonzero((np.abs(picture.astype(int) - 102) < 6).all(axis=2))
    px_per_mm = 2000.0 / (1.32 * 180.0)  # the longer side with its margins
    assert len(rows) == pytest.approx((4.0 * px_per_mm) ** 2, rel=0.5)
    # The hole lies 30.4 mm from the left edge, 42 mm from the lowest one.
    left = 0.16 * 180.0
    assert np.median(columns) == pytest.approx((left + 30.4) * px_per_mm, abs=6.0)


DOCS = Path(__file__).parents[3] / "docs" / "comparing.md"
COMMANDS = re.findall(r"^    (digitize .*)$", DOCS.read_text("utf-8"), re.MULTILINE)
OPTIONS = re.findall(r"^\| `(--[^`]*)`", DOCS.read_text("utf-8"), re.MULTILINE)


def test_documented_commands_and_options_run(
    digitize: Command, folder: Path, footplate: Pattern, remade: Pattern
) -> None:
    for name, pattern in (("old", footplate), ("new", remade), ("panel", remade)):
        (folder / f"{name}.pattern.json").write_text(document.dumps(pattern), "utf-8")
    (folder / "opening.pattern.json").write_text(document.dumps(footplate), "utf-8")
    pieces = [{"name": n, "box_mm": [[0, 0, z], [9, 9, z + 1]]} for n, z in (("a", 0), ("b", 1))]
    (folder / "job.json").write_text(json.dumps({"pieces": pieces}), "utf-8")
    patterns = [c for c in COMMANDS if ".jpg" not in c]  # photos: tests/photos
    assert len(patterns) == 4
    for command in patterns:
        code, _, err = digitize(
            *shlex.split(command)[1:], *(["--overwrite"] if "--into" in command else [])
        )
        assert code == 0, err
    assert len(OPTIONS) == 6
    for option in OPTIONS:
        pair = ("compare", "old.pattern.json", "new.pattern.json")
        assert digitize(*pair, *shlex.split(option))[0] == 0
