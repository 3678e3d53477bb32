"""Joint solving against other libraries: SciPy's optimiser on OpenCV's projection."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2

from digitize.bundle.joint import solve
from digitize.sheets.layout import PrintScale

EXACT = PrintScale(1.0, 1.0, 1e-9, 1e-9, True, "test")


def test_the_layout_is_that_of_a_bundle_adjustment_by_scipy(bench):
    """Free of our code: cv2.projectPoints for the model, scipy.optimize.least_squares to fit.

    Its unknowns are one lens, the poses, and the places of all sheets but the first; ours
    have more, each with a prior, so the two layouts agree within a share of what noise
    leaves uncertain.
    """
    table = bench(4)
    views = [
        table.view(f"{k}.jpg", tilt_deg=22.0, azimuth_deg=120.0 * k, distance_mm=1450.0)[1]
        for k in range(3)
    ]
    solution = solve(views, EXACT, table.sheets[0].sheet)
    numbers = {laid.sheet: k for k, laid in enumerate(table.sheets)}

    def unpacked(x):
        lens, poses = x[:5], x[5:23].reshape(3, 6)
        places = np.vstack([np.zeros(3), x[23:].reshape(3, 3)])
        return lens, poses, places

    def residuals(x):
        (log_f, cx, cy, k1, k2), poses, places = unpacked(x)
        f = np.exp(log_f)
        matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
        rows = []
        for view, pose in zip(views, poses, strict=True):
            for s in view.sightings:
                px, py, angle = places[numbers[s.sheet]]
                local = s.corners_mm - np.array(s.sheet.size_mm) / 2
                c, w = np.cos(angle), np.sin(angle)
                flat = local @ np.array([[c, w], [-w, c]]) + [px, py]
                world = np.column_stack([flat, np.zeros(len(flat))])
                seen, _ = cv2.projectPoints(
                    world, pose[:3], pose[3:], matrix, np.array([k1, k2, 0, 0])
                )
                rows.append((s.corners_px - seen[:, 0]).ravel() / s.sigma_px[0])
        return np.concatenate(rows)

    datum = next(p for p in solution.placements if p.sheet == table.sheets[0].sheet)
    start = [np.log(3000.0), 2000.0, 1500.0, 0.0, 0.0]
    for one in solution.views:
        rotation, translation = one.camera.rotation, one.camera.translation_mm
        # Their frame has the first sheet's middle as its origin.
        moved = translation + rotation[:, :2] @ np.array(datum.middle_mm)
        start += [*cv2.Rodrigues(rotation)[0].ravel(), *moved]
    for laid in table.sheets[1:]:
        p = next(p for p in solution.placements if p.sheet == laid.sheet)
        off = np.subtract(p.middle_mm, datum.middle_mm)
        start += [*(off + 3.0), p.angle_rad + 0.01]
    start = np.array(start)
    fit = least_squares(residuals, start, x_scale="jac", max_nfev=40)
    _, _, places = unpacked(fit.x)
    theirs, ours = [], []
    for laid in table.sheets:
        nominal = np.asarray(laid.sheet.x_corners() * laid.sheet.square_mm, dtype=float)
        x, y, angle = places[numbers[laid.sheet]]
        c, w = np.cos(angle), np.sin(angle)
        local = nominal - np.array(laid.sheet.size_mm) / 2
        theirs.append(local @ np.array([[c, w], [-w, c]]) + [x, y])
        placement = next(p for p in solution.placements if p.sheet == laid.sheet)
        ours.append(placement.to_plane(nominal))
    theirs, ours = np.vstack(theirs), np.vstack(ours)
    a, b = theirs - theirs.mean(axis=0), ours - ours.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    apart = np.hypot(*(a @ u @ vt - b).T).max()
    assert apart < 0.08
    assert abs(np.log(solution.views[0].camera.focal_px) - fit.x[0]) < 0.004
    assert table.layout_error_mm(solution.placements) < 0.08


TABLES, DRAWS_A_TABLE = 16, 4
"""Places on one table share its sheets' errors: over 80 tables the mean square of a table
scattered by 0.68, as the mean of four independent squares does (2 / 0.68^2 = 4.3)."""


def test_stated_uncertainty_is_that_seen(bench):
    """JCGM 101 style: all that ``digitize.bundle.beliefs`` believes is drawn from its belief.

    Errors over their stated covariance then have a mean square of one.  The bounds are the
    99.8 % interval of so many independent squares, so that a covariance stated twice too
    large or too small fails.
    """
    of_tables = []
    for seed in range(TABLES):
        table = bench(4, seed=100 + seed)
        rng = table.rng
        sheets = tuple(
            dataclasses.replace(
                laid,
                printed=tuple(np.exp(rng.normal(0, 5e-4, 2))),
                heights_mm=_lying(laid.sheet, rng),
            )
            for laid in table.sheets
        )
        table = dataclasses.replace(table, sheets=sheets)
        # At the picture's corner, 5/6 of the focal length from the middle, 10 % and 5 %.
        k1, k2 = rng.normal(0, 0.10 / (5 / 6) ** 2), rng.normal(0, 0.05 / (5 / 6) ** 4)
        middle = rng.normal(0, 30, 2)
        shots = [
            table.view(
                f"{k}.jpg",
                tilt_deg=rng.uniform(0, 35),
                azimuth_deg=rng.uniform(0, 360),
                distance_mm=rng.uniform(1300, 1700),
                focal_px=3000 * np.exp(rng.normal(0, 0.004)),
                off_middle_px=tuple(middle + rng.normal(0, 12, 2)),
                k1=k1,
                k2=k2,
            )
            for k in range(2)
        ]
        solution = solve([view for _, view in shots], EXACT)
        assert solution.left_out == ()
        move = _motion_by_used_corners(solution, table, [view for _, view in shots])
        squares = []
        for one, (camera, _) in zip(solution.views, shots, strict=True):
            spots = np.column_stack(
                [rng.uniform(350, 1150, 15), rng.uniform(150, 550, 15), np.zeros(15)]
            )
            px = camera.px(spots)
            inside = ((px > 0) & (px < np.array(one.camera.size_px))).all(axis=1)
            error, turn = move(one.camera.to_sheet(px[inside]), spots[inside, :2])
            spread = turn.T @ one.camera.covariance_on_sheet(px[inside]) @ turn
            squares += np.einsum("ni,nij,nj->n", error, np.linalg.inv(spread), error).tolist()
        of_tables.append(np.mean(squares) / 2)
    draws = TABLES * DRAWS_A_TABLE
    low, high = chi2.ppf([0.001, 0.999], draws) / draws
    assert low > 0.5  # else twice too wide would pass
    assert low < np.mean(of_tables) < high


def _lying(sheet, rng):
    """Heights of places from a sheet's middle: bench off and aslant under it, paper bulging."""
    nodes = np.asarray(sheet.x_corners() * sheet.square_mm, float) - np.array(sheet.size_mm) / 2
    powers = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))

    def terms(local):
        u, v = (local / np.abs(nodes).max()).T
        return np.stack([u**i * v**j for i, j in powers], axis=1)

    at = terms(nodes)
    plane, bulges = at[:, :3], at[:, 3:]
    off = np.linalg.lstsq(plane, bulges, rcond=None)[0]
    leaning = rng.normal(0, (0.15, 0.05, 0.05)) / np.sqrt((plane**2).mean(axis=0))
    bulging = rng.normal(0, 0.03, 7) / np.sqrt(((bulges - plane @ off) ** 2).mean(axis=0))
    return lambda local: terms(local) @ np.concatenate([leaning - off @ bulging, bulging])


def _motion_by_used_corners(solution, table, views):
    """The change of frame and scale that the covariance leaves out, from corners in use."""
    true = {laid.sheet: laid for laid in table.sheets}
    placed = {p.sheet: p for p in solution.placements}
    found, real = [], []
    for view, one in zip(views, solution.views, strict=True):
        for sighting, used in zip(view.sightings, one.used, strict=True):
            nominal = sighting.corners_mm[used]
            found.append(placed[sighting.sheet].to_plane(nominal))
            real.append(true[sighting.sheet].on_bench(nominal)[:, :2])
    found, real = np.vstack(found), np.vstack(real)
    a, b = found.mean(axis=0), real.mean(axis=0)
    u, sizes, vt = np.linalg.svd((found - a).T @ (real - b))
    turn, scale = u @ vt, sizes.sum() / ((found - a) ** 2).sum()
    return lambda places, truth: ((places - a) @ turn * scale + b - truth, turn)
