"""Recovery on hard views: false corners, crops, wrong headers, curled paper, bad prints."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from digitize.camera.priors import Frame
from digitize.camera.recover import CameraError, SheetNotFlatError, recover
from digitize.sheets.catalogue import sheet
from digitize.sheets.layout import PrintScale, Sheet

A2 = Sheet("ring", "A2", 1, 26, 18, 600 / 26, 0)
RING = sheet("ring", "A4", 1)
EXACT = PrintScale(1.0, 1.0, 0.0, 0.0, True, "test")
UNMEASURED = PrintScale(1.0, 1.0, 0.003, 0.003, False, "test")
HEADER = Frame(4000, 3000, 3050.0, 0.03)
SILENT = Frame(4000, 3000)
LENS = {"k1": -0.05, "k2": 0.03, "off_middle_px": (25.0, -15.0)}


def plan_error_mm(camera, view, height_mm=0.0, inset=0.05):
    places, pixels = view.grid(height_mm, inset=inset)
    return np.hypot(*(camera.to_sheet(pixels, height_mm) - places).T).max()


def shape_error_mm(camera, view, plane):
    """What is left of the plan error on a tilted plane (a, b, c) when pieces may be moved."""
    places, _ = view.grid()
    pixels = view.px(np.column_stack([places, places @ plane[:2] + plane[2]]))
    seen = camera.to_sheet(pixels)
    a, b = seen - seen.mean(axis=0), places - places.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    return np.hypot(*(a @ u @ vt - b).T).max()


def chosen(sighting, keep):
    return dataclasses.replace(
        sighting,
        corners_px=sighting.corners_px[keep],
        corners_mm=sighting.corners_mm[keep],
        sigma_px=sighting.sigma_px[keep],
    )


@pytest.mark.parametrize("lens", [(0.0, 0.0), (-0.06, 0.0), (0.06, -0.05), (-0.3, 0.12)])
@pytest.mark.parametrize("tilt", [0.0, 5.0, 20.0, 35.0, 50.0])
def test_plan_is_hundredths_of_a_millimetre(over, tilt, lens):
    view = over(A2, tilt, k1=lens[0], k2=lens[1], off_middle_px=(25, -15))
    found = recover(view.sighting(np.random.default_rng(1)), EXACT, HEADER)
    assert found.used.sum() >= len(found.used) - 1
    assert 0.9 < found.rms_px / found.expected_rms_px < 1.1
    assert found.sheet_flatness_mm == 0
    assert 1e-4 < plan_error_mm(found.camera, view) < 0.05
    assert found.camera.tilt_deg == pytest.approx(tilt, abs=2)


def test_residuals_are_seen_minus_predicted(over):
    view = over(A2, 20.0, **LENS)
    sighting = view.sighting(np.random.default_rng(1))
    found = recover(sighting, EXACT, HEADER)
    off = sighting.corners_px - found.camera.to_px(sighting.corners_mm)
    # What the two differ by is the sheet's height field, hundredths of a millimetre here.
    assert np.abs(found.residuals_px - off).max() < 0.5
    assert np.corrcoef(found.residuals_px.ravel(), off.ravel())[0, 1] > 0.5


@pytest.mark.parametrize("tilt", [0.0, 15.0, 30.0])
def test_false_corners_are_told_apart(over, tilt):
    rng = np.random.default_rng(2)
    view = over(A2, tilt, **LENS)
    sighting = view.sighting(rng)
    false = rng.random(len(sighting.corners_px)) < 0.3
    sighting.corners_px[false] += rng.normal(0, 60, (false.sum(), 2))
    found = recover(sighting, EXACT, HEADER)
    assert not found.used[false].any()
    assert found.used[~false].mean() > 0.99
    assert plan_error_mm(found.camera, view) < 0.05


@pytest.mark.parametrize("tilt", [0.0, 5.0, 15.0, 30.0])
def test_a_quarter_of_the_corners_taken_for_their_neighbours(over, tilt):
    view = over(A2, tilt, **LENS)
    sighting = view.sighting(np.random.default_rng(3))
    false = sighting.corners_mm[:, 0] > 450
    sighting.corners_mm[false, 0] += A2.square_mm
    found = recover(sighting, EXACT, SILENT)
    assert not found.used[false].any()
    assert found.used[~false].mean() > 0.99
    places, pixels = view.grid()
    within = places[:, 0] < 450
    error = np.hypot(*(found.camera.to_sheet(pixels) - places)[within].T)
    assert error.max() < 0.1


def test_without_tilt_the_plan_is_exact_and_height_is_not(over):
    view = over(A2, 0.0, **LENS)
    found = recover(view.sighting(np.random.default_rng(4)), EXACT, SILENT)
    assert plan_error_mm(found.camera, view) < 0.03
    _, pixels = view.grid(10.0)
    spread = found.camera.covariance_on_sheet(pixels, 10.0)
    assert np.sqrt(np.trace(spread, axis1=1, axis2=2)).max() > 1.0
    assert np.sqrt(found.camera.covariance[6, 6]) > 0.3


@pytest.mark.parametrize("tilt", [5.0, 15.0, 30.0])
@pytest.mark.parametrize("photo", [SILENT, Frame(4000, 3000, 2400.0, 0.03)])
def test_a_cropped_picture(over, tilt, photo):
    view = over(A2, tilt, k1=-0.05, k2=0.03, off_middle_px=(800.0, -500.0))
    found = recover(view.sighting(np.random.default_rng(5)), EXACT, photo)
    off = np.subtract(found.camera.principal_px, view.camera.principal_px)
    assert np.hypot(*off) < 60
    assert found.camera.focal_px == pytest.approx(3000, rel=0.02)
    assert plan_error_mm(found.camera, view) < 0.06
    assert plan_error_mm(found.camera, view, 10.0) < 0.06


@pytest.mark.parametrize("told_px", [18000.0, 3600.0, 2400.0])
@pytest.mark.parametrize("tilt", [5.0, 20.0])
def test_a_header_that_lies(over, tilt, told_px):
    view = over(A2, tilt, **LENS)
    found = recover(
        view.sighting(np.random.default_rng(6)), EXACT, Frame(4000, 3000, told_px, 0.03)
    )
    assert found.camera.focal_px == pytest.approx(3000, rel=0.03)
    assert plan_error_mm(found.camera, view, 2.0) < 0.06


@pytest.mark.parametrize("tilt", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("bow", [0.3, 1.0, 3.0])
def test_curled_paper_is_told_and_does_not_bend_the_plan(over, tilt, bow):
    width, _ = RING.size_mm
    view = over(RING, tilt, **LENS)

    def heights(at):
        return bow * (1 - ((at[:, 0] - width / 2) / (width / 2)) ** 2)

    found = recover(view.sighting(np.random.default_rng(7), 0.04, heights), EXACT, HEADER)
    places = RING.x_corners() * RING.square_mm
    basis = np.column_stack([places, np.ones(len(places))])
    plane = np.linalg.lstsq(basis, heights(places), rcond=None)[0]
    bulge = np.ptp(heights(places) - basis @ plane)
    assert 0.7 * bulge < found.sheet_flatness_mm < 1.4 * bulge
    assert shape_error_mm(found.camera, view, plane) < 0.04


@pytest.mark.parametrize("aspect", [0.998, 1.003])
def test_an_unmeasured_print_shows_its_aspect(over, aspect):
    view = over(A2, 0.0, **LENS)
    printed = (np.sqrt(aspect), 1 / np.sqrt(aspect))
    found = recover(view.sighting(np.random.default_rng(8), printed=printed), UNMEASURED, HEADER)
    assert found.print_aspect == pytest.approx(aspect, abs=2e-4)
    assert plan_error_mm(found.camera, view) < 0.03


def test_a_measured_print_is_taken_at_its_word(over):
    printed = (0.996, 1.004)
    view = over(A2, 15.0, **LENS)
    scale = PrintScale(*printed, 2e-4, 2e-4, True, "test")
    found = recover(view.sighting(np.random.default_rng(9), printed=printed), scale, HEADER)
    assert plan_error_mm(found.camera, view) < 0.05


@pytest.mark.parametrize("tilt", [5.0, 25.0])
def test_less_than_half_of_a_ring(over, tilt):
    view = over(RING, tilt, k1=0.06, k2=-0.05, off_middle_px=(25, -15))
    sighting = view.sighting(np.random.default_rng(10), 0.03)
    keep = sighting.corners_mm[:, 1] > 0.6 * RING.size_mm[1]
    found = recover(chosen(sighting, keep), EXACT, HEADER)
    seen = sighting.corners_mm[keep]
    error = found.camera.to_sheet(view.px(np.column_stack([seen, np.zeros(len(seen))]))) - seen
    assert np.hypot(*error.T).max() < 0.03


def test_misfit_widens_the_covariance(over):
    view = over(A2, 20.0, **LENS)
    rng = np.random.default_rng(11)
    sighting = view.sighting(rng, 0.05)
    rough = dataclasses.replace(
        sighting, corners_px=sighting.corners_px + rng.normal(0, 0.2, sighting.corners_px.shape)
    )
    fine_found, rough_found = (recover(s, EXACT, HEADER) for s in (sighting, rough))
    assert rough_found.rms_px > 3.5 * rough_found.expected_rms_px
    ratio = rough_found.camera.covariance[9, 9] / fine_found.camera.covariance[9, 9]
    assert 4 < ratio < 40


def test_too_few_corners(over):
    sighting = over(A2, 20.0).sighting(np.random.default_rng(12))
    with pytest.raises(CameraError) as caught:
        recover(chosen(sighting, slice(0, 7)), EXACT, HEADER)
    assert str(caught.value) == (
        "Only 7 corners of ring A2, sheet 1 are seen, and 8 are needed: "
        "show more of the printed squares, sharp and unshaded."
    )


def test_corners_along_one_line(over):
    sighting = over(A2, 20.0).sighting(np.random.default_rng(13))
    with pytest.raises(CameraError) as caught:
        recover(chosen(sighting, sighting.corners_mm[:, 1] < 24), EXACT, HEADER)
    assert str(caught.value) == (
        "The corners seen of ring A2, sheet 1 all lie along one line: "
        "show printed squares on at least two sides of the piece."
    )


@pytest.mark.parametrize("tilt", [0.0, 20.0])
def test_a_sheet_that_moved_or_folded_is_refused(over, tilt):
    view = over(A2, tilt, **LENS)
    sighting = view.sighting(np.random.default_rng(14))
    moved = sighting.corners_mm[:, 0] > 300
    sighting.corners_px[moved] += [35.0, 20.0]
    with pytest.raises(SheetNotFlatError, match=r"do not lie on one flat sheet \(.*\): tape"):
        recover(sighting, EXACT, HEADER)


def test_corners_that_are_all_nonsense_are_refused(over):
    rng = np.random.default_rng(15)
    sighting = over(A2, 20.0).sighting(rng)
    sighting.corners_px[:] = rng.uniform(0, 3000, sighting.corners_px.shape)
    with pytest.raises(SheetNotFlatError):
        recover(sighting, EXACT, HEADER)
