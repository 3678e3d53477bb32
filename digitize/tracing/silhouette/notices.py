"""What the user should know about a traced piece: shadows, glare, and what may not be a hole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.errors import Notice, place_words
from digitize.tracing.silhouette.bridging import GLARING
from digitize.tracing.silhouette.edge import Bench, Edge, Reading
from digitize.tracing.silhouette.shadow import CastShadow
from digitize.tracing.traces import TracedLoop, Unseen

_SOFT_MM = 3.0  # a longer soft stretch is reported
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


def why_unseen(reading: Reading, outline: slice) -> Unseen:
    """Whether glare hides most of the outline that was not measured."""
    missing = ~reading.ok[outline]
    bright = missing & (reading.metal[outline] > GLARING)
    return "glare" if bright.sum() > 0.5 * max(missing.sum(), 1) else "edge-unclear"


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
    x, y = (float(v) for v in there[len(there) // 2])
    return Notice(
        "shadow",
        f"{length:.0f} mm of edge near {place_words((x, y))} are as soft as the end of a "
        "shadow and may not be the metal: take the photo in more even light",
        "doubt",
        ((x, y),),
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
    places = "; ".join(place_words(at) for at in small[:4])
    return Notice(
        "opening-small",
        f"{len(small)} opening{'s' if len(small) > 1 else ''} of a few millimetres near "
        f"{places} may be a spot as bright as the paper: look whether it is a hole",
        "doubt",
        tuple(small[:4]),
    )
