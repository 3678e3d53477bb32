"""The order of assembly of eight pieces: time, and work for each candidate.

    python benchmarks/assembly.py

Seven folded pieces of a narrow boat's engine room, three decks of a floor tray and a side whose
foot tucks under it and a bracket, stand in a fixed hull: open at the top, so that an order is
found; and shut all round, so that nothing comes free and every direction has to be tried.
"""

from __future__ import annotations

import time

from digitize.assembly.body import Body, box, joined
from digitize.assembly.freeing import Alternative, ways_out
from digitize.assembly.order import Blocking, plan_of
from digitize.assembly.shape import Shape
from digitize.bending.materials import material
from digitize.folding.from_pattern import blank_of
from digitize.pattern.contour import Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line

Hull = list[tuple[tuple[float, ...], tuple[float, ...]]]

THICK_MM = 1.5
OPEN = [
    ((-5, -20, -60), (420, 380, -58)),
    ((-40, -30, -60), (420, -20, 900)),
    ((-40, 380, -60), (420, 390, 900)),
]
SHUT = [
    *OPEN,
    ((-60, -30, 760), (420, 390, 770)),
    ((-60, -30, -60), (-40, 390, 770)),
    ((402, -30, -60), (420, 390, 770)),
]


def folded(wide: float, widths: tuple[float, ...], ways: tuple[bool, ...]) -> Shape:
    """A strip of faces so wide over outside, bent by 90 degrees toward the face or away."""
    high = sum(widths)
    corners = [(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)]
    ends = [*corners[1:], corners[0]]
    outline = Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)])
    at = [sum(widths[: k + 1]) for k in range(len(ways))]
    bends = tuple(
        BendLine((0.0, y), (wide, y), 90.0, way, 2.0, traced="outside")
        for y, way in zip(at, ways, strict=True)
    )
    pattern = Pattern("strip", outline, bends=bends, thickness_mm=THICK_MM)
    return Shape(pattern, THICK_MM, blank_of(pattern, material("mild-steel"))[0])


def bay(hull: Hull) -> tuple[list[Body], list[Alternative]]:
    """Three decks, a bracket and the hull; and each piece with each of its bends left flat."""
    floor = folded(400.0, (30.0, 300.0, 40.0), (False, True))
    side = folded(280.0, (40.0, 220.0, 30.0), (True, False))
    bracket = folded(40.0, (15.0, 45.0), (True,))
    level, upright = (0.0, 0.0, 0.0), (90.0, 0.0, 90.0)
    pieces = [("bracket", bracket, 1, upright, (1.0, 180.0, 0.0))]
    for deck in range(3):
        up = 240.0 * deck
        pieces.append((f"floor {deck + 1}", floor, 2, level, (0.0, 0.0, up)))
        pieces.append((f"side {deck + 1}", side, 2, upright, (-2.5, 40.0, up - 43.0)))
    bodies = [shape.body(name).moved(turn, at) for name, shape, _, turn, at in pieces]
    flat = [
        Alternative(
            shape.body(name, [float(k != bend) for k in range(bends)]).moved(turn, at),
            f"leave B{bend + 1} of {name} flat",
        )
        for name, shape, bends, turn, at in pieces
        for bend in range(bends)
    ]
    return [*bodies, joined("hull", [box("", *corners) for corners in hull], fixed=True)], flat


def main() -> None:
    """Print both cases."""
    for name, hull in (("open at the top", OPEN), ("shut all round", SHUT)):
        bodies, flat = bay(hull)
        began = time.process_time()
        blocking = Blocking(bodies)
        plan = plan_of(blocking)
        first = time.process_time() - began
        ways = () if plan.stuck is None else ways_out(blocking, plan.stuck, flat)
        seconds = time.process_time() - began
        if plan.stuck is None:
            answer = f"an order of {len(plan.steps)} steps"
        else:
            answer = f"{' and '.join(plan.stuck.pair)} block each other, {len(ways)} ways out"
            answer += f" among {len(flat)} flanges left flat"
        work = plan.work
        print(f"{name}: {len(bodies)} pieces, {answer}, {seconds:.1f} s of one core")
        print(
            f"  {work.moves} candidates (a piece in one direction), {work.pairs} pairs, "
            f"{work.pairs / work.moves:.2f} pairs and {1000 * first / work.moves:.1f} ms for each"
        )


if __name__ == "__main__":
    main()
