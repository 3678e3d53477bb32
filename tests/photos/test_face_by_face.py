"""A folded cover, each face photographed alone, joined on the real command line.

Four path-traced photos in samples/face-by-face; the renderer's scene is the truth.
"""

import contextlib
import io
import json
import re
import shlex
import sys
from pathlib import Path

import joined_faces
import numpy as np
import pytest

from digitize.cli.main import run
from digitize.pattern import document
from digitize.pattern.soundness import fault
from digitize.sheets.page import bars_mm


def digitize(*words):
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
    assert code == 0, err.getvalue()
    return out.getvalue()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Folder with the faces and the cover, and what ``join`` said."""
    folder = tmp_path_factory.mktemp("faces") / "cover"
    across, up = bars_mm("ring", "A4", "mm")
    sx, sy = joined_faces.bars_said()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
        bars = ("--across", f"{sx * across:.2f}", "--up", f"{sy * up:.2f}")
        digitize("printer", "works", *bars)
        for photo in joined_faces.photos():
            digitize(
                "trace", photo, "--mode", "silhouette", "-t", "1.5", "--printer", "works",
                "--into", folder, "--json",
            )  # fmt: skip
        faces = [folder / f"{name}.pattern.json" for name in joined_faces.NAMES]
        said = digitize(
            "join", *faces, "--bend", "all toward 90 r1.5", "--name", "cover", "--into", folder,
            "--json",
        )  # fmt: skip
    return folder, json.loads(said)


def test_the_far_edge_lies_within_0_4_mm_and_within_its_stated_bounds(made):
    folder, _ = made
    cover = document.loads((folder / "cover.pattern.json").read_text())
    off = joined_faces.off_mm(cover, document.loads((folder / "face-a.pattern.json").read_text()))
    assert len(off.far_edge) > 150
    assert np.abs(off.far_edge).max() < 0.4
    assert np.abs(off.far_edge).max() < cover.precision.expanded_mm(206.0)
    assert off.outline.max() < 0.4
    assert len(off.holes) == len(cover.openings) == 7
    assert off.holes.max() < 0.4
    assert fault(cover) is None


def test_the_sides_of_the_bends_are_found_by_themselves(made):
    _, said = made
    joints = said["joints"]
    assert [(j["one"][0], j["other"][0]) for j in joints] == [("A", "B"), ("A", "D"), ("B", "C")]
    for joint, true_mm in zip(joints, (170.0, 112.0, 152.0), strict=True):
        assert abs(joint["length_mm"] - true_mm) < 0.2
        assert abs(joint["difference_mm"]) < 2 * joint["u_difference_mm"]


def test_documented_commands_run(made, monkeypatch):
    folder, _ = made
    monkeypatch.chdir(folder.parent)
    text = (Path(__file__).parents[2] / "docs" / "face-by-face.md").read_text("utf-8")
    (block,) = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    commands = block.replace("\\\n", " ").splitlines()
    assert len(commands) == 2
    for command in commands:
        assert "A.E2 B.E2" in digitize(*shlex.split(command)[1:], "--overwrite")


def test_the_joined_cover_can_be_developed(made):
    folder, _ = made
    digitize("blank", folder / "cover.pattern.json", "--into", folder, "--json")
    blank = document.loads((folder / "cover-blank.pattern.json").read_text())
    assert {b.traced for b in blank.bends} == {"blank"}
    assert len(blank.bends) == 3
