from pathlib import Path

import pytest

from digitize.cli.lengths import length_mm, place_mm


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("1.2", 1.2),
        ("1.2mm", 1.2),
        ("1,2 mm", 1.2),
        ("12 cm", 120.0),
        (".5in", 12.7),
        ("3/64in", 1.190625),
        ('7 1/8"', 180.975),
        ("7-1/8 inch", 180.975),
    ],
)
def test_lengths_as_people_type_them(text, mm):
    assert length_mm(text) == pytest.approx(mm, abs=1e-12)


def test_a_bare_number_takes_the_default_unit():
    assert length_mm("2", "in") == pytest.approx(50.8)


@pytest.mark.parametrize("text", ["", "wide", "-3", "1/0in", "nan", "1e3", "5 miles"])
def test_what_is_no_length_is_refused_with_a_sentence(text):
    with pytest.raises(ValueError, match="is not a length"):
        length_mm(text)


def test_a_place_may_be_negative():
    assert place_mm(" -1/2in") == pytest.approx(-12.7)
    assert place_mm("3") == 3.0
    with pytest.raises(ValueError, match="is not a length"):
        place_mm("--3")


@pytest.mark.parametrize("command", ["trace", "compare"])
def test_two_inches_are_no_sheet_metal(digitize, command):
    photo = Path(__file__).parents[2] / "samples" / "rusty-bracket.jpg"
    photos = [photo] if command == "trace" else [photo, photo]
    code, _, err = digitize(command, *photos, "-t", "2", "-u", "in")
    assert code == 2
    assert "50.8 mm is no sheet metal; write it like 1.5mm or 0.06in" in err
