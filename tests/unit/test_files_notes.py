from dataclasses import replace

import pytest

from digitize.errors import Notice
from digitize.files.lettering import drawable, shortened, width
from digitize.files.notes import note_lines, one_line, wrapped_notes
from digitize.files.units import length, rounded
from digitize.pattern.contour import Circle
from digitize.pattern.model import Drawn, Pattern, Precision


def disc(precision: Precision | None = None) -> Pattern:
    notices = (
        Notice("print-unmeasured", "nobody measured the bars", "doubt"),
        Notice("print-unmeasured", "nobody measured the bars", "doubt"),
        Notice("mode", "taken for a silhouette"),
    )
    return Pattern(
        "lid", Circle((0, 0), 50), thickness_mm=1.5, precision=precision, notices=notices
    )


def test_notes_say_what_how_thick_how_sure_and_what_is_doubtful() -> None:
    assert note_lines(disc(Precision(0.05, 0.001)), "mm") == [
        "lid",
        "1.5 mm sheet, seen from the traced face",
        "± 0.25 mm on 100 mm (95 %)",  # 2 sqrt(2 * 0.05^2 + 0.1^2) = 0.2449
        "Doubt: nobody measured the bars",
    ]
    assert note_lines(disc(), "in")[1:3] == [
        "0.059 in sheet, seen from the traced face",
        "precision not stated",
    ]


def test_the_sheet_says_in_what_a_drawing_differs_from_the_piece() -> None:
    def said(drawn: Drawn) -> str:
        return note_lines(replace(disc(), drawn=drawn), "mm")[1]

    assert said(Drawn(behind=True)) == "1.5 mm sheet, seen from the back of the traced face"
    assert said(Drawn(opposite_hand=True)).endswith("; opposite hand of the traced piece")
    assert said(Drawn(kerf_mm=1.5)).endswith("; path of a cutter of 1.50 mm kerf, not the piece")


@pytest.mark.parametrize(
    ("expanded_mm", "unit", "text"),
    [
        (0.2301, "mm", ("10.50", "0.24")),
        (0.23, "mm", ("10.50", "0.23")),
        (0.999, "mm", ("10.50", "1.00")),
        (1.01, "mm", ("10.5", "1.1")),
        (None, "mm", ("10.5", "")),
        (0.0254, "in", ("0.413", "0.001")),
        (0.03, "in", ("0.413", "0.002")),
        (0.011, "deg", ("10.50", "0.02")),
    ],
)
def test_a_value_and_its_uncertainty_have_the_same_decimals_and_none_is_rounded_down(
    expanded_mm: float | None, unit: str, text: tuple[str, str]
) -> None:
    assert rounded(10.5, expanded_mm, unit) == text  # type: ignore[arg-type]


def test_doubts_are_told_in_sentences_that_fit_and_are_not_too_many() -> None:
    doubts = tuple(Notice("edge-restored", f"edge {i} " + "was " * 90, "doubt") for i in range(9))
    pattern = Pattern("lid", Circle((0, 0), 50), (), (), (), notices=doubts)
    lines = note_lines(pattern, "mm")[3:]
    assert [line[:13] for line in lines[:3]] == [f"Doubt: edge {i}" for i in range(3)]
    assert all(line.endswith(" ...") and len(line) < 250 for line in lines[:3])
    assert lines[3:] == ["and 6 more doubts, kept with the pattern"]
    short = wrapped_notes(pattern, "mm", 40)
    assert max(map(len, short)) <= 40
    assert " ".join(short) == " ".join(note_lines(pattern, "mm"))


def test_lengths_read_alike_in_both_units() -> None:
    assert (length(25.4, "mm"), length(25.4, "in")) == ("25.4 mm", "1.000 in")


def test_text_stays_on_one_line_in_letters_the_typeface_has() -> None:
    assert one_line("a\r\n\tb\x00c") == "a b c"
    assert drawable("Größe ±0.1° Ø5 żółć") == "Größe ±0.1° Ø5 zółć"
    assert drawable("錆") == "?"
    assert drawable("e\u0301") == "é"


def test_long_text_is_cut_to_the_room() -> None:
    text = shortened("wheelhouse door " * 20, 3.0, 60.0)
    assert text.endswith("...")
    assert width(text, 3.0) <= 60.0
    assert shortened("short", 3.0, 60.0) == "short"
