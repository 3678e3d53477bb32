"""Every command given every kind of wrong file: one sentence, a code, and nothing written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from digitize.pattern import document
from digitize.pattern.contour import Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line

WRONG = {
    "text.txt": b"buy snips\n",
    "empty.json": b"",
    "other kind.json": b'{"name": "x", "version": "1.0", "dependencies": {}}',
    "list.json": b"[1, 2]",
    "bytes.json": bytes(range(256)) * 10,
    "deep.json": b"[" * 100_000,
    "nän.json": b'{"pieces": [{"name": "a", "box_mm": [[0, 0, NaN], [1, 1, 1]]}]}',
    "sheet.pdf": b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n",
}

COMMANDS = {
    "trace": ["trace", "WRONG"],
    "trace several": ["trace", "WRONG", "text.txt"],
    "check": ["check", "WRONG"],
    "phone": ["phone", "main", "WRONG"],
    "sizes": ["sizes", "WRONG"],
    "draw": ["draw", "WRONG", "out.dxf"],
    "blank": ["blank", "WRONG"],
    "fold": ["fold", "WRONG", "out.glb"],
    "join": ["join", "good.json", "WRONG"],
    "compare": ["compare", "good.json", "WRONG", "--into", "out"],
    "fit": ["fit", "WRONG", "good.json", "-t", "1", "--into", "out"],
    "assemble": ["assemble", "WRONG", "--into", "out"],
    "plan": ["plan", "WRONG", "--sheet", "out.pdf"],
    "nest": ["nest", "WRONG", "--sheet", "1000x500"],
    "off-cut": ["nest", "good.json", "--offcut", "WRONG"],
    "samples": ["samples", "WRONG"],
    "a printer's profile": ["trace", "text.txt", "--printer", "WRONG"],
    "a phone's profile": ["trace", "text.txt", "--phone", "WRONG"],
    "a tool": ["plan", "good.json", "--tool", "WRONG"],
}


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_a_wrong_file_is_answered_by_one_sentence(
    digitize: Callable[..., tuple[int, str, str]], tmp_path: Path, words: list[str]
) -> None:
    for name, data in WRONG.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "a folder").mkdir()
    corners = [(0.0, 0.0), (80.0, 0.0), (80.0, 60.0), (0.0, 60.0)]
    outline = Contour.of(
        [Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    )
    bend = BendLine((0.0, 20.0), (80.0, 20.0), 90.0, True, 1.0, traced="outside")
    good = Pattern("good", outline, bends=(bend,), thickness_mm=1.0)
    (tmp_path / "good.json").write_text(document.dumps(good), "utf-8")
    before = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")}
    for name in (*WRONG, "a folder", "missing.json"):
        code, out, err = digitize(*(name if word == "WRONG" else word for word in words))
        assert code not in (0, 9, 10), name
        assert out == "", name
        assert err.startswith("digitize: "), name
        assert err.count("\n") == 1, name
        assert {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")} == before, name
