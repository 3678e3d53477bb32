"""Whether the stated ± holds: photographs with drawn errors of every kind, traced and compared.

    python benchmarks/coverage.py [--photos N] [--first N] [--jobs N] [--draws N]

Each photo (samples/drawn_plates.py) is ray cast with pose, lens, header, print scale, curl,
thickness, light, blur, noise, JPEG, tone curve and pen drawn by lot, and goes through the whole
main job.  Printed for every kind of dimension: the share that lies within U (k = 2; right is
95 %), the median U, and how much smaller the U could all be made before less than 95 % lay within
(`slack`: above 1 the ± is padded, below 1 too small).

Then one photo's budget is held against a Monte Carlo of it (JCGM 101): print, thickness, header,
tone curve, curl and corner noise are drawn, the camera is recovered anew and the outline carried
to the sheet, and the scatter of the dimensions is compared with the propagated one.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.recover import recover
from digitize.errors import DigitizeError
from digitize.job import JobOptions, JobResult, pattern_from_photo
from digitize.pattern.contour import Circle, Contour, Edge
from digitize.pattern.dimensions import dimensions
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Arc, Line
from digitize.sheets.layout import PrintScale
from digitize.uncertainty import causes, tone
from digitize.uncertainty.budget import LYING_U_MM, THICKNESS_U_MM, mm_per_px

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))
import drawn_plates

FloatArray = NDArray[np.float64]
Row = tuple[str, str, float, float]  # ink or silhouette, kind, error, U

PRINT_U = 0.0008
_FLAT_SIGMA_MM = 0.03


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--draws", type=int, default=100, help="0: no Monte Carlo")
    arguments = parser.parse_args()
    numbers = range(arguments.first, arguments.first + arguments.photos)
    rows: list[Row] = []
    refused = 0
    with ProcessPoolExecutor(arguments.jobs) as pool:
        for found in pool.map(measured, numbers):
            refused += found is None
            rows += found or []
    print(f"{len(numbers)} photographs, {refused} refused, {len(rows)} dimensions")
    show(rows)
    if arguments.draws:
        monte_carlo(arguments.first + 1, arguments.draws)


def traced(number: int) -> JobResult:
    """One photo by lot, through the main job; raises what the job raises."""
    shot = drawn_plates.drawn(number, measured_u=PRINT_U)
    ink = shot.pen_mm is not None
    options = JobOptions(
        PrintScale(1.0, 1.0, PRINT_U, PRINT_U, True, "benchmark"),
        thicknesses_mm=() if ink else (shot.told_mm,),
        mode="ink" if ink else "silhouette",
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{number}.jpg"
        path.write_bytes(drawn_plates.photograph(shot))
        return pattern_from_photo(path, options)


def measured(number: int) -> list[Row] | None:
    """Errors of one photo's dimensions with their U; None where the job refuses it."""
    cv2.setNumThreads(1)
    try:
        result = traced(number)
    except DigitizeError:
        return None
    shot = drawn_plates.drawn(number, measured_u=PRINT_U)
    pairs = drawn_plates.compared(result.patterns[0], shot.plate.pattern())
    mode = result.traced.mode
    return [
        (mode, found.kind, found.value - true.value, found.expanded)
        for found, true in pairs
        if found.expanded
    ]


def show(rows: list[Row]) -> None:
    """The table."""
    print(f"{'mode':<11}{'kind':<10}{'count':>6}{'within U':>10}{'median U':>10}{'slack':>7}")
    for mode in ("silhouette", "ink"):
        kinds = dict.fromkeys(row[1] for row in rows if row[0] == mode)
        for kind in kinds:
            line(mode, kind, [row for row in rows if row[:2] == (mode, kind)])
    line("all", "", rows)


def line(mode: str, kind: str, rows: list[Row]) -> None:
    """One line of the table."""
    if not rows:
        return
    within, slack = coverage(rows)
    median = np.median([row[3] for row in rows])
    unit = "°" if kind in ("angle", "direction") else " "
    print(f"{mode:<11}{kind:<10}{len(rows):>6}{within:>10.3f}{median:>9.3f}{unit}{slack:>7.2f}")


def coverage(rows: Iterable[Row]) -> tuple[float, float]:
    """Share of errors within U, and U over what 95 % need."""
    ratio = np.array([abs(error) / expanded for *_, error, expanded in rows])
    return float((ratio <= 1.0).mean()), 1.0 / float(np.quantile(ratio, 0.95))


# ---------------------------------------------------------------- JCGM 101


def monte_carlo(number: int, draws: int) -> None:
    """One photo: scatter of its dimensions under drawn inputs, against the budget's."""
    result = traced(number)
    pattern = result.patterns[0]
    scatter = drawn_scatter(result, draws, np.random.default_rng(number))
    print(f"\nMonte Carlo of photo {number}, {draws} draws (k = 1)")
    print(f"{'':<6}{'kind':<10}{'drawn':>8}{'budget':>8}")
    budget = pattern.precision.as_budget.without(causes.EDGE, causes.PEN)
    ratios = []
    for row in dimensions(pattern).dimensions:
        variances = budget.variances(row.reading)
        variances.pop(causes.FIT, None)
        u = math.sqrt(math.fsum(variances.values()))
        drawn = scatter.get((row.name, row.kind, row.other))
        if drawn is None:  # on the brink of being told apart, and so not in every draw
            continue
        ratios.append(drawn / u)
        if row.name in ("OL", "OW") or row.kind in ("diameter", "x", "y"):
            print(f"{row.name:<6}{row.kind:<10}{ratios[-1] * u:>8.4f}{u:>8.4f}")
    print(f"drawn over budget, median of all {len(ratios)}: {np.median(ratios):.2f}")


def drawn_scatter(
    result: JobResult, draws: int, rng: np.random.Generator
) -> dict[tuple[str, str, str | None], float]:
    """Standard deviation of each dimension when everything else than edges is drawn.

    The target's corners are seen anew each time: projected by OpenCV from bulging paper of
    another print scale, with noise.
    """
    pattern, camera, sighting = result.patterns[0], result.solution.camera, result.sightings[0]
    height_mm, used = result.face_height_mm(pattern), result.solution.used
    nominal = sighting.corners_mm[used]
    lens = np.array([camera.k1, camera.k2, 0.0, 0.0])
    (cx, cy), f = camera.principal_px, camera.focal_px
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
    middle, half = nominal.mean(axis=0), np.abs(nominal - nominal.mean(axis=0)).max()
    u, v = ((nominal - middle) / half).T
    plane = np.column_stack([np.ones_like(u), u, v])
    powers = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
    terms = np.stack([u**i * v**j for i, j in powers], axis=1)
    terms -= plane @ np.linalg.lstsq(plane, terms, rcond=None)[0]
    terms /= np.sqrt((terms**2).mean(axis=0))
    scale = PrintScale(1.0, 1.0, PRINT_U, PRINT_U, True, "benchmark")
    blur_px = result.traced.pieces[0].outline.blur_mm / mm_per_px(
        camera, result.traced.pieces[0].outline.points_px
    )
    tone_px = tone.u_px(
        result.photo.linear_grey, result.traced.pieces[0].outline.points_px, blur_px
    )
    tone_mm = tone_px * mm_per_px(camera, result.traced.pieces[0].outline.points_px)
    values: dict[tuple[str, str, str | None], list[float]] = {}
    for _ in range(draws):
        true = nominal * (1 + rng.normal(0, PRINT_U, 2))
        bulge = terms @ rng.normal(0, _FLAT_SIGMA_MM, len(powers))
        seen = cv2.projectPoints(
            np.column_stack([true, bulge]),
            cv2.Rodrigues(camera.rotation)[0],
            camera.translation_mm,
            matrix,
            lens,
        )[0][:, 0]
        seen += rng.normal(size=seen.shape) * sighting.sigma_px[used, None]
        again = replace(
            sighting,
            corners_px=seen,
            corners_mm=nominal,
            sigma_px=sighting.sigma_px[used],
        )
        there = recover(again, scale, result.photo).camera
        lying = rng.normal(0, LYING_U_MM)
        thick = rng.normal(0, THICKNESS_U_MM) if result.traced.mode == "silhouette" else 0.0
        moved = carried(pattern, result, there, height_mm + lying + thick, rng.normal(0, tone_mm))
        for row in dimensions(moved).dimensions:
            values.setdefault((row.name, row.kind, row.other), []).append(row.value)
    return {
        key: float(np.std(found, ddof=1)) for key, found in values.items() if len(found) == draws
    }


def carried(
    pattern: Pattern, result: JobResult, camera: object, height_mm: float, outward_mm: float
) -> Pattern:
    """The pattern's edge places as another camera, at another height, would read their pixels."""
    seen_from = result.solution.camera
    lifted = result.face_height_mm(pattern)

    def places(points: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
        at = np.array([(*p, lifted) for p in points])
        there = camera.to_sheet(seen_from.to_px(at), height_mm)  # type: ignore[attr-defined]
        return [(float(x), float(y)) for x, y in there]

    assert isinstance(pattern.outline, Contour)
    edges = pattern.outline.edges
    ends = places([e.segment.start_mm for e in edges])
    ends = _outward(ends, edges, outward_mm)
    segments = [
        Edge(
            Line(a, b) if isinstance(e.segment, Line) else Arc(a, b, e.segment.bulge),
            e.evidence,
            e.u_mm,
        )
        for e, a, b in zip(edges, ends, (*ends[1:], ends[0]), strict=True)
    ]
    openings = []
    for hole in pattern.openings:
        if isinstance(hole, Circle):
            (cx, cy), r = hole.centre_mm, hole.radius_mm
            turns = np.linspace(0, math.tau, 8, endpoint=False)
            rim_mm = [(cx + r * math.cos(a), cy + r * math.sin(a)) for a in turns]
            middle, *rim = places([(cx, cy), *rim_mm])
            size = float(np.mean([math.dist(middle, p) for p in rim])) - outward_mm
            openings.append(replace(hole, centre_mm=middle, radius_mm=size))
        else:
            openings.append(hole)
    return replace(pattern, outline=Contour(tuple(segments)), openings=tuple(openings))


def _outward(
    ends: list[tuple[float, float]], edges: tuple[Edge, ...], by_mm: float
) -> list[tuple[float, float]]:
    """Corners of a counter-clockwise contour whose edges all move outward."""
    moved = []
    for i, (x, y) in enumerate(ends):
        before, after = edges[i - 1].segment.end_direction_rad, edges[i].segment.start_direction_rad
        normals = np.array([(math.sin(d), -math.cos(d)) for d in (before, after)])
        step = np.linalg.lstsq(normals, np.full(2, by_mm), rcond=0.1)[0]
        moved.append((x + float(step[0]), y + float(step[1])))
    return moved


if __name__ == "__main__":
    main()
