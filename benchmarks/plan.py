"""Time to plan ten bends, against the collision checks it takes.

For each tool: seconds until an order is found or proven impossible; single steps tried (each
sampled through its swing, both sides held); the orders kept; and the time against one
collision check for every step of every order kept (target: below 10).  A collision check is one
step tried afresh on a bench that remembers nothing.

    python benchmarks/plan.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))

import folded_pieces as pieces

from digitize.bending.facts import Said
from digitize.bending_plan.bench import Bench
from digitize.bending_plan.part import Part
from digitize.bending_plan.search import EXHAUSTIVE, KEPT, Search
from digitize.bending_plan.tools import TOOLS, Vice

TOOLS_TRIED = {
    "vice, 300 mm jaws": Vice(jaw_width_mm=300.0, depth_mm=400.0),
    "bars": TOOLS["bars"],
    "box-folder": TOOLS["box-folder"],
    "straight-folder": TOOLS["straight-folder"],
}


def one_check(part: Part, tool: object, steps: int = 20) -> float:
    """Seconds for a step that is tried on a bench without memory, the mean of some."""
    times = []
    for k in range(steps):
        bench = Bench(part, tool, "mild-steel")
        index = k % len(part.operations)
        done = (k * 37) & ~(1 << index) & ((1 << len(part.operations)) - 1)
        part.posed(done)  # to fold the part up is no collision check
        start = time.process_time()
        bench.make(done, index)
        times.append(time.process_time() - start)
    return sum(times) / len(times)


def main() -> None:
    said = {f"B{i + 1}": Said(20.0 if i in (2, 7) else 90.0, True, 1.2) for i in range(10)}
    cases = {
        "tray with lips, open": pieces.developed(
            pieces.tray_with_lips(lip=10.0, flange=40.0), said
        ),
        "tray with hooks": pieces.developed(pieces.tray_with_lips()),
        "tray, 4 bends": pieces.developed(pieces.tray()),
    }
    print(
        "part                  tool               bends order       s  steps  kept  ms/check  ratio"
    )
    for name, blank in cases.items():
        for title, tool in TOOLS_TRIED.items():
            start = time.process_time()
            part = Part(blank)
            search = Search(Bench(part, tool, "mild-steel"))
            found = search.best()
            seconds = time.process_time() - start
            n = len(part.operations)
            check = one_check(part, tool)
            kept = search.orders if n <= EXHAUSTIVE else KEPT
            ratio = seconds / (check * n * max(kept, 1))
            print(
                f"{name:<22}{title:<20}{n:>4} {'found' if found else 'none ':<6}{seconds:>8.2f}"
                f"{search.checks:>7}{kept:>6}{1000 * check:>10.1f}{ratio:>7.2f}"
            )


if __name__ == "__main__":
    main()
