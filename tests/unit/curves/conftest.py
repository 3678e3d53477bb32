"""Exact shapes, and points measured on them with known noise.

Nothing here uses the fitting code: shapes are plane geometry, points lie on them by
construction, and deviations are shapely's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from skimage.draw import polygon2mask
from skimage.measure import find_contours

from digitize.pattern.contour import Circle, Closed, Contour, Slot
from digitize.pattern.segments import Arc, Line


def rounded(corners, radii) -> Contour:
    """A polygon, counter-clockwise, with a radius at each corner; 0 leaves it sharp."""
    places = [np.array(p, float) for p in corners]
    n = len(places)
    rounds = []
    for i in range(n):
        before, at, after = places[i - 1], places[i], places[(i + 1) % n]
        u = (before - at) / np.linalg.norm(before - at)
        v = (after - at) / np.linalg.norm(after - at)
        turn = math.atan2(-u[0] * v[1] + u[1] * v[0], -(u @ v))
        reach = radii[i] * abs(math.tan(turn / 2))
        rounds.append((tuple(at + u * reach), tuple(at + v * reach), math.tan(turn / 4)))
    segments = []
    for i, (start, end, bulge) in enumerate(rounds):
        if radii[i] > 0:
            segments.append(Arc(start, end, bulge))
        segments.append(Line(end, rounds[(i + 1) % n][0]))
    return Contour.of(segments)


def walked(*moves) -> Contour:
    """A path of ("line", length), ("arc", radius, turn), ("turn", angle), closed by a line."""
    x, y, heading = 0.0, 0.0, 0.0
    segments = []
    for kind, *how in moves:
        start = (x, y)
        if kind == "turn":
            heading += math.radians(how[0])
        elif kind == "line":
            x, y = x + how[0] * math.cos(heading), y + how[0] * math.sin(heading)
            segments.append(Line(start, (x, y)))
        else:
            radius, turn = how[0], math.radians(how[1])
            side = math.copysign(radius, turn)
            cx, cy = x - side * math.sin(heading), y + side * math.cos(heading)
            heading += turn
            x, y = cx + side * math.sin(heading), cy - side * math.cos(heading)
            segments.append(Arc(start, (x, y), math.tan(turn / 4)))
    segments.append(Line((x, y), (0.0, 0.0)))
    return Contour.of(segments)


def random_plate(rng) -> Contour:
    """4 to 10 corners, some rounded enough to be told from sharp, edges of 4 mm and more."""
    while True:
        n = int(rng.integers(4, 11))
        angles = np.sort(rng.random(n)) * math.tau
        steps = np.diff(np.append(angles, angles[0] + math.tau))
        if steps.min() < 0.25 or steps.max() > 2.6:
            continue
        r = rng.uniform(30, 150, n)
        corners = np.column_stack((r * np.cos(angles), r * np.sin(angles)))
        radii, reach = [], []
        for i in range(n):
            u, v = corners[i - 1] - corners[i], corners[(i + 1) % n] - corners[i]
            inside = math.acos(u @ v / np.hypot(*u) / np.hypot(*v))
            turn = math.pi - inside
            radius = 0.0 if rng.random() < 0.4 else rng.uniform(2, 12)
            if turn < 0.2 or inside < 0.35:
                break
            if radius * (1 / math.cos(turn / 2) - 1) < 0.2:
                radius = 0.0
            radii.append(radius)
            reach.append(radius * math.tan(turn / 2))
        if len(radii) < n:
            continue
        sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
        if min(s - a - b for s, a, b in zip(sides, reach, reach[1:] + reach[:1], strict=True)) > 4:
            return rounded(corners, radii)


def measured(closed: Closed, noise_mm: float, rng, spacing_mm=0.15, wave=0.0):
    """Points (N, 2) on an edge with noise across it; ``wave`` points of correlation."""
    edges = closed.as_contour().edges
    total = closed.length_mm
    n = int(total / spacing_mm)
    along = (np.arange(n) + rng.random()) * total / n
    places, normals, begin = np.empty((n, 2)), np.empty((n, 2)), 0.0
    for edge in edges:
        s = edge.segment
        here = (along >= begin) & (along <= begin + s.length_mm + 1e-9)
        t = (along[here] - begin) / s.length_mm
        if isinstance(s, Line):
            a, b = np.array(s.start_mm), np.array(s.end_mm)
            places[here] = a + (b - a) * t[:, None]
            normals[here] = np.array([a[1] - b[1], b[0] - a[0]]) / s.length_mm
        else:
            (cx, cy), r = s.centre_mm, s.radius_mm
            turn = math.atan2(s.start_mm[1] - cy, s.start_mm[0] - cx) + s.included_rad * t
            normals[here] = np.column_stack((np.cos(turn), np.sin(turn)))
            places[here] = (cx, cy) + r * normals[here]
        begin += s.length_mm
    noise = rng.normal(0.0, 1.0, n)
    if wave:
        noise = gaussian_filter1d(noise, wave, mode="wrap")
        noise /= noise.std()
    return places + normals * (noise_mm * noise)[:, None]


def photographed(closed: Closed, blur_mm: float, rng, *, pixel_mm=0.12, noise=0.03, finer=8):
    """The half-level line of a blurred, pixelled picture of a shape, and its total blur.

    An independent imaging chain: shapes filled ``finer`` times finer than the pixels, blurred,
    averaged over the pixels, with noise of a share of the contrast.
    """
    fine = pixel_mm / finer
    q = closed.points_mm(0.0005)
    low = q.min(axis=0) - 2.0
    size = np.ceil((q.max(axis=0) + 2.0 - low) / pixel_mm).astype(int)
    # a fine pixel counts by its centre
    mask = polygon2mask(tuple(size[::-1] * finer), ((q - low) / fine - 0.5)[:, ::-1]).astype(float)
    soft = gaussian_filter(mask, blur_mm / fine)
    picture = soft.reshape(size[1], finer, size[0], finer).mean(axis=(1, 3))
    picture += rng.normal(0, noise, picture.shape)
    line = max(find_contours(picture, 0.5), key=len)[:-1]
    return (line[:, ::-1] + 0.5) * pixel_mm + low, math.hypot(blur_mm, pixel_mm / math.sqrt(12))


def eaten(closed: Closed, share: float, noise_mm: float, rng, *, opening=False):
    """Points on an edge whose metal rust has bitten away along about a share of it.

    Bites are discs set along runs with sound edge between; the metal of an opening lies
    outside it.
    """
    sound = shapely.Polygon(closed.points_mm(0.001))
    ring = sound.exterior
    runs = max(3, int(ring.length / 60))
    bites = []
    for k in range(runs):
        start = ring.length * (k + rng.uniform(0, 0.6)) / runs
        run = ring.length * share / runs * rng.uniform(0.6, 1.4)
        depth, at = rng.uniform(0.6, 2.2), start
        while at < start + run:
            radius = rng.uniform(0.5, 2.6)
            p, q = ring.interpolate(at % ring.length), ring.interpolate((at + 0.3) % ring.length)
            out = np.array([q.y - p.y, p.x - q.x]) / 0.3 * (-1 if opening else 1)
            bite = depth * math.sin(math.pi * (at - start) / run) ** 0.5 * rng.uniform(0.3, 1)
            centre = np.array([p.x, p.y]) + out * (radius - min(bite, 1.6 * radius))
            bites.append(shapely.Point(centre).buffer(radius))
            at += radius * rng.uniform(0.3, 1.1)
    gone = shapely.union_all(bites)
    left = sound.union(gone) if opening else sound.difference(gone)
    left = left.buffer(-0.2).buffer(0.4).buffer(-0.2)
    if left.geom_type != "Polygon":
        left = max(left.geoms, key=lambda g: g.area)
    edge = shapely.orient_polygons(shapely.Polygon(left.exterior)).exterior
    along = np.arange(0.0, edge.length, 0.15)
    p = np.array([edge.interpolate(s).coords[0] for s in along])
    t = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0)
    normal = np.column_stack((-t[:, 1], t[:, 0])) / np.hypot(*t.T)[:, None]
    return p + normal * rng.normal(0, noise_mm, len(p))[:, None]


def deviations_mm(found: Closed, true: Closed):
    """Distance of points every 0.25 mm of the true edge from the edge found."""
    ring = shapely.LinearRing(found.points_mm(0.0005))
    exact = shapely.LinearRing(true.points_mm(0.0005))
    places = [exact.interpolate(s) for s in np.arange(0.0, exact.length, 0.25)]
    return shapely.distance(places, ring)


def kinds(closed: Closed) -> str:
    """L and A round a contour; O for a circle, S for a slot."""
    match closed:
        case Circle():
            return "O"
        case Slot():
            return "S"
        case Contour():
            return "".join("L" if isinstance(e.segment, Line) else "A" for e in closed.edges)


def aligned(found: Closed, true: Contour):
    """The found edges in the order of the true ones, None when kinds or number differ."""
    if not isinstance(found, Contour) or len(found.edges) != len(true.edges):
        return None
    n, best = len(true.edges), None
    for shift in range(n):
        turned = found.edges[shift:] + found.edges[:shift]
        if kinds(Contour(turned)) == kinds(true):
            away = sum(
                math.dist(a.segment.start_mm, b.segment.start_mm)
                for a, b in zip(turned, true.edges, strict=True)
            )
            if best is None or away < best[0]:
                best = (away, turned)
    return None if best is None else best[1]


def joint_turns_deg(edges):
    """Turn at the start of each edge."""
    return [
        math.degrees(
            math.remainder(b.segment.start_direction_rad - a.segment.end_direction_rad, math.tau)
        )
        for a, b in zip((edges[-1], *edges), edges, strict=False)
    ]


@pytest.fixture
def shapes() -> SimpleNamespace:
    """The functions of this module."""
    members: dict[str, Callable[..., object]] = {
        "rounded": rounded,
        "walked": walked,
        "random_plate": random_plate,
        "measured": measured,
        "photographed": photographed,
        "eaten": eaten,
        "deviations_mm": deviations_mm,
        "kinds": kinds,
        "aligned": aligned,
        "joint_turns_deg": joint_turns_deg,
    }
    return SimpleNamespace(**members)
