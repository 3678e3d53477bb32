"""Places given by shared edges: boxes and corners whose coordinates follow from their sizes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from scipy.spatial.transform import Rotation

from digitize.assembly.job import Job, JobUnreadable, read_job
from digitize.assembly.shape import NoEdge, Shape
from digitize.assembly.shared_edges import NotPlaced, Place
from digitize.bending.materials import material
from digitize.folding.from_pattern import blank_of
from digitize.pattern import document
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line

Row = dict[str, object]


def sheet(name: str, wide: float, high: float, bends: tuple[float, ...] = ()) -> Pattern:
    """E1 below, E2 right, E3 above, E4 left; bends run across, up to the traced face."""
    corners = [(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)]
    ends = [*corners[1:], corners[0]]
    outline = Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])
    lines = tuple(BendLine((0.0, y), (wide, y), 90.0, True, 1.0, traced="blank") for y in bends)
    return Pattern(name, outline, bends=lines, thickness_mm=1.0)


SHAPES = {
    "floor": sheet("floor", 200.0, 100.0),
    "long": sheet("long", 200.0, 50.0),
    "short": sheet("short", 100.0, 50.0),
    "narrow": sheet("narrow", 160.0, 50.0),
    "channel": sheet("channel", 200.0, 100.0, (30.0, 70.0)),
    "disc": Pattern("disc", Circle((0.0, 0.0), 40.0), thickness_mm=1.0),
}


def shape_named(name: str) -> Shape:
    pattern = SHAPES[name]
    thick = 2.0 if name == "long" else 1.0
    if pattern.bends:
        return Shape(pattern, thick, blank_of(pattern, material("mild-steel"), thick)[0])
    return Shape(pattern, thick)


def job(edges: list[Row], *, pieces: dict[str, Row] | None = None) -> Job:
    names = dict.fromkeys(str(row[key]) for row in edges for key in ("on", "piece"))
    rows = [{"name": n, "pattern": n.split("-")[0], **(pieces or {}).get(n, {})} for n in names]
    return read_job(json.dumps({"pieces": rows, "edges": edges}), shape_named)


def shared(piece: str, edge: str, on: str, on_edge: str, **more: object) -> Row:
    return {"piece": piece, "edge": edge, "on": on, "on_edge": on_edge, **more}


def box_of(made: Job, name: str) -> list[float]:
    (body,) = (b for b in made.bodies if b.name == name)
    return [*body.vertices_mm.min(axis=0), *body.vertices_mm.max(axis=0)]


@pytest.mark.parametrize(
    ("meeting", "expected"),
    [
        # The floor fills 0..200, 0..100, -1..0; the 2 mm sheet comes to its lower edge, y = 0.
        ({"how": "flush"}, [0, -50, -2, 200, 0, 0]),
        ({"angle_deg": 90}, [0, -2, 0, 200, 0, 50]),
        ({"angle_deg": -90}, [0, -2, -51, 200, 0, -1]),
        ({"how": "face to face"}, [0, 0, 0, 200, 50, 2]),
        ({"how": "back to back"}, [0, 0, -3, 200, 50, -1]),
        ({"lap_mm": 12, "lies": "over"}, [0, -38, 0, 200, 12, 2]),
        ({"lap_mm": 12, "lies": "under"}, [0, -38, -3, 200, 12, -1]),
    ],
)
def test_a_sheet_on_the_lower_edge_of_a_floor(meeting: Row, expected: list[float]) -> None:
    made = job([shared("long", "E1", "floor", "E1", **meeting)])
    assert box_of(made, "floor") == pytest.approx([0, 0, -1, 200, 100, 0], abs=1e-9)
    assert box_of(made, "long") == pytest.approx(expected, abs=1e-9)
    # The same said of the other piece, which then moves instead: they lie alike to each other.
    told = {"floor": {"at_mm": [7, -3, 11], "turn_deg": [20, 130, -75]}}
    moved = job([shared("long", "E1", "floor", "E1", **meeting)], pieces=told)
    back = job(
        [shared("long", "E1", "floor", "E1", **meeting)],
        pieces={"long": dict(zip(("at_mm", "turn_deg"), _said(moved, "long"), strict=True))},
    )
    for a, b in zip(moved.bodies, back.bodies, strict=True):
        assert b.vertices_mm == pytest.approx(a.vertices_mm, abs=1e-9)


def _said(made: Job, name: str) -> tuple[list[float], list[float]]:
    place = made.by_edges[name]
    return list(map(float, place.at_mm)), list(place.turn_deg)


def test_where_along_the_other_edge() -> None:
    """The narrow sheet is turned end for end, as neighbours' outlines run against each other."""
    for along, low in (("start", 0.0), ("middle", 20.0), ("end", 40.0)):
        made = job([shared("narrow", "E1", "floor", "E1", how="flush", along=along)])
        found = box_of(made, "narrow")
        assert (found[0], found[3]) == pytest.approx((low, low + 160.0), abs=1e-9)


def test_a_box_of_five_closes_and_one_wrong_angle_does_not() -> None:
    walls = [
        shared("long-a", "E1", "floor", "E1", angle_deg=90),
        shared("short-a", "E1", "floor", "E2", angle_deg=90),
        shared("long-b", "E1", "floor", "E3", angle_deg=90),
        shared("short-b", "E1", "floor", "E4", angle_deg=90),
    ]
    # The corner of two walls closes through the floor.  A wall is turned end for end, so its
    # left edge E4 is at the right end of the floor's edge.
    corner = shared("short-a", "E2", "long-a", "E4", angle_deg=90)
    made = job([*walls, corner])
    assert box_of(made, "short-a") == pytest.approx([200, 0, 0, 201, 100, 50], abs=1e-9)
    assert box_of(made, "long-b") == pytest.approx([0, 100, 0, 200, 102, 50], abs=1e-9)
    with pytest.raises(NotPlaced, match=r"E2 of short-a on E4 of long-a lies .* 10\.0° off"):
        job([*walls, {**corner, "angle_deg": 80}])
    # A chain alone places the fourth wall as the floor does.
    chain = [walls[0], corner, shared("long-b", "E2", "short-a", "E4", angle_deg=90)]
    assert box_of(job(chain), "long-b") == pytest.approx([0, 100, 0, 200, 102, 50], abs=1e-9)


def test_an_edge_of_a_bent_flange() -> None:
    """A sheet flush on top of a channel's wall stands in the wall's plane."""
    made = job([shared("long", "E1", "channel", "E3", how="flush")])
    wall, plate = box_of(made, "channel"), box_of(made, "long")
    assert plate[2] == pytest.approx(wall[5], abs=1e-6)  # it begins where the wall ends
    assert plate[5] - plate[2] == pytest.approx(50.0, abs=1e-6)
    assert plate[4] - plate[1] == pytest.approx(2.0, abs=1e-6)
    # Its traced face is flush with the inside of the channel, 1 mm within the outside.
    assert plate[1] == pytest.approx(wall[4] - 1.0, abs=1e-6)


def test_the_part_on_one_face_of_an_edge_that_runs_over_bends() -> None:
    """The channel's right edge: its floor between the bends drawn at 30 and 70 mm."""
    edge = shape_named("channel").edge("F2.E2")
    assert edge.start_mm == pytest.approx([200.0, 30.0, 0.0], abs=1e-6)
    assert edge.end_mm == pytest.approx([200.0, 70.0, 0.0], abs=1e-6)
    wall = shape_named("channel").edge("F3.E2")
    assert wall.axes[:, 0] == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)  # upright
    made = job(
        [shared("narrow", "E4", "channel", "F2.E2", how="flush", along="start")],
        pieces={"channel": {"at_mm": [0, 0, 0]}},
    )
    assert box_of(made, "narrow") == pytest.approx([200, 30, -1, 360, 80, 0], abs=1e-6)


def test_turns_as_a_rotation_library_has_them() -> None:
    for angles in ((10.0, 20.0, 30.0), (-170.0, 80.0, 5.0), (40.0, 90.0, 10.0), (0.0, -90.0, 77.0)):
        place = Place.said(angles, (0.0, 0.0, 0.0))
        assert place.turn == pytest.approx(
            Rotation.from_euler("xyz", angles, degrees=True).as_matrix(), abs=1e-12
        )
        assert Place.said(place.turn_deg, (0.0, 0.0, 0.0)).turn == pytest.approx(
            place.turn, abs=1e-7
        )


@pytest.mark.parametrize(
    ("edges", "kind", "words"),
    [
        ([shared("narrow", "E1", "floor", "E1", how="flush")], NotPlaced, "40.0 mm shorter"),
        ([shared("long", "E9", "floor", "E1", how="flush")], NoEdge, "no edge E9.*E1 to E4"),
        ([shared("long", "E1", "disc", "E1", how="flush")], NoEdge, "a round piece has none"),
        (
            [shared("long", "E1", "channel", "E2", how="flush")],
            NoEdge,
            'runs over a bend.*name its part on one face: "F1.E2", "F2.E2", "F3.E2"',
        ),
        ([shared("long", "E1", "channel", "F9.E2", how="flush")], NoEdge, "no face F9.*F1 to F3"),
        ([shared("long", "E1", "channel", "F1.E3", how="flush")], NoEdge, "not on face F1"),
        ([shared("long", "E1", "floor", "F1.E3", how="flush")], NoEdge, "no bends and so no face"),
        ([shared("long", "E1", "floor", "E1")], JobUnreadable, "how the sheets meet"),
        ([shared("long", "E1", "floor", "E1", how="nearby")], JobUnreadable, "face to face"),
        ([shared("long", "E1", "floor", "E1", how=["flush"])], JobUnreadable, "face to face"),
        ([shared("long", "E1", "floor", "E1", angle_deg=200)], JobUnreadable, "-180 to 180"),
        ([shared("long", "E1", "floor", "E1", angle_deg="up")], JobUnreadable, "no number"),
        ([shared("long", "E1", "floor", "E1", lap_mm=5)], JobUnreadable, '"over" or "under"'),
        ([shared("long", "E1", "floor", "E1", how="flush", along="x")], JobUnreadable, '"middle"'),
        ([shared("long", "E1", "long", "E2", how="flush")], JobUnreadable, "two different"),
        ([{"piece": "long"}], JobUnreadable, "on_edge"),
    ],
)
def test_what_does_not_determine_a_place_is_refused(
    edges: list[Row], kind: type[Exception], words: str
) -> None:
    names = dict.fromkeys(str(edges[0].get(key, "floor")) for key in ("on", "piece"))
    rows = [{"name": n, "pattern": n} for n in names]
    with pytest.raises(kind, match=words):
        read_job(json.dumps({"pieces": rows, "edges": edges}), shape_named)


def test_pieces_that_hang_on_nothing_placed_are_refused() -> None:
    edges = [shared("long", "E1", "floor", "E1", how="flush")]
    rows: list[Row] = [{"name": n, "pattern": n} for n in ("short", "floor", "long")]
    with pytest.raises(NotPlaced, match="where floor and long lie beside the other pieces"):
        read_job(json.dumps({"pieces": rows, "edges": edges}), shape_named)
    rows.append({"name": "bench", "box_mm": [[0, 0, 0], [1, 1, 1]]})
    on_bench = [*edges, shared("floor", "E1", "bench", "E1", how="flush")]
    with pytest.raises(NotPlaced, match="bench is a box and has no edge E1"):
        read_job(json.dumps({"pieces": rows, "edges": on_bench}), shape_named)
    with pytest.raises(JobUnreadable, match="edges is no list"):
        read_job(json.dumps({"pieces": rows, "edges": 5}), shape_named)


def test_the_documented_job_is_read() -> None:
    text = (Path(__file__).parents[3] / "docs" / "comparing.md").read_text("utf-8")
    (block,) = (b for b in text.split("\n\n") if '"edges": [' in b)
    sizes = {"floor": (200.0, 100.0), "side": (200.0, 40.0), "patch": (60.0, 30.0)}
    made = read_job(
        block, lambda name: Shape(sheet(name, *sizes[name.split(".", maxsplit=1)[0]]), 1.0)
    )
    assert box_of(made, "side") == pytest.approx([0, 100, 0, 200, 101, 40], abs=1e-9)
    # Turned end for end, 12 mm under the floor's left edge, in the middle of it.
    assert box_of(made, "patch") == pytest.approx([-48, 35, -2, 12, 65, -1], abs=1e-9)


def test_the_command_says_where_pieces_lie(digitize: Callable[..., tuple[int, str, str]]) -> None:
    for name in ("channel", "floor"):
        Path(f"{name}.json").write_text(document.dumps(SHAPES[name]), "utf-8")
    rows = [{"name": n, "pattern": f"{n}.json"} for n in ("channel", "floor")]
    # A lid on the channel's far wall, over its mouth: it turns square toward the traced face.
    edges = [shared("floor", "E1", "channel", "E3", angle_deg=90)]
    Path("job.json").write_text(json.dumps({"pieces": rows, "edges": edges}), "utf-8")

    def assemble(*words: str) -> str:
        code, out, _ = digitize("assemble", "job.json", *words)
        assert code == 0
        return out

    out = assemble()
    assert out.splitlines()[1:3] == ["1. channel", "2. floor, from above"]
    assert out.splitlines()[0].endswith("by its edges")
    in_inches = assemble("--units", "in").splitlines()[0]
    assert in_inches.startswith("floor lies at 0, 2.75, 1.18 in, turned")
    said = json.loads(assemble("--json"))
    place = said["places"]["floor"]
    # The wall's inside: half the allowance, 1.1 mm, of its 30 mm is in the bend of 1 mm radius.
    assert place["at_mm"] == pytest.approx([0.0, 69.9, 29.9], abs=0.1)
    assert place["turn_deg"] == pytest.approx([180.0, 0.0, 0.0])
