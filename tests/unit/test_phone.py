"""A phone calibrated from sheets that OpenCV's projection shows, kept, and expected again."""

from __future__ import annotations

import dataclasses
import json
import math
from datetime import date

import cv2
import numpy as np
import pytest

from digitize.camera.priors import Frame
from digitize.camera.recover import recover
from digitize.errors import DigitizeError
from digitize.phone import profile as profiles
from digitize.phone.calibrate import CannotCalibrate, Shot, calibrate
from digitize.phone.expect import disagreement, expected
from digitize.phone.turning import stored_size, upright_from_stored
from digitize.photo.focal import HeaderFacts
from digitize.photo.reading import _UPRIGHT
from digitize.sheets.catalogue import sheet
from digitize.sheets.layout import PrintScale

RING = sheet("ring", "A3", 1)
MEASURED = PrintScale(1.0, 1.0, 0.0005, 0.0005, True, "test")
SIZE = (4000, 3000)
TODAY = date(2026, 5, 2)
FOCAL, MIDDLE, LENS = 3000.0, (25.0, -15.0), (0.03, -0.02)
AROUND = ((25, 0), (25, 90), (22, 180), (25, 270), (12, 45))
HEADER = {"focal_prior_px": 3090.0, "focal_prior_rel": 0.03}  # one standard deviation off


@dataclasses.dataclass(frozen=True)
class Taken:
    """A photo as far as the profile asks after it."""

    width_px: int = SIZE[0]
    height_px: int = SIZE[1]
    focal_prior_px: float | None = 3090.0
    focal_prior_rel: float | None = 0.03
    maker: str | None = None
    header: HeaderFacts = dataclasses.field(default_factory=HeaderFacts)


@pytest.fixture
def phone(over):
    """A phone's view of the ring: it breathes, refocuses and steadies itself."""

    def view(rng, tilt, azimuth, *, focal_px=FOCAL, shift_px=(0.0, 0.0), breathing_mm=5.5, **more):
        steady = rng.normal(0, 6, 2)
        middle = tuple(np.add(MIDDLE, steady) + shift_px)
        seen = {"azimuth_deg": azimuth, "off_middle_px": middle, "k1": LENS[0], "k2": LENS[1]}
        seen |= more
        far = over(RING, tilt, focal_px=focal_px, **seen).camera.centre_mm[2]
        focal_px *= (1 + breathing_mm / far) * math.exp(rng.normal(0, 0.002))
        return over(RING, tilt, focal_px=focal_px, **seen)

    return view


def shot(rng, view, number, **more):
    told = {
        "name": f"IMG_{number}.jpg",
        "sha256": f"{number:064x}",
        "width_px": view.camera.size_px[0],
        "height_px": view.camera.size_px[1],
        "maker": "Towpath Pocket 7",
        "header": HeaderFacts(focal_mm=5.6, focal_35mm=26.0, orientation=1),
    }
    return Shot(**(told | HEADER | {"sighting": view.sighting(rng)} | more))


@pytest.fixture
def shots(phone):
    rng = np.random.default_rng(1)
    return [shot(rng, phone(rng, tilt, azimuth), n) for n, (tilt, azimuth) in enumerate(AROUND)]


@pytest.fixture
def profile(shots):
    return calibrate("Main", shots, MEASURED, on=TODAY).profile


def test_the_camera_is_found_within_its_uncertainty(shots):
    made = calibrate("Main", shots, MEASURED, on=TODAY)
    found = made.profile
    truth = [math.log(FOCAL * (1 + 5.5 / found.reference_mm)), *MIDDLE, *LENS]
    off = (found.mean - truth) / np.sqrt(np.diag(found.covariance))
    assert np.abs(off).max() < 3
    assert np.abs(off).max() > 0.05
    assert math.sqrt(found.covariance[0, 0]) < 0.006
    assert found.size_px == SIZE
    assert 400 < found.reference_mm < 600
    assert 0.0015 <= found.refocus_sigma < 0.008
    assert 3 < found.shift_sigma_px < 20
    assert (found.maker, found.focal_mm, found.focal_35mm) == ("Towpath Pocket 7", 5.6, 26.0)
    assert [s.sha256 for s in found.sources] == [s.sha256 for s in shots]
    assert all(not p.left_out and 0.03 < p.rms_px < 0.08 for p in made.photos)


def test_many_calibrations_are_as_good_as_they_say(phone):
    """Both ways: a profile must not promise too much, nor be timid."""
    scores = []
    for seed in range(8):
        rng = np.random.default_rng(40 + seed)
        breathing = rng.uniform(0, 7)
        taken = [
            shot(rng, phone(rng, t, a + 20 * seed, breathing_mm=breathing), n)
            for n, (t, a) in enumerate(AROUND)
        ]
        made = calibrate("x", taken, MEASURED, on=TODAY).profile
        belief = expected(made, Taken()).lens
        for fill in (0.5, 0.9):
            camera = phone(rng, 1.0, 10.0, breathing_mm=breathing, fill=fill).camera
            mean, covariance = belief.at(camera.centre_mm[2])
            scores.append((math.log(camera.focal_px) - mean[0]) / math.sqrt(covariance[0, 0]))
    assert 0.4 < np.sqrt(np.mean(np.square(scores))) < 1.5


@pytest.mark.parametrize("tilt", [0.0, 2.0])
def test_it_sharpens_photos_from_straight_above(phone, profile, tilt):
    belief = expected(profile, Taken()).lens
    alone, known = [], []
    for seed in range(6):
        rng = np.random.default_rng(70 + seed)
        view = phone(rng, tilt, 60.0 * seed)
        places, pixels = view.grid(30.0)
        sighting = view.sighting(rng)
        for lens, results in ((None, alone), (belief, known)):
            found = recover(sighting, MEASURED, Taken(), lens)
            error = np.hypot(*(found.camera.to_sheet(pixels, 30.0) - places).T).max()
            spread = found.camera.covariance_on_sheet(pixels, 30.0)
            u = math.sqrt(np.trace(spread, axis1=1, axis2=2).max())
            results.append((math.sqrt(found.camera.covariance[6, 6]), error, u))
            assert error < 3 * u
            assert found.prior == ("usual" if lens is None else "known")
    sigma_ratio, error_ratio, u_ratio = np.sqrt(
        (np.array(alone) ** 2).mean(axis=0) / (np.array(known) ** 2).mean(axis=0)
    )
    assert sigma_ratio > 4
    assert u_ratio > 2.5
    assert error_ratio > 2.5 if tilt == 0 else error_ratio > 1.2


def test_another_lens_is_noticed_by_the_photo(phone, profile):
    belief = expected(profile, Taken())
    rng = np.random.default_rng(5)
    view = phone(rng, 20.0, 40.0, focal_px=1.25 * FOCAL, breathing_mm=0.0)
    found = recover(view.sighting(rng), MEASURED, Taken(focal_prior_px=None), belief.lens)
    assert not found.prior.startswith("known")
    assert found.camera.focal_px == pytest.approx(view.camera.focal_px, rel=0.05)
    (notice,) = disagreement(belief, found)
    assert notice.code == "phone-disagrees"
    assert notice.level == "doubt"
    places, pixels = view.grid(2.0)
    assert np.hypot(*(found.camera.to_sheet(pixels, 2.0) - places).T).max() < 0.2


def test_a_crop_to_the_same_shape_is_noticed_by_the_photo(phone, profile):
    """The right lower 3200 x 2400 of the photo, handed in as if it were all of it."""
    rng = np.random.default_rng(6)
    whole = phone(rng, 22.0, 40.0, fill=0.7)
    cut = dataclasses.replace(
        whole,
        camera=dataclasses.replace(
            whole.camera,
            size_px=(3200, 2400),
            principal_px=tuple(np.subtract(whole.camera.principal_px, (800, 600))),
        ),
    )
    photo = Taken(3200, 2400, None, None)
    belief = expected(profile, photo)
    assert [n.code for n in belief.notices] == ["phone-resized"]
    found = recover(cut.sighting(rng), MEASURED, photo, belief.lens)
    assert not found.prior.startswith("known")
    assert disagreement(belief, found)
    assert np.hypot(*np.subtract(found.camera.principal_px, cut.camera.principal_px)) < 150


def test_focusing_elsewhere_is_within_the_belief(phone, profile):
    belief = expected(profile, Taken())
    for seed, breathing in enumerate((0.0, 7.0)):
        rng = np.random.default_rng(20 + seed)
        view = phone(rng, 1.0, 30.0, breathing_mm=breathing, fill=0.5)
        found = recover(view.sighting(rng), MEASURED, Taken(), belief.lens)
        assert found.prior == "known"
        off = math.log(found.camera.focal_px / view.camera.focal_px)
        assert abs(off) < 3 * math.sqrt(found.camera.covariance[6, 6])


def test_a_resized_photo_is_believed_roughly(over, profile):
    photo = Taken(2000, 1500, None, None)
    belief = expected(profile, photo)
    (notice,) = belief.notices
    assert "2000 x 1500" in notice.text
    assert "as the phone saved it" in notice.text
    middle = tuple(np.array(MIDDLE) / 2)
    view = over(
        RING, 18.0, size_px=(2000, 1500), focal_px=1520.0, off_middle_px=middle, k1=0.03, k2=-0.02
    )
    found = recover(view.sighting(np.random.default_rng(2)), MEASURED, photo, belief.lens)
    assert found.prior == "known"
    assert np.hypot(*np.subtract(found.camera.principal_px, view.camera.principal_px)) < 12
    assert math.sqrt(belief.lens.at(500.0)[1][0, 0]) == pytest.approx(0.03, abs=0.003)


@pytest.mark.parametrize(
    ("photo", "word"),
    [
        (Taken(4000, 2250), "shape"),
        (Taken(header=HeaderFacts(zoom=2.0)), "zoomed by 2"),
        (Taken(maker="Lockkeeper 3"), "Lockkeeper 3"),
        (Taken(header=HeaderFacts(focal_mm=1.8)), "lens of 1.8 mm"),
        (Taken(header=HeaderFacts(focal_mm=5.6, focal_35mm=52.0)), "52 mm"),
    ],
)
def test_what_the_header_says_against_it(profile, photo, word):
    belief = expected(profile, photo)
    assert belief.lens is None
    (notice,) = belief.notices
    assert notice.code == "phone-not-used"
    assert word in notice.text
    solution = recover_any()
    assert disagreement(belief, solution) == ()


def recover_any():
    from digitize.camera.camera import Camera, CameraSolution

    none = np.zeros(0)
    camera = Camera(SIZE, np.eye(3), np.zeros(3), 1.0, (0.0, 0.0), 0.0, 0.0, np.eye(11))
    return CameraSolution(camera, none.astype(bool), none, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_principal_point_turns_with_the_picture(orientation):
    """A dot off the middle of a stored picture, turned upright as the reader turns it."""
    stored = np.zeros((31, 41), np.uint8)
    stored[15 - 6, 20 + 9] = 255
    upright = stored
    for turn in _UPRIGHT.get(orientation, ()):
        upright = turn(upright)
    (row,), (column,) = np.nonzero(upright)
    height, width = upright.shape
    seen = np.array([column - (width - 1) / 2, row - (height - 1) / 2])
    assert upright_from_stored(orientation) @ (9, -6) == pytest.approx(seen)
    assert stored_size(width, height, orientation) == (41, 31)


def test_photos_held_every_way_are_one_camera(phone):
    """Upright and level shots together; without their turns they would contradict."""
    rng = np.random.default_rng(3)
    taken = []
    for n, ((tilt, azimuth), turn) in enumerate(zip(AROUND, (1, 6, 3, 8, 1), strict=True)):
        size = SIZE if turn in (1, 3) else SIZE[::-1]
        middle = upright_from_stored(turn) @ MIDDLE
        view = phone(rng, tilt, azimuth, size_px=size, off_middle_px=tuple(middle))
        taken.append(shot(rng, view, n, header=HeaderFacts(orientation=turn)))
    made = calibrate("Main", taken, MEASURED, on=TODAY)
    assert all(not p.left_out for p in made.photos)
    assert made.profile.turn_told
    off = (made.profile.mean[1:3] - MIDDLE) / np.sqrt(np.diag(made.profile.covariance)[1:3])
    assert np.abs(off).max() < 3
    belief = expected(made.profile, Taken(*SIZE[::-1], header=HeaderFacts(orientation=6)))
    assert belief.lens.mean[1:3] == pytest.approx(upright_from_stored(6) @ made.profile.mean[1:3])
    # A picture without a header may be either way up.
    blind = expected(made.profile, Taken()).lens
    assert blind.mean[1:3] == pytest.approx((0.0, 0.0))
    away = np.hypot(*made.profile.mean[1:3])
    assert blind.covariance[1, 1] > away**2 / 2
    assert np.linalg.eigvalsh(blind.covariance).min() > 0


def test_photos_that_do_not_belong_are_left_out(phone, shots):
    rng = np.random.default_rng(8)
    strangers = {
        "another lens": shot(rng, phone(rng, 25, 45, focal_px=1.3 * FOCAL), 20),
        "middle lies elsewhere": shot(rng, phone(rng, 25, 45, shift_px=(250.0, -120.0)), 21),
        "size is another": shot(rng, phone(rng, 25, 45, size_px=(2000, 1500)), 22),
        "names another camera": shot(rng, phone(rng, 25, 45), 23, maker="Lockkeeper 3"),
        "tells another lens": shot(rng, phone(rng, 25, 45), 24, header=HeaderFacts(1.8, 13.0)),
        "zoomed": shot(rng, phone(rng, 25, 45), 25, header=HeaderFacts(5.6, 26.0, 2.0)),
        "copy": dataclasses.replace(shots[0], name="again.jpg"),
    }
    made = calibrate("Main", [*shots, *strangers.values()], MEASURED, on=TODAY)
    told = {p.name: p.left_out for p in made.photos}
    for why, stranger in strangers.items():
        assert why in told[stranger.name]
    assert [s.name for s in made.profile.sources] == [s.name for s in shots]


def test_too_few_photos(shots):
    with pytest.raises(CannotCalibrate, match=r"Only 2 photos can be used, and 3 are needed"):
        calibrate("x", shots[:2], MEASURED, on=TODAY)


def test_photos_from_straight_above_only(phone):
    rng = np.random.default_rng(9)
    above = [shot(rng, phone(rng, 0.5, 80.0 * n), n) for n in range(4)]
    with pytest.raises(CannotCalibrate, match=r"focal length only to .* slant of 20-30"):
        calibrate("x", above, MEASURED, on=TODAY)


def test_a_profile_comes_back_as_it_was(profile, tmp_path):
    path = profiles.PROFILES.save(profile, tmp_path / "main.json")
    again = profiles.PROFILES.load(str(path))
    for field in dataclasses.fields(profile):
        a, b = getattr(profile, field.name), getattr(again, field.name)
        assert np.array_equal(a, b) if isinstance(a, np.ndarray) else a == b
    with pytest.raises(DigitizeError, match="exists already"):
        profiles.PROFILES.save(profile, path)
    assert profiles.PROFILES.to_json(again) == path.read_text()


def without(key):
    def change(document):
        del document[key]

    return change


def becomes(key, value):
    def change(document):
        document[key] = value

    return change


def lopsided(document):
    document["covariance"][0][1] += 1.0


def indefinite(document):
    document["covariance"][3][3] = 1e-12


def no_digest(document):
    document["photos"][0]["sha256"] = "abc"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (becomes("kind", "digitize printer profile"), "no phone profile"),
        (becomes("version", 2), "version 2"),
        (without("covariance"), "covariance"),
        (becomes("covariance", [[1.0]]), "covariance"),
        (lopsided, "covariance"),
        (indefinite, "covariance"),
        (becomes("lens", [1, 2]), "lens"),
        (becomes("lens", {"log_focal": 40.0, "px": 0, "py": 0, "k1": 0, "k2": 0}), "lens"),
        (becomes("size_px", [4000, 0]), "size_px"),
        (becomes("size_px", [4000.5, 3000]), "size_px"),
        (becomes("refocus_sigma", -1), "refocus_sigma"),
        (becomes("reference_mm", math.nan), "reference_mm"),
        (becomes("breathing_mm", math.inf), "breathing_mm"),
        (becomes("breathing_mm", True), "breathing_mm"),
        (becomes("turn_told", "yes"), "turn_told"),
        (becomes("made_on", "yesterday"), "yesterday"),
        (becomes("name", "../../etc"), "will not do"),
        (becomes("photos", []), "photos"),
        (no_digest, "sha256"),
    ],
)
def test_damaged_profiles_are_refused(profile, change, words):
    document = json.loads(profiles.PROFILES.to_json(profile))
    change(document)
    with pytest.raises(profiles.BadPhoneProfile, match=words):
        profiles.PROFILES.from_json(json.dumps(document), where="main.json")


@pytest.mark.parametrize("text", ["", "[" * 100_000, "[]", "null", '{"kind": 3}'])
def test_files_that_are_no_profiles(text):
    with pytest.raises(profiles.BadPhoneProfile):
        profiles.PROFILES.from_json(text)


def test_the_command(digitize, over, shoot, tmp_path):
    card = sheet("ring", "A4", 3)
    for n, (tilt, azimuth) in enumerate(((25, 0), (25, 120), (25, 240), (2, 0))):
        camera = over(
            card, tilt, size_px=(1600, 1200), focal_px=1215.0, azimuth_deg=azimuth, fill=0.95
        ).camera
        cv2.imwrite(str(tmp_path / f"{n}.png"), shoot(camera, seed=n).rgb[..., ::-1])
    (tmp_path / "notes.jpg").write_text("buy snips")
    assert "No phone" in digitize("phone")[1]
    assert digitize("phone", "main")[0] == 2
    assert digitize("phone", "main", "0.png", "1.png")[0] == 5
    code, out, err = digitize("phone", "main", *(f"{n}.png" for n in range(4)), "notes.jpg")
    assert code == 0, err
    assert "notes.jpg: left out, notes.jpg is not a photo" in out
    assert "1600 x 1200 pixels" in out
    kept = profiles.PROFILES.load("main")
    assert kept.focal_px == pytest.approx(1215, rel=0.012)
    assert abs(kept.focal_px / 1215 - 1) < 3 * kept.focal_u
    code, _, err = digitize("phone", "main", "0.png")
    assert code == 8
    assert "already" in err
    assert digitize("phone")[1].strip() == "main"
    shown = digitize("phone", "main")[1]
    assert shown.startswith("main: 1600 x 1200")
    document = json.loads(digitize("phone", "main", "--json")[1])
    assert document["profile"]["kind"] == "digitize phone profile"
    above = [
        json.loads(digitize("check", "3.png", "--thickness", "30", "--json", *more)[1])
        for more in ((), ("--phone", "main"))
    ]
    alone, known = (next(f["value"] for f in r["findings"] if f["code"] == "height") for r in above)
    assert known < alone / 4
    assert digitize("check", "3.png", "--phone", "other")[0] == 2


def test_frames_serve_recovery_without_a_phone(over):
    view = over(RING, 20.0)
    found = recover(view.sighting(np.random.default_rng(1)), MEASURED, Frame(*SIZE))
    assert found.prior == "usual"
