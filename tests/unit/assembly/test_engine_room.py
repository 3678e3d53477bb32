"""The engine room of a narrow boat: a floor tray, a side whose foot tucks under it, a bracket.

The floor has one flange up and one down, the side a foot turned in and a top turned out, and
the places of the sides follow from edges that they share.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from digitize.pattern import document
from digitize.pattern.contour import Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line

Row = dict[str, object]

HULL = [
    [[-40, -20, -60], [-5, 380, 170]],  # the side hangs over this
    [[-5, -20, -60], [420, 380, -58]],
    [[-40, -30, -60], [420, -20, 250]],
    [[-40, 380, -60], [420, 390, 250]],
]
DECK = [[-40, -20, 217.5], [-4.5, 380, 225]]  # over the top of the side
RIB = [[37, 50, -58], [45, 310, -1.5]]  # before the side's foot


def folded(name: str, wide: float, widths: tuple[float, ...], ways: tuple[bool, ...]) -> None:
    """A strip of faces so wide over outside; each bend 90 degrees, toward the face or away."""
    high = sum(widths)
    corners = [(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)]
    ends = [*corners[1:], corners[0]]
    outline = Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])
    at = [sum(widths[: k + 1]) for k in range(len(ways))]
    bends = tuple(
        BendLine((0.0, y), (wide, y), 90.0, way, 2.0, traced="outside")
        for y, way in zip(at, ways, strict=True)
    )
    pattern = Pattern(name, outline, bends=bends, thickness_mm=1.5)
    Path(f"{name}.pattern.json").write_text(document.dumps(pattern), "utf-8")


@pytest.fixture
def assemble(digitize: Callable[..., tuple[int, str, str]]) -> Callable[..., tuple[int, list[str]]]:
    """The bay with more boxes of hull; ``lap`` is how far the side's foot goes under the floor."""
    folded("floor", 400.0, (30.0, 300.0, 40.0), (False, True))
    folded("side", 280.0, (40.0, 220.0, 30.0), (True, False))
    folded("bracket", 40.0, (15.0, 45.0), (True,))

    def command(
        *more: object, lap: float = 36.0, words: tuple[str, ...] = ()
    ) -> tuple[int, list[str]]:
        pieces: list[Row] = [
            {"name": "floor", "pattern": "floor.pattern.json", "at_mm": [0, 0, 0]},
            {"name": "side", "pattern": "side.pattern.json"},
            {
                "name": "bracket",
                "pattern": "bracket.pattern.json",
                "at_mm": [1, 180, 0],
                "turn_deg": [90, 0, 90],
            },
            {"name": "hull", "box_mm": [*HULL, *more], "fixed": True},
        ]
        edge = {"piece": "side", "edge": "E1", "on": "floor", "on_edge": "F2.E4", "lap_mm": lap}
        edges = [edge | {"lies": "under", "along": "middle"}]
        Path("bay.json").write_text(json.dumps({"pieces": pieces, "edges": edges}), "utf-8")
        code, out, err = digitize("assemble", "bay.json", *words)
        return code, (out + err).splitlines()

    return command


def test_the_floor_traps_the_side_and_so_comes_after_it(assemble) -> None:
    code, said = assemble()
    assert code == 0
    assert said[:5] == [
        "side lies at -2.5, 40, -43 mm, turned 90, 0, 90°, by its edges",
        "1. hull",
        "2. side, from above",
        "3. floor, from above",
        "4. bracket, from above",
    ]


def test_under_a_deck_the_side_comes_in_sideways(assemble) -> None:
    code, said = assemble(DECK)
    assert code == 0
    assert said[2] == "2. side, from the right"


def test_the_flange_that_is_in_the_way_is_named(assemble, tmp_path: Path) -> None:
    code, said = assemble(DECK, RIB, words=("--into", "steps"))
    assert code == 10
    assert "No order found: side and hull block each other." in said
    assert "Stuck together: side, hull." in said
    frees = [line for line in said if line.startswith("This frees side: ")]
    assert frees == ["This frees side: leave the bend B2 of side flat until it is fitted."]
    assert any(line.startswith("Ways in along faces: ") for line in said)
    assert any("turning a piece as it goes in" in line for line in said)
    assert (tmp_path / "steps" / "bay-stuck.png").read_bytes().startswith(b"\x89PNG")


def test_a_lap_that_leaves_no_room_for_the_bend_is_no_order_but_a_wrong_place(assemble) -> None:
    """At 38.5 mm the floor's edge touches the side's wall, and lies in its rounded foot."""
    code, said = assemble(lap=38.5)
    assert code == 10
    assert "lie in each other" in said[1]
    assert said[2].startswith("floor and side: at least 1")
    assert not any(line.startswith("This frees") for line in said)
    said = json.loads("\n".join(assemble(lap=38.5, words=("--json",))[1]))
    assert {"floor", "side"} in [set(o["pieces"]) for o in said["overlaps"]]
