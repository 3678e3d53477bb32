"""How small a difference between two patterns says nothing.

Both edges are uncertain across themselves, and each pattern may be too large or too small as
a whole: a place moves by the scale times how far it lies from the middle along its own
normal, since laying one piece over the other takes up what they have in common.  What both
have of one print's scale acts on their difference only, which is next to nothing.  The parts
combine in quadrature (JCGM 100:2008, 5.1.2); U is twice that (6.2).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from digitize.comparing.boundary import IntArray
from digitize.pattern.common_scale import shared_scale_u
from digitize.pattern.contour import Closed, Edge
from digitize.pattern.model import Pattern, Precision

FloatArray = NDArray[np.float64]

UNSTATED_MM = 0.1
"""Taken as U where neither pattern states its precision: what a scriber and a rule tell apart
on a good day; common practice, no source."""


def edge_u_mm(pattern: Pattern) -> FloatArray:
    """Standard uncertainty (M,) across each segment of the outline, in the order it has."""
    least = pattern.precision.edge_u_mm if pattern.precision is not None else 0.0
    return np.array([max(least, e.u_mm or 0.0) for e in in_order(pattern.outline)])


def in_order(outline: Closed) -> tuple[Edge, ...]:
    """The edges in the order of ``Boundary``, which turns clockwise outlines round."""
    contour = outline.as_contour()
    return contour.edges if contour.signed_area_mm2 > 0 else contour.edges[::-1]


def expanded_mm(
    patterns: tuple[Pattern, Pattern],
    segments: tuple[IntArray, IntArray],
    places_mm: FloatArray,
    normals: FloatArray,
    middle_mm: FloatArray,
    *,
    off_mm: FloatArray,
) -> FloatArray:
    """U (N,) of the distance between two outlines at places (N, 2), along unit ``normals`` (N, 2).

    ``segments`` are the numbers (N,) of the segments there on either outline, ``off_mm`` (N,)
    the distances themselves.
    """
    if all(p.precision is None for p in patterns):
        return np.full(len(places_mm), UNSTATED_MM)
    reach = np.abs(np.einsum("ij,ij->i", places_mm - middle_mm, normals))
    shared = shared_scale_u(*patterns)
    variance = (shared * off_mm) ** 2
    for pattern, segment in zip(patterns, segments, strict=True):
        variance += edge_u_mm(pattern)[segment] ** 2
        variance += _own_scale_variance(pattern.precision, shared) * reach**2
    return np.asarray(2.0 * np.sqrt(variance))


def apart_expanded_mm(
    patterns: tuple[Pattern, Pattern],
    own_u_mm: tuple[float | None, float | None],
    reach_mm: float,
    ways: float = 1.0,
    off_mm: float = 0.0,
) -> float:
    """U of an offset or a difference of sizes of two features.

    ``reach_mm`` is the length whose scale matters, ``off_mm`` the difference itself; ``ways``
    how many edges have a say.
    """
    if all(p.precision is None for p in patterns):
        return UNSTATED_MM
    shared = shared_scale_u(*patterns)
    variance = (shared * off_mm) ** 2
    for pattern, own in zip(patterns, own_u_mm, strict=True):
        least = pattern.precision.edge_u_mm if pattern.precision is not None else 0.0
        variance += ways * max(least, own or 0.0) ** 2
        variance += _own_scale_variance(pattern.precision, shared) * reach_mm**2
    return 2.0 * float(np.sqrt(variance))


def alike_u_mm(old: Pattern, new: Pattern) -> float:
    """A standard uncertainty of the difference of two edges, for telling poses apart."""
    known = [p.precision.edge_u_mm for p in (old, new) if p.precision is not None]
    return float(np.sqrt(np.sum(np.square(known)))) if known else UNSTATED_MM / 2


def _own_scale_variance(precision: Precision | None, shared_u: float) -> float:
    """Relative variance of a pattern's scale without what both patterns share."""
    return max(0.0, precision.scale_u**2 - shared_u**2) if precision is not None else 0.0
