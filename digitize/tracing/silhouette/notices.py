"""What the user should know about a traced piece: shadows, glare, and what may not be a hole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.errors import Notice
from digitize.tracing.silhouette.bridging import GLARING
from digitize.tracing.silhouette.edge import Bench, Edge, Reading
from digitize.tracing.silhouette.runs import stretches
from digitize.tracing.silhouette.shadow import CastShadow
from digitize.tracing.silhouette.strips import perimeter
from digitize.tracing.traces import BRIDGED, TracedLoop

_GAP_MM = 3.0  # a longer stretch without measured edge is reported
_SOFT_MM = 3.0  # and a longer soft one
_SMALL_MM, _SMALL_PX = 3.5, 16.0  # openings below the larger of both may be spots of rust


def notices_of(
    bench: Bench,
    edge: Edge,
    reading: Reading,
    *,
    soft: NDArray[np.bool_],
    outline: slice,
    loops: tuple[TracedLoop, ...],
) -> tuple[Notice, ...]:
    """Of one piece; ``outline`` are the points of its outline, ``loops`` that and its openings."""
    found = (
        None if edge.shadow is None else _shadow(edge.shadow),
        _unmeasured(reading, outline, loops),
        _softness(bench, edge, reading, soft=soft, outline=outline),
        _small_openings(bench, loops),
    )
    return tuple(n for n in found if n is not None)


def _shadow(shadow: CastShadow) -> Notice:
    x, y = shadow.vector_mm
    return Notice(
        "shadow",
        f"a cast shadow {np.hypot(x, y):.1f} mm long was told from the metal and left out",
    )


def _unmeasured(reading: Reading, outline: slice, loops: tuple[TracedLoop, ...]) -> Notice | None:
    """How much edge is bridged, where, and whether glare is why."""
    gaps = sorted((g for loop in loops for g in _gaps(loop)), reverse=True)
    if not gaps:
        return None
    total = sum(length for length, _ in gaps)
    places = "; ".join(f"{n:.0f} mm near x {x:.0f}, y {y:.0f}" for n, (x, y) in gaps[:3])
    missing = ~reading.ok[outline]
    bright = missing & (reading.metal[outline] > GLARING)
    glaring = bright.sum() > 0.5 * max(missing.sum(), 1)
    why = "glare or metal as bright as the paper" if glaring else "no clear edge"
    return Notice(
        "glare" if glaring else "edge-unclear",
        f"{total:.0f} mm of edge could not be measured ({why}; {places}) "
        "and are carried across from both sides",
        "doubt",
    )


def _softness(
    bench: Bench, edge: Edge, reading: Reading, *, soft: NDArray[np.bool_], outline: slice
) -> Notice | None:
    """Stretches of outline that may be the end of a shadow."""
    blurred = (soft & reading.ok)[outline]
    length = float(blurred.sum()) * bench.spacing_mm
    if length <= _SOFT_MM:
        return None
    # A spot on the edge itself: the mean of several would lie somewhere in the metal.
    there = edge.contours.points_mm[outline][blurred]
    x, y = there[len(there) // 2]
    return Notice(
        "shadow",
        f"{length:.0f} mm of edge near x {x:.0f}, y {y:.0f} are as soft as the end of a "
        "shadow and may not be the metal: take the photo in more even light",
        "doubt",
    )


def _small_openings(bench: Bench, loops: tuple[TracedLoop, ...]) -> Notice | None:
    """Openings that may be spots of rust."""
    small = [
        (float(x), float(y))
        for loop in loops
        for x, y in [loop.points_mm.mean(axis=0)]
        if np.ptp(loop.points_mm, axis=0).max() < max(_SMALL_MM, _SMALL_PX * bench.pixel_mm)
    ]
    if not small:
        return None
    places = "; ".join(f"x {x:.0f}, y {y:.0f}" for x, y in small[:4])
    return Notice(
        "opening-small",
        f"{len(small)} opening{'s' if len(small) > 1 else ''} of a few millimetres near "
        f"{places} may be a spot as bright as the paper: look whether it is a hole",
        "doubt",
    )


def _gaps(loop: TracedLoop) -> list[tuple[float, tuple[float, float]]]:
    """Stretches without measured edge longer than a corner: length mm and middle."""
    bad = loop.evidence == BRIDGED
    if bad.all():
        x, y = loop.points_mm.mean(axis=0)
        return [(perimeter(loop.points_mm), (float(x), float(y)))]
    gaps = []
    for rows in stretches(bad):
        steps = np.diff(loop.points_mm[rows], axis=0)
        length = float(np.hypot(steps[:, 0], steps[:, 1]).sum())
        if length > _GAP_MM:
            x, y = loop.points_mm[rows[len(rows) // 2]]
            gaps.append((length, (float(x), float(y))))
    return gaps
