"""Errors against conditions, with the stated U, the plain recipe and the edge's own bound.

    python benchmarks/matrix.py [--plates N] [--trials N] [--only NAME]

One thing at a time is changed about a base photo (samples/drawn_plates.py: an A4 ring, 1.5
megapixels, 0.2 mm per pixel, so that errors are about twice those of a 12-megapixel photo of an
A3 ring), and tilt and distance together.  For every setting, over a few plates: the distance
below which 95 % of the traced outline lies from the true one, the median error of the
dimensions and their median U (k = 2), the plain recipe's 95 % with the same corners, and the
Cramer-Rao bound of a straight edge 20 pixels long (1.8828 sqrt(s / L) sigma / A, from the Fisher
information of a blurred step; Gatherer 1993, CSL-TR-93-560), all in millimetres.  The prints are
as large as stated here, and thicknesses right: it is the photo's own part that is shown.

Then edges and corners alone: scatter of ``tracing.edges.locate`` on drawn edges of 20 pixels
and of ``sighting.refine`` on drawn X-corners, as multiples of their bounds.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import plain_recipe
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from digitize.errors import DigitizeError
from digitize.job import JobOptions, JobResult, pattern_from_photo
from digitize.photo.photo import Photo
from digitize.sheets.layout import PrintScale
from digitize.sighting.refine import refine
from digitize.tracing.edges import locate
from digitize.uncertainty.budget import mm_per_px

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))
import drawn_plates
import sample_truth

FloatArray = NDArray[np.float64]

PRINT = PrintScale(1.0, 1.0, 1e-5, 1e-5, True, "benchmark")
BASE: dict[str, Any] = {
    "thickness_mm": 1.5, "told_mm": 1.5, "rise_mm": 0.0, "focal_px": 1150.0, "off_px": (8.0, -6.0),
    "k1": -0.02, "k2": 0.0, "p1": 0.0, "p2": 0.0, "fill": 0.9, "tilt_deg": 12.0, "roll_deg": 90.0,
    "printed": (1.0, 1.0), "curl_mm": np.zeros(7), "metal": 0.12, "texture": 0.06,
    "light_slope": (0.1, 0.0), "blur_px": 0.7, "noise": 0.005, "quality": 92, "gamma": 1.0,
    "told_focal": 1.0, "pen_mm": None,
}  # fmt: skip
SETTINGS: dict[str, list[tuple[str, dict[str, Any]]]] = {
    "tilt × distance": [
        (f"{tilt}°, {round(100 * fill)} % of frame", {"tilt_deg": float(tilt), "fill": fill})
        for tilt in (2, 12, 25, 35)
        for fill in (0.95, 0.65)
    ],
    "light": [
        ("even", {"light_slope": (0.0, 0.0)}),
        ("falls by half", {"light_slope": (0.33, 0.0)}),
        ("dim: 3 x noise", {"light_slope": (0.33, 0.2), "noise": 0.015}),
    ],
    "lens": [
        ("no distortion", {"k1": 0.0}),
        ("barrel 10 %", {"k1": -0.25, "k2": 0.05}),
        ("pincushion", {"k1": 0.12}),
        ("decentred", {"p1": 3e-4, "p2": -3e-4}),
        ("blur 1.2 px", {"blur_px": 1.2}),
    ],
    "finish": [
        ("dark, even", {"metal": 0.04, "texture": 0.02}),
        ("mottled", {"metal": 0.12, "texture": 0.2}),
        ("light grey", {"metal": 0.3, "texture": 0.06}),
    ],
    "noise": [(f"{100 * n:g} %", {"noise": n}) for n in (0.002, 0.005, 0.01, 0.02)],
    "JPEG": [(f"quality {q}", {"quality": q}) for q in (95, 85, 70, 50)],
    "tone left over": [(f"power {g:g}", {"gamma": g}) for g in (0.8, 1.0, 1.25)],
}
EDGE_PX, CORNER_PX = 20.0, 11.0


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plates", type=int, default=3)
    parser.add_argument("--trials", type=int, default=400)
    parser.add_argument("--only", choices=(*SETTINGS, "bounds"))
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    for name, settings in SETTINGS.items():
        if arguments.only in (None, name):
            print(f"{name:<28}{'95 %':>8}{'error':>8}{'U':>8}{'plain':>8}{'bound':>8}")
            for label, changes in settings:
                print(f"  {label:<26}" + cells(setting(changes, arguments.plates)), flush=True)
    if arguments.only in (None, "bounds"):
        bounds(arguments.trials)


def cells(figures: list[float]) -> str:
    """Figures in columns."""
    return "".join(f"{f:>8.3f}" if math.isfinite(f) else f"{'-':>8}" for f in figures)


def setting(changes: dict[str, Any], plates: int) -> list[float]:
    """Outline 95 %, median error and U of dimensions, plain 95 % and bound, over some plates."""
    edge, plain, error, stated, bound = [], [], [], [], []
    for number in range(plates):
        shot = drawn_plates.drawn(100 + number).but(
            **BASE, toward_deg=120.0 * number + 20.0, seed=number
        )
        shot = shot.but(**changes)
        try:
            result = traced(shot)
        except DigitizeError:
            continue
        (pattern, *_), true = result.patterns, shot.plate.pattern()
        edge.append(sample_truth.deviations_mm(pattern.outline, true.outline))
        pairs = [
            (f, t) for f, t in drawn_plates.compared(pattern, true) if f.unit == "mm" and f.expanded
        ]
        error += [abs(f.value - t.value) for f, t in pairs]
        stated += [f.expanded for f, _ in pairs]
        plain.append(by_plain_recipe(result, sample_truth.boundary(true.outline)))
        outline = result.traced.pieces[0].outline
        pixel_mm = mm_per_px(result.solution.camera, outline.points_px)
        s = math.hypot(shot.blur_px, 12**-0.5)
        # Shot noise grows with light: the edge has half paper, half metal.
        sigma = shot.noise * math.sqrt(0.2 + (0.75 + shot.metal) / 2 / 0.22)
        bound.append(edge_bound(s, EDGE_PX, sigma / (0.75 - shot.metal)) * pixel_mm)
    if not edge:
        return [math.nan] * 5
    return [
        float(np.percentile(np.concatenate(edge), 95)),
        float(np.median(error)),
        float(np.median(stated)),
        float(np.percentile(np.concatenate(plain), 95)),
        float(np.median(bound)),
    ]


def traced(shot: drawn_plates.Shot) -> JobResult:
    """One photo through the main job."""
    options = JobOptions(PRINT, thicknesses_mm=(shot.told_mm,), mode="silhouette")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plate.jpg"
        path.write_bytes(drawn_plates.photograph(shot))
        return pattern_from_photo(path, options)


def by_plain_recipe(result: JobResult, true: shapely.Geometry) -> FloatArray:
    """Distances of the plain recipe's outline from the true one."""
    area = result.sightings[0].sheet.work_area_mm
    assert area is not None
    found = plain_recipe.contours_mm(result.photo, result.sightings[0], PRINT, area)
    return min(
        (np.asarray(shapely.distance(shapely.points(c), true)) for c in found[:4]),
        key=lambda off: float(np.median(off)),
    )


def edge_bound(blur_px: float, length_px: float, noise: float) -> float:
    """Cramer-Rao bound of a straight edge's place, px; noise over contrast."""
    return 1.8828 * math.sqrt(blur_px / length_px) * noise


# ---------------------------------------------------------------- edges and corners alone


def bounds(trials: int) -> None:
    """Scatter over bound, of edges and of corners."""
    print(f"{'scatter, px':<16}{'blur':>6}{'noise':>8}{'found':>9}{'bound':>9}{'ratio':>7}")
    for blur in (0.5, 0.8, 1.1):
        for noise in (0.01, 0.03):
            found, bound = edge_scatter(blur, noise, trials)
            print(
                f"{'edge, 20 px':<16}{blur:>6.1f}{noise:>8.2f}{found:>9.4f}{bound:>9.4f}"
                f"{found / bound:>7.2f}",
                flush=True,
            )
    for blur in (0.5, 0.8, 1.1):
        found, bound = corner_scatter(blur, 0.03, trials)
        print(
            f"{'X-corner':<16}{blur:>6.1f}{0.03:>8.2f}{found:>9.4f}{bound:>9.4f}"
            f"{found / bound:>7.2f}",
            flush=True,
        )


def edge_scatter(blur_px: float, noise: float, trials: int) -> tuple[float, float]:
    """Scatter of straight edges 20 px long at any angle, and its bound; noise over contrast."""
    rng = np.random.default_rng(5)
    size, fine, low, high = 61, 8, 0.15, 0.65
    at = (np.arange(size * fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(at, at)
    off = []
    for _ in range(max(trials // 10, 4)):
        angle = rng.uniform(0, math.tau)
        normal = np.array([math.cos(angle), math.sin(angle)])
        middle = np.full(2, size / 2) + rng.uniform(-1, 1, 2)
        depth = (middle[0] - x) * normal[0] + (middle[1] - y) * normal[1]
        mask = gaussian_filter(np.clip(depth * fine + 0.5, 0, 1), blur_px * fine, mode="nearest")
        clean = high + (low - high) * mask.reshape(size, fine, size, fine).mean((1, 3))
        for _ in range(10):
            image = clean + rng.normal(0, noise * (high - low), clean.shape)
            shift = rng.uniform(-1, 1)
            where = middle + shift * normal
            edge = locate(image, where[None], normal[None], along_px=round(EDGE_PX))
            if edge.ok[0]:
                off.append(edge.offset_px[0] + shift)
    return float(np.std(off)), edge_bound(math.hypot(blur_px, 12**-0.5), EDGE_PX, noise)


def corner_scatter(blur_px: float, noise: float, trials: int) -> tuple[float, float]:
    """Scatter of X-corners per axis and their bound in a window of 11 x 11 px."""
    rng = np.random.default_rng(6)
    side, fine, dark, bright = 21, 10, 0.15, 0.65
    tiles, truth, edges = [], [], []
    at = (np.arange((side + 6) * fine) + 0.5) / fine - 3.5
    x, y = np.meshgrid(at, at)
    for k in range(trials):
        first = rng.uniform(0, math.pi)
        second = first + math.pi / 2
        centre = (side - 1) / 2 + rng.uniform(-0.5, 0.5, 2)
        dx, dy = x - centre[0], y - centre[1]
        a = -(dx * math.sin(first) + dy * math.cos(first))
        b = dx * math.sin(second) + dy * math.cos(second)
        light = gaussian_filter(np.where(a * b > 0, dark, bright), blur_px * fine)
        light = light.reshape(side + 6, fine, side + 6, fine).mean((1, 3))[3:-3, 3:-3]
        tiles.append(light + noise * (bright - dark) * rng.standard_normal(light.shape))
        truth.append(centre + np.array([k * side, 0.0]))
        edges.append((first, second))
    strip = np.clip(np.concatenate(tiles, axis=1), 0, 1)
    coded = np.where(strip <= 0.0031308, 12.92 * strip, 1.055 * strip ** (1 / 2.4) - 0.055)
    rgb = np.repeat(np.round(65535 * coded).astype(np.uint16)[:, :, None], 3, axis=2)
    near = np.array(truth) + rng.uniform(-0.7, 0.7, (trials, 2))
    found = refine(
        Photo("drawn", "", rgb, None, None), near, np.array(edges), np.full(trials, 20.0)
    )
    off = (found.xy_px - np.array(truth))[found.good]
    s = math.hypot(blur_px, 12**-0.5)
    bound = 1.8828 * math.sqrt(s) * noise / math.sqrt(CORNER_PX - 2.257 * s)
    return float(np.sqrt(np.mean(off**2))), bound


if __name__ == "__main__":
    main()
