"""Bare bench or paper in place of a printed ring, and the tracer over it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from bench import photograph
from conftest import as_photo
from scenes import A4, SCENES, THICK

from digitize.camera.camera import Camera
from digitize.reference.by_paper import camera_by_paper
from digitize.reference.clear import clear_patches
from digitize.reference.ground import GroundTooSmall, box_round, ground
from digitize.reference.paper import paper_named
from digitize.reference.sight_paper import sight_paper
from digitize.tracing.silhouette.trace import SilhouetteOptions, trace_silhouette

OVER = Camera(
    (1600, 1200),
    np.diag([1.0, -1.0, -1.0]),
    np.array([-100.0, 75.0, 400.0]),
    1500.0,
    (799.5, 599.5),
    0.0,
    0.0,
    np.zeros((11, 11)),
)


def traced(photo, camera, box_mm):
    patch = ground(camera, box_mm)
    found = trace_silhouette(photo, patch.camera, patch.sheet, SilhouetteOptions(THICK))
    assert len(found.pieces) == 1
    return shapely.Polygon(found.pieces[0].outline.points_mm)


def sizes(shape):
    """Sides of the smallest box round a shape, longer first, and its area, wherever it lies."""
    box = np.asarray(shapely.minimum_rotated_rectangle(shape).exterior.coords)
    sides = np.linalg.norm(np.diff(box, axis=0), axis=1)[:2]
    return sides.max(), sides.min(), shape.area


def test_a_piece_on_plain_paper():
    shot = SCENES["paper-tilted"].but(shadow=0.0)
    photo = as_photo(photograph(shot), focal_px=1.02 * shot.focal_px)
    found = camera_by_paper(photo, sight_paper(photo), paper_named("A4"))
    width, height = A4.corners_mm.max(axis=0)
    shape = traced(photo, found.solution.camera, (2.0, 2.0, width - 2, height - 2))
    long, short, area = sizes(shape)
    true_long, true_short, true_area = sizes(
        shapely.Polygon(shot.plates[-1].corners_mm.astype(float))
    )
    assert long == pytest.approx(true_long, abs=0.8)
    assert short == pytest.approx(true_short, abs=0.8)
    assert area == pytest.approx(true_area, rel=0.008)


def test_the_patch_has_its_own_origin():
    patch = ground(OVER, (10.0, -60.0, 170.0, 40.0))
    width, height = patch.sheet.size_mm
    assert patch.sheet.work_area_mm is not None
    assert 150 < width <= 160
    assert 90 < height <= 100
    here = np.array([[0.0, 0.0], [50.0, 20.0]])
    there = here + np.array(patch.origin_mm)
    assert patch.camera.to_px(here) == pytest.approx(OVER.to_px(there))


def test_a_box_of_pixels_is_a_box_of_bench():
    x0, y0, x1, y1 = box_round(OVER, (300, 200, 1200, 900))
    corners = np.array([[x0, y0], [x1, y1]])
    assert OVER.to_px(corners) == pytest.approx(np.array([[300, 900], [1200, 200]]))


def test_a_turned_patch_keeps_pixels_and_how_sure_they_are():
    rng = np.random.default_rng(2)
    root = rng.normal(size=(11, 11)) * np.array([1e-3] * 3 + [0.5] * 3 + [1e-2, 2, 2, 1e-3, 1e-3])
    camera = replace(OVER, covariance=root.T @ root)
    patch = ground(camera, (10.0, -60.0, 170.0, 40.0), 0.4)
    c, s = np.cos(0.4), np.sin(0.4)
    turn = np.array([[c, -s], [s, c]])
    here = np.array([[0.0, 0.0], [50.0, 20.0], [120.0, 90.0]])
    px = camera.to_px(here @ turn.T + np.array(patch.origin_mm))
    assert patch.camera.to_px(here) == pytest.approx(px)
    before = camera.covariance_on_sheet(px, 1.5)
    after = turn @ patch.camera.covariance_on_sheet(px, 1.5) @ turn.T
    assert after == pytest.approx(before, rel=1e-6)


@pytest.mark.parametrize(
    "box", [(0, 0, 100, 3), (0, 0, -5, 50), (0, 0, float("nan"), 50), (0, 0, 500, 14)]
)
def test_patches_too_small(box):
    with pytest.raises(GroundTooSmall, match="too small or too narrow"):
        ground(OVER, box)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_clear_patches_keep_off_what_covers_the_bench(turn_deg):
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    camera = replace(OVER, rotation=OVER.rotation @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]))
    rule = np.array([[-400.0, -20.0], [600.0, -20.0], [600.0, 10.0], [-400.0, 10.0]])
    found = clear_patches(camera, [rule])
    assert len(found) >= 2
    for patch in found:
        corners = patch.corners_mm()
        assert not shapely.Polygon(corners).intersects(shapely.Polygon(rule))
        px = camera.to_px(corners)
        assert (px > 0).all()
        assert (px < [1600, 1200]).all()
    sides = {bool(patch.corners_mm()[:, 1].mean() > 0) for patch in found}
    assert sides == {True, False}
    areas = [patch.area_mm2 for patch in found]
    assert areas == sorted(areas, reverse=True)
    # Beside a level rule the box takes all there is above it, but for a rim.
    if turn_deg == 0.0:
        seen = camera.to_sheet(np.array([[0.0, 0.0], [1599.0, 1199.0]]))
        whole = (seen[1, 0] - seen[0, 0]) * max(seen[0, 1] - 10, -20 - seen[1, 1])
        assert areas[0] > 0.9 * whole
