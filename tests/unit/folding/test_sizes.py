import folded_pieces as pieces
import pytest

from digitize.bending.facts import Said
from digitize.bending.laws import Din6935, Faa, Handbook
from digitize.folding.sizes import folded_sizes, overall
from digitize.folding.solid import fold_up
from digitize.pattern.model import Pattern

WITHIN_MM = 0.05  # asked for; met to rounding


@pytest.mark.parametrize("law", [Din6935(), Faa(), Handbook("hard")])
@pytest.mark.parametrize("angle", [30.0, 90.0, 135.0])
def test_widths_over_outside_are_the_traced_ones(law, angle):
    said = {"B1": Said(angle, True, 1.5), "B2": Said(angle, False, 0.8)}
    blank = pieces.developed(pieces.channel(80.0, 25.0, 30.0), said, 1.5, law)
    sizes = {(s.start, s.end): s for s in folded_sizes(blank, fold_up(blank))}
    assert set(sizes) == {("B1", "B2"), ("B1", "edge"), ("B2", "edge")}
    for ends, traced in ((("B1", "B2"), 80.0), (("B1", "edge"), 25.0), (("B2", "edge"), 30.0)):
        assert sizes[ends].traced_mm == pytest.approx(traced)
        assert sizes[ends].folded_mm == pytest.approx(traced, abs=WITHIN_MM)


def test_a_wrong_radius_would_show():
    """Bent about a larger radius than it was developed for, the channel comes out wrong."""
    pattern = pieces.channel()
    blank = pieces.developed(pattern, {"all": Said(90.0, True, 1.2)})
    slack = Said(radius_mm=3.0)
    wrong = pieces.developed(blank.pattern, {"B1": slack, "B2": slack})
    sizes = folded_sizes(wrong, fold_up(wrong))
    web = next(s for s in sizes if (s.start, s.end) == ("B1", "B2"))
    assert abs(web.folded_mm - 60.0) > 0.5


def test_a_tray_stands_as_large_as_it_was_drawn():
    blank = pieces.developed(pieces.tray(160.0, 100.0, 20.0))
    solid = fold_up(blank)
    box = overall(solid)
    assert (box.length_mm, box.width_mm, box.height_mm) == pytest.approx((160.0, 100.0, 20.0))
    for size in folded_sizes(blank, solid):
        assert size.off_mm == pytest.approx(0.0, abs=WITHIN_MM)


def test_two_tabs_on_one_bend_line_measure_their_plate_once():
    points = [(0, 0), (100, 0), (100, 60), (60, 60), (60, 30), (40, 30), (40, 60), (0, 60)]
    pattern = Pattern("tabs", pieces.outline(points), bends=(pieces.bend(0, 40, 100, 40),))
    blank = pieces.developed(pattern)
    sizes = folded_sizes(blank, fold_up(blank))
    found = sorted((s.end, s.traced_mm) for s in sizes)
    assert found == [("edge", 20.0), ("edge", 20.0), ("edge", 40.0)]
    assert [s.off_mm for s in sizes] == pytest.approx([0.0] * 3, abs=1e-6)


def test_bends_not_quite_parallel_are_measured_at_the_middle_of_one():
    """The short bend of the tab leans by 0.4 degrees and lies at one end of its plate."""
    points = [(0, 0), (200, 0), (200, 50), (40, 50), (40, 80), (0, 80)]
    bends = (pieces.bend(0, 15, 200, 15), pieces.bend(0, 55.14, 40, 54.86))
    blank = pieces.developed(Pattern("leaning", pieces.outline(points), bends=bends))
    (size,) = [s for s in folded_sizes(blank, fold_up(blank)) if s.end != "edge"]
    assert size.traced_mm == pytest.approx(40.0)
    assert size.off_mm == pytest.approx(0.0, abs=0.01)


def test_a_bend_that_takes_up_no_sheet_is_measured_too():
    said = {"all": Said(90.0, True, 0.0, k=0.0)}
    blank = pieces.developed(pieces.channel(80.0, 25.0, 30.0), said)
    assert [s.off_mm for s in folded_sizes(blank, fold_up(blank))] == pytest.approx([0.0] * 3)
