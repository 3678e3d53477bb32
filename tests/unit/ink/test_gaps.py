"""The rule for closing gaps, end by end, on rasters drawn for the purpose."""

import cv2
import numpy as np
import pytest

from digitize.tracing.ink.gaps import closed_over, find_bridges, find_ends, longest_gap_mm
from digitize.tracing.ink.loops import find_loops
from digitize.tracing.overview import Overview

PITCH, PEN = 0.25, 1.0


def raster(*lines):
    """Ink of straight lines ((x0, y0), (x1, y1)) in mm, y up, on a 60 x 60 mm view."""
    n = int(60 / PITCH)
    ink = np.zeros((n, n), np.uint8)
    for line in lines:
        cells = [
            (round((x / PITCH - 0.5) * 16), round(((60 - y) / PITCH - 0.5) * 16)) for x, y in line
        ]
        cv2.line(ink, cells[0], cells[1], 1, round(PEN / PITCH), shift=4)
    view = Overview(
        np.ones((n, n, 3), np.float32), np.ones((n, n), dtype=bool), PITCH, 0.0, 60.0, 0.0, PITCH
    )
    loops = find_loops(ink, PITCH)
    strokes = list(range(1, len(loops.stroke_box)))
    return ink, view, loops, find_ends(loops, view, strokes, PEN)


def test_ends_are_at_the_tips_and_point_outward():
    _, _, _, ends = raster([(10, 30), (40, 30)])
    left, right = sorted(ends, key=lambda end: end.tip_mm[0])
    assert np.abs(left.tip_mm - (9.5, 30)).max() < 0.5
    assert np.abs(right.tip_mm - (40.5, 30)).max() < 0.5
    assert left.outward[0] < -0.95
    assert right.outward[0] > 0.95


@pytest.mark.parametrize(
    ("second", "bridged"),
    [
        ([(34, 30), (55, 30)], True),  # 4 - 1 = 3 mm of bare paper, straight on
        ([(37.5, 30), (55, 30)], False),  # 6.5 mm: too wide
        ([(34, 31.2), (53, 38)], True),  # within 30 degrees
        ([(33, 33), (33, 55)], False),  # 3 mm off and square to it
        ([(30.5, 31.4), (30.5, 55)], True),  # a corner where the pen was lifted
    ],
)
def test_which_gaps_are_closed(second, bridged):
    ink, view, loops, ends = raster([(5, 30), (30, 30)], second)
    assert longest_gap_mm(PEN) == 5.0
    bridges, still_open = find_bridges(loops, view, ends, PEN)
    assert bool(bridges) is bridged
    assert len(still_open) == (2 if bridged else 4)
    joined = find_loops(closed_over(ink, view, bridges, PEN), PITCH)
    assert len(joined.stroke_box) - 1 == (1 if bridged else 2)


def test_end_just_short_of_the_side_of_a_line_is_joined_to_it():
    _, view, loops, ends = raster([(5, 30), (28.2, 30)], [(30, 10), (30, 50)])
    bridges, still_open = find_bridges(loops, view, ends, PEN)
    assert len(bridges) == 1
    assert bridges[0].length_mm < 1.5
    assert len(still_open) == 3


def test_thick_pens_bridge_wider_gaps():
    assert longest_gap_mm(3.0) == 9.0
