"""Printer profiles: what two measured bars say, and how they are kept."""

import json
import math
from datetime import date
from pathlib import Path

import platformdirs
import pytest

from digitize.files.atomic import NotWritten
from digitize.sheets import printer
from digitize.sheets.catalogue import NoSuchSheet
from digitize.sheets.printer import BadMeasurement, BadProfile, PrinterProfile

DAY = date(2026, 5, 2)


def workshop(across_mm: float = 190.3, up_mm: float = 259.5) -> PrinterProfile:
    return printer.measured("workshop", "ring", "A4", across_mm, up_mm, on=DAY)


def test_each_axis_has_its_own_factor() -> None:
    scale = workshop().scale()
    assert scale.x == pytest.approx(190.3 / 190.0)
    assert scale.y == pytest.approx(259.5 / 260.0)
    assert scale.measured
    assert scale.source == "bars measured 2026-05-02, printer 'workshop'"
    assert workshop().notices() == ()


def test_uncertainty_is_the_reading_and_the_paper_together() -> None:
    scale = workshop().scale()
    assert scale.u_x == pytest.approx(math.sqrt((0.2 / 190) ** 2 + 0.0005**2))
    assert scale.u_y == pytest.approx(math.sqrt((0.2 / 260) ** 2 + 0.0005**2))
    # 0.2 mm is what two settings to half a half-millimetre division amount to.
    assert math.sqrt(2) * 0.25 / math.sqrt(3) == pytest.approx(printer.READING_U_MM, abs=0.005)


def test_bars_in_inches() -> None:
    profile = printer.measured(
        "office", "ring", "Letter", 7.01 * 25.4, 9.0 * 25.4, on=DAY, units="in"
    )
    assert profile.nominal_mm == pytest.approx((177.8, 228.6))
    assert profile.scale().x == pytest.approx(7.01 / 7)


@pytest.mark.parametrize(("across", "up"), [(190 * 0.984, 260.0), (190.0, 260 * 1.016)])
def test_beyond_one_and_a_half_per_cent_the_page_was_scaled(across: float, up: float) -> None:
    (notice,) = workshop(across, up).notices()
    assert notice.code == "print-scaled"
    assert notice.level == "doubt"
    assert "the printer scaled the page" in notice.text
    assert f"{100 * across / 190:.1f} % across and {100 * up / 260:.1f} % up" in notice.text


def test_just_inside_it_is_corrected_silently() -> None:
    assert workshop(190 * 1.0149, 260 * 0.9851).notices() == ()


def test_fit_to_page_on_letter_is_still_usable() -> None:
    factor = 279.4 / 297.0  # A4 fitted on Letter
    assert workshop(190 * factor, 260 * factor).notices()[0].code == "print-scaled"


@pytest.mark.parametrize(
    ("across", "up", "advice"),
    [
        (260.0, 190.0, "across and up seem to be swapped"),
        (7.48, 10.24, "the figures seem to be inches"),
        (19.0, 26.0, "the figures seem to be centimetres"),
        (150.0, 260.0, "measure again, and check that the paper"),
        (190.0, -260.0, "measure again"),
        (math.nan, 260.0, "measure again"),
        (190.0, math.inf, "measure again"),
    ],
)
def test_absurd_lengths_are_refused_with_advice(across: float, up: float, advice: str) -> None:
    with pytest.raises(BadMeasurement, match=advice):
        workshop(across, up)


def test_bars_of_another_paper_are_noticed() -> None:
    with pytest.raises(BadMeasurement, match=r"100\.0 % across and 92\.3 % up"):
        workshop(190.0, 240.0)  # the Letter ring's bars, said to be A4


def test_other_nonsense_is_refused() -> None:
    with pytest.raises(BadMeasurement, match="uncertainty of the rule reading"):
        printer.measured("workshop", "ring", "A4", 190, 260, on=DAY, reading_u_mm=0.0)
    with pytest.raises(NoSuchSheet):
        printer.measured("workshop", "ring", "B5", 190, 260, on=DAY)
    with pytest.raises(BadMeasurement, match="nominal length"):
        PrinterProfile("workshop", DAY, "ring A4", (0.0, 260.0), (190.0, 260.0))
    for name in ("", ".", "../office", "a/b", "-", "x" * 61):
        with pytest.raises(BadProfile, match="will not do as the name"):
            printer.measured(name, "ring", "A4", 190, 260, on=DAY)


def test_an_unmeasured_print_is_wider_than_any_measured_one() -> None:
    scale, notice = printer.unmeasured()
    assert not scale.measured
    assert (scale.x, scale.y) == (1.0, 1.0)
    assert scale.u_x == scale.u_y == pytest.approx(0.01 / math.sqrt(3), rel=0.05)
    assert scale.u_x > 3 * workshop().scale().u_x
    assert notice.code == "print-unmeasured"
    assert "1.2 %" in notice.text


def test_kept_and_found_by_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(platformdirs, "user_config_path", lambda _: tmp_path)
    profile = printer.measured("Front Office 2", "card", "A4", 190.1, 109.9, on=DAY)
    path = printer.PROFILES.save(profile)
    assert path == tmp_path / "printers" / "front-office-2.json"
    assert printer.PROFILES.load("front office 2") == profile
    assert printer.PROFILES.load(path) == profile
    (tmp_path / "printers" / "junk.json").write_text("{}")
    assert printer.PROFILES.names() == ["Front Office 2"]
    with pytest.raises(NotWritten):
        printer.PROFILES.save(profile)
    printer.PROFILES.save(profile, overwrite=True)
    with pytest.raises(
        BadProfile, match="no profile of a printer 'shed': known are Front Office 2"
    ):
        printer.PROFILES.load("shed")


def test_nothing_kept_yet(tmp_path: Path) -> None:
    with pytest.raises(BadProfile, match="measure a printed sheet and keep it"):
        printer.PROFILES.load("shed", tmp_path)


def test_json_round_trip_is_exact(tmp_path: Path) -> None:
    profile = workshop(190.1 + 1e-13, 259.7)
    path = printer.PROFILES.save(profile, tmp_path / "mine.json")
    assert printer.PROFILES.load(path) == profile


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "something else"}, "is no printer profile"),
        ({"version": 2}, "has version 2, and this program reads version 1"),
        ({"name": 5}, "damaged, see name"),
        ({"measured_on": "soon"}, "damaged"),
        ({"nominal_mm": [190, 260]}, "damaged, see nominal_mm"),
        ({"measured_mm": {"across": 190}}, "damaged, see up"),
        ({"measured_mm": {"across": True, "up": 260}}, "damaged, see across"),
        ({"measured_mm": {"across": 19, "up": 260}}, "bar across should be 190.0 mm"),
        ({"reading_u_mm": None}, "damaged, see reading_u_mm"),
    ],
)
def test_damaged_profiles_are_refused(
    tmp_path: Path, change: dict[str, object], message: str
) -> None:
    path = tmp_path / "mine.json"
    path.write_text(json.dumps(json.loads(printer.PROFILES.to_json(workshop())) | change))
    with pytest.raises(BadProfile, match=message):
        printer.PROFILES.load(path)


@pytest.mark.parametrize("data", [b"", b"[1]", b"\xff\xfe\x00", b"{", b"[" * 100_000])
def test_files_that_are_no_profile(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "mine.json"
    path.write_bytes(data)
    with pytest.raises(BadProfile):
        printer.PROFILES.load(path)


def test_a_missing_field_is_named(tmp_path: Path) -> None:
    document = json.loads(printer.PROFILES.to_json(workshop()))
    del document["sheet"]
    with pytest.raises(BadProfile, match="damaged, see sheet"):
        printer.PROFILES.from_json(json.dumps(document), where="mine.json")
