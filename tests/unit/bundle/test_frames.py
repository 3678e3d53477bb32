"""From the common frame to a sheet's own: the same pixels, and the same uncertainty."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from digitize.bundle.frames import over_sheet, to_common, to_sheet
from digitize.bundle.joint import solve
from digitize.bundle.papers import clear_of_papers, paper
from digitize.camera.projection import Pinhole, rotation_matrix, see
from digitize.sheets.layout import PrintScale

SCALE = PrintScale(1.001, 0.999, 5e-4, 5e-4, True, "test")


@pytest.fixture
def solution(bench):
    table = bench(5)
    return solve([table.view(f"{k}.jpg", azimuth_deg=80.0 * k)[1] for k in range(2)], SCALE)


def test_a_pixel_sees_the_same_place(solution):
    camera = solution.views[0].camera
    px = np.random.default_rng(1).uniform(0, 3000, (40, 2))
    for placement in solution.placements:
        local = over_sheet(camera, placement).to_sheet(px, 3.0)
        assert to_common(local, placement) == pytest.approx(camera.to_sheet(px, 3.0), abs=1e-6)
        assert to_sheet(camera.to_sheet(px, 3.0), placement) == pytest.approx(local, abs=1e-6)


def test_the_sheet_s_corners_lie_where_its_print_says(solution):
    for placement in solution.placements:
        nominal = np.asarray(placement.sheet.x_corners() * placement.sheet.square_mm, dtype=float)
        printed = nominal * np.array(placement.scale)
        assert to_common(printed, placement) == pytest.approx(placement.to_plane(nominal), abs=1e-9)


def test_uncertainty_in_the_plane_is_the_same(solution):
    camera = solution.views[1].camera
    px = np.array([[500.0, 400.0], [2000.0, 1500.0], [3500.0, 2700.0]])
    placement = solution.placements[2]
    c, s = np.cos(placement.angle_rad), np.sin(placement.angle_rad)
    turn = np.array([[c, -s], [s, c]])
    ours = over_sheet(camera, placement).covariance_on_sheet(px)
    assert turn @ ours @ turn.T == pytest.approx(
        camera.covariance_on_sheet(px), rel=1e-6, abs=1e-12
    )


def test_the_covariance_of_a_turned_frame_follows_a_small_change(solution):
    """A change of the camera, made before and after: the same pixels."""
    camera, placement = solution.views[0].camera, solution.placements[1]
    step = np.array([1e-5, -2e-5, 1.5e-5, 0.01, -0.02, 0.03])

    def changed(c, change):
        rotation = rotation_matrix(change[:3]) @ c.rotation
        return Pinhole(
            rotation, c.translation_mm + change[3:6], c.focal_px, c.principal_px, c.k1, c.k2
        )

    local = over_sheet(camera, placement)
    origin = to_common(np.zeros((1, 2)), placement)[0]
    shift = camera.rotation @ np.append(origin, 0.0)
    in_local = step.copy()
    in_local[3:6] += np.cross(step[:3], shift)
    places = np.array([[10.0, 20.0, 0.0], [150.0, 90.0, 5.0]])
    in_common = np.column_stack([to_common(places[:, :2], placement), places[:, 2]])
    one = see(changed(camera, step), in_common).px
    other = see(changed(local, in_local), places).px
    assert one == pytest.approx(other, abs=1e-6)


def test_the_ground_is_clear_of_every_paper_and_in_one_part(solution):
    region = shapely.Polygon(clear_of_papers(solution.placements))
    assert region.is_valid
    for placement in solution.placements:
        assert shapely.intersection(region, paper(placement)).area < 1e-6
    assert region.area > 1e6
