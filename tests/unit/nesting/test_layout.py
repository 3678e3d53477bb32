import folded_pieces as pieces
import numpy as np
import pytest
import shapely

from digitize.nesting.layout import (
    BadLayout,
    lay_out,
    offcut_sheet,
    rectangle_sheet,
    turns_for,
)
from digitize.pattern.contour import Circle
from digitize.pattern.model import Pattern
from digitize.pattern.region import polygon


def plate(w, h, name="plate"):
    return Pattern(name, pieces.outline([(0, 0), (w, 0), (w, h), (0, h)]))


def sound(layout, gap):
    """Nothing sticks out of the sheet, nothing comes nearer than the gap."""
    shapes = [polygon(p.on_sheet.outline, 0.05) for p in layout.pieces]
    for i, a in enumerate(shapes):
        assert a.difference(layout.sheet.buffer(1e-3)).area < 1e-3
        for b in shapes[:i]:
            assert a.distance(b) >= gap - 0.02
    return shapes


def test_boxes_that_fill_a_sheet_exactly_fill_it():
    sheet = rectangle_sheet(400.0, 200.0)
    layout = lay_out([(plate(100.0, 100.0), [0.0])] * 8, sheet, 0.0)
    assert len(layout.pieces) == 8
    assert layout.used == pytest.approx(1.0)
    sound(layout, 0.0)


def test_the_gap_is_kept_and_what_does_not_fit_is_left_over():
    sheet = rectangle_sheet(400.0, 200.0)
    layout = lay_out([(plate(98.0, 98.0), [0.0])] * 9, sheet, 2.0)
    assert len(layout.pieces) == 8
    assert layout.left_over == ("plate",)
    sound(layout, 2.0)
    rimmed = lay_out([(plate(98.0, 98.0), [0.0])] * 8, sheet, 2.0, 5.0)
    assert len(rimmed.pieces) < 8


def test_a_blank_is_turned_to_fit():
    tall = lay_out([(plate(150.0, 40.0), [0.0, 90.0])], rectangle_sheet(50.0, 160.0))
    assert tall.pieces[0].turn_deg == 90.0
    assert not lay_out([(plate(150.0, 40.0), [0.0])], rectangle_sheet(50.0, 160.0)).pieces


def test_an_offcut_with_a_bite_and_a_hole_is_used_round_them():
    """An L with a hole: three plates go round, and none lies in the bite or over the hole."""
    ell = Pattern(
        "offcut",
        pieces.outline([(0, 0), (300, 0), (300, 100), (120, 100), (120, 300), (0, 300)]),
        openings=(Circle((60.0, 60.0), 25.0),),
    )
    layout = lay_out([(plate(110.0, 90.0), [0.0, 90.0])] * 4, offcut_sheet(ell), 3.0)
    assert len(layout.pieces) == 3
    for shape in sound(layout, 3.0):
        assert shape.distance(shapely.Point(60, 60)) >= 25.0 - 0.1


def test_true_shapes_lie_closer_than_their_boxes():
    """Two right triangles of half a box each share a box, with little over for the gap."""
    triangle = Pattern("gusset", pieces.outline([(0, 0), (200, 0), (0, 100)]))
    sheet = rectangle_sheet(216.0, 108.0)
    layout = lay_out([(triangle, [0.0, 180.0])] * 2, sheet, 2.0)
    assert len(layout.pieces) == 2
    sound(layout, 2.0)


def test_random_pieces_never_overlap():
    random = np.random.default_rng(4)
    blanks = []
    for k in range(14):
        angles = np.sort(random.uniform(0, 2 * np.pi, 7))
        points = np.column_stack([np.cos(angles), np.sin(angles)]) * random.uniform(15, 60)
        hull = shapely.MultiPoint(points).convex_hull.exterior.coords[:-1]
        ring = shapely.Polygon(hull)
        ring = hull if ring.exterior.is_ccw else hull[::-1]
        pattern = Pattern(f"p{k}", pieces.outline(ring))
        blanks.append((pattern, turns_for(pattern, None, 0.0)))
    layout = lay_out(blanks, rectangle_sheet(420.0, 260.0), 2.0)
    assert len(layout.pieces) >= 10
    assert len(layout.pieces) + len(layout.left_over) == 14
    sound(layout, 2.0)


def test_the_grain_allows_two_turns_only():
    assert turns_for(plate(100.0, 50.0), 90.0, 0.0) == [270.0, 90.0]
    assert len(turns_for(plate(100.0, 50.0), None, 0.0)) == 4


def test_what_makes_no_sense_is_refused():
    with pytest.raises(BadLayout, match="no area"):
        rectangle_sheet(0.0, 10.0)
    with pytest.raises(BadLayout, match="below zero"):
        lay_out([], rectangle_sheet(10.0, 10.0), -1.0)
    with pytest.raises(BadLayout, match="too many"):
        lay_out([(plate(1.0, 1.0), [0.0])] * 201, rectangle_sheet(10.0, 10.0))
