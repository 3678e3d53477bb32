"""Textbook cases of assembly with straight moves.

The peg in its hole and the two pieces that only come out together are the standing examples
of the field: R. H. Wilson and J.-C. Latombe, "Geometric reasoning about mechanical
assembly", Artificial Intelligence 71 (1994); B. K. Natarajan, "On planning assemblies", Proc.
4th ACM Symposium on Computational Geometry (1988).  Shapes are our own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.spatial import SphericalVoronoi

from digitize.assembly.body import Body, box, joined, turned
from digitize.assembly.directions import SPREAD_DEG, spread, words
from digitize.assembly.freeing import Alternative, ways_out
from digitize.assembly.order import Behind, Blocking, Plan, Stuck, plan_of
from digitize.assembly.overlap import overlaps
from digitize.assembly.sweep import Shadow, blocks


def assembly_order(bodies: Sequence[Body], behind: Sequence[Behind] = ()) -> Plan:
    return plan_of(Blocking(bodies, behind))


def block_with_a_blind_hole() -> Body:
    return joined(
        "block",
        [
            box("", (0, 0, 0), (30, 30, 5)),
            box("", (0, 0, 5), (10, 30, 30)),
            box("", (20, 0, 5), (30, 30, 30)),
            box("", (10, 0, 5), (20, 10, 30)),
            box("", (10, 20, 5), (20, 30, 30)),
        ],
    )


PEG = box("peg", (10, 10, 5), (20, 20, 40))


@pytest.mark.parametrize("turn_deg", [(0, 0, 0), (20, -35, 70)])
def test_a_peg_goes_into_its_hole_one_way_only(turn_deg: tuple[float, float, float]) -> None:
    bodies = [b.moved(turn_deg, (5, 6, 7)) for b in (block_with_a_blind_hole(), PEG)]
    plan = assembly_order(bodies)
    assert plan.stuck is None
    (step,) = plan.steps
    expected = turned(turn_deg) @ (0, 0, -1)
    sense = 1.0 if step.pieces == ("peg",) else -1.0  # the block may be put over the peg
    assert sense * np.array(step.along) == pytest.approx(expected, abs=1e-9)
    assert step.work.moves > 0
    assert step.work.pairs > 0


def test_a_lid_goes_on_after_what_it_covers() -> None:
    short = box("peg", (10, 10, 5), (20, 20, 30))
    lid = box("lid", (0, 0, 30), (30, 30, 33))
    plan = assembly_order([lid, short, block_with_a_blind_hole()])
    assert [s.pieces for s in plan.steps] == [("peg",), ("lid",)]
    assert words(-np.array(plan.steps[0].along)) == "from above"


def tongue_and_groove() -> tuple[Body, Body]:
    """They come apart sideways only: a tongue of one lies in a groove of the other."""
    tongue = joined("tongue", [box("", (0, 0, 0), (10, 10, 10)), box("", (10, 0, 4), (14, 10, 6))])
    groove = joined(
        "groove",
        [
            box("", (14, 0, 0), (24, 10, 10)),
            box("", (10, 0, 0), (14, 10, 4)),
            box("", (10, 0, 6), (14, 10, 10)),
        ],
    )
    return tongue, groove


def tray() -> Body:
    """Walls all round them, open at the top."""
    walls = [
        box("", (-5, -5, -5), (29, 15, 0)),
        box("", (-5, -5, 0), (0, 15, 10)),
        box("", (24, -5, 0), (29, 15, 10)),
        box("", (0, -5, 0), (24, 0, 10)),
        box("", (0, 10, 0), (24, 15, 10)),
    ]
    return joined("tray", walls, fixed=True)


def test_two_pieces_that_must_go_in_together_are_reported_so() -> None:
    plan = assembly_order([tray(), *tongue_and_groove()])
    assert plan.stuck is None
    first, second = plan.steps
    assert len(first.pieces) == 1  # put together outside
    assert set(first.pieces) | set(first.onto) == {"tongue", "groove"}
    assert abs(first.along[2]) < 1e-9
    assert set(second.pieces) == {"tongue", "groove"}
    assert second.onto == ("tray",)
    assert words(-np.array(second.along)) == "from above"


def test_a_shut_box_is_stuck_and_names_the_pair() -> None:
    shut = joined("tray", [tray(), box("", (-5, -5, 10), (29, 15, 14))], fixed=True)
    plan = assembly_order([shut, *tongue_and_groove()])
    assert plan.stuck is not None
    assert set(plan.stuck.pieces) == {"tray", "tongue", "groove"}
    assert "tray" in plan.stuck.pair


def floor_and_wall() -> list[Body]:
    """Between two fixed frames a floor lies on a wall's foot flange and under its top flange."""
    frames = joined(
        "frames",
        [box("", (-2, -60, -60), (0, 140, 160)), box("", (100, -60, -60), (102, 140, 160))],
        fixed=True,
    )
    wall = joined(
        "wall",
        [
            box("", (0, 0, 0), (100, 1, 100)),
            box("", (0, 1, 0), (100, 21, 1)),
            box("", (0, -19, 99), (100, 0, 100)),
        ],
    )
    floor = box("floor", (0, 1, 1), (100, 80, 2))
    beam = box("beam", (0, -30, 100), (100, 80, 102))
    return [frames, wall, floor, beam]


def test_sheets_that_lie_against_each_other_slide() -> None:
    plan = assembly_order(floor_and_wall())
    assert plan.stuck is None
    assert {s.pieces for s in plan.steps} == {("wall",), ("floor",), ("beam",)}


def test_leaving_a_flange_flat_or_reversing_a_lap_is_found_by_trying() -> None:
    """A channel closed round a fixed rail: its lip hooks it in every direction."""
    rail = box("rail", (0, 0, 0), (200, 10, 10))
    ends = [box("", (-1, -20, -20), (0, 30, 30)), box("", (200, -20, -20), (201, 30, 30))]
    fixed = joined("rail", [rail, *ends], fixed=True)
    web = box("", (0, -1, -1), (200, 0, 11))
    top, foot = box("", (0, 0, 10), (200, 10, 11)), box("", (0, 0, -1), (200, 10, 0))
    lip = box("", (0, 10, 5), (200, 11, 11))
    channel = joined("channel", [web, top, foot, lip])
    flat_lip = joined("channel", [web, top, foot, box("", (0, 10, 10), (200, 16, 11))])
    plan = assembly_order([fixed, channel])
    assert plan.stuck is not None
    assert plan.stuck.pair == ("rail", "channel")
    options = [
        Alternative(channel, "leave the bend B1 of channel flat until it is fitted"),
        Alternative(flat_lip, "leave the bend B3 of channel flat until it is fitted"),
    ]
    blocking = Blocking([fixed, channel])
    ways = ways_out(blocking, plan.stuck, options)
    assert [w.words for w in ways] == ["leave the bend B3 of channel flat until it is fitted"]
    assert words(-np.array(ways[0].plan.steps[0].along)) == "from the front"


def test_reversing_a_lap_frees_two_panels() -> None:
    """The left one comes out to the viewer only, the right one only past where the left one was."""
    case = [
        box("", (-2, 3, -1), (201, 4, 91)),  # behind both
        box("", (100, -1, 0), (200, 1, 50)),  # before the right one
        box("", (200, -1, -1), (201, 3, 91)),
        box("", (0, 1, -1), (200, 3, 0)),
        box("", (100, 1, 50), (200, 3, 51)),  # over the right one, beside the left one
        box("", (-2, 1, 60), (0, 3, 91)),  # beside the left one, above the right one's way
        box("", (0, 1, 90), (100, 3, 91)),
    ]
    frame = joined("case", case, fixed=True)
    left, right = box("left", (0, 1, 0), (100, 2, 90)), box("right", (100, 1, 0), (200, 2, 50))
    toward = (0.0, -1.0, 0.0)
    blocking = Blocking([frame, left, right], [Behind("left", "right", toward)])
    plan = plan_of(blocking)
    assert plan.stuck is not None
    (way,) = ways_out(blocking, Stuck(plan.stuck.pieces, ("left", "right")), ())
    assert way.words == "lap right behind left instead"
    assert way.plan.stuck is None
    assert [s.pieces for s in way.plan.steps] == [("right",), ("left",)]
    assert words(-np.array(way.plan.steps[0].along)) == "from the left"


def test_what_is_known_of_the_other_pieces_is_kept() -> None:
    bodies = floor_and_wall()
    blocking = Blocking(bodies)
    plan_of(blocking)
    beam = box("beam", (0, -30, 102), (100, 80, 104))
    other = blocking.with_other(beam)
    fresh = Blocking(bodies)
    names = [b.name for b in bodies if b.name != "beam"]
    for way in range(fresh.directions.led):
        for a in names:
            for b in names:
                if a != b:
                    assert other.runs_into(a, b, way) == fresh.runs_into(a, b, way)
    assert other.work.pairs < fresh.work.pairs
    up = int(np.argmax(blocking.directions.unit[:, 2]))
    assert other.runs_into("wall", "beam", up)


def test_laps_order_panels_that_only_touch() -> None:
    frame = joined(
        "frame",
        [
            box("", (-9, 0, -9), (0, 3, 99)),
            box("", (200, 0, -9), (209, 3, 99)),
            box("", (-9, 3, -9), (209, 4, 99)),
            box("", (-9, 0, 90), (209, 3, 99)),
            box("", (-9, 0, -9), (209, 3, 0)),
        ],
        fixed=True,
    )
    left, right = box("left", (0, 1, 0), (100, 2, 90)), box("right", (100, 1, 0), (200, 2, 90))
    toward = (0.0, -1.0, 0.0)
    plan = assembly_order([frame, left, right], [Behind("left", "right", toward)])
    assert [s.pieces for s in plan.steps] == [("left",), ("right",)]
    plan = assembly_order([frame, left, right], [Behind("right", "left", toward)])
    assert [s.pieces for s in plan.steps] == [("right",), ("left",)]
    both = [Behind("right", "left", toward), Behind("left", "right", toward)]
    plan = assembly_order([frame, left, right], both)
    assert plan.stuck is None  # they go in together
    assert len(plan.steps[-1].pieces) == 2


def swept_together(a: Body, b: Body, direction: np.ndarray) -> bool:
    """Whether some place of one convex block, moved ahead, is a place of the other: a linear
    programme (scipy, HiGHS) over weights of their corners and the way moved."""
    n, m = len(a.vertices_mm), len(b.vertices_mm)
    equal = np.zeros((5, n + m + 1))
    equal[:3, :n], equal[:3, n : n + m] = a.vertices_mm.T, -b.vertices_mm.T
    equal[:3, -1] = direction
    equal[3, :n] = equal[4, n : n + m] = 1.0
    done = linprog(np.zeros(n + m + 1), A_eq=equal, b_eq=[0, 0, 0, 1, 1], bounds=(0, None))
    return bool(done.status == 0)


def test_sweeps_of_convex_blocks_agree_with_linear_programming() -> None:
    rng = np.random.default_rng(11)
    told = []
    for _ in range(150):
        a = box("a", (0, 0, 0), rng.uniform(5, 20, 3)).moved(rng.uniform(0, 360, 3), (0, 0, 0))
        at = rng.normal(size=3)
        at *= 45.0 / np.linalg.norm(at)
        b = box("b", (0, 0, 0), rng.uniform(5, 20, 3)).moved(rng.uniform(0, 360, 3), at)
        direction = at / 45.0 + rng.normal(0.0, 0.35, 3)
        direction /= np.linalg.norm(direction)
        found = blocks(Shadow(a, direction), Shadow(b, direction), 1e-6)
        assert found == swept_together(a, b, direction)
        assert not blocks(Shadow(b, direction), Shadow(a, direction), 1e-6) or not found
        told.append(found)
    assert 30 < sum(told) < 120  # both answers came up often


def test_eight_pieces() -> None:
    """A box of sheets with flanges turned in and a floor: it comes apart, one by one."""
    walls = []
    for k in range(4):
        wall = joined(
            f"wall {k + 1}",
            [
                box("", (-50, 50, 0), (50, 51, 60)),
                box("", (-39, 40, 0), (39, 50, 1)),
            ],
        )
        walls.append(wall.moved((0, 0, 90 * k), (0, 0, 0)))
    floor = box("floor", (-49, -49, 1), (49, 49, 2))
    shelf = box("shelf", (-49, -49, 30), (49, 49, 31))
    lid = joined(
        "lid", [box("", (-52, -52, 60), (52, 52, 61)), box("", (-53, -52, 50), (-52, 52, 61))]
    )
    ground = box("ground", (-100, -100, -5), (100, 100, 0))
    ground = Body("ground", ground.vertices_mm, ground.triangles, fixed=True)
    plan = assembly_order([*walls, floor, shelf, lid, ground])
    assert plan.stuck is None
    order = [p for s in plan.steps for p in s.pieces]
    assert sorted(order) == sorted(["lid", "shelf", "floor", *(w.name for w in walls)])
    assert sum(s.work.moves for s in plan.steps) == plan.work.moves < 8 * 8


def test_the_spread_directions_leave_no_gap_wider_than_said() -> None:
    """Against the Voronoi diagram on the sphere of another library."""
    points = spread()
    diagram = SphericalVoronoi(points)
    cosines = [
        (diagram.vertices[region] @ point).min()
        for point, region in zip(points, diagram.regions, strict=True)
    ]
    widest = np.degrees(np.arccos(min(cosines)))
    assert 0.9 * SPREAD_DEG < widest <= SPREAD_DEG


def test_the_only_way_out_is_slanted_and_found_exactly() -> None:
    """A bar lies in a slanted socket, among larger plates that lean every way."""
    socket = [
        box("", (-5, -20, -20), (0, 20, 20)),
        box("", (0, -20, 5), (50, 20, 20)),
        box("", (0, -20, -20), (50, 20, -5)),
        box("", (0, 5, -5), (50, 20, 5)),
        box("", (0, -20, -5), (50, -5, 5)),
    ]
    lean = (0, -33, 21)
    bar = box("bar", (0, -5, -5), (60, 5, 5)).moved(lean, (0, 0, 0))
    plates = [
        box("", (0, 0, 0), (300, 300, 1)).moved((11 * k, 7 * k, 5), (400, 400 * k, 0))
        for k in range(1, 7)
    ]
    fixed = joined("socket", [joined("", socket).moved(lean, (0, 0, 0)), *plates], fixed=True)
    plan = assembly_order([fixed, bar])
    assert plan.stuck is None
    (step,) = plan.steps
    out = turned(lean) @ (1, 0, 0)
    assert -np.array(step.along) == pytest.approx(out, abs=1e-9)
    rise = np.degrees(np.arcsin(out[2]))
    assert words(out) == f"from the right, 21° round to behind, {rise:.0f}° above level"


def shell_with_a_window(low: tuple[float, float], high: tuple[float, float]) -> Body:
    """A closed box 100 mm wide about (0, 0, 0) with a window in its top."""
    (x0, y0), (x1, y1) = low, high
    sides = [
        box("", (-50, -50, -52), (50, 50, -50)),
        box("", (-52, -50, -52), (-50, 50, 52)),
        box("", (50, -50, -52), (52, 50, 52)),
        box("", (-52, -52, -52), (52, -50, 52)),
        box("", (-52, 50, -52), (52, 52, 52)),
        box("", (-50, -50, 50), (x0, 50, 52)),
        box("", (x1, -50, 50), (50, 50, 52)),
        box("", (x0, -50, 50), (x1, y0, 52)),
        box("", (x0, y1, 50), (x1, 50, 52)),
    ]
    return joined("shell", sides, fixed=True)


def test_an_opening_that_nothing_touches_is_found_unless_it_is_too_narrow() -> None:
    cube = box("cube", (-5, -5, -5), (5, 5, 5))
    plan = assembly_order([shell_with_a_window((15, 6), (45, 36)), cube])
    assert plan.stuck is None
    out = -np.array(plan.steps[0].along)
    at = out / out[2] * 50  # its middle passes through the window
    assert 15 < at[0] < 45
    assert 6 < at[1] < 36
    plan = assembly_order([shell_with_a_window((26, 15), (37, 26)), cube])
    assert plan.stuck is not None  # half a millimetre of play all round


def test_a_piece_that_has_to_be_tilted_in_is_stuck() -> None:
    """A bar under two lips goes in one end first, tilted; straight moves cannot do that."""
    tray = [
        box("", (-60, -10, -2), (60, 10, 0)),
        box("", (-62, -10, -2), (-60, 10, 30)),
        box("", (60, -10, -2), (62, 10, 30)),
        box("", (-60, -10, 28), (-40, 10, 30)),
        box("", (40, -10, 28), (60, 10, 30)),
        box("", (-62, -12, -2), (62, -10, 30)),
        box("", (-62, 10, -2), (62, 12, 30)),
    ]
    bar = box("bar", (-50, -10, 0), (50, 10, 5))
    plan = assembly_order([joined("tray", tray, fixed=True), bar])
    assert plan.stuck is not None
    assert plan.stuck.pair == ("tray", "bar")


def test_pieces_in_each_other_agree_with_linear_programming() -> None:
    """Upright and turned blocks: a common point is a linear programme (scipy, HiGHS)."""
    rng = np.random.default_rng(5)
    told = []
    for _ in range(120):
        a = box("a", (0, 0, 0), rng.uniform(5, 20, 3))
        b = box("b", (0, 0, 0), rng.uniform(5, 20, 3))
        b = b.moved(rng.uniform(0, 360, 3), rng.uniform(-12, 16, 3))
        n, m = len(a.vertices_mm), len(b.vertices_mm)
        equal = np.zeros((5, n + m))
        equal[:3, :n], equal[:3, n:] = a.vertices_mm.T, -b.vertices_mm.T
        equal[3, :n] = equal[4, n:] = 1.0
        meets = linprog(np.zeros(n + m), A_eq=equal, b_eq=[0, 0, 0, 1, 1], bounds=(0, None))
        found = overlaps([a, b])
        if found:
            assert meets.status == 0
        told.append((bool(found), meets.status == 0))
    assert sum(f for f, _ in told) > 30
    assert sum(not t for _, t in told) > 30
    # What is missed reaches less than a touch into the other, or nearly so.
    assert sum(t and not f for f, t in told) <= 3


def test_how_deep_pieces_lie_in_each_other_and_where() -> None:
    upright = joined(
        "angle", [box("", (0, 0, 0), (100, 1.5, 60)), box("", (0, 1.5, 0), (100, 30, 1.5))]
    )
    plate = box("plate", (20, -40, 20), (60, 1.0, 22))
    touching = box("plate", (20, -40, 20), (60, 0.05, 22))
    (found,) = overlaps([upright, plate])
    assert (found.one, found.other) == ("angle", "plate")
    assert found.depth_mm == pytest.approx(1.0, abs=1e-6)
    x, y, z = found.at_mm
    assert 20 < x < 60
    assert 0 < y < 1
    assert 20 < z < 22
    assert overlaps([upright, touching]) == ()
