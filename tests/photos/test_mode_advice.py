"""What is said when the mode asked for does not fit what the photo shows."""

from pathlib import Path

import pytest
import sample_truth as truths

from digitize.job import JobOptions, pattern_from_photo
from digitize.sheets.layout import PrintScale
from digitize.tracing.strokes import NothingDrawn

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
