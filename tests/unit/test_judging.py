"""Every fault that the photo check knows, put into a photo by OpenCV and found by name."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from digitize.camera.recover import recover
from digitize.judging import sharpness
from digitize.judging.judge import judge
from digitize.judging.report import Finding, PhotoReport, graded, worst
from digitize.sheets.catalogue import sheet
from digitize.sheets.layout import PrintScale
from digitize.sighting.sight import sight
from digitize.tracing.light import fit_paper_light

RING = sheet("ring", "A4", 3)
EXACT = PrintScale(1.0, 1.0, 0.0005, 0.0005, True, "test")
SIZE = (1600, 1200)
PLATE = (60.0, 60.0, 130.0, 180.0)
HEADER = {"focal_prior_px": 1200.0, "focal_prior_rel": 0.03}


@pytest.fixture
def check(over, shoot):
    """The report of a photo; view and faults as said, otherwise a good one."""

    def report(tilt=18.0, size_px=SIZE, height_mm=0.0, view=None, **faults):
        seen = {"size_px": size_px, "focal_px": 0.75 * size_px[0], "azimuth_deg": 80.0}
        seen |= {"fill": 0.95} | (view or {})
        camera = over(RING, tilt, **seen).camera
        photo = shoot(camera, plate_mm=PLATE, **({"header": HEADER} | faults))
        sightings = sight(photo)
        solution = recover(sightings[0], EXACT, photo)
        light = fit_paper_light(photo, solution.camera, sightings[0].sheet)
        return judge(photo, sightings, solution, light, height_mm=height_mm)

    return report


def poor_ones(report):
    return {f.code for f in report.graded("poor")}


def test_a_good_photo_is_good_in_everything_but_its_size(check):
    report = check()
    grades = {f.code: f.grade for f in report.findings}
    # 1600 x 1200 pixels of an A4 ring: 0.24 mm to the pixel.
    assert {code for code, grade in grades.items() if grade != "good"} == {"resolution"}
    assert report.grade == "usable"
    assert report.of("resolution").value == pytest.approx(0.24, abs=0.05)
    assert report.of("tilt").value == pytest.approx(18, abs=0.5)
    assert report.of("lens").value == pytest.approx(26, abs=1)
    assert report.notices() == ()
    with pytest.raises(KeyError):
        report.of("height")


@pytest.mark.parametrize("blur_px", [0.7, 1.6, 4.0])
def test_blur_is_measured(check, blur_px):
    found = check(blur_px=blur_px).of("blur")
    # 4 px reaches from the corners into the marks, and is only known to a tenth.
    assert found.value == pytest.approx(blur_px, rel=0.03 if blur_px < 2 else 0.1)
    assert found.grade == {0.7: "good", 1.6: "usable", 4.0: "poor"}[blur_px]


@pytest.mark.parametrize("way_deg", [0, 45, 70, 135])
def test_a_moving_camera_is_told_from_defocus_along_every_way(over, shoot, way_deg):
    camera = over(RING, 15.0, size_px=SIZE, focal_px=1200.0).camera
    length = 6.0
    way = np.radians(way_deg)
    photo = shoot(camera, motion_px=(length * np.cos(way), length * np.sin(way)))
    (seen,) = sight(photo)
    found = sharpness.measure(photo, seen, recover(seen, EXACT, photo).camera)
    # An even motion has no Gaussian's shape: a fit of one takes it for longer.
    assert found.motion_px == pytest.approx(1.1 * length, rel=0.15)
    off = (found.direction_deg - way_deg + 90) % 180 - 90
    assert abs(off) < 6
    for blur_px in (0.7, 1.5):
        still = shoot(camera, blur_px=blur_px)
        found = sharpness.measure(still, sight(still)[0], camera)
        assert found.motion_px < max(0.9 * blur_px, 0.7)


def test_motion_is_poor_and_says_to_hold_still(check):
    report = check(motion_px=(5.0, 5.0))
    assert "motion" in poor_ones(report)
    assert "hold the phone still" in report.of("motion").advice
    (notice,) = [n for n in report.notices() if n.code == "photo-motion"]
    assert notice.level == "doubt"
    assert notice.text.startswith(f"motion blur: {report.of('motion').value:.1f} px along")


def test_a_dark_photo(check):
    assert check(level=0.13).of("exposure").grade == "usable"
    dark = check(level=0.04).of("exposure")
    assert dark.grade == "poor"
    assert "more light" in dark.advice


def test_clipped_paper(check):
    found = check(level=1.3).of("exposure")
    assert found.grade == "poor"
    assert "brightness down" in found.advice


def test_a_shadow_over_the_target(check):
    def band(x, y):
        return np.where(np.abs(x + 0.4 * y - 130) < 18, 0.45, 1.0)

    found = check(light=band).of("shadow")
    assert 0.05 < found.value < 0.3
    assert found.grade == "usable"


def test_light_that_falls_off(check):
    found = check(light=lambda x, y: np.exp(-(y + x / 3) / 140)).of("shadow")
    assert found.grade == "poor"


def test_glare_matters_at_the_edge_only(check):
    def inside(x, y):
        return 1.5 * np.exp(-((x - 95) ** 2 + (y - 120) ** 2) / 2 / 8**2)

    def across(x, y):
        return 1.5 * np.exp(-((x - 60) ** 2 + (y - 120) ** 2) / 2 / 22**2)

    kept = check(shine=inside).of("glare")
    assert kept.grade == "good"
    found = check(shine=across).of("glare")
    # The mirrored lamp is brighter than 1.2 of the paper within 15 mm of its middle.
    assert found.value == pytest.approx(2 * 17 / (2 * (70 + 120)), abs=0.04)
    assert found.grade == "usable"
    assert "lamp" in found.advice


def test_slant(check):
    assert check(tilt=0.0).of("tilt").grade == "usable"
    assert check(tilt=42.0).of("tilt").grade == "usable"
    steep = check(tilt=56.0, size_px=(2400, 1800), view={"fill": 0.8}).of("tilt")
    assert steep.grade == "poor"


def test_height_is_uncertain_from_straight_above(check):
    assert check(tilt=20.0, height_mm=2.0).of("height").grade == "good"
    found = check(tilt=0.0, height_mm=30.0).of("height")
    # 3 % of focal length, which is 3 % of 1/H: h (h tan theta) dH/H at the ring's edge.
    assert found.grade == "poor"
    assert "digitize phone" in found.advice


def test_coverage_and_resolution_of_a_far_target(check):
    report = check(view={"fill": 0.3}, size_px=(2400, 1800))
    assert report.of("coverage").grade == "poor"
    assert report.of("resolution").grade == "poor"
    truth = 0.3**2 * 1800 * 2400 * (RING.size_mm[0] / RING.size_mm[1]) / (4 / 3)
    assert report.of("coverage").value == pytest.approx(truth / 2400 / 1800, rel=0.5)


def test_a_covered_target_and_a_cut_one(check):
    covered = check(covers_mm=((-5.0, -5.0, 60.0, 200.0),)).of("target-seen")
    assert covered.grade != "good"
    assert "clear away" in covered.advice
    cut = check(view={"fill": 2.2}).of("target-seen")
    assert cut.grade == "poor"
    assert "stand back" in cut.advice


def test_a_wide_lens(check):
    found = check(view={"focal_px": 560.0}, tilt=15.0, header={}).of("lens")
    assert found.value == pytest.approx(12.1, abs=0.7)
    assert found.grade == "poor"
    assert "main lens" in found.advice


def test_a_header_that_does_not_fit(check):
    lies = {"focal_prior_px": 1800.0, "focal_prior_rel": 0.03}
    found = check(tilt=25.0, header=lies).of("lens")
    assert found.grade == "usable"
    assert "header says" in found.seen


def test_a_curled_sheet_and_corners_that_fit_no_sheet(over, shoot):
    view = over(RING, 22.0, size_px=(4000, 3000), focal_px=3000.0)
    width, _ = RING.size_mm

    def bow(mm):
        return lambda at: mm * (1 - ((at[:, 0] - width / 2) / (width / 2)) ** 2)

    photo = shoot(over(RING, 22.0, size_px=(400, 300), focal_px=300.0).camera)
    for bow_mm, grade in ((0.0, "good"), (1.0, "usable"), (4.0, "poor")):
        sighting = view.sighting(np.random.default_rng(2), 0.04, bow(bow_mm))
        found = judge(photo, [sighting], recover(sighting, EXACT, photo), None)
        assert found.of("flatness").grade == grade
        assert found.of("exposure").grade == "poor"  # no paper was seen
        with pytest.raises(KeyError):
            found.of("shadow")


def test_grades():
    assert graded(1.0, 2.0, 3.0) == "good"
    assert graded(2.5, 2.0, 3.0) == "usable"
    assert graded(3.5, 2.0, 3.0) == "poor"
    assert graded(0.5, 0.3, 0.1) == "good"
    assert graded(0.05, 0.3, 0.1) == "poor"
    assert worst("good", "poor", "usable") == "poor"
    assert PhotoReport("p", "t", ()).grade == "good"
    one = Finding("blur", "blur", "poor", 4.0, "px", "4 px", "poor past 3 px", "focus")
    assert PhotoReport("p", "t", (one,)).notices()[0].text == "blur: 4 px (poor past 3 px); focus"


def test_the_command(digitize, over, shoot, tmp_path):
    camera = over(RING, 18.0, size_px=SIZE, focal_px=1200.0, azimuth_deg=80.0, fill=0.95).camera
    for name, faults in (("fine", {}), ("soft", {"blur_px": 4.0})):
        photo = shoot(camera, plate_mm=PLATE, **faults)
        cv2.imwrite(str(tmp_path / f"{name}.png"), photo.rgb[..., ::-1])
    code, out, err = digitize("check", "fine.png", "--thickness", "2", "--printer", "none")
    assert code == 2
    code, out, err = digitize("check", "fine.png", "--thickness", "2")
    assert code == 0, err
    assert "This photo is usable." in out
    assert "height of the piece" in out
    assert len(out.splitlines()) < 45
    code, out, _ = digitize("check", "soft.png")
    assert code == 9
    assert "This photo is poor." in out
    assert "tap the piece" in out
    code, out, _ = digitize("check", "soft.png", "--json")
    assert code == 9
    report = json.loads(out)
    assert report["grade"] == "poor"
    blur = next(f for f in report["findings"] if f["code"] == "blur")
    assert blur["grade"] == "poor"
    assert blur["value"] > 3
    assert all(not f["advice"] for f in report["findings"] if f["grade"] == "good")
    assert not [p for p in tmp_path.iterdir() if p.suffix != ".png" and p.name != "config"]
