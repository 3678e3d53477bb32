"""``digitize assemble`` on folded patterns, as a person runs it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.assembly.job import JobUnreadable, read_job
from digitize.assembly.sheet import sheet
from digitize.pattern import document
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line

Command = Callable[..., tuple[int, str, str]]


def strip(name: str, long: float, bends: tuple[float, ...]) -> Pattern:
    """A strip 200 mm wide, bent up to the traced face at these places along it."""
    corners = [(0.0, 0.0), (200.0, 0.0), (200.0, long), (0.0, long)]
    ends = [*corners[1:], corners[0]]
    outline = Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])
    lines = tuple(BendLine((0.0, y), (200.0, y), 90.0, True, 1.0, traced="blank") for y in bends)
    return Pattern(name, outline, bends=lines, thickness_mm=1.0)


def write(name: str, pieces: list[dict[str, object]], **more: object) -> None:
    Path(name).write_text(json.dumps({"pieces": pieces, **more}), "utf-8")


# Ends that keep everything from sliding out lengthwise.
ENDS = [[[-2, -50, -50], [-1, 90, 90]], [[201, -50, -50], [202, 90, 90]]]


def test_order_of_a_folded_tray_and_its_lid(digitize: Command, tmp_path: Path) -> None:
    """A channel stands on the bench; a flat floor lies in it, so it goes in after."""
    for pattern in (strip("channel", 100.0, (30.0, 70.0)), strip("floor", 30.0, ())):
        Path(f"{pattern.name}.pattern.json").write_text(document.dumps(pattern), "utf-8")
    bench = [*ENDS, [[-2, -50, -50], [202, 90, -1.5]]]
    pieces: list[dict[str, object]] = [
        {"name": "floor", "pattern": "floor.pattern.json", "at_mm": [0, 35, 3]},
        {"name": "channel", "pattern": "channel.pattern.json"},
        {"name": "bench", "box_mm": bench, "fixed": True},
    ]
    write("job.json", pieces)
    code, out, _ = digitize("assemble", "job.json", "--into", "steps")
    assert code == 0
    assert out.splitlines()[:3] == [
        "1. bench",
        "2. channel, from above",
        "3. floor, from above",
    ]
    said = json.loads(digitize("assemble", "job.json", "--json")[1])
    assert [s["pieces"] for s in said["steps"]] == [["channel"], ["floor"]]
    assert said["stuck"] is None
    assert said["work"]["moves"] == sum(s["work"]["moves"] for s in said["steps"])
    assert [0.0, 0.0, 1.0] in said["directions"]["along_faces"]
    Path("file").write_text("x")
    code, _, err = digitize("assemble", "job.json", "--into", "file")
    assert code == 8
    assert "the folder cannot be made (file)" in err
    for number in (1, 2, 3):
        assert (tmp_path / "steps" / "job-finished.png").is_file()
        path = tmp_path / "steps" / f"job-step-{number}.png"
        picture = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        assert picture is not None
        b, _, r = (picture[..., i].astype(int) for i in range(3))
        assert (r - b > 40).sum() > 500  # what comes in is tinted


def test_a_hook_is_stuck_and_the_flange_that_frees_it_is_named(digitize: Command) -> None:
    """A channel with a lip closes round a fixed rail."""
    hook = strip("hook", 88.0, (20.0, 60.0, 80.0))
    Path("hook.pattern.json").write_text(document.dumps(hook), "utf-8")
    rail = [*ENDS, [[-1, 24, 3], [201, 56, 15]]]
    write(
        "job.json",
        [
            {"name": "rail", "box_mm": rail, "fixed": True},
            {"name": "hook", "pattern": "hook.pattern.json"},
        ],
    )
    code, out, _ = digitize("assemble", "job.json")
    assert code == 10
    assert "rail and hook block each other" in out
    frees = [line for line in out.splitlines() if line.startswith("This frees hook: ")]
    assert len(frees) == 3  # either wall or the lip
    assert "leave the bend B3 of hook flat until it is fitted" in out


def test_what_is_not_said_of_a_piece_is_asked_or_told_with_its_name(digitize: Command) -> None:
    tray = strip("tray", 80.0, (30.0,))
    write("job.json", [{"name": "tray", "pattern": "tray.json"}])
    bend = replace(tray.bends[0], traced="outside")
    Path("tray.json").write_text(document.dumps(replace(tray, bends=(bend,))), "utf-8")
    assert "Note: tray.json: B1: bent by the default law" in digitize("assemble", "job.json")[1]
    said = json.loads(digitize("assemble", "job.json", "--json")[1])
    assert said["notices"][0]["code"] == "law-assumed"
    unsaid = replace(bend, toward_face=None)
    Path("tray.json").write_text(document.dumps(replace(tray, bends=(unsaid,))), "utf-8")
    code, _, err = digitize("assemble", "job.json")
    assert code == 2
    assert "which way B1 is bent (tray.json): develop it with 'digitize blank'" in err
    bare = replace(tray, bends=(), thickness_mm=None)
    Path("tray.json").write_text(document.dumps(bare), "utf-8")
    code, _, err = digitize("assemble", "job.json")
    assert code == 2
    assert "how thick the sheet is (tray.json): give --thickness" in err


def test_a_flat_piece_is_a_closed_mesh() -> None:
    plate = strip("plate", 50.0, ())
    plate = Pattern("plate", plate.outline, (Circle((50.0, 25.0), 10.0),))
    body = sheet("plate", plate, 2.0)
    edges: dict[tuple[int, int], int] = {}
    for triangle in body.triangles.tolist():
        for a, b in zip(triangle, (*triangle[1:], triangle[0]), strict=True):
            edges[a, b] = edges.get((a, b), 0) + 1
    assert all(n == 1 and edges.get((b, a)) == 1 for (a, b), n in edges.items())
    v = body.vertices_mm[body.triangles]
    volume = np.einsum("ij,ij->i", v[:, 0], np.cross(v[:, 1], v[:, 2])).sum() / 6
    assert volume == pytest.approx((200 * 50 - np.pi * 100) * 2.0, rel=1e-3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "no JSON"),
        ("[]", "lists no pieces"),
        ('{"pieces": []}', "no job"),
        ('{"pieces": [{"pattern": "a"}]}', "no name"),
        ('{"pieces": [{"name": "a"}]}', "neither pattern nor box_mm"),
        ('{"pieces": [{"name": "a", "box_mm": 5}]}', "not \\[\\["),
        ('{"pieces": [{"name": "a", "box_mm": []}]}', "not \\[\\["),
        ('{"pieces": [{"name": "a", "box_mm": [[0,0],[1,1,1]]}]}', "not \\[\\["),
        ('{"pieces": [{"name": "a", "box_mm": [[0,0,0],[1,-1,1]]}]}', "not \\[\\["),
        ('{"pieces": [{"name": "a", "box_mm": [[0,0,NaN],[1,1,1]]}]}', "not \\[\\["),
        ('{"pieces": [{"name": "a", "box_mm": [[0,0,0],[1e400,1,1]]}]}', "not \\[\\["),
        ("[" * 100_000, "nested too deeply"),
        ('{"pieces": [{"name": "a", "box_mm": [[0,0,0],[1,1,1]], "at_mm": [1]}]}', "three numbers"),
        (
            '{"pieces": [{"name": "a", "box_mm": [[0,0,0],[1,1,1]]},'
            ' {"name": "a", "box_mm": [[0,0,0],[1,1,1]]}]}',
            "two pieces",
        ),
        (
            '{"pieces": [{"name": "a", "box_mm": [[0,0,0],[1,1,1]]}],'
            ' "behind": [{"inner": "a", "outer": "b", "toward": [0,0,1]}]}',
            "names of pieces",
        ),
        (
            '{"pieces": [{"name": "a", "box_mm": [[0,0,0],[1,1,1]]}],'
            ' "behind": [{"inner": ["a"], "outer": "a", "toward": [0,0,1]}]}',
            "names of pieces",
        ),
    ],
)
def test_bad_placement_files_say_where(text: str, words: str) -> None:
    def never(name: str) -> object:
        raise AssertionError(name)

    with pytest.raises(JobUnreadable, match=words):
        read_job(text, never)  # type: ignore[arg-type]
