"""Openings photographed with a card taped beside them: how far off is the rim, and is it said?

    python benchmarks/openings.py

Two path-traced photographs (``samples/floor-opening``), in soft light and in low sun, are
traced as openings and held against the scene's own edge; lengths and radii against their ±.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import shapely

from digitize.job import JobOptions, pattern_from_photo
from digitize.sheets.layout import PrintScale

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))
import sample_truth as truths


def main() -> None:
    """Measure and print."""
    for path in sorted((truths.SAMPLES / "floor-opening").glob("*.json")):
        facts = truths.load(path)
        (true,) = truths.pieces(facts)
        x, y = facts["targets"][0]["print_scale"]
        options = JobOptions(
            PrintScale(x, y, 5e-4, 5e-4, True, "measured"),
            mode="opening",
            thicknesses_mm=(true.thickness_mm or 0.0,),
        )
        result = pattern_from_photo(path.with_suffix(".jpg"), options, lambda _: None)
        (pattern,) = result.patterns
        off = truths.deviations_mm(pattern.outline, true.outline)
        length_mm, width_mm = _sides_mm(truths.boundary(pattern.outline))
        true_length_mm, true_width_mm = _sides_mm(truths.boundary(true.outline))
        assert pattern.precision is not None
        doubts = [n.code for n in pattern.notices if n.level == "doubt"]
        print(
            f"{path.stem}: rim 95 % within {np.quantile(off, 0.95):.3f} mm, worst {off.max():.3f}; "
            f"over all off by {length_mm - true_length_mm:+.3f} x {width_mm - true_width_mm:+.3f} "
            f"mm, stated ± {pattern.precision.expanded_mm(length_mm):.2f}; "
            f"doubts: {', '.join(doubts) or 'none'}"
        )


def _sides_mm(ring: shapely.LinearRing) -> tuple[float, float]:
    """Sides of the smallest rectangle round it, the longer first."""
    corners = np.asarray(shapely.minimum_rotated_rectangle(ring).exterior.coords)
    one, two = np.hypot(*np.diff(corners, axis=0)[:2].T)
    return float(max(one, two)), float(min(one, two))


if __name__ == "__main__":
    main()
