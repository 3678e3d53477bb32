"""Faces of a folded cover, photographed one by one and joined: what is off, and what is said.

    python benchmarks/faces.py

Four path-traced photos (``samples/face-by-face``) are traced and joined along the bends that
are found; the joined pattern is laid over the truth by its first face alone.  Target: 0.4 mm
at the far edge, three faces on.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from digitize.job import JobOptions, pattern_from_photo
from digitize.joining.join import join
from digitize.sheets.layout import PrintScale

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))
import joined_faces


def main() -> None:
    """Measure and print."""
    sx, sy = joined_faces.bars_said()
    scale = PrintScale(sx, sy, 2e-4, 2e-4, True, "measured")
    options = JobOptions(print_scale=scale, thicknesses_mm=(1.5,), mode="silhouette")
    faces = [
        pattern_from_photo(photo, options, lambda _: None).patterns[0]
        for photo in joined_faces.photos()
    ]
    done = join(faces)
    off = joined_faces.off_mm(done.pattern, faces[0])
    for joint in done.joints:
        print(
            f"{joint.bend} {joint.one} {joint.other}: {joint.length_mm:.2f} mm, differ by "
            f"{joint.difference_mm:+.3f} mm, residual {joint.residual_mm:.3f} mm"
        )
    print(
        f"far edge: worst {np.abs(off.far_edge).max():.3f} mm, mean {off.far_edge.mean():+.3f} mm"
    )
    print(
        f"outline: 95 % within {np.quantile(off.outline, 0.95):.3f} mm, "
        f"worst {off.outline.max():.3f} mm; holes: worst {off.holes.max():.3f} mm"
    )
    assert done.pattern.precision is not None
    print(f"stated for 206 mm: ± {done.pattern.precision.expanded_mm(206.0):.2f} mm")


if __name__ == "__main__":
    main()
