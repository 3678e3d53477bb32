"""Errors of the whole job on path-traced photographs whose truth is known, as one table.

    python benchmarks/accuracy.py [--json] [NAME ...]

For every sample: the distance below which 95 % of the found outline lies from the true
one, the worst hole diameter, bend lines, lengths against ISO 2768-1 fine, the share of
dimensions that lie within their stated ±, and beside it what the plain recipe
(plain_recipe.py) makes of the same photo with the same corners.  The printed scale is
given as measured to 0.05 % (one sigma), so that the table shows the photo's part.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import plain_recipe
import shapely

from digitize.cli.samples_command import job_options
from digitize.errors import DigitizeError
from digitize.job import JobResult, pattern_from_photo
from digitize.pattern.contour import Circle
from digitize.pattern.dimensions import caliper_width
from digitize.pattern.general_tolerance import linear_mm
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed
from digitize.sheets.layout import PrintScale

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))
import sample_truth as truths

A3_MM = 420.0  # ISO 216
HARD_LIGHT = {"hard-shadow"}  # a small lamp; all others stand in soft light


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*")
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    rows = []
    for path in truths.samples():
        if not arguments.names or path.stem in arguments.names:
            try:
                rows.append(measure(path))
            except DigitizeError as error:
                rows.append({"photo": path.stem, "refused": str(error)})
            if not arguments.json:
                show(rows[-1], first=len(rows) == 1)
    if not arguments.json:
        show_fraction(rows)
    if arguments.json:
        json.dump(rows, sys.stdout, indent=2)


def measure(path: Path) -> dict[str, Any]:
    """One sample, traced and compared."""
    truth = truths.load(path)
    true = truths.pieces(truth)
    target = truth["targets"][0]
    ink = truth["mode"] == "ink"
    options = replace(job_options(truth), line_side="centre" if ink else "inside")
    result = pattern_from_photo(path.parent / truth["photo"], options)
    to_truth = _rigid(result, truth) if target["form"] == "checkerboard" else None
    row: dict[str, Any] = {
        "photo": path.stem,
        "light": "ink" if ink else "hard" if path.stem in HARD_LIGHT else "soft",
        "tilt_deg": result.solution.camera.tilt_deg,
        "mm_per_px": truth["mm_per_px"],
        "k1": truth["camera"]["k1"],
    }
    edge, holes, bends, marks, lengths, inside = [], [], [], [], [], []
    for pattern, piece in truths.match(result.patterns, true):
        if to_truth is not None:
            pattern = to_truth(pattern)  # noqa: PLW2901
        edge.append(truths.deviations_mm(pattern.outline, piece.outline))
        holes += _holes(pattern, piece)
        bends += _bends(pattern, piece)
        marks += [
            min(math.dist(m.at_mm, t) for m in pattern.marks) for t in piece.marks if pattern.marks
        ]
        lengths += _lengths(pattern, piece)
    inside = [abs(found - real) <= u for found, real, u in lengths]
    row |= {
        "mat": f"{target['form']} {target['paper']}" if target.get("paper") else target["form"],
        "outline_95_mm": float(np.percentile(np.concatenate(edge), 95)),
        "outline_max_mm": float(np.max(np.concatenate(edge))),
        "hole_worst_mm": max((abs(h) for h in holes), default=None),
        "holes_seen": f"{len(holes)}/{sum(_circles(p) for p in true)}",
        "bend_offset_mm": max((b[0] for b in bends), default=None),
        "bend_angle_deg": max((b[1] for b in bends), default=None),
        "bends_seen": f"{len(bends)}/{sum(len(p.bends) for p in true)}",
        "marks_worst_mm": max(marks, default=None),
        "lengths_fine": f"{sum(abs(f - r) <= _fine(r) for f, r, _ in lengths)}/{len(lengths)}",
        "lengths_within_u": f"{sum(inside)}/{len(inside)}",
        "length_u_median_mm": float(np.median([u for *_, u in lengths])) if lengths else None,
        "plain_95_mm": _plain(result, options.print_scale, true, ink),
        "pieces": f"{len(result.patterns)}/{len(true)}",
    }
    return row


def _circles(piece: truths.TruePiece) -> int:
    return sum(isinstance(o, Circle) for o in piece.openings)


def _holes(pattern: Pattern, piece: truths.TruePiece) -> list[float]:
    """Diameter found minus true, of every round hole that was recognised as one."""
    errors = []
    for true in piece.openings:
        near = [
            o
            for o in pattern.openings
            if isinstance(o, Circle)
            and isinstance(true, Circle)
            and math.dist(o.centre_mm, true.centre_mm) < true.radius_mm
        ]
        errors += [2 * (o.radius_mm - true.radius_mm) for o in near[:1]]
    return errors


def _bends(pattern: Pattern, piece: truths.TruePiece) -> list[tuple[float, float]]:
    """Offset of the middle of every bend line from the true line, and angle between them."""
    errors = []
    for start, end in piece.bends:
        line = shapely.LineString([start, end])
        direction = math.atan2(end[1] - start[1], end[0] - start[0])
        for bend in pattern.bends:
            (x0, y0), (x1, y1) = bend.start_mm, bend.end_mm
            angle = math.remainder(math.atan2(y1 - y0, x1 - x0) - direction, math.pi)
            offset = line.distance(shapely.Point((x0 + x1) / 2, (y0 + y1) / 2))
            if offset < 3.0 and abs(angle) < 0.1:
                errors.append((offset, abs(math.degrees(angle))))
                break
    return errors


def _lengths(pattern: Pattern, piece: truths.TruePiece) -> list[tuple[float, float, float]]:
    """Lengths between points of the outline that a rule would measure: found, true, U.

    Widths over the outline in 24 directions (caliper widths): they need no matching of edges.
    """
    real = piece.outline.points_mm(truths.CHORD_MM)
    rows = []
    for angle in np.linspace(0.0, math.pi, 24, endpoint=False):
        along = np.array([math.cos(angle), math.sin(angle)])
        b = float(np.ptp(real @ along))
        a, expanded = caliper_width(pattern, angle)
        if expanded is not None and 30.0 <= b <= 400.0:
            rows.append((a, b, expanded))
    return rows


def _fine(length_mm: float) -> float:
    return linear_mm(length_mm, "f") or 0.0


def _plain(
    result: JobResult, scale: PrintScale, true: list[truths.TruePiece], ink: bool
) -> float | None:
    """What the plain recipe gets: 95 % of its outline within."""
    area = result.sightings[0].sheet.work_area_mm
    if area is None:
        return None
    found = plain_recipe.contours_mm(result.photo, result.sightings[0], scale, area)
    if ink:
        return None
    edges = [truths.boundary(p.outline) for p in true]
    worst = []
    for edge in edges:
        points = min(
            (shapely.points(c) for c in found[: 4 * len(edges)]),
            key=lambda pts, edge=edge: float(np.median(shapely.distance(pts, edge))),
        )
        worst.append(np.asarray(shapely.distance(points, edge)))
    return float(np.percentile(np.concatenate(worst), 95))


def _rigid(result: JobResult, truth: dict[str, Any]) -> Callable[[Pattern], Pattern]:
    """A checkerboard has no origin of its own: the motion that takes its corners onto the truth's.

    The corners' true places come from the true camera through OpenCV.
    """
    camera, sighting = truth["camera"], result.sightings[0]
    f, (cx, cy) = camera["focal_px"], camera["principal_px"]
    lens = np.array([camera["k1"], camera["k2"], 0.0, 0.0])
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
    seen = cv2.undistortPoints(sighting.corners_px[:, None], matrix, lens)[:, 0]
    rotation, centre = np.array(camera["rotation"]), np.array(camera["centre_mm"])
    rays = np.column_stack((seen, np.ones(len(seen)))) @ rotation
    true = (centre - rays * (centre[2] / rays[:, 2])[:, None])[:, :2]
    found = sighting.corners_mm
    u, _, vt = np.linalg.svd((found - found.mean(0)).T @ (true - true.mean(0)))
    turn = math.atan2(*(vt.T @ u.T)[1::-1, 0])
    c, s = math.cos(turn), math.sin(turn)
    move = true.mean(0) - np.array([[c, -s], [s, c]]) @ found.mean(0)
    return lambda pattern: placed(pattern, turn, (float(move[0]), float(move[1])))


COLUMNS = (
    ("photo", "photo", "<24", ""),
    ("light", "light", "<5", ""),
    ("tilt_deg", "tilt", ">5", ".1f"),
    ("mm_per_px", "mm/px", ">6", ".3f"),
    ("k1", "k1", ">6", ".3f"),
    ("pieces", "found", ">5", ""),
    ("outline_95_mm", "95 %", ">7", ".3f"),
    ("outline_max_mm", "max", ">7", ".3f"),
    ("plain_95_mm", "plain", ">7", ".3f"),
    ("holes_seen", "holes", ">6", ""),
    ("hole_worst_mm", "dia", ">7", ".3f"),
    ("bends_seen", "bends", ">6", ""),
    ("bend_offset_mm", "off", ">7", ".3f"),
    ("bend_angle_deg", "deg", ">7", ".3f"),
    ("lengths_fine", "fine", ">6", ""),
    ("lengths_within_u", "in U", ">6", ""),
    ("length_u_median_mm", "U", ">6", ".2f"),
)


def show(row: dict[str, Any], *, first: bool) -> None:
    """One line of the table; all lengths in millimetres."""
    if first:
        print(" ".join(f"{title:{align}}" for _, title, align, _ in COLUMNS))
    if "refused" in row:
        print(f"{row['photo']:<24} refused: {row['refused']}")
        return
    cells = []
    for key, _, align, form in COLUMNS:
        value = row[key]
        text = "-" if value is None else format(value, form)
        cells.append(f"{text:{align}}")
    print(" ".join(cells), flush=True)


def show_fraction(rows: list[dict[str, Any]]) -> None:
    """The outline's error as a fraction of the A3 ring, worst and median photo."""
    errors = [r["outline_95_mm"] for r in rows if r.get("mat") == "ring A3"]
    if errors:
        worst, usual = (A3_MM / e for e in (max(errors), float(np.median(errors))))
        print(
            f"A3 ring ({A3_MM:g} mm), {len(errors)} photos: 95 % of the outline within "
            f"1:{usual:.0f} of the mat in the median photo, 1:{worst:.0f} in the worst; "
            f"1:3000 reached in {sum(e <= A3_MM / 3000 for e in errors)}"
        )


if __name__ == "__main__":
    main()
