"""What is said when the mode asked for does not fit, or the photo is too poor to trace."""

from pathlib import Path

import cv2
import pytest
import sample_truth as truths

from digitize.errors import DigitizeError
from digitize.job import JobOptions, pattern_from_photo
from digitize.sheets.layout import PrintScale
from digitize.tracing.ink.strokes import NothingDrawn

EXACT = PrintScale(1.0, 1.0, 0.0005, 0.0005, measured=True, source="exact")


def photo(name: str) -> Path:
    return truths.SAMPLES / f"{name}.jpg"


def test_a_drawing_traced_as_a_piece_carries_a_doubt():
    result = pattern_from_photo(
        photo("tracing-three-flanges"), JobOptions(EXACT, mode="silhouette", thicknesses_mm=(1.2,))
    )
    doubts = [n for n in result.patterns[0].notices if n.code == "mode-doubtful"]
    assert [n.level for n in doubts] == ["doubt"]


def test_a_piece_traced_as_a_drawing_says_how_to_trace_it():
    with pytest.raises(NothingDrawn, match="leave the mode out"):
        pattern_from_photo(photo("rusty-bracket"), JobOptions(EXACT, mode="ink"))


def test_a_fault_in_a_blurred_photo_names_the_blur(tmp_path):
    picture = cv2.imread(str(photo("rusty-bracket")))
    half = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    blurred = tmp_path / "blurred.png"
    cv2.imwrite(str(blurred), cv2.GaussianBlur(half, (0, 0), 8))
    with pytest.raises(DigitizeError) as fault:
        pattern_from_photo(blurred, JobOptions(EXACT, thicknesses_mm=(1.2,)))
    assert any("blur" in note for note in fault.value.__notes__)
