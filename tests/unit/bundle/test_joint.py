"""Several sheets and photos solved together, against OpenCV's projection as the truth."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from digitize.bundle.joint import NothingToSolveError, solve
from digitize.bundle.search import SheetsDisagreeError
from digitize.bundle.start import PhotosNotLinkedError
from digitize.bundle.view import View
from digitize.sheets.layout import PrintScale

EXACT = PrintScale(1.0, 1.0, 1e-9, 1e-9, True, "test")
AROUND = (
    {"tilt_deg": 8.0, "azimuth_deg": 10.0, "distance_mm": 1400.0},
    {"tilt_deg": 25.0, "azimuth_deg": 130.0, "distance_mm": 1600.0, "look_mm": (650.0, 300.0)},
    {"tilt_deg": 20.0, "azimuth_deg": 250.0, "distance_mm": 1500.0, "look_mm": (850.0, 400.0)},
    {"tilt_deg": 15.0, "azimuth_deg": 330.0, "distance_mm": 1350.0, "look_mm": (800.0, 350.0)},
)


def photographed(bench, changes=lambda photo: {}, count=4):
    shots = [bench.view(f"{k}.jpg", **{**AROUND[k % 4], **changes(k)}) for k in range(count)]
    return [camera for camera, _ in shots], [view for _, view in shots]


def swapped(bench, number, **change):
    sheets = list(bench.sheets)
    sheets[number] = dataclasses.replace(sheets[number], **change)
    return dataclasses.replace(bench, sheets=tuple(sheets))


def plan_error_mm(solution, bench, cameras):
    """Greatest error of places that the cameras look at, over the bench, frame fitted."""
    from_plane = {p.sheet: p for p in solution.placements}
    laid = [one for one in bench.sheets if one.sheet in from_plane]
    corner = [np.asarray(one.sheet.x_corners() * one.sheet.square_mm) for one in laid]
    found = np.vstack([from_plane[o.sheet].to_plane(c) for o, c in zip(laid, corner, strict=True)])
    real = np.vstack([o.on_bench(c)[:, :2] for o, c in zip(laid, corner, strict=True)])
    a, b = found.mean(axis=0), real.mean(axis=0)
    u, _, vt = np.linalg.svd((found - a).T @ (real - b))
    x, y = np.meshgrid(np.linspace(450, 1050, 7), np.linspace(200, 500, 5))
    places = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    worst = 0.0
    for view, camera in zip(solution.views, cameras, strict=True):
        px = camera.px(places)
        inside = ((px > 0) & (px < np.array(view.camera.size_px))).all(axis=1)
        error = (view.camera.to_sheet(px[inside]) - a) @ (u @ vt) + b - places[inside, :2]
        worst = max(worst, float(np.hypot(*error.T).max()))
    return worst


@pytest.mark.parametrize("count", [2, 4])
def test_sheets_and_cameras_lie_where_they_are(bench, count):
    table = bench(6)
    cameras, views = photographed(table, count=count)
    solution = solve(views, EXACT)
    assert solution.notices == ()
    assert solution.left_out == ()
    assert {p.sheet for p in solution.placements} == {one.sheet for one in table.sheets}
    assert 1e-4 < table.layout_error_mm(solution.placements) < 0.05
    assert 1e-4 < plan_error_mm(solution, table, cameras) < 0.06
    for view in solution.views:
        assert 0.95 < view.rms_px / view.expected_rms_px < 1.05
        assert all(used.mean() > 0.99 for used in view.used)


def test_one_photo_of_several_sheets(bench):
    table = bench(4)
    camera, view = table.view("a.jpg", tilt_deg=25.0)
    solution = solve([view], EXACT)
    assert solution.notices == ()
    assert 1e-4 < table.layout_error_mm(solution.placements) < 0.2
    assert plan_error_mm(solution, table, [camera]) < 0.2


def test_the_frame_is_the_datum_s(bench):
    table = bench(5)
    _, views = photographed(table, count=2)
    for laid in table.sheets[:3]:
        solution = solve(views, EXACT, laid.sheet)
        assert solution.datum == laid.sheet
        mine = next(p for p in solution.placements if p.sheet == laid.sheet)
        corner = mine.to_plane(np.array([[0.0, 0.0], [laid.sheet.size_mm[0], 0.0]]))
        assert corner[0] == pytest.approx([0.0, 0.0], abs=1e-9)
        assert corner[1, 1] == pytest.approx(0.0, abs=1e-9)
        assert corner[1, 0] == pytest.approx(laid.sheet.size_mm[0], rel=1e-3)


def test_uncertainty_does_not_depend_on_the_datum(bench):
    table = bench(5)
    _, views = photographed(table, count=2)
    spreads = []
    for laid in table.sheets[:2]:
        solution = solve(views, EXACT, laid.sheet)
        px = np.array([[1000.0, 800.0], [2000.0, 1500.0], [3000.0, 2200.0]])
        covariance = solution.views[0].camera.covariance_on_sheet(px)
        spreads.append(np.linalg.eigvalsh(covariance))
    assert spreads[0] == pytest.approx(spreads[1], rel=0.02)


@pytest.mark.parametrize("lift_mm", [3.0, 20.0, 80.0])
@pytest.mark.parametrize("count", [1, 3])
def test_a_lifted_sheet_is_named_and_left_out(bench, lift_mm, count):
    table = swapped(bench(6), 2, heights_mm=lambda at: np.full(len(at), lift_mm))
    if count == 1 and lift_mm < 5:
        pytest.skip("one photo does not tell so little from the print's own stretch")
    _cameras, views = photographed(table, lambda k: {"tilt_deg": 25.0}, count)
    solution = solve(views, EXACT)
    assert len(solution.notices) == 1, solution.notices
    (notice,) = solution.notices
    assert notice.code == "sheet-lifted"
    assert notice.text.startswith(
        "card A4, sheet 3 does not lie in the plane of the others (off by"
    )
    assert notice.level == "doubt"
    ((sheet, photos),) = solution.left_out
    assert sheet == table.sheets[2].sheet
    assert photos == tuple(view.photo.name for view in views)
    assert sheet not in {p.sheet for p in solution.placements}
    assert table.layout_error_mm(solution.placements) < (0.2 if count == 1 else 0.05)
    for view, shown in zip(solution.views, views, strict=True):
        number = [s.sheet for s in shown.sightings].index(sheet)
        assert not view.used[number].any()


@pytest.mark.parametrize("bow_mm", [2.5, 9.0])
@pytest.mark.parametrize("count", [1, 3])
def test_a_bent_sheet_is_named_and_left_out(bench, bow_mm, count):
    table = swapped(bench(6), 1, heights_mm=lambda at: bow_mm * (1 - (at[:, 0] / 87) ** 2))
    _cameras, views = photographed(table, lambda k: {"tilt_deg": 25.0}, count)
    solution = solve(views, EXACT)
    assert [n.code for n in solution.notices] == ["sheet-bent"]
    assert [sheet for sheet, _ in solution.left_out] == [table.sheets[1].sheet]
    assert table.layout_error_mm(solution.placements) < (0.2 if count == 1 else 0.05)


def test_a_bench_that_is_not_quite_flat_is_borne(bench):
    table = bench(6)
    for number, height in enumerate((0.3, -0.2, 0.1, -0.3, 0.25, 0.0)):
        table = swapped(table, number, heights_mm=lambda at, h=height: np.full(len(at), h))
    _cameras, views = photographed(table)
    solution = solve(views, EXACT)
    assert solution.left_out == ()
    assert solution.out_of_plane_mm == pytest.approx(0.5, abs=0.25)
    assert table.layout_error_mm(solution.placements) < 0.05


@pytest.mark.parametrize("by", [(0.8, 0.0, 0.0), (4.0, 2.0, 0.02), (150.0, -60.0, 1.0)])
def test_a_sheet_moved_before_the_last_photo_is_not_used_there(bench, by):
    table = bench(6)
    moved = {3: table.sheets[3].moved(*by)}
    cameras, views = photographed(table, lambda k: {"touched": moved} if k == 3 else {})
    solution = solve(views, EXACT)
    assert len(solution.notices) == 1, solution.notices
    (notice,) = solution.notices
    assert notice.code == "sheet-moved"
    assert "ring A4, sheet 4 lies elsewhere in 3.jpg than in the other photos" in notice.text
    assert solution.left_out == ((table.sheets[3].sheet, ("3.jpg",)),)
    assert table.layout_error_mm(solution.placements) < 0.05
    assert plan_error_mm(solution, table, cameras) < 0.06


def test_a_sheet_moved_half_way_stays_in_half_of_the_photos(bench):
    table = bench(6)
    moved = {3: table.sheets[3].moved(30.0, 0.0, 0.1)}
    _, views = photographed(table, lambda k: {"touched": moved} if k > 1 else {})
    solution = solve(views, EXACT)
    assert [n.code for n in solution.notices] == ["sheet-moved"]
    ((sheet, photos),) = solution.left_out
    assert sheet == table.sheets[3].sheet
    assert photos in {("0.jpg", "1.jpg"), ("2.jpg", "3.jpg")}
    others = [p for p in solution.placements if p.sheet != sheet]
    assert table.layout_error_mm(others) < 0.05


def test_two_faults_at_once(bench):
    table = swapped(bench(8), 5, heights_mm=lambda at: np.full(len(at), 12.0))
    moved = {2: table.sheets[2].moved(5.0, 5.0, 0.0)}
    _, views = photographed(table, lambda k: {"touched": moved} if k == 0 else {})
    solution = solve(views, EXACT)
    assert sorted(n.code for n in solution.notices) == ["sheet-lifted", "sheet-moved"]
    assert dict(solution.left_out) == {
        table.sheets[5].sheet: ("0.jpg", "1.jpg", "2.jpg", "3.jpg"),
        table.sheets[2].sheet: ("0.jpg",),
    }
    assert table.layout_error_mm(solution.placements) < 0.05


def test_of_two_sheets_neither_can_be_blamed(bench):
    table = bench(2)
    moved = {1: table.sheets[1].moved(8.0, 0.0, 0.0)}
    _, views = photographed(table, lambda k: {"touched": moved} if k else {}, 2)
    with pytest.raises(SheetsDisagreeError) as caught:
        solve(views, EXACT)
    assert "ring A4, sheet 2" in str(caught.value)
    assert "card A4, sheet 1" in str(caught.value)
    assert str(caught.value).endswith(
        "do not lie still on one plane, and nothing tells which is out of place: "
        "lay three sheets or more flat on one surface and photograph them again."
    )


def test_photos_tied_by_two_sheets_only_cannot_blame_one(bench):
    table = bench(4)
    moved = {1: table.sheets[1].moved(8.0, 0.0, 0.0)}
    _, views = photographed(table, lambda k: {"touched": moved} if k else {}, 2)
    first = dataclasses.replace(views[0], sightings=only(views[0], table, {0, 1, 2}))
    second = dataclasses.replace(views[1], sightings=only(views[1], table, {0, 1, 3}))
    with pytest.raises(SheetsDisagreeError, match="nothing tells which of them was moved"):
        solve([first, second], EXACT)


def only(view, table, numbers):
    wanted = {table.sheets[k].sheet for k in numbers}
    return tuple(s for s in view.sightings if s.sheet in wanted)


def test_photos_that_share_no_sheet_are_named(bench):
    table = bench(6)
    _, views = photographed(table)
    near = [View(v.photo, only(v, table, {0, 1, 2})) for v in views[:3]]
    far = View(views[3].photo, only(views[3], table, {4, 5}))
    with pytest.raises(PhotosNotLinkedError) as caught:
        solve([*near, far], EXACT)
    assert str(caught.value) == (
        "3.jpg shares no sheet with the other photos (only card A4, sheet 5, ring A4, sheet 6 "
        "seen there): take the photos so that each shows a sheet, better two, that another one "
        "shows."
    )


def test_a_chain_of_photos_of_parts(bench):
    table = bench(12)
    shots = [
        table.view(f"{k}.jpg", look_mm=(x, 350.0), distance_mm=650.0, tilt_deg=15.0, azimuth_deg=a)
        for k, (x, a) in enumerate([(200.0, 20.0), (550.0, 110.0), (950.0, 200.0), (1300.0, 290.0)])
    ]
    views = [view for _, view in shots]
    seen = [{s.sheet for s in view.sightings} for view in views]
    assert not seen[0] & seen[3]
    solution = solve(views, EXACT)
    assert solution.notices == ()
    assert table.layout_error_mm(solution.placements) < 0.2


def test_no_photo_and_no_sheet(bench):
    with pytest.raises(NothingToSolveError, match="there are no photos"):
        solve([], EXACT)
    _, view = bench(3).view("a.jpg")
    with pytest.raises(NothingToSolveError, match=r"no sheet is seen \(a.jpg\): leave"):
        solve([dataclasses.replace(view, sightings=())], EXACT)


def test_false_corners_are_left_out(bench):
    table = bench(5)
    _cameras, views = photographed(table, count=3)
    rng = np.random.default_rng(5)
    false = []
    for view in views:
        for sighting in view.sightings:
            wrong = rng.random(len(sighting.corners_px)) < 0.15
            sighting.corners_px[wrong] += rng.normal(0, 30, (int(wrong.sum()), 2))
            false.append(wrong)
    solution = solve(views, EXACT)
    used = [u for view in solution.views for u in view.used]
    off = [np.hypot(*r.T) for view in solution.views for r in view.residuals_px]
    for wrong, kept, far in zip(false, used, off, strict=True):
        assert not (kept & wrong & (far > 0.5)).any()
        assert kept[~wrong].mean() > 0.98
    assert solution.left_out == ()
    assert table.layout_error_mm(solution.placements) < 0.08


def test_rough_prints_widen_the_covariance(bench):
    table = bench(5)
    _, views = photographed(table, count=2)
    rng = np.random.default_rng(6)
    rough = [
        View(
            v.photo,
            tuple(
                dataclasses.replace(
                    s, corners_px=s.corners_px + rng.normal(0, 0.2, s.corners_px.shape)
                )
                for s in v.sightings
            ),
        )
        for v in views
    ]
    fine_found, rough_found = solve(views, EXACT), solve(rough, EXACT)
    assert {n.code for n in rough_found.notices} == {"poor-fit"}
    ratio = (
        rough_found.views[0].camera.covariance[9, 9] / fine_found.views[0].camera.covariance[9, 9]
    )
    assert 4 < ratio < 60


def test_a_photo_of_another_zoom_is_told_apart(bench):
    table = bench(6)
    _, views = photographed(
        table, lambda k: {"focal_px": 4500.0, "distance_mm": 2200.0} if k == 2 else {}
    )
    solution = solve(views, EXACT)
    assert [n.code for n in solution.notices] == ["other-lens"]
    assert "2.jpg is of another lens, zoom or crop" in solution.notices[0].text
    focals = [view.camera.focal_px for view in solution.views]
    assert focals[2] == pytest.approx(4500, rel=0.02)
    assert focals[0] == pytest.approx(3000, rel=0.01)
    assert table.layout_error_mm(solution.placements) < 0.06


def test_focus_and_stabilisation_wander(bench):
    table = bench(6)
    _, views = photographed(
        table,
        lambda k: {"focal_px": 3000 * 1.006**k, "off_middle_px": (20.0 - 12 * k, -15.0 + 9 * k)},
    )
    solution = solve(views, EXACT)
    assert solution.notices == ()
    assert table.layout_error_mm(solution.placements) < 0.06


def test_prints_off_two_printers(bench):
    table = bench(6)
    for number in (1, 3, 5):
        table = swapped(table, number, printed=(0.994, 1.003))
    for number in (0, 2, 4):
        table = swapped(table, number, printed=(1.002, 0.998))
    measured = PrintScale(1.002, 0.998, 4e-4, 4e-4, True, "bars")
    guessed = PrintScale(1.0, 1.0, 6e-3, 6e-3, False, "not measured")
    scales = {o.sheet: (measured, guessed)[k % 2] for k, o in enumerate(table.sheets)}
    _, views = photographed(table)
    solution = solve(views, scales)
    assert solution.notices == ()
    for p in solution.placements:
        true = next(o.printed for o in table.sheets if o.sheet == p.sheet)
        assert p.scale == pytest.approx(true, abs=1e-3)
    assert solution.scale_u < 5e-4
    assert table.layout_error_mm(solution.placements) < 0.25


def test_an_unmeasured_print_leaves_the_scale_open_and_nothing_else(bench):
    table = bench(5)
    _, views = photographed(table, count=3)
    solution = solve(views, PrintScale(1.0, 1.0, 6e-3, 6e-3, False, "not measured"))
    assert 3e-3 < solution.scale_u < 7e-3
    px = np.array([[1000.0, 800.0], [3000.0, 2200.0]])
    spread = solution.views[0].camera.covariance_on_sheet(px)
    assert np.sqrt(np.trace(spread, axis1=1, axis2=2)).max() < 0.25


def test_one_photo_in_the_form_of_a_single_sheet(bench):
    table = bench(4)
    _, view = table.view("a.jpg")
    solution = solve([view], EXACT, view.sightings[0].sheet)
    single = solution.camera_solution(0)
    assert len(single.used) == len(view.sightings[0].corners_px)
    assert single.residuals_px.shape == view.sightings[0].corners_px.shape
    seen = single.camera.to_px(view.sightings[0].corners_mm)
    off = view.sightings[0].corners_px - seen
    assert np.abs(single.residuals_px - off).max() < 0.5
    assert single.print_aspect == pytest.approx(1.0, abs=1e-3)
