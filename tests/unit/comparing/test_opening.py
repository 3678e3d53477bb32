from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from digitize.comparing.corrected import trimmed
from digitize.comparing.opening import FitInOptions, OpeningFit, fit_in
from digitize.comparing.pose import Pose
from digitize.comparing.weldability import band_of, bands, root_gap_mm
from digitize.errors import Notice
from digitize.files.comparison.opening_words import headline, next_words, now_words, verdict_words
from digitize.pattern import document
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.segments import Arc, Line, Point

SURE = Precision(0.02, 0.0)
UNMEASURED = Notice("print-unmeasured", "nobody has measured the bars on this sheet", "doubt")


def shape(name: str, *corners: Point) -> Pattern:
    ends = (*corners[1:], corners[0])
    lines = [Line(a, b) for a, b in zip(corners, ends, strict=True)]
    return Pattern(name, Contour.of(lines), thickness_mm=1.0, precision=SURE)


HATCH = shape("hatch", (0.0, 0.0), (200.0, 0.0), (200.0, 110.0), (150.0, 120.0), (0.0, 120.0))


def panel(left: float, right: float, below: float, above: float) -> Pattern:
    """A panel that leaves these gaps (negative: overlaps) where the hatch is drawn."""
    slope = math.hypot(50.0, 10.0) / 50.0
    corner = 150.0  # the slanting edge is given the gap above, square to it
    right_x = 200.0 - right
    fall = 110.0 - above * slope + (200.0 - right_x) * 0.2
    top = 120.0 - above
    knee = corner + (top - 120.0 + above * slope) / -0.2
    laid = shape(
        "panel", (left, below), (right_x, below), (right_x, fall), (knee, top), (left, top)
    )
    return Pose(2.4, (70.0, -10.0)).pattern_back(laid)


def gaps(found: OpeningFit) -> dict[str, float]:
    return {e.edge: e.mean_mm for e in found.edges}


def test_even_gaps_all_round_are_found_exactly() -> None:
    found = fit_in(panel(0.6, 0.6, 0.6, 0.6), HATCH, FitInOptions(1.0))
    assert gaps(found) == pytest.approx({f"E{i}": 0.6 for i in range(1, 6)}, abs=2e-3)
    assert found.largest_gap_mm == pytest.approx(0.6, abs=2e-3)
    assert found.largest_overlap_mm == 0.0
    assert found.worst.word == "weldable"


def test_play_is_shared_out() -> None:
    """Lying against two sides or not, the panel has 1.0 mm to spare across and 0.6 up."""
    for objective in ("even", "smallest"):
        found = fit_in(panel(1.0, 0.0, 0.0, 0.6), HATCH, FitInOptions(1.0, objective=objective))  # type: ignore[arg-type]
        by_edge = gaps(found)
        assert by_edge["E2"] == pytest.approx(0.5, abs=0.15)
        assert by_edge["E5"] == pytest.approx(0.5, abs=0.15)
        assert found.largest_gap_mm < 0.75
        assert found.largest_overlap_mm == pytest.approx(0.0, abs=0.01)


def test_smallest_largest_gap_is_no_larger_than_that_of_even_gaps() -> None:
    """A bay 3 mm deep in one side pulls the even placement, the smallest one goes to meet it."""
    bay = shape(
        "panel",
        (0.5, 0.5),
        (80.0, 0.5),
        (80.0, 3.5),
        (120.0, 3.5),
        (120.0, 0.5),
        (199.5, 0.5),
        (199.5, 109.0),
        (150.0, 119.0),
        (0.5, 119.0),
    )
    even = fit_in(bay, HATCH, FitInOptions(1.0, objective="even"))
    smallest = fit_in(bay, HATCH, FitInOptions(1.0, objective="smallest"))
    assert smallest.largest_gap_mm < even.largest_gap_mm - 0.2
    # It may go down by its 0.5 mm and no farther: the bay is then 3.0 mm off.
    assert smallest.largest_gap_mm == pytest.approx(3.0, abs=0.02)
    assert smallest.largest_overlap_mm < 0.01
    row = next(e for e in smallest.edges if e.edge == "E1")
    assert row.band.up_to_mm is None
    assert row.strip_mm is not None
    assert row.strip_mm == pytest.approx((37.0, 3.0), abs=3.5)  # its ends are nearer to its sides


def test_overlap_is_to_be_trimmed_and_short_edges_cut_bigger_next_time() -> None:
    found = fit_in(panel(-1.0, -1.0, 0.2, 0.2), HATCH, FitInOptions(1.0))
    by_edge = {e.edge: e for e in found.edges}
    for name in ("E2", "E5"):
        assert by_edge[name].trim_mm == pytest.approx(1.0, abs=0.1)
        assert by_edge[name].bigger_mm == pytest.approx(-1.25, abs=0.1)
        assert by_edge[name].verdict == "overlap"
    assert by_edge["E1"].trim_mm == 0.0
    assert by_edge["E1"].bigger_mm is None
    assert re.fullmatch(r"1\.\d\d mm smaller", next_words(by_edge["E2"], "mm"))
    small = fit_in(panel(1.2, 1.2, 1.2, 1.2), HATCH, FitInOptions(1.0))
    assert [next_words(e, "mm") for e in small.edges] == ["0.95 mm bigger"] * 5
    # To half of the best band: 1.2 mm less 0.25 mm.
    assert [e.bigger_mm for e in small.edges] == pytest.approx([0.95] * 5, abs=5e-3)


def test_one_rule_for_every_edge() -> None:
    """Past by more than U: trim; within U: the same; short within the best band: good."""
    unsure = replace(HATCH, precision=Precision(0.1, 0.0))
    for gap, verdict, words, bigger in (
        (-0.87, "overlap", "overlaps", -1.12),
        (-0.15, "same", "same, within ±", None),
        (0.15, "same", "same, within ±", None),
        (0.4, "gap", "good", None),
        (0.8, "gap", "weldable", 0.55),
        (1.4, "gap", "poor", 1.15),
    ):
        found = fit_in(panel(gap, gap, gap, gap), unsure, FitInOptions(1.0))
        for edge in found.edges:
            assert edge.verdict == verdict
            assert verdict_words(edge, lapped=False) == words
            assert (edge.trim_mm > 0.0) == (verdict == "overlap")
            assert edge.expanded_mm == pytest.approx(2.0 * math.hypot(0.1, 0.02))
            if bigger is None:
                assert edge.bigger_mm is None
            else:  # the sum that the table's last line states
                assert edge.bigger_mm == pytest.approx(bigger, abs=0.02)
                assert edge.bigger_mm == edge.mean_mm - 0.25


def test_an_edge_past_at_one_end_is_trimmed_though_good_on_average() -> None:
    askew = shape("panel", (0.2, 0.2), (199.8, -0.9), (199.8, 109.8), (150.0, 119.8), (0.2, 119.8))
    found = fit_in(askew, HATCH, FitInOptions(1.0, objective="smallest"))
    assert found.largest_overlap_mm > 0.04
    for edge in found.edges:
        past = -edge.least_mm > edge.expanded_mm
        assert (edge.verdict == "overlap") == past
        assert ("trim" in now_words(edge, "mm")) == past
    assert headline(found, "mm").startswith("does not go in: overlaps by up to")


def test_headline_says_the_worst_first() -> None:
    said = [
        headline(fit_in(panel(gap, gap, gap, gap), HATCH, FitInOptions(1.0)), "mm")
        for gap in (0.01, 0.8)
    ]
    assert said[0] == "fits: touches all round, same within measurement"
    assert re.fullmatch(r"goes in: largest gap 0\.8\d mm on the .* \(E\d\), weldable", said[1])


def test_lap_counts_what_is_missing_of_it() -> None:
    found = fit_in(panel(-10.0, -10.0, -10.0, -8.0), HATCH, FitInOptions(1.0, lap_mm=10.0))
    assert found.largest_gap_mm == pytest.approx(1.0, abs=0.3)  # shared out above and below
    assert all(e.trim_mm == 0.0 for e in found.edges)


def edge_by_edge(piece: Pattern) -> list[float]:
    """The mean gaps that a piece leaves in the hatch."""
    return [e.mean_mm for e in fit_in(piece, HATCH, FitInOptions(1.0)).edges]


def test_a_piece_that_laps_as_asked_is_left_as_it_is() -> None:
    found = fit_in(panel(-2.0, -2.0, -2.0, -2.0), HATCH, FitInOptions(1.0, lap_mm=2.0))
    assert headline(found, "mm") == "fits: nothing missing of the lap, same within measurement"
    assert found.comparison.same
    assert trimmed(found.comparison).lines == ()
    assert found.better is None


def test_a_lap_too_small_is_told_alike_in_table_pictures_and_the_next_pattern() -> None:
    found = fit_in(panel(-1.0, -1.0, -1.0, -1.0), HATCH, FitInOptions(1.0, lap_mm=5.0))
    assert all(e.mean_mm == pytest.approx(4.0, abs=0.02) for e in found.edges)
    stretches = found.comparison.stretches
    assert {s.kind for s in stretches} == {"less"}
    assert stretches[0].largest_mm == pytest.approx(4.0, abs=0.02)
    assert trimmed(found.comparison).lines == ()
    for edge in found.edges:  # one rule for all of them
        assert edge.strip_mm == pytest.approx((edge.length_mm, 4.0), abs=0.02)
        assert now_words(edge, "mm").startswith("add a strip")
    assert found.better is not None
    assert edge_by_edge(found.better) == pytest.approx([-5.0] * 5, abs=0.02)


def test_a_piece_cut_flush_lacks_the_whole_lap() -> None:
    found = fit_in(panel(0.0, 0.0, 0.0, 0.0), HATCH, FitInOptions(1.0, lap_mm=10.0))
    assert [e.mean_mm for e in found.edges] == pytest.approx([10.0] * 5, abs=0.02)
    assert not [n for n in found.comparison.notices if n.code == "compare-unlike"]


@pytest.mark.parametrize("gap", [-2.0, 1.2, 3.5])
def test_the_next_pattern_is_cut_as_the_table_says(gap: float) -> None:
    found = fit_in(panel(gap, gap, gap, gap), HATCH, FitInOptions(1.0))
    said = [e.bigger_mm for e in found.edges]
    assert said == pytest.approx([gap - 0.25] * 5, abs=0.02)
    assert found.better is not None
    now = edge_by_edge(found.better)
    assert now == pytest.approx([0.25] * 5, abs=0.02)


def test_an_edge_that_is_good_stays_in_the_next_pattern() -> None:
    """Gaps of 1.0 left and right, 0.4 above and below: the sides alone are cut bigger."""
    found = fit_in(panel(1.0, 1.0, 0.4, 0.4), HATCH, FitInOptions(1.0))
    assert [e.bigger_mm is None for e in found.edges] == [True, False, True, True, False]
    assert found.better is not None
    now = edge_by_edge(found.better)
    for before, after in zip(found.edges, now, strict=True):
        assert after == pytest.approx(before.mean_mm - (before.bigger_mm or 0.0), abs=0.02)


def test_rounds_that_a_lap_swallows_do_not_keep_from_a_next_pattern() -> None:
    """A notch with rounds of 2 mm in its bottom, to be lapped by 5 mm."""
    outline = [Line((0.0, 0.0), (120.0, 0.0)), Line((120.0, 0.0), (120.0, 80.0))]
    outline += [Line((120.0, 80.0), (80.0, 80.0)), Line((80.0, 80.0), (80.0, 52.0))]
    quarter = math.tan(math.pi / 8)
    rounds = [Arc((80.0, 52.0), (78.0, 50.0), -quarter), Arc((42.0, 50.0), (40.0, 52.0), -quarter)]
    rest = [Line((40.0, 52.0), (40.0, 80.0)), Line((40.0, 80.0), (0.0, 80.0))]
    segments = [*outline, rounds[0], Line((78.0, 50.0), (42.0, 50.0)), rounds[1], *rest]
    segments.append(Line((0.0, 80.0), (0.0, 0.0)))
    hole = Pattern("notched", Contour.of(segments), thickness_mm=1.0, precision=SURE)
    options = FitInOptions(1.0, lap_mm=5.0)
    found = fit_in(replace(hole, name="flush"), hole, options)
    assert found.better is not None
    assert fit_in(found.better, hole, options).largest_gap_mm == pytest.approx(0.0, abs=0.05)


def test_what_the_measurement_cannot_tell_is_not_called_a_fit() -> None:
    unsure = replace(HATCH, precision=Precision(0.4, 0.0), notices=(UNMEASURED,))
    found = fit_in(panel(0.2, 0.2, 0.2, 0.2), unsure, FitInOptions(1.0))
    said = headline(found, "mm")
    assert said.startswith("cannot tell whether it fits: ± 0.80 mm")
    assert said.endswith(
        "is more than the 0.50 mm that is good; measure the bars of the print first"
    )
    for edge in found.edges:
        assert edge.verdict == "unsure"
        assert now_words(edge, "mm") == "measure first"
        assert next_words(edge, "mm") == "cannot tell"
    assert found.better is None


def test_a_strip_is_added_along_every_edge_beyond_the_last_band() -> None:
    """The slanting edge of 8 mm as well as the long ones."""
    short = shape("hatch", (0.0, 0.0), (90.0, 0.0), (90.0, 54.0), (84.0, 60.0), (0.0, 60.0))
    piece = shape("panel", (2.0, 2.0), (88.0, 2.0), (88.0, 53.2), (83.2, 58.0), (2.0, 58.0))
    found = fit_in(piece, short, FitInOptions(1.0))
    assert min(e.length_mm for e in found.edges) < 9.0
    assert all(now_words(e, "mm").startswith("add a strip") for e in found.edges)


def test_round_covers_have_one_row() -> None:
    opening = Pattern("bore", Circle((0.0, 0.0), 40.0), thickness_mm=1.0, precision=SURE)
    disc = Pattern("disc", Circle((300.0, 7.0), 39.2), thickness_mm=1.0, precision=SURE)
    found = fit_in(disc, opening, FitInOptions(1.0))
    (row,) = found.edges
    assert (row.least_mm, row.most_mm) == pytest.approx((0.8, 0.8), abs=1e-4)
    assert row.band.word == "weldable"


def test_bands_scale_with_the_sheet_and_the_process() -> None:
    """Shares of the thickness are common practice; the root gap is the ESAB handbook's."""
    assert [b.up_to_mm for b in bands(1.2, "mig")] == pytest.approx([0.6, 1.2, 1.8, None])
    assert band_of(0.9, 1.2, "mig").word == "weldable"
    assert band_of(0.9, 1.2, "tig").word == "poor"
    assert band_of(-0.4, 1.2, "tig").word == "good"
    assert band_of(9.0, 1.2, "tig").up_to_mm is None
    assert root_gap_mm(1.2, "mig") == 0.8
    assert root_gap_mm(6.0, "mig") is None
    assert root_gap_mm(1.2, "tig") is None


def test_command_says_what_to_do(
    digitize: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    for pattern in (HATCH, panel(1.7, 1.7, -0.6, 0.9)):
        Path(f"{pattern.name}.pattern.json").write_text(document.dumps(pattern), "utf-8")

    pair = ("fit", "panel.pattern.json", "hatch.pattern.json")
    code, out, _ = digitize(*pair, "--into", "fit")
    assert code == 0
    assert "remake" in out
    assert "add a strip" in out
    assert "common practice" in out
    assert "not a welding procedure" in out
    assert (tmp_path / "fit" / "panel-over-hatch.png").exists()
    assert (tmp_path / "fit" / "hatch.trials.json").exists()
    code, out, _ = digitize(*pair, "--json", "--allow", "0.5")
    assert code == 10
    assert json.loads(out)["largest_gap_mm"] > 1.5
    bare = document.loads(Path("panel.pattern.json").read_text("utf-8"))
    Path("bare.pattern.json").write_text(
        document.dumps(Pattern("bare", bare.outline, precision=SURE)), "utf-8"
    )
    code, _, err = digitize("fit", "bare.pattern.json", "hatch.pattern.json")
    assert code == 2
    assert "--thickness" in err
