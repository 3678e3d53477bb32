"""How much outlines have in common: makes of one piece against strangers.

Traces the sample photographs, holds every piece against every other and prints, for makes of
one piece and for strangers apart, the shares by which a comparison is refused or doubted.
"""

from __future__ import annotations

import json
from itertools import permutations
from pathlib import Path

import numpy as np

from digitize.cli.samples_command import job_options
from digitize.comparing.agreement import alike_u_mm
from digitize.comparing.belonging import Likeness, likeness
from digitize.comparing.deviation import deviation
from digitize.comparing.registration import FitOptions, register
from digitize.job import pattern_from_photo
from digitize.pattern.model import Pattern

SAMPLES = Path(__file__).parents[1] / "samples"
MAKES = (
    {"rusty-bracket", "hard-shadow", "eaten-edge", "second-make"},
    {"bright-plate-glare", "wide-lens-barrel", "wide-lens-pincushion", "curled-paper"},
    {"tracing-three-flanges", "worn-tracing"},
    {"two-pieces-1", "steep-tilt"},
    {"two-pieces-2", "cropped-ring", "straight-down"},
)
LISTED = ("*.json", "second-make/*.json", "face-by-face/*.json")


def main() -> None:
    pieces: dict[str, Pattern] = {}
    for path in sorted(p for pattern in LISTED for p in SAMPLES.glob(pattern)):
        facts = json.loads(path.read_text("utf-8"))
        found = pattern_from_photo(path.parent / facts["photo"], job_options(facts)).patterns
        for number, pattern in enumerate(found, 1):
            name = path.stem if len(found) == 1 else f"{path.stem}-{number}"
            pieces[name] = pattern
    rows = [(held(pieces[a], pieces[b]), a, b) for a, b in permutations(pieces, 2)]
    for title, of_one in (("makes of one piece", True), ("strangers", False)):
        listed = [r for r in rows if any({r[1], r[2]} <= make for make in MAKES) == of_one]
        edge, area = ([getattr(r[0], what) for r in listed] for what in ("edge", "area"))
        print(f"{title}: {len(listed)} pairs")
        for what, shares in (("edge", edge), ("area", area)):
            print(f"  {what}: {min(shares):.3f} to {max(shares):.3f}, half {np.median(shares):.3f}")
        refused = sum(r[0].strange for r in listed)
        doubted = [r for r in listed if r[0].doubtful and not r[0].strange]
        print(f"  refused {refused}, doubted {len(doubted)}")
        passed = [r for r in listed if not (r[0].doubtful or r[0].strange)]
        for like, a, b in doubted if of_one else (*doubted, *passed):
            word = "doubted" if like.doubtful else "passed"
            print(f"    {word}: {b} over {a}, edge {like.edge:.2f}, area {like.area:.2f}")


def held(old: Pattern, new: Pattern) -> Likeness:
    found = register(new, old, FitOptions(alike_mm=alike_u_mm(old, new)))
    return likeness(deviation(new, old, found), old, found.pose.of_pattern(new))


if __name__ == "__main__":
    main()
