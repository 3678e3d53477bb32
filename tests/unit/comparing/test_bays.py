"""Slits and bays that no placement closes, and what is measured square to an edge."""

from __future__ import annotations

import math

import pytest
import shapely

from digitize.comparing.comparison import compare
from digitize.comparing.opening import FitInOptions, OpeningFit, fit_in
from digitize.comparing.placement import Objective, place_inside
from digitize.comparing.pose import Pose
from digitize.comparing.registration import FitOptions
from digitize.files.comparison.opening_words import headline
from digitize.pattern.contour import Contour
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.segments import Line, Point

OBJECTIVES: tuple[Objective, ...] = ("even", "smallest")
Bay = tuple[float, float, float]  # from the left, wide, deep; in the lower edge

SLIT: Bay = (30.0, 6.0, 20.0)
SQUARE: Bay = (50.0, 20.0, 15.0)
SMALL: Bay = (20.0, 10.0, 8.0)
NARROW: tuple[Bay, Bay] = ((30.0, 2.0, 20.0), (80.0, 2.0, 20.0))
WIDE: Bay = (20.0, 40.0, 25.0)


def shape(name: str, *corners: Point) -> Pattern:
    ends = (*corners[1:], corners[0])
    lines = [Line(a, b) for a, b in zip(corners, ends, strict=True)]
    return Pattern(name, Contour.of(lines), thickness_mm=1.0, precision=Precision(0.02, 0.0))


OPENING = shape("opening", (0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (0.0, 80.0))


def panel(gap: float, *bays: Bay) -> Pattern:
    """So much small all round, laid down anyhow."""
    below: list[Point] = []
    for x, wide, deep in bays:
        below += [(x, gap), (x, gap + deep), (x + wide, gap + deep), (x + wide, gap)]
    right, top = 120.0 - gap, 80.0 - gap
    return Pose(1.1, (40.0, -10.0)).pattern_back(
        shape("panel", (gap, gap), *below, (right, gap), (right, top), (gap, top))
    )


def fitted(piece: Pattern, objective: Objective = "even", lap_mm: float = 0.0) -> OpeningFit:
    return fit_in(piece, OPENING, FitInOptions(1.0, objective=objective, lap_mm=lap_mm))


@pytest.mark.parametrize("objective", OBJECTIVES)
@pytest.mark.parametrize(
    "bays",
    [
        (SLIT,),
        (SQUARE,),
        (SMALL,),
        NARROW,
        (WIDE,),
        ((12.0, 12.0, 15.0),),
        ((20.0, 20.0, 3.0),),
        ((40.0, 30.0, 2.0),),
    ],
)
def test_a_piece_that_drops_in_is_not_said_to_overlap(
    bays: tuple[Bay, ...], objective: Objective
) -> None:
    found = fitted(panel(0.2, *bays), objective)
    assert found.largest_overlap_mm < 0.01
    assert all(e.trim_mm == 0.0 for e in found.edges)


def test_a_bay_does_not_uneven_the_gaps_beside_it() -> None:
    for bays in ((SLIT,), (SQUARE,), NARROW, (WIDE,)):
        others = [e.mean_mm for e in fitted(panel(0.3, *bays)).edges if e.edge != "E1"]
        assert others == pytest.approx([0.3] * 3, abs=0.03)


@pytest.mark.parametrize("objective", OBJECTIVES)
def test_each_way_to_lie_counts_once(objective: Objective) -> None:
    """A panel with a slit lies in its opening two ways, half a turn apart."""
    placed = place_inside(panel(0.2, SLIT), OPENING, objective, FitOptions(alike_mm=0.03))
    (other,) = placed.others
    turned = math.remainder(other.turn_rad - placed.pose.turn_rad, math.tau)
    assert abs(turned) == pytest.approx(math.pi, abs=0.01)
    (said,) = (n.text for n in placed.notices if n.code == "compare-ambiguous")
    assert "turned by 180°" in said
    assert "lock" not in said  # there is nothing to lock by in an opening


@pytest.mark.parametrize("objective", OBJECTIVES)
@pytest.mark.parametrize(
    "bays", [(SLIT,), (SQUARE,), (SMALL,), NARROW, (WIDE,), ((12.0, 12.0, 15.0),)]
)
def test_a_bay_is_as_deep_as_it_is(bays: tuple[Bay, ...], objective: Objective) -> None:
    """However narrow, and though the next edge of the opening may be nearer than its own."""
    found = fitted(panel(0.2, *bays), objective)
    deep = bays[0][2]
    assert deep < found.largest_gap_mm < deep + 0.42
    assert found.worst.up_to_mm is None
    assert "remake" in headline(found, "mm")
    (row,) = (e for e in found.edges if e.strip_mm is not None)
    assert row.strip_mm == pytest.approx((sum(b[1] for b in bays), row.most_mm), abs=1.1)
    assert all(e.most_mm < 0.42 for e in found.edges if e is not row)


def test_the_gap_beside_a_corner_is_its_own_edge_s() -> None:
    """Lying against the left side with 0.8 mm above: the left edge has none of that."""
    low = shape("low", (0.0, 0.0), (120.0, 0.0), (120.0, 79.2), (0.0, 79.2))
    slit = shape("slit", *((30.0 * i, 0.0) for i in range(2)), (30.0, 20.0), (36.0, 20.0),
                 (36.0, 0.0), (120.0, 0.0), (120.0, 79.2), (0.0, 79.2))  # fmt: skip
    for piece in (low, slit):
        by_most = sorted(
            e.most_mm for e in fitted(piece, "smallest" if piece is slit else "even").edges
        )
        assert by_most[:2] == pytest.approx([0.0, 0.0], abs=0.03)


def test_a_slit_takes_no_lap_from_the_other_edges() -> None:
    found = fitted(panel(-10.0, SLIT), lap_mm=10.0)
    lacking = {e.edge: e.verdict for e in found.edges}
    assert sorted(lacking.values()) == ["gap", "same", "same", "same"]
    assert found.largest_gap_mm == pytest.approx(20.0, abs=0.1)


OLD = ((0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (10.0, 80.0), (0.0, 70.0))


@pytest.mark.parametrize("by", [2.0, -1.0])
def test_a_box_too_large_or_small_all_round_is_so_by_that_much_on_every_edge(by: float) -> None:
    """Not by the distance from corner to corner, which is 1.4 times as far."""
    grown = shapely.Polygon(OLD).buffer(by, join_style="mitre")
    corners = [(float(x), float(y)) for x, y in grown.exterior.coords[:-1]]
    new = Pose(1.1, (40.0, -10.0)).pattern_back(shape("new", *corners[::-1]))
    found = compare(shape("old", *OLD), new)
    assert len(found.stretches) == 5
    for stretch in found.stretches:
        assert stretch.largest_mm == pytest.approx(abs(by), abs=0.02)
        assert stretch.kind == ("more" if by > 0 else "less")
