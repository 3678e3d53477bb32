"""Several sheets and photos: time of the joint solve against detection, and accuracy.

    python benchmarks/joint.py [solve] [drawing] [piece] [--photos 20] [--sheets 12]

``solve``: photos of a strewn bench, drawn by OpenCV (``samples/strewn.py``); the time to
find the sheets in them, the time to solve cameras and layout together, their ratio (target:
at most 3), and how far the layout is from the truth.  ``drawing``: a 1.2 m drawing among six
A4 sheets in four photos of that kind.  ``piece``: a rusty piece 1.2 m long and 1.5 mm thick
among six A4 sheets that lie still and flat, one that does not lie flat and one that was
moved, in four path-traced photos (``samples/floor-section``).  Of both: the share of the
outline near the truth (target: 95 % within 0.3 mm), the error of the longest dimension
(target: 0.4 mm besides the print's), and its stated U.  No word: all three.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import shapely

from digitize.bundle.joint import solve
from digitize.bundle.view import View
from digitize.job import JobOptions
from digitize.joint_job import JointResult, pattern_from_photos
from digitize.pattern.dimensions import dimensions
from digitize.sheets.catalogue import sheet
from digitize.sheets.layout import PrintScale
from digitize.sighting.sight import sight

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))
import sample_truth
import strewn

PARTS = ("solve", "drawing", "piece")
EXACT = PrintScale(1.0, 1.0, 1e-4, 1e-4, True, "drawn")
LONG = (
    ("card", 1, (200, 150), 0.2),
    ("card", 2, (850, 120), -0.1),
    ("ring", 3, (1680, 230), 0.5),
    ("card", 3, (150, 900), 2.5),
    ("card", 4, (850, 930), 0.05),
    ("ring", 5, (1680, 850), -2.0),
)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help="solve, drawing, piece")
    parser.add_argument("--photos", type=int, default=20)
    parser.add_argument("--sheets", type=int, default=12)
    parser.add_argument("--size", default="4000x3000")
    arguments = parser.parse_args()
    if unknown := set(arguments.parts) - set(PARTS):
        parser.error(f"there is no part {', '.join(sorted(unknown))}")
    parts = arguments.parts or PARTS
    width, height = (int(side) for side in arguments.size.split("x"))
    if "solve" in parts:
        solve_against_detection(arguments.photos, arguments.sheets, (width, height))
    if "drawing" in parts:
        long_drawing((width, height))
    if "piece" in parts:
        floor_section()


def strewn_sheets(count: int, rng: np.random.Generator) -> list[tuple]:
    """So many sheets, rings and cards in turn, on a grid of four columns."""
    rows = -(-count // 4)
    laid = []
    for k in range(count):
        at = (250 + 420 * (k % 4), 220 + 360 * (k // 4))
        form = ("card", "ring")[k % 2]
        laid.append((form, k + 1, at, float(rng.uniform(-np.pi, np.pi))))
    assert rows * 360 < 1400
    return laid


def solve_against_detection(photos: int, sheets: int, size: tuple[int, int]) -> None:
    """Photos all round a bench full of sheets."""
    rng = np.random.default_rng(1)
    laid = strewn_sheets(sheets, rng)
    bench = strewn.bench(1800, 1400)
    for form, number, middle, angle in laid:
        bench.lay(sheet(form, "A4", number), middle, angle)
    views, detecting = [], 0.0
    for k in range(photos):
        at = (float(rng.uniform(700, 1100)), float(rng.uniform(450, 800)))
        shot = strewn.look(
            at,
            float(rng.uniform(1300, 1600)),
            float(rng.uniform(0, 28)),
            float(rng.uniform(0, 360)),
            size_px=size,
            focal_px=0.75 * size[0],
        )
        photo = strewn.photograph(bench, shot, f"{k}.jpg", seed=k)
        start = time.process_time()
        sightings = sight(photo)
        detecting += time.process_time() - start
        views.append(View(_header(photo), sightings))
    start = time.process_time()
    joint = solve(views, EXACT)
    solving = time.process_time() - start
    corners = sum(len(s.corners_px) for view in views for s in view.sightings)
    _, off_mm = to_truth(joint, laid)
    print(
        f"{photos} photos of {size[0] * size[1] / 1e6:.0f} MP, {sheets} sheets, {corners} corners: "
        f"detecting {detecting:.1f} s of processor time, solving {solving:.1f} s, "
        f"ratio {solving / detecting:.2f}; layout off by at most {off_mm:.3f} mm, "
        f"left out: {len(joint.left_out)}"
    )


def _header(photo: strewn.Photo) -> strewn.Photo:
    """The photo without its picture, which the layout has no use for."""
    shape = (photo.height_px, photo.width_px, 0)
    return strewn.Photo(photo.name, "", np.empty(shape, np.uint8), None, None)


def to_truth(joint, laid):
    """The motion from the common frame to the bench, and how far sheets are off after it."""
    true = {(one[0], one[1]): one[2:] for one in laid}
    found, real = [], []
    for p in joint.placements:
        if (p.sheet.form, p.sheet.number) not in true:
            continue
        middle, angle, *scale = true[p.sheet.form, p.sheet.number]
        nominal = np.asarray(p.sheet.x_corners() * p.sheet.square_mm, dtype=float)
        c, s = np.cos(angle), np.sin(angle)
        local = (nominal - np.array(p.sheet.size_mm) / 2) * (scale[0] if scale else 1.0)
        found.append(p.to_plane(nominal))
        real.append(local @ np.array([[c, s], [-s, c]]) + middle)
    found, real = np.vstack(found), np.vstack(real)
    a, b = found.mean(axis=0), real.mean(axis=0)
    u, _, vt = np.linalg.svd((found - a).T @ (real - b))

    def move(points):
        return (points - a) @ u @ vt + b

    return move, float(np.hypot(*(move(found) - real).T).max())


def long_drawing(size: tuple[int, int]) -> None:
    """A 1.2 m drawing in four photos, each of which shows part of it."""
    body = shapely.box(250, 270, 1450, 730).buffer(-60).buffer(60, quad_segs=64)
    hole = shapely.Point(600, 500).buffer(40, quad_segs=64)
    rings = [shapely.get_coordinates(s.exterior)[:-1] for s in (body, hole)]
    stands = (((450, 500), 1000, 10, 40), ((800, 520), 1050, 18, 150),
              ((1150, 500), 1000, 16, 260), ((1350, 520), 1050, 12, 330))  # fmt: skip
    bench = strewn.bench(1900, 1100)
    bench.draw(rings, 2.0)
    for form, number, middle, angle in LONG:
        bench.lay(sheet(form, "A4", number), middle, angle)
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for k, (at, distance, tilt, azimuth) in enumerate(stands):
            shot = strewn.look(at, distance, tilt, azimuth, size_px=size, focal_px=0.75 * size[0])
            photo = strewn.photograph(bench, shot, f"{k}.jpg", seed=k)
            paths.append(Path(folder) / f"{k}.jpg")
            cv2.imwrite(str(paths[-1]), photo.rgb, [cv2.IMWRITE_JPEG_QUALITY, 92])
        result = pattern_from_photos(paths, JobOptions(EXACT, mode="ink", line_side="centre"))
    move, off_mm = to_truth(result.joint, LONG)
    report(f"1.2 m drawing, 6 A4 sheets, 4 photos of {size[0] * size[1] / 1e6:.0f} MP",
           result, move, off_mm, body.exterior)  # fmt: skip


def floor_section() -> None:
    """The path-traced piece, its print measured to 0.05 %."""
    folder = sample_truth.SAMPLES / "floor-section"
    paths = sorted(folder.glob("*.jpg"))
    facts = [sample_truth.load(path.with_suffix(".json")) for path in paths]
    common = PrintScale(0.9985, 1.0012, 5e-4, 5e-4, True, "measured")
    thickness_mm = facts[0]["pieces"][0]["thickness_mm"]
    options = JobOptions(common, mode="silhouette", thicknesses_mm=(thickness_mm,))
    result = pattern_from_photos(paths, options)
    true = {(t["form"], t["number"]): t for one in facts for t in one["targets"]}
    laid, scales = [], []
    for (form, number), t in true.items():
        angle = np.radians(t["turn_deg"])
        c, s = np.cos(angle), np.sin(angle)
        scales.append(t["print_scale"])
        middle = np.array(sheet(form, "A4", number).size_mm) / 2 * t["print_scale"]
        at = middle @ np.array([[c, s], [-s, c]]) + t["at_mm"]
        laid.append((form, number, tuple(at), angle, tuple(t["print_scale"])))
    still = {("card", 1), ("card", 2), ("ring", 3), ("ring", 4), ("card", 5), ("card", 6)}
    move, off_mm = to_truth(result.joint, [one for one in laid if one[:2] in still])
    print(f"  left out: {'; '.join(f'{s} in {len(p)} photos' for s, p in result.joint.left_out)}")
    width, height = facts[0]["camera"]["size_px"]
    report(f"1.2 m piece, 6 A4 sheets, 4 path-traced photos of {width * height / 1e6:.0f} MP",
           result, move, off_mm,
           sample_truth.boundary(sample_truth.pieces(facts[0])[0].outline))  # fmt: skip


def report(what: str, result: JointResult, move, off_mm: float, true: shapely.LinearRing) -> None:
    """One line of figures: of the fitted outline, in the frame of the sheets."""
    (pattern,) = result.job.patterns
    found = shapely.LinearRing(move(np.asarray(pattern.outline.points_mm(0.001))))
    along = shapely.line_interpolate_point(found, np.arange(0.0, found.length, 0.25))
    error = shapely.distance(along, true)
    extent = [np.ptp(shapely.get_coordinates(ring)[:, 0]) for ring in (found, true)]
    (u,) = [d.expanded for d in dimensions(pattern).of("OL")]
    print(
        f"{what}: layout off by at most {off_mm:.3f} mm, 95 % of the outline within "
        f"{np.percentile(error, 95):.3f} mm ({(error < 0.3).mean():.1%} within 0.3, worst "
        f"{error.max():.3f}), longest dimension off by {extent[0] - extent[1]:+.3f} mm, "
        f"stated U {u:.2f} mm, openings {len(pattern.openings)}"
    )


if __name__ == "__main__":
    main()
