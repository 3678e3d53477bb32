"""The drop-in for a single photo: like ``recover`` with one sheet, better with several."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from digitize.bundle.one_photo import camera_of
from digitize.camera.known import KnownLens
from digitize.camera.recover import recover
from digitize.sheets.layout import PrintScale

SCALE = PrintScale(1.0, 1.0, 1e-3, 1e-3, True, "test")


def lifted(table, number, height_mm):
    sheets = list(table.sheets)
    sheets[number] = dataclasses.replace(
        sheets[number], heights_mm=lambda at: np.full(len(at), height_mm)
    )
    return dataclasses.replace(table, sheets=tuple(sheets))


def test_with_one_sheet_it_is_recover(bench):
    _, view = bench(1).view("a.jpg", distance_mm=500.0)
    found = camera_of(view.sightings, SCALE, view.photo)
    alone = recover(view.sightings[0], SCALE, view.photo)
    assert found.solution.camera.focal_px == alone.camera.focal_px
    assert found.sightings == view.sightings
    assert found.scale_u == 1e-3
    assert found.notices == ()


@pytest.mark.parametrize("seed", range(3))
def test_more_sheets_carry_the_scale_farther(bench, seed):
    table = bench(6, seed=seed)
    over, view = table.view("a.jpg", tilt_deg=22.0)
    first = next(laid for laid in table.sheets if laid.sheet == view.sightings[0].sheet)
    found = camera_of(view.sightings, SCALE, view.photo)
    alone = recover(view.sightings[0], SCALE, view.photo)
    x, y = np.meshgrid(np.linspace(200, 1300, 6), np.linspace(100, 600, 4))
    places = np.column_stack([x.ravel(), y.ravel()])
    px = over.px(np.column_stack([places, np.zeros(len(places))]))
    c, s = np.cos(first.angle_rad), np.sin(first.angle_rad)
    in_frame = (places - first.middle_mm) @ np.array([[c, -s], [s, c]])
    in_frame += np.array(first.sheet.size_mm) / 2

    def worst(camera):
        return np.hypot(*(camera.to_sheet(px) - in_frame).T).max()

    assert worst(found.solution.camera) < 0.6
    assert worst(found.solution.camera) < 0.5 * worst(alone.camera)


def test_where_the_first_sheet_lies_off_another_comes_first(bench):
    table = bench(5)
    _, view = table.view("a.jpg", tilt_deg=25.0)
    off = [laid.sheet for laid in table.sheets].index(view.sightings[0].sheet)
    _, view = lifted(table, off, 40.0).view("a.jpg", tilt_deg=25.0)
    wanted = next(s for s in view.sightings if s.sheet == table.sheets[off].sheet)
    sightings = (wanted, *(s for s in view.sightings if s is not wanted))
    found = camera_of(sightings, SCALE, view.photo)
    assert [n.code for n in found.notices] == ["sheets-joined", "sheet-lifted"]
    assert str(wanted.sheet) not in found.notices[0].text
    assert str(wanted.sheet) in found.notices[1].text
    assert found.sightings[0].sheet != wanted.sheet
    assert len(found.solution.used) == len(found.sightings[0].corners_px)
    assert found.solution.used.mean() > 0.99
    assert {s.sheet for s in found.sightings} == {s.sheet for s in sightings} - {wanted.sheet}


def test_of_two_that_disagree_the_first_is_believed_with_a_doubt(bench):
    table = lifted(bench(2), 1, 60.0)
    _, view = table.view("a.jpg", tilt_deg=35.0)
    found = camera_of(view.sightings, SCALE, view.photo)
    (notice,) = found.notices
    assert notice.code == "sheets-disagree"
    assert notice.level == "doubt"
    assert f"measured by {view.sightings[0].sheet} alone" in notice.text
    alone = recover(view.sightings[0], SCALE, view.photo)
    assert found.solution.camera.focal_px == alone.camera.focal_px


def known_lens(focal_px):
    mean = np.array([np.log(focal_px), 20.0, -15.0, -0.05, 0.03])
    sure = np.diag(np.square([0.0005, 1.0, 1.0, 0.001, 0.001]))
    return KnownLens(mean, sure, 0.0, 0.0, 1500.0, 0.0005, 1.0)


def test_a_known_lens_sharpens_the_focal_length_and_is_dropped_where_it_is_wrong(bench):
    _, view = bench(3).view("a.jpg", tilt_deg=8.0)
    free = camera_of(view.sightings, SCALE, view.photo)
    told = camera_of(view.sightings, SCALE, view.photo, known_lens(3000.0))
    wrong = camera_of(view.sightings, SCALE, view.photo, known_lens(3600.0))
    u = [np.sqrt(found.solution.camera.covariance[6, 6]) for found in (free, told)]
    assert u[1] < 0.5 * u[0]
    assert abs(np.log(told.solution.camera.focal_px / 3000)) < 3 * u[1]
    assert [f.solution.prior for f in (free, told)] == ["usual", "known"]
    assert wrong.solution.prior != "known"
    assert abs(np.log(wrong.solution.camera.focal_px / 3000)) < 4 * u[0]
