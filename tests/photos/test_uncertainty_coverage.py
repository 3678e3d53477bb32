"""The stated ± against what photographs with drawn errors of every kind really give.

The photographs are ray cast by numpy and OpenCV (samples/drawn_plates.py); their truth owes
nothing to this package.  benchmarks/coverage.py does the same with hundreds.
"""

import drawn_plates
import numpy as np
import pytest

from digitize.job import JobOptions, pattern_from_photo
from digitize.pattern.dimensions import dimensions
from digitize.sheets.layout import PrintScale

PHOTOS = range(28, 36)
PRINT_U = 0.0008


@pytest.fixture(scope="module")
def ratios(tmp_path_factory):
    """Error over U of every dimension that both patterns have, of some photos together."""
    found = []
    for number in PHOTOS:
        shot = drawn_plates.drawn(number, measured_u=PRINT_U)
        ink = shot.pen_mm is not None
        path = tmp_path_factory.mktemp("drawn") / f"{number}.jpg"
        path.write_bytes(drawn_plates.photograph(shot))
        options = JobOptions(
            PrintScale(1.0, 1.0, PRINT_U, PRINT_U, True, "test"),
            thicknesses_mm=() if ink else (shot.told_mm,),
            mode="ink" if ink else "silhouette",
        )
        (pattern,) = pattern_from_photo(path, options).patterns
        pairs = drawn_plates.compared(pattern, shot.plate.pattern())
        assert len(pairs) >= 6, number
        found += [(d.kind, (d.value - true.value) / d.expanded) for d, true in pairs]
    return found


def test_u_covers_the_truth_and_is_not_padded(ratios):
    """Half of U is the standard uncertainty, so that error over U has a root mean square of 0.5.

    Eight photos tell that to about a third; U twice too large or too small fails.
    """
    off = np.array([ratio for _, ratio in ratios])
    assert len(off) > 100
    assert 0.3 < np.sqrt(np.mean(off**2)) < 0.75
    assert np.mean(np.abs(off) <= 1.0) > 0.88
    assert 0.5 < np.quantile(np.abs(off), 0.95) < 1.4


@pytest.mark.parametrize("kinds", [("overall", "length"), ("diameter",), ("x", "y")])
def test_no_kind_of_dimension_is_left_out(ratios, kinds):
    off = np.array([ratio for kind, ratio in ratios if kind in kinds])
    assert len(off) >= 10
    assert 0.2 < np.sqrt(np.mean(off**2)) < 1.0


def test_the_truth_compares_with_itself():
    """The comparison itself: every dimension of the truth finds itself, and no error."""
    true = drawn_plates.drawn(28).plate.pattern()
    pairs = drawn_plates.compared(true, true)
    assert len(pairs) == len(dimensions(true).dimensions)
    assert all(a.value == b.value for a, b in pairs)
