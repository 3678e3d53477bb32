"""Drawings on paper in a ring, read back against what was drawn."""

import re

import numpy as np
import pytest
from shapely import LinearRing, LineString, Point, Polygon, affinity, box, unary_union

from digitize.tracing.ink.drawing import OutlineCutOff, OutlineOpen
from digitize.tracing.ink.strokes import NothingDrawn
from digitize.tracing.ink.trace import InkOptions, trace_ink
from digitize.tracing.overview import NothingInRegion
from digitize.tracing.traces import BRIDGED, MEASURED

CENTRE = InkOptions(line_side="centre")


def traced(shot, options=CENTRE):
    return trace_ink(shot.photo, shot.camera, shot.sheet, options)


def offset_and_turn(bend, start, end):
    """Largest distance of a bend line's ends from a true line, mm, and its angle to it, deg."""
    p, q = np.array(start), np.array(end)
    d = (q - p) / np.hypot(*(q - p))
    n = np.array([-d[1], d[0]])
    s, e = np.array(bend.start_mm), np.array(bend.end_mm)
    v = (e - s) / np.hypot(*(e - s))
    return max(abs((s - p) @ n), abs((e - p) @ n)), np.degrees(np.arcsin(abs(v @ n)))


@pytest.fixture(scope="module")
def everything(board, drawn, photograph):
    """Outline, opening, dashed and dotted bend lines, a cross, a word, a smudge."""
    b = board()
    hole = b.circle(0.25, 0.15, 9.0)
    b.add(*drawn.dashed(b.at(0, 0.4), b.at(1, 0.4), 5.0, 2.5))
    dots = [Point(b.at(0.45, v)).buffer(0.6) for v in np.arange(0.025, 0.39, 0.016)]
    b.add(*dots)
    cx, cy = b.at(0.75, 0.2)
    b.add(
        LineString([(cx - 4, cy - 1), (cx + 4, cy + 1)]).buffer(0.4),
        LineString([(cx + 1, cy - 4), (cx - 1, cy + 4)]).buffer(0.4),
    )
    x, y = b.at(0.2, 0.75)
    word = [
        LineString([(x, y), (x, y + 5), (x + 2, y + 2), (x + 4, y + 5), (x + 4, y)]),
        Point(x + 6.6, y + 1.8).buffer(1.7).exterior,
        unary_union(
            [
                Point(x + 10.6, y + 1.8).buffer(1.6).exterior,
                LineString([(x + 12.3, y + 3.5), (x + 12.3, y), (x + 13, y)]),
            ]
        ),
        unary_union(
            [
                Point(x + 15, y + 1.4).buffer(1.4).exterior,
                Point(x + 15, y + 4.1).buffer(1.3).exterior,
            ]
        ),
        unary_union(
            [
                LineString([(x + 19, y), (x + 19, y + 5)]),
                LineString([(x + 17.5, y + 3.6), (x + 20.5, y + 3.6)]),
            ]
        ),
    ]
    b.add(*(letter.buffer(0.35) for letter in word))
    b.add(Point(b.at(0.6, 0.6)).buffer(3.0), ink=(0.5, 0.5, 0.5))
    shot = photograph(layers=b.layers)
    return b, hole, (cx, cy), shot, traced(shot)


def test_one_piece_with_its_opening_bends_and_mark(everything):
    _, _, _, _, result = everything
    assert result.mode == "ink"
    (piece,) = result.pieces
    assert len(piece.openings) == 1
    assert sorted(bend.dashes > 15 for bend in piece.bends) == [False, True]
    assert len(piece.marks) == 1
    assert piece.notices == ()


def test_centre_line_is_within_a_twentieth_of_a_millimetre(everything, drawn):
    b, hole, _, _, result = everything
    (piece,) = result.pieces
    for loop, truth in ((piece.outline, b.outline), (piece.openings[0], hole)):
        off = drawn.distances(loop.points_mm, truth)
        assert np.percentile(off, 95) < 0.05
        assert off.max() < 0.5  # sharp corners are rounded by the pen and the lens
        assert loop.line_width_mm == pytest.approx(1.0, abs=0.06)


def test_points_are_dense_anticlockwise_and_where_the_photo_shows_them(everything):
    _, _, _, shot, result = everything
    loop = result.pieces[0].outline
    assert Polygon(loop.points_mm).exterior.is_ccw
    gap_px = np.hypot(*np.diff(loop.points_px, axis=0).T)
    assert 1.0 < np.median(gap_px) < 2.5
    assert np.abs(shot.camera.to_px(loop.points_mm) - loop.points_px).max() < 1e-6
    assert (loop.evidence == MEASURED).mean() > 0.99


def test_stated_uncertainty_is_neither_blind_nor_timid(everything, drawn):
    b, _, _, _, result = everything
    loop = result.pieces[0].outline
    u = np.median(loop.u_mm)
    assert 0.001 < u < 0.03
    typical = np.median(drawn.distances(loop.points_mm, b.outline))
    assert 0.2 < typical / u < 3.0


def test_bend_lines_meet_the_outline_or_the_bend_they_end_at(everything):
    b, _, _, _, result = everything
    dotted, dashed = sorted(result.pieces[0].bends, key=lambda bend: -bend.dashes)
    off, turn = offset_and_turn(dashed, b.at(0, 0.4), b.at(1, 0.4))
    assert off < 0.15
    assert turn < 0.15
    assert off < 4 * (dashed.u_mm + np.radians(dashed.u_deg) * b.w / 2) + 0.02
    ends = np.array([dashed.start_mm, dashed.end_mm])
    assert np.abs(np.sort(ends[:, 0]) - (b.x, b.x + b.w)).max() < 0.6
    off, turn = offset_and_turn(dotted, b.at(0.45, 0), b.at(0.45, 0.4))
    assert off < 0.05
    ends = np.sort([dotted.start_mm[1], dotted.end_mm[1]])
    assert np.abs(ends - (b.y, b.at(0, 0.4)[1])).max() < 0.6


def test_cross_is_a_mark_at_its_crossing(everything):
    _, _, at, _, result = everything
    (mark,) = result.pieces[0].marks
    assert np.hypot(*(np.array(mark.at_mm) - at)) < 0.03


def test_writing_and_smudge_are_left_out_with_place_and_reason(everything):
    b, _, _, _, result = everything
    word = np.array(b.at(0.2, 0.75)) + np.array([9.0, 2.5])
    near = [item for item in result.left_out if np.hypot(*(np.array(item.at_mm) - word)) < 14]
    assert {item.reason for item in near} == {"handwriting"}
    smudge = [item for item in result.left_out if item not in near]
    assert len(smudge) == 1
    assert "fainter than the drawn lines" in smudge[0].reason
    assert np.hypot(*(np.array(smudge[0].at_mm) - b.at(0.6, 0.6))) < 0.5


@pytest.mark.parametrize(("side", "outline_by", "hole_by"), [("inside", -1, 1), ("outside", 1, -1)])
def test_line_side_is_named_from_the_metal(everything, drawn, side, outline_by, hole_by):
    b, hole, _, shot, _ = everything
    (piece,) = traced(shot, InkOptions(line_side=side)).pieces
    line = LinearRing(b.outline.coords)
    off = drawn.outside_by(piece.outline.points_mm, line)
    assert np.median(off) == pytest.approx(outline_by * 0.5, abs=0.03)
    off = drawn.outside_by(piece.openings[0].points_mm, hole)
    assert np.median(off) == pytest.approx(hole_by * 0.5, abs=0.03)
    assert np.percentile(np.abs(off - np.median(off)), 95) < 0.03


def test_inner_corners_stay_sharp(board, photograph, drawn):
    b = board(pen_mm=2.0, wobble_mm=1e-6)
    (piece,) = traced(photograph(layers=b.layers), InkOptions(line_side="inside")).pieces
    true = Polygon(b.outline).buffer(-1.0, join_style="mitre").exterior
    off = drawn.distances(piece.outline.points_mm, true)
    assert off.max() < 0.25
    corner = np.array(b.at(0, 0)) + 1.0
    assert np.hypot(*(piece.outline.points_mm - corner).T).min() < 0.25


def test_region_picks_one_of_two_pieces(photograph, drawn):
    ring = Point(60, 80).buffer(28, quad_segs=64).exterior
    plate = LinearRing([(40, 140), (130, 140), (130, 220), (40, 220)])
    shot = photograph(layers=[(ring.buffer(0.6), drawn.BLACK), (plate.buffer(0.6), drawn.BLACK)])
    both = traced(shot).pieces
    assert len(both) == 2
    assert np.percentile(drawn.distances(both[0].outline.points_mm, plate), 95) < 0.05
    region = np.array([(25, 45), (100, 45), (100, 118), (25, 118)], dtype=float)
    (one,) = traced(shot, InkOptions(line_side="centre", region_mm=region)).pieces
    assert np.percentile(drawn.distances(one.outline.points_mm, ring), 95) < 0.05
    with pytest.raises(NothingInRegion, match="region to trace lies outside"):
        traced(shot, InkOptions(region_mm=region - 400.0))


def test_region_out_of_the_frame_says_so(board, photograph):
    b = board()
    shot = photograph(layers=b.layers, look_at_mm=(90.0, 5.0))
    corner = np.array([(30, 215), (60, 215), (60, 235), (30, 235)], dtype=float)
    with pytest.raises(NothingInRegion, match="nothing of the region to trace is in the photo"):
        traced(shot, InkOptions(region_mm=corner))


def test_small_gap_is_bridged_and_reported(board, photograph, drawn):
    b = board()
    x, y = b.at(0.5, 0)
    b.cut(box(x - 1.5, y - 5, x + 1.5, y + 5))
    (piece,) = traced(photograph(layers=b.layers)).pieces
    (notice,) = piece.notices
    assert notice.code == "gap-bridged"
    assert notice.level == "doubt"
    said = re.search(r"a gap of ([\d.]+) mm in the line was closed near x ([\d.]+), y", notice.text)
    assert said is not None
    assert float(said[1]) == pytest.approx(3.0, abs=0.3)
    assert float(said[2]) == pytest.approx(x, abs=0.5)
    bridged = piece.outline.points_mm[piece.outline.evidence == BRIDGED]
    assert np.abs(bridged - (x, y)).max() < 2.5
    assert np.ptp(bridged[:, 0]) > 2.0
    assert drawn.distances(bridged, b.outline).max() < 0.3


def test_wide_gap_is_an_error_that_says_where(board, photograph):
    b = board()
    x, y = b.at(0.5, 0)
    b.cut(box(x - 4.5, y - 5, x + 4.5, y + 5))
    shot = photograph(layers=b.layers)
    with pytest.raises(OutlineOpen, match=r"the outline is open by [89]\.\d mm") as caught:
        traced(shot)
    assert np.hypot(*(np.array(caught.value.at_mm) - (x, y))) < 1.0
    seen = shot.camera.to_px(np.array([caught.value.at_mm]))[0]
    assert np.hypot(*(np.array(caught.value.at_px) - seen)) < 0.1
    assert "close the line with the marker" in str(caught.value)


def test_outline_that_runs_off_the_blank_middle_says_so(board, photograph):
    b = board()
    shift = b.area[2] - b.at(0.8, 0)[0]
    layers = [
        (affinity.translate(shape, shift, 0).intersection(box(*b.area)), ink)
        for shape, ink in b.layers
    ]
    with pytest.raises(OutlineCutOff, match="runs out of the area that can be traced") as caught:
        traced(photograph(layers=layers))
    assert abs(caught.value.at_mm[0] - b.area[2]) < 3.0


def test_only_open_strokes_inside_nothing(photograph, drawn):
    strokes = [LineString([(50, y), (60, y + 4)]).buffer(0.5) for y in (60, 90, 140)]
    with pytest.raises(NothingDrawn, match="no closed line was found"):
        traced(photograph(layers=[(s, drawn.BLACK) for s in strokes]))


def test_blank_sheet_says_so(photograph):
    with pytest.raises(NothingDrawn, match="no drawn line was found"):
        traced(photograph())


def test_pencil_is_called_too_faint(board, photograph):
    b = board(pen_mm=0.5, ink=(0.65, 0.65, 0.65))
    with pytest.raises(NothingDrawn, match="too faint to trace: go over them with a"):
        traced(photograph(layers=b.layers))


@pytest.mark.parametrize(
    ("pen_mm", "ink"), [(0.5, "BLACK"), (0.5, "BLUE"), (1.0, "RED"), (3.0, "BLACK")]
)
def test_pens_from_half_to_three_millimetres(board, photograph, drawn, pen_mm, ink):
    b = board(pen_mm=pen_mm, ink=getattr(drawn, ink))
    hole = b.circle(0.3, 0.2, 6.0)
    b.add(*drawn.dashed(b.at(0, 0.4), b.at(1, 0.4), 6, 3 if pen_mm < 2 else 6, pen_mm=pen_mm))
    (piece,) = traced(photograph(layers=b.layers)).pieces
    for loop, truth in ((piece.outline, b.outline), (piece.openings[0], hole)):
        assert np.percentile(drawn.distances(loop.points_mm, truth), 95) < 0.06
    assert len(piece.bends) == 1
    assert offset_and_turn(piece.bends[0], b.at(0, 0.4), b.at(1, 0.4))[0] < 0.2


def test_lines_that_touch_or_cross_the_outline_do_not_disturb_it(board, photograph, drawn):
    b = board()
    b.add(
        *drawn.dashed(
            (b.x - 5, b.at(0, 0.4)[1]), (b.x + b.w + 5, b.at(0, 0.4)[1]), 6, 3, first_mm=0.0
        )
    )
    b.add(*drawn.dashed(b.at(0.3, 0), b.at(0.3, 0.4), 5, 2.5, first_mm=0.0))
    x, y = b.at(1, 0.1)
    b.add(LineString([(x, y), (x + 6, y + 3)]).buffer(0.5))
    x, y = b.at(0.1, 1)
    b.add(LineString([(x, y), (x + 4, y - 5)]).buffer(0.5))
    (piece,) = traced(photograph(layers=b.layers)).pieces
    off = drawn.distances(piece.outline.points_mm, b.outline)
    assert np.percentile(off, 95) < 0.05
    assert off.max() < 0.4
    assert len(piece.bends) == 2
    across, up = sorted(piece.bends, key=lambda bend: abs(bend.start_mm[0] - bend.end_mm[0]))[::-1]
    assert offset_and_turn(across, b.at(0, 0.4), b.at(1, 0.4))[0] < 0.2
    assert offset_and_turn(up, b.at(0.3, 0), b.at(0.3, 0.4))[0] < 0.2
    assert piece.marks == ()  # where the dashes cross is no cross


def test_solid_line_across_is_left_out_with_a_notice(board, photograph, drawn):
    b = board()
    b.add(LineString([b.at(0, 0.5), b.at(1, 0.5)]).buffer(0.5))
    (piece,) = traced(photograph(layers=b.layers)).pieces
    assert [n.code for n in piece.notices] == ["line-across"]
    assert np.percentile(drawn.distances(piece.outline.points_mm, b.outline), 95) < 0.05


def test_hard_shadow_and_loose_sheet_are_not_ink(board, photograph, drawn):
    b = board()
    x0, y0, x1, y1 = b.area
    loose = box(x0 + 4, y0 + 4, x1 - 4, y1 - 3)
    layers = [(loose.buffer(0.25), (0.35, 0.35, 0.34)), (loose, (0.9, 0.9, 0.9)), *b.layers]

    def shaded(p):
        return 0.75 * (0.3 + 0.7 / (1 + np.exp(-(0.8 * p[:, 0] + 0.5 * p[:, 1] - 130) / 0.3)))

    result = traced(photograph(layers=layers, light=shaded))
    (piece,) = result.pieces
    assert piece.bends == ()
    assert np.percentile(drawn.distances(piece.outline.points_mm, b.outline), 95) < 0.05
    assert all("fainter" in item.reason or item.size_mm < 8 for item in result.left_out)


def test_row_of_round_holes_is_not_writing(board, photograph):
    b = board()
    for k in range(5):
        b.circle(0.2 + 0.08 * k, 0.3, 3.0)
    (piece,) = traced(photograph(layers=b.layers)).pieces
    assert len(piece.openings) == 5


def test_drawn_surface_over_the_target_is_taken_at_its_height(board, photograph):
    b = board()
    shot = photograph(layers=b.layers, tilt_deg=30.0)
    flat, raised = (
        traced(shot, InkOptions(line_side="centre", height_mm=h)).pieces[0].outline
        for h in (0.0, 2.0)
    )
    shrunk = Polygon(raised.points_mm).area / Polygon(flat.points_mm).area
    camera_height = shot.camera.centre_mm[2]
    assert shrunk == pytest.approx((1 - 2.0 / camera_height) ** 2, abs=2e-4)


@pytest.mark.parametrize("roll_deg", [0.0, 37.0, 180.0])
def test_turning_the_photo_changes_nothing(board, photograph, drawn, roll_deg):
    b = board()
    shot = photograph(layers=b.layers, roll_deg=roll_deg, across_mm=420.0)
    (piece,) = traced(shot).pieces
    assert np.percentile(drawn.distances(piece.outline.points_mm, b.outline), 95) < 0.06


def test_an_opening_is_no_piece_where_the_region_cuts_through_its_outline(everything):
    b, hole, _, shot, _ = everything
    _, y0, x1, y1 = hole.bounds
    left = b.at(0, 0)[0] - 8.0
    region = np.array([(left, y0 - 9), (x1 + 9, y0 - 9), (x1 + 9, y1 + 9), (left, y1 + 9)])
    with pytest.raises(OutlineCutOff):
        traced(shot, InkOptions(line_side="centre", region_mm=region))


def test_a_line_that_leaves_the_region_beside_a_whole_piece_is_doubted(board, photograph):
    b = board()
    (x, low), (_, high) = b.at(1, 0), b.at(1, 0.7)
    curl = [(x + 9, low + 30), (x + 5, low + 40), (x + 5, high - 40), (x + 9, high - 30)]
    b.add(LineString(curl).buffer(b.pen_mm / 2))
    region = np.array([(0, 0), (x + 7, 0), (x + 7, 900), (0, 900)])
    options = InkOptions(line_side="centre", region_mm=region)
    result = traced(photograph(layers=b.layers), options)
    assert [n.code for n in result.notices] == ["line-cut-off"]
    assert len(result.pieces) == 1
